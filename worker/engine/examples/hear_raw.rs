//! What the listener hears in a raw file, for the reference checks:
//! `hear_raw FILE.f32 RATE` (mono, 32-bit float, little endian) prints one JSON object.

#![allow(clippy::print_stdout)]

use ripieno_engine::onset::Listener;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, file, rate_hz] = arguments.as_slice() else {
        return Err("usage: hear_raw FILE.f32 RATE".into());
    };
    let bytes = std::fs::read(file)?;
    let samples: Vec<f32> =
        bytes.as_chunks::<4>().0.iter().map(|word| f32::from_le_bytes(*word)).collect();
    let start = std::time::Instant::now();
    let mut listener = Listener::new(rate_hz.parse()?);
    for block in samples.chunks(4_096) {
        listener.push(block);
    }
    let playing = listener.finish();
    let seconds = start.elapsed().as_secs_f64();
    let onsets: Vec<String> = playing
        .onsets
        .iter()
        .map(|onset| format!("[{:.6},{:.4},{:.6}]", onset.at_s, onset.strength, onset.sd_s))
        .collect();
    let chroma: Vec<String> = playing.chroma.iter().map(|row| format!("{row:?}")).collect();
    let tuning = playing.tuning_cents.map_or("null".into(), |cents| format!("{cents:.2}"));
    println!(
        "{{\"onsets\":[{}],\"tuning_cents\":{tuning},\"duration_s\":{},\"seconds\":{seconds},\
         \"novelty\":{:?},\"chroma_hop_s\":{},\"chroma\":[{}]}}",
        onsets.join(","),
        playing.duration_s,
        playing.novelty,
        playing.chroma_hop_s,
        chroma.join(",")
    );
    Ok(())
}
