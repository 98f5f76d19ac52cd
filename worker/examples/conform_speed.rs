//! How fast a take is conformed, part by part, as multiples of real time on one core.
//!
//! `conform_speed [FILE]` measures FILE against Nine Harbours, or an invented take of its length.

use std::f64::consts::TAU;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::ExitCode;
use std::time::Instant;

use ripieno_engine::decode::{Limits, Recording};
use ripieno_engine::inspect::Inspector;
use ripieno_engine::inspect::fingerprint::Fingerprinter;
use ripieno_engine::locate::{Locator, Options};
use ripieno_engine::mark::Mark;
use ripieno_engine::onset::Listener;
use ripieno_engine::plot::Plotter;
use ripieno_engine::resample::{ChannelMatrix, TimeMap, lay};
use ripieno_engine::stem::StemWriter;
use ripieno_score::nine_harbours;
use ripieno_worker::conform_take::{ConformPlan, conform, examine_line};

type Failure = Box<dyn std::error::Error>;

const RATE_HZ: u32 = 44_100;

fn main() -> ExitCode {
    match run() {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            drop(writeln!(std::io::stderr(), "{error}"));
            ExitCode::FAILURE
        }
    }
}

fn run() -> Result<(), Failure> {
    let folder = tempfile::tempdir()?;
    let (piece, _) = nine_harbours();
    let plan = ConformPlan::new(&piece);
    let path = match std::env::args().nth(1) {
        Some(path) => PathBuf::from(path),
        None => invent(folder.path(), &plan)?,
    };
    let recording = Recording::new(&path, Limits::default());
    let mut out = std::io::stdout().lock();
    let (rate_hz, seconds) = pass(&recording, |_| {})?;
    let mut report = |name: &str, begin: Instant| {
        let spent = begin.elapsed().as_secs_f64();
        writeln!(out, "{name:<24} {:>8.0} x real time", seconds / spent)
    };

    let begin = Instant::now();
    pass(&recording, |_| {})?;
    report("decode", begin)?;
    let blocks = all(&recording)?;
    let each = |act: &mut dyn FnMut(&[&[f32]])| {
        for block in &blocks {
            act(&block.iter().map(Vec::as_slice).collect::<Vec<_>>());
        }
    };
    let begin = Instant::now();
    let marks = (Mark::opening(rate_hz), Mark::closing(rate_hz));
    let mut locator = Locator::pair(&marks.0, &marks.1, Options::default());
    each(&mut |block| locator.push(block));
    drop(locator.finish_pair());
    report("locate both marks", begin)?;
    let begin = Instant::now();
    let mut listener = Listener::new(rate_hz);
    each(&mut |block| listener.push(block[0]));
    drop(listener.finish());
    report("listen", begin)?;
    let begin = Instant::now();
    let mut inspector = Inspector::new(rate_hz, blocks[0].len());
    each(&mut |block| inspector.push(block));
    drop(inspector.finish());
    report("inspect", begin)?;
    let begin = Instant::now();
    let mut printer = Fingerprinter::new(rate_hz);
    each(&mut |block| printer.push(block[0]));
    drop(printer.finish());
    report("fingerprint", begin)?;
    let begin = Instant::now();
    let mut plotter = Plotter::new(rate_hz);
    each(&mut |block| plotter.push(block));
    drop(plotter.finish());
    report("plot", begin)?;
    lay_and_write(&recording, (rate_hz, seconds), folder.path(), &mut report)?;
    let begin = Instant::now();
    let outcome = conform(&recording, &plan, Some(&folder.path().join("take.stem")))?;
    report("everything", begin)?;
    let mut line = examine_line("take", &outcome);
    line["path"] = serde_json::Value::from(path.display().to_string());
    writeln!(out, "{line}")?;
    Ok(())
}

/// The resampling alone, then the writing of what came of it.
fn lay_and_write(
    recording: &Recording,
    (rate_hz, seconds): (u32, f64),
    folder: &Path,
    report: &mut impl FnMut(&str, Instant) -> std::io::Result<()>,
) -> Result<(), Failure> {
    let map = TimeMap::of_fit(8.0, 60.0, f64::from(rate_hz), 48_000.0);
    let range = 0..((seconds - 9.0) * 48_000.0) as i64;
    let matrix = ChannelMatrix::same(1);
    let begin = Instant::now();
    let mut laid: Vec<Vec<f32>> = Vec::new();
    let mut sink = |block: &[&[f32]]| -> Result<(), Failure> {
        laid.push(block[0].to_vec());
        Ok(())
    };
    lay(recording, &map, range, &matrix, &mut sink).map_err(|error| error.to_string())?;
    report("decode and lay", begin)?;
    let begin = Instant::now();
    let file = std::io::BufWriter::new(std::fs::File::create(folder.join("x.stem"))?);
    let mut writer = StemWriter::create(file, 48_000, 1, 0)?;
    for block in &laid {
        writer.push(&[block])?;
    }
    writer.finish()?;
    report("write the stem", begin)?;
    Ok(())
}

fn pass(recording: &Recording, mut each: impl FnMut(&[Vec<f32>])) -> Result<(u32, f64), Failure> {
    let mut stream = recording.open()?;
    let rate_hz = stream.info().sample_rate_hz;
    let mut frames = 0;
    while let Some(block) = stream.next_block()? {
        each(block.channels);
        frames += block.channels[0].len();
    }
    Ok((rate_hz, frames as f64 / f64::from(rate_hz)))
}

fn all(recording: &Recording) -> Result<Vec<Vec<Vec<f32>>>, Failure> {
    let mut blocks = Vec::new();
    pass(recording, |block| blocks.push(block.to_vec()))?;
    Ok(blocks)
}

/// A plucked take of Nine Harbours with its opening mark, 24-bit WAV.
fn invent(folder: &Path, plan: &ConformPlan) -> Result<PathBuf, Failure> {
    let (rate, lead_s) = (f64::from(RATE_HZ), 12.0);
    let grid = plan.grid();
    let end_s = grid.beats_s.last().copied().unwrap_or(0.0);
    let mut file = vec![0.0f64; ((lead_s + end_s + 4.0) * rate) as usize];
    let mark = Mark::opening(RATE_HZ);
    let mark_s = grid.opening_mark_s.unwrap_or(0.0);
    for (frame, sample) in file.iter_mut().enumerate() {
        let t = frame as f64 / rate - lead_s - mark_s;
        *sample = 1e-4 * ((frame * 7_919 % 1_009) as f64 / 504.5 - 1.0);
        if t.abs() < 2.0 {
            *sample += mark.value_at(t);
        }
    }
    for (index, beat) in grid.beats_s.iter().enumerate() {
        let late = 0.02 + 0.012 * (((index * 37) % 19) as f64 / 9.5 - 1.0);
        let begin = ((lead_s + beat + late) * rate) as usize;
        let hz = 196.0 * 2f64.powf([0.0, 4.0, 7.0, 10.0, 12.0][index % 5] / 12.0);
        for frame in begin..(begin + 30_000).min(file.len()) {
            let t = (frame - begin) as f64 / rate;
            file[frame] += 0.4 * (t / 0.002).min(1.0) * (-4.0 * t).exp() * (TAU * hz * t).sin();
        }
    }
    let path = folder.join("take.wav");
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: RATE_HZ,
        bits_per_sample: 24,
        sample_format: hound::SampleFormat::Int,
    };
    let mut writer = hound::WavWriter::create(&path, spec)?;
    for sample in &file {
        writer.write_sample((sample * 8_388_607.0) as i32)?;
    }
    writer.finalize()?;
    Ok(path)
}
