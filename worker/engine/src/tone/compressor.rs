//! A feed-forward compressor with a soft knee; for glue on the mix it is set slow and shallow.
//!
//! Level detection, gain computer and smoothing in dB follow D. Giannoulis, M. Massberg and
//! J. D. Reiss, "Digital dynamic range compressor design: a tutorial and analysis", J. Audio Eng.
//! Soc. 60(6), 2012: equation 4 (knee) and the smooth decoupled detector of equation 17.

use super::{OutOfRange, within};
use serde::{Deserialize, Serialize};

/// How a compressor is set.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct CompressorSettings {
    /// Level above which it works, dB re full scale: −80 to 0.
    pub threshold_db: f64,
    /// Input dB for one output dB above: 1 to 20.
    pub ratio: f64,
    /// Width of the bend about the threshold, dB: 0 to 30.
    pub knee_db: f64,
    /// Time constant of turning down, ms: 0.1 to 500.
    pub attack_ms: f64,
    /// Time constant of letting go, ms: 5 to 5 000.
    pub release_ms: f64,
    /// Gain after it, dB: −24 to 24.
    pub makeup_db: f64,
}

impl Default for CompressorSettings {
    /// Gentle glue.
    fn default() -> Self {
        Self {
            threshold_db: -24.0,
            ratio: 1.5,
            knee_db: 6.0,
            attack_ms: 30.0,
            release_ms: 250.0,
            makeup_db: 0.0,
        }
    }
}

/// A compressor; left and right share one gain, so the picture does not move.
pub struct Compressor {
    settings: CompressorSettings,
    attack: f64,
    release: f64,
    /// Reduction wanted, let go slowly; and that, turned down smoothly. Both in dB.
    held_db: f64,
    smooth_db: f64,
}

impl Compressor {
    /// # Errors
    /// [`OutOfRange`] names the setting that cannot be.
    pub fn new(settings: &CompressorSettings, rate_hz: u32) -> Result<Self, OutOfRange> {
        within("the threshold of a compressor in dB", settings.threshold_db, -80.0, 0.0)?;
        within("the ratio of a compressor", settings.ratio, 1.0, 20.0)?;
        within("the knee of a compressor in dB", settings.knee_db, 0.0, 30.0)?;
        let attack_ms = within("the attack of a compressor in ms", settings.attack_ms, 0.1, 500.0)?;
        let release_ms =
            within("the release of a compressor in ms", settings.release_ms, 5.0, 5000.0)?;
        within("the makeup of a compressor in dB", settings.makeup_db, -24.0, 24.0)?;
        let keep = |ms: f64| (-1.0 / (ms * 1e-3 * f64::from(rate_hz))).exp();
        Ok(Self {
            settings: *settings,
            attack: keep(attack_ms),
            release: keep(release_ms),
            held_db: 0.0,
            smooth_db: 0.0,
        })
    }

    /// Works on a block in place.
    pub fn process(&mut self, planes: &mut [Vec<f32>; 2]) {
        let [left, right] = planes;
        for (left, right) in left.iter_mut().zip(right) {
            let level_db = 20.0 * f64::from(left.abs().max(right.abs())).max(1e-10).log10();
            let wanted_db = self.settings.reduction_db(level_db);
            let released_db = self.release * self.held_db + (1.0 - self.release) * wanted_db;
            self.held_db = wanted_db.max(released_db);
            self.smooth_db = self.attack * self.smooth_db + (1.0 - self.attack) * self.held_db;
            let gain = 10f64.powf((self.settings.makeup_db - self.smooth_db) / 20.0);
            *left = (f64::from(*left) * gain) as f32;
            *right = (f64::from(*right) * gain) as f32;
        }
    }
}

impl CompressorSettings {
    /// How much a steady level is turned down, dB.
    #[must_use]
    pub fn reduction_db(&self, level_db: f64) -> f64 {
        let over_db = level_db - self.threshold_db;
        let share = 1.0 - 1.0 / self.ratio;
        if 2.0 * over_db.abs() <= self.knee_db && self.knee_db > 0.0 {
            share * (over_db + self.knee_db / 2.0).powi(2) / (2.0 * self.knee_db)
        } else {
            share * over_db.max(0.0)
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_steady_level_is_turned_down_by_its_ratio() {
        let settings = CompressorSettings { ratio: 4.0, knee_db: 0.0, ..Default::default() };
        let mut compressor = Compressor::new(&settings, 48_000).unwrap();
        let mut planes = [vec![0.5f32; 96_000], vec![0.25f32; 96_000]];
        compressor.process(&mut planes);
        let input_db = 20.0 * 0.5f64.log10();
        let expected = -24.0 + (input_db + 24.0) / 4.0;
        let output_db = 20.0 * f64::from(planes[0][95_999]).log10();
        assert!((output_db - expected).abs() < 0.01, "{output_db} {expected}");
        assert!((planes[0][95_999] / planes[1][95_999] - 2.0).abs() < 1e-6);
    }

    /// After a step the gain has gone 1 − 1/e of its way in one time constant.
    #[test]
    fn attack_and_release_take_their_time() {
        let settings = CompressorSettings {
            ratio: 20.0,
            knee_db: 0.0,
            attack_ms: 10.0,
            release_ms: 1000.0,
            ..Default::default()
        };
        let mut compressor = Compressor::new(&settings, 48_000).unwrap();
        let mut planes = [vec![0.5f32; 480], vec![0.5f32; 480]];
        compressor.process(&mut planes);
        let full = settings.reduction_db(20.0 * 0.5f64.log10());
        assert!((compressor.smooth_db / full - (1.0 - (-1.0f64).exp())).abs() < 0.02);
    }

    #[test]
    fn what_is_below_the_threshold_is_left_alone() {
        let mut compressor = Compressor::new(&CompressorSettings::default(), 48_000).unwrap();
        let mut planes = [vec![0.01f32; 1000], vec![0.01f32; 1000]];
        compressor.process(&mut planes);
        assert!(planes[0].iter().all(|&sample| (sample - 0.01).abs() < 1e-8));
        let wrong = CompressorSettings { ratio: 0.5, ..Default::default() };
        assert!(Compressor::new(&wrong, 48_000).is_err());
    }
}
