//! A stem as a WAV file that any program opens.

use std::fs::File;
use std::io::BufWriter;
use std::path::Path;

use ripieno_engine::stem::{StemError, StemFile};
use ripieno_engine::write::{Bext, SampleFormat, WavSpec, WavWriter, WriteError};

use crate::render_mix::time_reference;

/// Frames copied at a time.
const FRAMES: i64 = 1 << 14;

/// Why a stem could not be written as a WAV file.
#[derive(Debug, thiserror::Error)]
pub enum StemWavError {
    /// The stem cannot be read.
    #[error(transparent)]
    Stem(#[from] StemError),
    /// The WAV cannot be written.
    #[error(transparent)]
    Write(#[from] WriteError),
    /// The WAV cannot be made.
    #[error("the file could not be made: {0}")]
    Create(#[from] std::io::Error),
}

/// Writes the stem `from` as 32-bit float WAV with a bext time reference, and gives the position
/// on the master grid of its first frame: 0, so that frames count from bar 1 beat 1, or less when
/// the stem itself begins before it.
///
/// # Errors
/// A file cannot be read or written.
pub fn stem_to_wav(from: &Path, to: &Path, description: &str) -> Result<i64, StemWavError> {
    let stem = StemFile::open(from)?;
    let summary = stem.summary();
    let first_sample = summary.first_sample.min(0);
    let bext = Bext {
        description: description.to_owned(),
        originator: "Ripieno".to_owned(),
        time_reference_samples: time_reference(first_sample, summary.rate_hz),
        ..Bext::default()
    };
    let spec = WavSpec {
        bext: Some(bext),
        ..WavSpec::new(summary.rate_hz, summary.channels, SampleFormat::Float32)
    };
    let mut wav = WavWriter::new(BufWriter::new(File::create(to)?), spec)?;
    let mut at = first_sample;
    while at < summary.end_sample() {
        let end = (at + FRAMES).min(summary.end_sample());
        let planes = stem.read(at..end)?;
        let planes: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
        wav.write(&planes)?;
        at = end;
    }
    wav.finish()?;
    Ok(first_sample)
}

#[cfg(test)]
mod tests {
    use super::*;
    use ripieno_engine::stem::StemWriter;

    /// Each stem as (first sample on the grid, first sample of the WAV).
    #[test]
    fn a_stem_keeps_its_place_and_its_samples() {
        for (first, wav_first) in [(3i64, 0i64), (-5, -5), (0, 0)] {
            let dir = tempfile::tempdir().unwrap();
            let (from, to) = (dir.path().join("s"), dir.path().join("s.wav"));
            let sound: Vec<f32> = (0..100_000).map(|i| ((i * 7) % 200) as f32 / 200.0).collect();
            let mut stem =
                StemWriter::create(File::create(&from).unwrap(), 48_000, 1, first).unwrap();
            stem.push(&[&sound]).unwrap();
            stem.finish().unwrap();
            assert_eq!(stem_to_wav(&from, &to, "a").unwrap(), wav_first);
            // hound reads it: it shares no code with the writer.
            let mut read = hound::WavReader::open(&to).unwrap();
            let samples: Vec<f32> = read.samples::<f32>().map(Result::unwrap).collect();
            let silence = (first - wav_first) as usize;
            assert!(samples[..silence].iter().all(|s| *s == 0.0));
            assert_eq!(samples[silence..], sound);
        }
    }
}
