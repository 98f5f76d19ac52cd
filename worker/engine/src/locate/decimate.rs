//! Lowers the rate for the search of a whole file.

use crate::math::bessel::bessel_i0;
use std::f64::consts::PI;

/// A streaming low-pass that keeps one sample of `factor`, without any delay.
#[derive(Clone, Debug)]
pub(crate) struct Decimator {
    factor: usize,
    taps: Vec<f32>,
    /// Input not yet used up; starts with the silence before the first sample.
    input: Vec<f32>,
}

/// Rate the search likes best: it holds the marks' band up to 5.6 kHz.
const SEARCH_RATE_HZ: f64 = 12_000.0;

/// By how much a file of `rate_hz` is decimated for the search.
pub(crate) fn factor_for(rate_hz: u32) -> usize {
    ((f64::from(rate_hz) / SEARCH_RATE_HZ).round() as usize).max(1)
}

impl Decimator {
    pub(crate) fn new(factor: usize) -> Self {
        let taps = if factor == 1 { vec![1.0] } else { low_pass(factor) };
        let input = vec![0.0; taps.len() / 2];
        Decimator { factor, taps, input }
    }

    /// Takes `samples`, appends what they complete to `output`.
    pub(crate) fn push(&mut self, samples: &[f32], output: &mut Vec<f32>) {
        if self.factor == 1 {
            output.extend_from_slice(samples);
            return;
        }
        self.input.extend_from_slice(samples);
        let mut first = 0;
        while first + self.taps.len() <= self.input.len() {
            output.push(dot(&self.input[first..first + self.taps.len()], &self.taps));
            first += self.factor;
        }
        self.input.drain(..first.min(self.input.len()));
    }
}

/// Passes to 0.46 of the new rate within 3 dB; what would fold back below 0.42 of it is
/// attenuated by 50 dB (Kaiser window, β = 4.55).
fn low_pass(factor: usize) -> Vec<f32> {
    let reach = 12 * factor;
    let cutoff = 0.5 / factor as f64;
    let kernel = |i: usize| {
        let x = i as f64 - reach as f64;
        let y = 2.0 * PI * cutoff * x;
        let sinc = if x == 0.0 { 1.0 } else { y.sin() / y };
        let u = x / (reach as f64 + 1.0);
        sinc * bessel_i0(4.55 * (1.0 - u * u).sqrt())
    };
    let taps: Vec<f64> = (0..=2 * reach).map(kernel).collect();
    let sum: f64 = taps.iter().sum();
    taps.iter().map(|t| (t / sum) as f32).collect()
}

/// Sum of products in sixteen lanes, which the compiler turns into vector instructions.
pub(crate) fn dot(a: &[f32], b: &[f32]) -> f32 {
    let (a16, b16) = (a.chunks_exact(16), b.chunks_exact(16));
    let rest: f32 = a16.remainder().iter().zip(b16.remainder()).map(|(x, y)| x * y).sum();
    let mut lanes = [0.0f32; 16];
    for (x, y) in a16.zip(b16) {
        for lane in 0..16 {
            lanes[lane] += x[lane] * y[lane];
        }
    }
    rest + lanes.iter().sum::<f32>()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(f: f64, count: usize) -> Vec<f32> {
        (0..count).map(|i| (2.0 * PI * f * i as f64).cos() as f32).collect()
    }

    #[test]
    fn a_low_tone_passes_without_delay_in_blocks_of_any_size() {
        let input = tone(0.02, 4000);
        let mut decimator = Decimator::new(4);
        let mut output = Vec::new();
        for block in input.chunks(37) {
            decimator.push(block, &mut output);
        }
        for (i, value) in output.iter().enumerate().skip(30).take(800) {
            let expected = (2.0 * PI * 0.02 * 4.0 * i as f64).cos() as f32;
            assert!((value - expected).abs() < 2e-3, "{i}: {value} {expected}");
        }
    }

    #[test]
    fn what_would_fold_onto_the_band_is_attenuated() {
        let mut output = Vec::new();
        Decimator::new(4).push(&tone(0.147, 4000), &mut output);
        assert!(output[40..900].iter().all(|v| v.abs() < 4e-3));
    }
}
