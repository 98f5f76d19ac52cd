//! Finds the marks in WAV files, or writes a mark: the locator by itself, for studies and checks.
//!
//! `locate_marks FILE…` (or file names on standard input, one a line) prints one JSON line a
//! file, with at most MOST (an environment variable) arrivals a mark;
//! `locate_marks --write opening|closing RATE FILE` writes a mark as 32-bit float.
#![allow(clippy::print_stdout)]

use ripieno_engine::locate::{Arrival, Locator, Options};
use ripieno_engine::mark::Mark;
use std::error::Error;
use std::io::BufRead;

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    match arguments.as_slice() {
        [verb, which, rate, path] if verb == "--write" => write(which, rate.parse()?, path),
        [] => {
            for line in std::io::stdin().lock().lines() {
                locate(&line?)?;
            }
            Ok(())
        }
        files => files.iter().try_for_each(|file| locate(file)),
    }
}

fn write(which: &str, rate_hz: u32, path: &str) -> Result<(), Box<dyn Error>> {
    let mark = if which == "closing" { Mark::closing(rate_hz) } else { Mark::opening(rate_hz) };
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: rate_hz,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(path, spec)?;
    mark.samples.iter().try_for_each(|s| writer.write_sample(*s))?;
    writer.finalize()?;
    println!("{{\"origin_sample\": {}, \"length\": {}}}", mark.origin_sample, mark.samples.len());
    Ok(())
}

fn locate(path: &str) -> Result<(), Box<dyn Error>> {
    let mut reader = hound::WavReader::open(path)?;
    let spec = reader.spec();
    let full = 2f32.powi(i32::from(spec.bits_per_sample) - 1);
    let samples: Vec<f32> = match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().collect::<Result<_, _>>()?,
        hound::SampleFormat::Int => {
            reader.samples::<i32>().map(|s| s.map(|s| s as f32 / full)).collect::<Result<_, _>>()?
        }
    };
    let channels = usize::from(spec.channels);
    let planar: Vec<Vec<f32>> = (0..channels)
        .map(|c| samples.iter().skip(c).step_by(channels).copied().collect())
        .collect();
    let (opening, closing) = (Mark::opening(spec.sample_rate), Mark::closing(spec.sample_rate));
    let most = std::env::var("MOST").ok().and_then(|most| most.parse().ok());
    let options = Options { max_arrivals: most.unwrap_or(8) };
    let mut locator = Locator::pair(&opening, &closing, options);
    let frames = planar[0].len();
    for first in (0..frames).step_by(4096) {
        let last = (first + 4096).min(frames);
        let block: Vec<&[f32]> = planar.iter().map(|c| &c[first..last]).collect();
        locator.push(&block);
    }
    let found = locator.finish_pair();
    let list = |arrivals: &[Arrival]| arrivals.iter().map(line).collect::<Vec<_>>().join(", ");
    println!(
        "{{\"file\": {path:?}, \"opening\": [{}], \"closing\": [{}]}}",
        list(&found.opening),
        list(&found.closing)
    );
    Ok(())
}

fn line(a: &Arrival) -> String {
    let number = |x: Option<f64>| x.map_or("null".to_string(), |x| x.to_string());
    format!(
        "{{\"at_s\": {}, \"sd_s\": {}, \"score\": {}, \"skew_ppm\": {}, \"skew_sd_ppm\": {}, \
         \"snr_db\": {}, \"part\": \"{:?}\", \"heard_in\": \"{:?}\", \"inverted\": {}, \
         \"likeness\": {}, \"echo_s\": {}}}",
        a.at_s,
        a.sd_s,
        a.score,
        number(a.skew_ppm),
        number(a.skew_sd_ppm),
        a.snr_db,
        a.part,
        a.heard_in,
        a.inverted,
        a.likeness,
        a.echo_s
    )
}
