//! Files of every container, damaged at random: whatever they say, the decoder answers, in
//! bounded memory and with well-formed blocks, and no panic crosses its wall.
//!
//! `seeds/` holds a fraction of a second of sound in each container, written by libsndfile and
//! FFmpeg; the fuzzer in `tests/fuzz` starts from the same files.

#![allow(clippy::expect_used, clippy::unwrap_used, clippy::panic, clippy::print_stdout)]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Mutex;

use fastrand::Rng;
use ripieno_engine::decode::{DecodeError, Limits, Recording};

/// Damaged copies of each seed.
const COPIES: u64 = 250;
/// The most sound that any of them may give.
const MAX_DECODED_S: f64 = 20.0;
/// The most memory of the whole test, in MiB; a seed has some kilobytes.
const MAX_PEAK_MIB: f64 = 192.0;

static LAST_PANIC: Mutex<String> = Mutex::new(String::new());

fn seeds() -> Vec<PathBuf> {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/seeds");
    let entries = fs::read_dir(folder).expect("the seeds are part of the source");
    let mut paths: Vec<_> = entries.map(|e| e.expect("readable").path()).collect();
    paths.sort();
    paths
}

#[test]
fn every_seed_is_sound_as_it_is() {
    for seed in seeds() {
        let outcome = decode(&seed);
        assert!(outcome.is_ok_and(|frames| frames > 500), "{}", seed.display());
    }
}

#[test]
fn damaged_files_are_answered_and_never_more() {
    // Panics behind the wall are expected here and would only clutter the output.
    let hook = std::panic::take_hook();
    std::panic::set_hook(Box::new(|panic| *LAST_PANIC.lock().unwrap() = panic.to_string()));
    let folder = tempfile::tempdir().expect("a temporary folder");
    let mut answers = BTreeMap::new();
    let outcomes: Vec<_> = seeds()
        .iter()
        .map(|seed| {
            let counts = std::panic::catch_unwind(|| decode_copies(seed, folder.path()));
            counts.map_err(|_| format!("{}: {}", seed.display(), LAST_PANIC.lock().unwrap()))
        })
        .collect();
    std::panic::set_hook(hook);
    for outcome in outcomes {
        let counts = outcome.unwrap_or_else(|what| panic!("{what}"));
        counts.into_iter().for_each(|(answer, n)| *answers.entry(answer).or_insert(0) += n);
    }
    println!("{answers:?}, peak {:.0} MiB", peak_mib());
    assert!(answers["sound"] > COPIES, "most damage leaves some sound: {answers:?}");
    assert!(peak_mib() < MAX_PEAK_MIB, "{} MiB", peak_mib());
}

/// Decodes damaged copies of `seed` and counts the answers.
fn decode_copies(seed: &Path, folder: &Path) -> BTreeMap<&'static str, u64> {
    let whole = fs::read(seed).expect("readable");
    let copy = folder.join("copy");
    let mut answers = BTreeMap::new();
    for number in 0..COPIES {
        let mut rng = Rng::with_seed(number);
        let damaged = damage(&whole, &mut rng);
        fs::write(&copy, damaged).expect("writable");
        *answers.entry(answer(decode(&copy))).or_insert(0) += 1;
    }
    answers
}

/// Reads a file to its end, checking every block; gives the number of frames.
fn decode(path: &Path) -> Result<u64, DecodeError> {
    let limits = Limits { max_decoded_s: MAX_DECODED_S, ..Limits::default() };
    let mut stream = Recording::new(path, limits.clone()).open()?;
    let info = stream.info().clone();
    let mut frames = 0;
    while let Some(block) = stream.next_block()? {
        assert_eq!(block.first_frame, frames);
        assert_eq!(block.channels.len(), usize::from(info.channels));
        let length = block.channels[0].len();
        assert!(length > 0 && block.channels.iter().all(|c| c.len() == length));
        assert!(block.channels.iter().flatten().all(|x| x.is_finite()));
        frames += length as u64;
    }
    assert!(frames as f64 <= MAX_DECODED_S * f64::from(info.sample_rate_hz) + 1.0);
    assert!(stream.next_block()?.is_none(), "the end is the end");
    assert!(stream.notes().iter().all(|note| note.says().ends_with('.')));
    Ok(frames)
}

fn answer(outcome: Result<u64, DecodeError>) -> &'static str {
    match outcome {
        Ok(_) => "sound",
        Err(DecodeError::Io(error)) => panic!("blamed on the machine: {error}"),
        Err(DecodeError::Broken { what }) if what.starts_with("a codec library failed") => {
            "caught panic"
        }
        Err(error) => {
            assert!(error.says().ends_with('.'), "{error}");
            "refused"
        }
    }
}

/// One to four damages, of the kinds that links, disks and attackers make.
fn damage(whole: &[u8], rng: &mut Rng) -> Vec<u8> {
    let mut bytes = whole.to_vec();
    for _ in 0..rng.usize(1..5) {
        // Headers decide more than sound does, so half of the damage is near the start.
        let reach = if rng.bool() { bytes.len().min(600) } else { bytes.len() };
        let at = rng.usize(0..reach.max(1));
        let run = rng.usize(1..64).min(bytes.len() - at);
        match rng.u8(0..8) {
            0 => bytes[at] ^= 1 << rng.u8(0..8),
            1 => bytes[at..at + run].iter_mut().for_each(|b| *b = rng.u8(..)),
            2 => bytes[at..at + run].fill(0),
            3 => bytes[at..at + run].fill(0xff),
            4 => overwrite(&mut bytes, at, &extreme(rng)),
            5 => drop(bytes.drain(at..at + run)),
            6 => {
                let piece = bytes[at..at + run].to_vec();
                let to = rng.usize(0..bytes.len());
                drop(bytes.splice(to..to, piece));
            }
            _ => bytes.truncate(at.max(1)),
        }
        if bytes.is_empty() {
            bytes.push(0);
        }
    }
    bytes
}

fn overwrite(bytes: &mut [u8], at: usize, with: &[u8]) {
    bytes[at..].iter_mut().zip(with).for_each(|(to, from)| *to = *from);
}

/// A number that counters and sizes dislike, in either byte order.
fn extreme(rng: &mut Rng) -> Vec<u8> {
    let number = *rng
        .choice(&[0u32, 1, 0x7fff_ffff, 0x8000_0000, 0xffff_ffff, 0xffff_fffe, 0x00ff_ffff])
        .expect("not empty");
    if rng.bool() { number.to_le_bytes().to_vec() } else { number.to_be_bytes().to_vec() }
}

/// The most memory that this process held, as Linux counts it; 0 elsewhere.
fn peak_mib() -> f64 {
    let status = fs::read_to_string("/proc/self/status").unwrap_or_default();
    let line = status.lines().find_map(|line| line.strip_prefix("VmHWM:"));
    let kib = line.and_then(|line| line.trim().split(' ').next()?.parse::<f64>().ok());
    kib.unwrap_or(0.0) / 1024.0
}
