//! Lowers the rate for the search of a whole file.

use crate::math::bessel::bessel_i0;
use crate::math::vectors::in_vectors;
use std::f64::consts::PI;

/// A streaming low-pass that keeps one sample of `factor`, without any delay.
#[derive(Clone, Debug)]
pub(crate) struct Decimator {
    taps: Vec<f32>,
    /// Input not yet used up, sample after sample dealt out to as many rows as the factor: what a
    /// tap meets for one output after another lies side by side. Starts with the silence before
    /// the first sample.
    rows: Vec<Vec<f32>>,
    /// The row that is dealt the next sample.
    next_row: usize,
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
        let mut decimator = Decimator { rows: vec![Vec::new(); factor], next_row: 0, taps };
        decimator.deal(&vec![0.0; decimator.taps.len() / 2]);
        decimator
    }

    /// Takes `samples`, appends what they complete to `output`.
    pub(crate) fn push(&mut self, samples: &[f32], output: &mut Vec<f32>) {
        let factor = self.rows.len();
        if factor == 1 {
            output.extend_from_slice(samples);
            return;
        }
        self.deal(samples);
        let (last_row, last) = ((self.taps.len() - 1) % factor, (self.taps.len() - 1) / factor);
        let count = self.rows[last_row].len().saturating_sub(last);
        let begin = output.len();
        output.resize(begin + count, 0.0);
        for (first, block) in output[begin..].chunks_mut(TOGETHER).enumerate() {
            filter(&self.taps, &self.rows, first * TOGETHER, block);
        }
        self.rows.iter_mut().for_each(|row| drop(row.drain(..count)));
    }

    fn deal(&mut self, samples: &[f32]) {
        let factor = self.rows.len();
        if let (4, true) = (factor, samples.len() >= 4) {
            let (lone, whole) = samples.split_at((factor - self.next_row) % factor);
            self.deal_out(lone);
            let whole = deal_fours(whole, &mut self.rows);
            self.deal_out(whole);
        } else {
            self.deal_out(samples);
        }
    }

    fn deal_out(&mut self, samples: &[f32]) {
        let factor = self.rows.len();
        for (at, row) in self.rows.iter_mut().enumerate() {
            let first = (at + factor - self.next_row) % factor;
            row.extend(samples.iter().skip(first).step_by(factor));
        }
        self.next_row = (self.next_row + samples.len()) % factor;
    }
}

in_vectors! {
    /// Deals whole rounds to four rows, the usual number, and gives what is left over.
    fn deal_fours<'a>(samples: &'a [f32], rows: &mut [Vec<f32>]) -> &'a [f32] {
        let (rounds, rest) = samples.as_chunks::<4>();
        for (number, row) in rows.iter_mut().enumerate().take(4) {
            row.extend(rounds.iter().map(|round| round[number]));
        }
        rest
    }
}

/// Outputs summed side by side: as many as there are registers for.
const TOGETHER: usize = 64;

in_vectors! {
    /// The outputs from `first` on.
    fn filter(taps: &[f32], rows: &[Vec<f32>], first: usize, outputs: &mut [f32]) {
        let mut sums = [0.0f32; TOGETHER];
        for (number, row) in rows.iter().enumerate() {
            let row = &row[first..];
            for (at, tap) in taps.iter().skip(number).step_by(rows.len()).enumerate() {
                let samples = &row[at..];
                match samples.first_chunk::<TOGETHER>() {
                    Some(samples) => {
                        for (sum, sample) in sums.iter_mut().zip(samples) {
                            *sum += tap * sample;
                        }
                    }
                    None => {
                        for (sum, sample) in sums.iter_mut().zip(samples) {
                            *sum += tap * sample;
                        }
                    }
                }
            }
        }
        outputs.copy_from_slice(&sums[..outputs.len()]);
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
