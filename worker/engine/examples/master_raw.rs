//! Measures, limits, tones and sums raw planar-per-frame (interleaved) float32 files, for the
//! reference tests.
//!
//! - `master_raw meter RATE CHANNELS IN` prints the loudness as JSON
//! - `master_raw limit RATE CHANNELS CEILING_DBTP IN OUT`
//! - `master_raw tone RATE SETTINGS_JSON IN OUT`, stereo
//! - `master_raw room RATE SETTINGS_JSON IN OUT`, stereo; OUT holds the room alone
//! - `master_raw hall RATE PRE_DELAY_MS RESPONSE IN OUT`, stereo; OUT holds the room alone
//! - `master_raw sum OUT IN:LEFT_GAIN:RIGHT_GAIN …` sums mono files as stems; OUT holds `i64`
//!   steps of 2⁻²⁷, left and right interleaved

use ripieno_engine::bed::{Bed, Contribution};
use ripieno_engine::limit::Limiter;
use ripieno_engine::loudness::{Measure, Meter};
use ripieno_engine::stem::{BLOCK_FRAMES, StemFile, StemWriter};
use ripieno_engine::tone::{Hall, ImpulseResponse, Room, Tone};
use std::io::Write;
use std::process::ExitCode;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

fn main() -> ExitCode {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let args: Vec<&str> = args.iter().map(String::as_str).collect();
    let done = match args[..] {
        ["meter", rate, channels, input] => meter(rate, channels, input),
        ["limit", rate, channels, ceiling, input, output] => {
            limit(rate, channels, ceiling, input, output)
        }
        ["tone", rate, settings, input, output] => tone(rate, settings, input, output),
        ["room", rate, settings, input, output] => room(rate, settings, input, output),
        ["hall", rate, wait_ms, response, input, output] => {
            hall(rate, wait_ms, response, input, output)
        }
        ["sum", output, ref inputs @ ..] => sum(output, inputs),
        _ => Err("unknown words".into()),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            let _ = writeln!(std::io::stderr(), "{error}");
            ExitCode::FAILURE
        }
    }
}

fn read(path: &str, channels: usize) -> Outcome<Vec<Vec<f32>>> {
    let bytes = std::fs::read(path)?;
    let samples: Vec<f32> =
        bytes.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)).collect();
    let plane = |channel| samples.iter().skip(channel).step_by(channels).copied().collect();
    Ok((0..channels).map(plane).collect())
}

fn write(path: &str, planes: &[Vec<f32>]) -> Outcome<()> {
    let frames = planes.first().map_or(0, Vec::len);
    let bytes: Vec<u8> = (0..frames)
        .flat_map(|frame| planes.iter().flat_map(move |plane| plane[frame].to_le_bytes()))
        .collect();
    Ok(std::fs::write(path, bytes)?)
}

/// Cuts planes into blocks of an odd size, so that borders fall anywhere.
fn blocks(planes: &[Vec<f32>]) -> impl Iterator<Item = Vec<&[f32]>> {
    let frames = planes.first().map_or(0, Vec::len);
    (0..frames)
        .step_by(4799)
        .map(move |from| planes.iter().map(|plane| &plane[from..frames.min(from + 4799)]).collect())
}

fn meter(rate: &str, channels: &str, input: &str) -> Outcome<()> {
    let planes = read(input, channels.parse()?)?;
    let mut meter = Meter::new(rate.parse()?, channels.parse()?, Measure::All)?;
    blocks(&planes).for_each(|block| meter.push(&block));
    writeln!(std::io::stdout(), "{}", serde_json::to_string(&meter.finish())?)?;
    Ok(())
}

fn limit(rate: &str, channels: &str, ceiling: &str, input: &str, output: &str) -> Outcome<()> {
    let planes = read(input, channels.parse()?)?;
    let mut out = vec![Vec::new(); planes.len()];
    let mut sink = |_: bool, block: &[&[f32]]| {
        for (out, plane) in out.iter_mut().zip(block) {
            out.extend_from_slice(plane);
        }
    };
    let mut limiter = Limiter::new(rate.parse()?, planes.len(), ceiling.parse()?);
    blocks(&planes).for_each(|block| limiter.push(&block, &mut sink));
    let most_db = limiter.finish(&mut sink);
    writeln!(std::io::stdout(), "{most_db}")?;
    write(output, &out)
}

fn pairs(input: &str) -> Outcome<Vec<[Vec<f32>; 2]>> {
    let planes = read(input, 2)?;
    Ok(blocks(&planes).map(|block| [block[0].to_vec(), block[1].to_vec()]).collect())
}

fn joined(pairs: &[[Vec<f32>; 2]]) -> Vec<Vec<f32>> {
    [0, 1].map(|side| pairs.iter().flat_map(|pair| pair[side].clone()).collect()).to_vec()
}

fn tone(rate: &str, settings: &str, input: &str, output: &str) -> Outcome<()> {
    let mut tone = Tone::new(&serde_json::from_str(settings)?, rate.parse()?)?;
    let mut pairs = pairs(input)?;
    pairs.iter_mut().for_each(|pair| tone.process(pair));
    write(output, &joined(&pairs))
}

fn room(rate: &str, settings: &str, input: &str, output: &str) -> Outcome<()> {
    let mut room = Room::new(&serde_json::from_str(settings)?, rate.parse()?)?;
    let mut given = Vec::new();
    for pair in pairs(input)? {
        let mut out = [Vec::new(), Vec::new()];
        room.process(&pair, &mut out);
        given.push(out);
    }
    write(output, &joined(&given))
}

fn hall(rate: &str, wait_ms: &str, response: &str, input: &str, output: &str) -> Outcome<()> {
    let rate_hz = rate.parse()?;
    let response = ImpulseResponse::read(response.as_ref(), rate_hz)?;
    let mut hall = Hall::new(&response, wait_ms.parse()?, rate_hz)?;
    let mut given = Vec::new();
    for pair in pairs(input)? {
        let mut out = [Vec::new(), Vec::new()];
        hall.process(&pair, &mut out);
        given.push(out);
    }
    write(output, &joined(&given))
}

fn sum(output: &str, inputs: &[&str]) -> Outcome<()> {
    let mut stems = Vec::new();
    let mut blocks = 0;
    for input in inputs {
        let [path, left, right] = input.split(':').collect::<Vec<_>>()[..] else {
            return Err("an input is IN:LEFT:RIGHT".into());
        };
        let planes = read(path, 1)?;
        blocks = blocks.max(planes[0].len().div_ceil(BLOCK_FRAMES));
        let stem_path = format!("{path}.stem");
        let mut writer = StemWriter::create(std::fs::File::create(&stem_path)?, 48_000, 1, 0)?;
        writer.push(&[&planes[0]])?;
        writer.finish()?;
        stems.push((StemFile::open(stem_path)?, [left.parse::<f32>()?, right.parse::<f32>()?]));
    }
    let parts: Vec<_> =
        stems.iter().map(|(stem, gains)| Contribution { stem, gains: *gains }).collect();
    let mut bed = Bed::silent(0, blocks);
    bed.add(&parts)?;
    let [left, right] = bed.planes();
    let bytes: Vec<u8> = left
        .iter()
        .zip(right)
        .flat_map(|(left, right)| [left.to_le_bytes(), right.to_le_bytes()])
        .flatten()
        .collect();
    Ok(std::fs::write(output, bytes)?)
}
