//! Reads a sampled signal between its samples.

use super::bessel::bessel_i0;
use std::f64::consts::PI;

/// A windowed sinc that reads at any position, band-limited for steps of more than one sample.
///
/// Kaiser window, β = 9: stop band below −90 dB (J. F. Kaiser's formula, β = 0.1102(A − 8.7)).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Reader {
    cutoff: f64,
    reach: f64,
}

const BETA: f64 = 9.0;

impl Reader {
    /// A reader for output steps of `step` input samples.
    pub(crate) fn new(step: f64) -> Self {
        let cutoff = 0.92 / step.max(1.0);
        Reader { cutoff, reach: 36.0 / cutoff }
    }

    /// Value at `position`, in samples; silence outside of `samples`.
    pub(crate) fn at(&self, samples: &[f32], position: f64) -> f64 {
        let from = (position - self.reach).ceil().max(0.0) as usize;
        let to = (position + self.reach).floor().min(samples.len() as f64 - 1.0);
        if to < from as f64 {
            return 0.0;
        }
        let term = |i: usize| f64::from(samples[i]) * self.kernel(position - i as f64);
        (from..=to as usize).map(term).sum()
    }

    fn kernel(&self, x: f64) -> f64 {
        let u = x / self.reach;
        let window = bessel_i0(BETA * (1.0 - u * u).max(0.0).sqrt()) / bessel_i0(BETA);
        let y = PI * self.cutoff * x;
        let sinc = if y.abs() < 1e-9 { 1.0 } else { y.sin() / y };
        self.cutoff * sinc * window
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_tone_is_read_between_its_samples() {
        let tone = |t: f64| (0.7 * t + 0.3).sin();
        let samples: Vec<f32> = (0..400).map(|i| tone(f64::from(i)) as f32).collect();
        let reader = Reader::new(1.0);
        for i in 0..100 {
            let at = 150.0 + 0.773 * f64::from(i);
            assert!((reader.at(&samples, at) - tone(at)).abs() < 1e-4, "{at}");
        }
    }

    #[test]
    fn what_a_lower_rate_cannot_hold_is_left_out() {
        let samples: Vec<f32> = (0..2000).map(|i| (2.0 * f64::from(i)).sin() as f32).collect();
        let reader = Reader::new(2.0);
        for i in 0..50 {
            assert!(reader.at(&samples, 800.0 + 2.3 * f64::from(i)).abs() < 1e-4);
        }
    }
}
