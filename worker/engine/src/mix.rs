//! Gains, pans and curves over beds.

mod curve;
mod exchange;
mod sum;

pub use curve::{Curve, CurvePoint, Shape};
pub use exchange::Exchange;
pub use sum::{MixSum, Part};

/// Gains to left and right by the equal-power law: cos and sin of an angle from 0 (left, pan −1)
/// to 90° (right, pan 1), so the squares always add up to 1. The middle is −3.01 dB each (common
/// practice in stereo panning; sine-cosine law). Pans beyond ±1 are held there.
#[must_use]
pub fn equal_power_pan(pan: f64) -> [f64; 2] {
    let pan = if pan.is_finite() { pan.clamp(-1.0, 1.0) } else { 0.0 };
    let (sin, cos) = ((pan + 1.0) * std::f64::consts::FRAC_PI_4).sin_cos();
    [cos, sin]
}

/// Level in dB as a factor; −∞ gives 0.
#[must_use]
pub fn amplitude(db: f64) -> f64 {
    10f64.powf(db / 20.0)
}

/// A factor as level in dB; 0 gives −∞.
#[must_use]
pub fn decibels(amplitude: f64) -> f64 {
    20.0 * amplitude.log10()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_pan_law_keeps_power_and_is_symmetric() {
        for step in -10..=10 {
            let pan = f64::from(step) / 10.0;
            let [left, right] = equal_power_pan(pan);
            assert!((left * left + right * right - 1.0).abs() < 1e-12);
            let [mirror_left, mirror_right] = equal_power_pan(-pan);
            assert!((left - mirror_right).abs() < 1e-12 && (right - mirror_left).abs() < 1e-12);
        }
        let [left, right] = equal_power_pan(0.0);
        assert!((decibels(left) + 3.0103).abs() < 1e-3 && (left - right).abs() < 1e-12);
        assert!(equal_power_pan(-1.0)[1].abs() < 1e-12);
        assert_eq!(equal_power_pan(f64::NAN), equal_power_pan(0.0));
    }
}
