//! Lays a raw mono float32 file on the grid, for the reference tests and the benchmark.
//!
//! `resample_raw IN OUT FILE_RATE GRID_RATE BAR1_BEAT1_S RATIO_PPM FIRST COUNT` writes grid
//! samples FIRST .. FIRST + COUNT and prints how long the laying alone took, in seconds.

use std::process::ExitCode;
use std::time::Instant;

use ripieno_engine::resample::{ChannelMatrix, Layer, TimeMap};

fn main() -> ExitCode {
    match run() {
        Ok(seconds) => {
            let line = format!("{seconds:.6}\n");
            let written = std::io::Write::write_all(&mut std::io::stdout(), line.as_bytes());
            if written.is_ok() { ExitCode::SUCCESS } else { ExitCode::FAILURE }
        }
        Err(_) => ExitCode::FAILURE,
    }
}

fn run() -> Result<f64, Box<dyn std::error::Error>> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let [input, output, numbers @ ..] = &args[..] else { return Err("missing arguments".into()) };
    let numbers: Vec<f64> = numbers.iter().map(|text| text.parse()).collect::<Result<_, _>>()?;
    let [file_rate, grid_rate, offset_s, ppm, first, count] = numbers[..] else {
        return Err("six numbers are needed".into());
    };
    let bytes = std::fs::read(input)?;
    let frames: Vec<f32> =
        bytes.as_chunks::<4>().0.iter().map(|four| f32::from_le_bytes(*four)).collect();

    let mut laid: Vec<f32> = Vec::with_capacity(count as usize);
    let mut sink = |block: &[&[f32]]| -> Result<(), std::convert::Infallible> {
        laid.extend_from_slice(block[0]);
        Ok(())
    };
    let begin = Instant::now();
    let map = TimeMap::of_fit(offset_s, ppm, file_rate, grid_rate);
    let range = first as i64..(first + count) as i64;
    let mut layer = Layer::new(map, range, ChannelMatrix::same(1));
    for (index, block) in frames.chunks(4096).enumerate() {
        layer.push(index as u64 * 4096, &[block], &mut sink)?;
    }
    layer.finish(&mut sink)?;
    let seconds = begin.elapsed().as_secs_f64();

    let bytes: Vec<u8> = laid.iter().flat_map(|sample| sample.to_le_bytes()).collect();
    std::fs::write(output, bytes)?;
    Ok(seconds)
}
