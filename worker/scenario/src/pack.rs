//! What a player downloads: the guide and its marks, read from the guide pack's files.

use std::path::Path;

use crate::ScenarioError;

/// A recording held in memory: one channel.
#[derive(Debug, Clone)]
pub struct Sound {
    /// Samples in [-1, 1].
    pub samples: Vec<f32>,
    /// Samples a second.
    pub rate_hz: u32,
}

impl Sound {
    /// The sound's value at an instant, by a Hann-windowed sinc of 32 samples: exact enough for
    /// a band-limited mark (its error lies 90 dB down below 0.4 of the rate).
    pub fn at(&self, seconds: f64) -> f32 {
        const HALF: i64 = 16;
        let position = seconds * f64::from(self.rate_hz);
        let whole = position.floor() as i64;
        if whole < -HALF || whole > self.samples.len() as i64 + HALF {
            return 0.0;
        }
        let fraction = position - whole as f64;
        // One sine serves all taps: sin(π(f − k)) alternates in sign.
        let sine = (std::f64::consts::PI * fraction).sin() / std::f64::consts::PI;
        let mut sum = 0.0;
        for k in (1 - HALF)..=HALF {
            let Some(sample) =
                usize::try_from(whole + k).ok().and_then(|i| self.samples.get(i).copied())
            else {
                continue;
            };
            let x = fraction - k as f64;
            let sinc =
                if x.abs() < 1e-9 { 1.0 } else { (if k % 2 == 0 { sine } else { -sine }) / x };
            let window = 0.5 + 0.5 * (std::f64::consts::PI * x / (HALF as f64 + 0.5)).cos();
            sum += f64::from(sample) * sinc * window;
        }
        sum as f32
    }
}

/// A mark as the pack gives it.
#[derive(Debug, Clone)]
pub struct PackMark {
    /// Its own file.
    pub sound: Sound,
    /// The instant within the file that stands for its position, seconds.
    pub origin_s: f64,
    /// Its position, seconds after bar 1 beat 1 (the opening mark's is negative).
    pub at_s: f64,
}

/// The guide pack of one piece.
#[derive(Debug, Clone)]
pub struct Pack {
    /// The guide track.
    pub guide: Sound,
    /// Where bar 1 beat 1 lies in the guide, seconds.
    pub guide_bar1_s: f64,
    /// The mark before the music.
    pub opening: PackMark,
    /// The mark after it, where the piece has one.
    pub closing: Option<PackMark>,
}

impl Pack {
    /// Reads `marks.json`, `guide.wav` and the marks' files from a folder.
    ///
    /// # Errors
    /// [`ScenarioError::Pack`] names the file that is missing or unreadable.
    pub fn read(folder: &Path) -> Result<Pack, ScenarioError> {
        let account = read_account(folder)?;
        let rate = number(&account["sample_rate"], "sample_rate")?;
        let bar1 = number(&account["bar1_beat1_sample"], "bar1_beat1_sample")?;
        let mark = |which: &str| -> Result<PackMark, ScenarioError> {
            let entry = &account[which];
            let file = entry["file"].as_str().ok_or_else(|| lacks(&format!("{which}.file")))?;
            let sound = read_wav(&folder.join(file))?;
            let origin = number(&entry["origin_sample"], "origin_sample")?;
            let sample = number(&entry["sample"], "sample")?;
            Ok(PackMark {
                origin_s: origin / f64::from(sound.rate_hz),
                at_s: (sample - bar1) / rate,
                sound,
            })
        };
        Ok(Pack {
            guide: read_wav(&folder.join("guide.wav"))?,
            guide_bar1_s: bar1 / rate,
            opening: mark("opening")?,
            closing: if account["closing"].is_null() { None } else { Some(mark("closing")?) },
        })
    }
}

fn read_account(folder: &Path) -> Result<serde_json::Value, ScenarioError> {
    let path = folder.join("marks.json");
    let bytes = std::fs::read(&path).map_err(|e| unusable(&path, &e))?;
    serde_json::from_slice(&bytes).map_err(|e| unusable(&path, &e))
}

fn number(value: &serde_json::Value, name: &str) -> Result<f64, ScenarioError> {
    value.as_f64().ok_or_else(|| lacks(name))
}

fn lacks(name: &str) -> ScenarioError {
    ScenarioError::Pack { file: "marks.json".into(), why: format!("it lacks the number {name}") }
}

fn unusable(path: &Path, why: &dyn std::fmt::Display) -> ScenarioError {
    ScenarioError::Pack { file: path.display().to_string(), why: why.to_string() }
}

/// The first channel of a WAV file.
fn read_wav(path: &Path) -> Result<Sound, ScenarioError> {
    let mut reader = hound::WavReader::open(path).map_err(|e| unusable(path, &e))?;
    let spec = reader.spec();
    let step = usize::from(spec.channels.max(1));
    let samples: Result<Vec<f32>, hound::Error> = match spec.sample_format {
        hound::SampleFormat::Float => reader.samples::<f32>().step_by(step).collect(),
        hound::SampleFormat::Int => {
            let full = (1i64 << (spec.bits_per_sample - 1)) as f32;
            reader.samples::<i32>().step_by(step).map(|s| s.map(|s| s as f32 / full)).collect()
        }
    };
    let samples = samples.map_err(|e| unusable(path, &e))?;
    Ok(Sound { samples, rate_hz: spec.sample_rate })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn between_samples_a_sine_stays_a_sine() {
        let hz = 3000.0;
        let wave = |t: f64| (std::f64::consts::TAU * hz * t).sin();
        let sound = Sound {
            samples: (0..4800).map(|i| wave(f64::from(i) / 48_000.0) as f32).collect(),
            rate_hz: 48_000,
        };
        for step in 0..500 {
            let t = 0.02 + f64::from(step) * 7.3e-5;
            assert!((f64::from(sound.at(t)) - wave(t)).abs() < 1e-4, "at {t}");
        }
    }
}
