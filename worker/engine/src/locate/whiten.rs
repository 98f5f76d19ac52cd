//! Makes every instant and every band of a signal equally loud.
//!
//! Under talk or music the best filter for a known sound weighs each tile of time and frequency
//! by the inverse of the noise there (the matched filter for coloured noise). Dividing each tile
//! of a short-time spectrum by the level around it does that without knowing the noise, and leaves
//! every interferer, however loud, with one unit of power density: what is found after it can be
//! compared with thresholds derived for white noise.

use crate::math::vectors::{in_vectors, powers, windowed};
use ripieno_transform::{Complex, ComplexToReal, RealToComplex, single};
use std::f32::consts::PI;
use std::sync::Arc;

/// Streaming whitener: sine windows, half overlapped, without delay.
#[derive(Clone)]
pub(crate) struct Whitener {
    size: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    window: Vec<f32>,
    input: Vec<f32>,
    frame: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    power: Vec<f32>,
    smooth: Vec<f32>,
    /// Smoothed power of the frame before.
    before: Vec<f32>,
    /// Mean level of some seconds.
    usual: Vec<f32>,
    /// Power under which a tile is not lifted.
    least: f32,
    frames: u32,
    tail: Vec<f32>,
    scratch_f: Vec<Complex<f32>>,
    scratch_i: Vec<Complex<f32>>,
}

/// Tiles this far below the usual level are not lifted to it: silence stays silent.
const FLOOR: f32 = 1e-7;
/// Frames the usual level looks back: about three seconds.
const USUAL_FRAMES: u32 = 140;

impl Whitener {
    pub(crate) fn new(rate_hz: f64) -> Self {
        let size = ((0.043 * rate_hz).log2().round().exp2() as usize).max(64);
        let (forward, inverse) = (single::forward_of_real(size), single::inverse_to_real(size));
        let window = (0..size).map(|i| (PI * (i as f32 + 0.5) / size as f32).sin()).collect();
        let bins = size / 2 + 1;
        Whitener {
            window,
            input: vec![0.0; size / 2],
            frame: vec![0.0; size],
            spectrum: vec![Complex::default(); bins],
            power: vec![0.0; bins],
            smooth: vec![0.0; bins],
            before: vec![0.0; bins],
            usual: vec![0.0; bins],
            least: 1e-20,
            frames: 0,
            tail: vec![0.0; size / 2],
            scratch_f: forward.make_scratch_vec(),
            scratch_i: inverse.make_scratch_vec(),
            size,
            forward,
            inverse,
        }
    }

    /// One for a sound without noise of its own: it whitens as if white noise of this power lay
    /// under it.
    pub(crate) fn over_noise(rate_hz: f64, noise_power: f32) -> Self {
        let mut whitener = Self::new(rate_hz);
        // The squares of the sine window sum to half its length.
        whitener.least = (noise_power * whitener.size as f32 / 2.0).max(1e-20);
        whitener
    }

    /// Samples of silence that flush the last input out; the output starts with half as many.
    pub(crate) fn lag(&self) -> usize {
        self.size
    }

    /// Takes `samples`, appends what they complete to `output`, in place of what went in.
    ///
    /// The first `size / 2` samples of the output stand for the silence before the input.
    pub(crate) fn push(&mut self, samples: &[f32], output: &mut Vec<f32>) {
        self.input.extend_from_slice(samples);
        let half = self.size / 2;
        let mut first = 0;
        while first + self.size <= self.input.len() {
            windowed(&self.input[first..], &self.window, &mut self.frame);
            self.whiten_frame();
            let (early, late) = self.frame.split_at(half);
            let begin = output.len();
            output.extend_from_slice(&self.tail);
            add_windowed(early, &self.window, &mut output[begin..]);
            windowed(late, &self.window[half..], &mut self.tail);
            first += half;
        }
        self.input.drain(..first);
    }

    fn whiten_frame(&mut self) {
        let transformed = self.forward.process_with_scratch(
            &mut self.frame,
            &mut self.spectrum,
            &mut self.scratch_f,
        );
        debug_assert!(transformed.is_ok());
        powers(&self.spectrum, &mut self.power);
        box_mean(&self.power, &mut self.smooth);
        self.frames += 1;
        let pace = 1.0 / (self.frames.min(USUAL_FRAMES) as f32);
        let tile = (self.size as f32 / 2.0).sqrt() / self.size as f32;
        let Whitener { smooth, before, usual, spectrum, least, .. } = self;
        lift(spectrum, (smooth, before), usual, [pace, tile, *least]);
        std::mem::swap(&mut self.before, &mut self.smooth);
        if let Some(dc) = self.spectrum.first_mut() {
            *dc = Complex::default();
        }
        if let Some(nyquist) = self.spectrum.last_mut() {
            *nyquist = Complex::default();
        }
        let transformed = self.inverse.process_with_scratch(
            &mut self.spectrum,
            &mut self.frame,
            &mut self.scratch_i,
        );
        debug_assert!(transformed.is_ok());
    }
}

in_vectors! {
    /// Brings every bin to the level `tile`, by its own smoothed power, that of the frame before
    /// and the usual one, which follows at `pace`.
    fn lift(
        spectrum: &mut [Complex<f32>],
        powers: (&[f32], &[f32]),
        usual: &mut [f32],
        figures: [f32; 3],
    ) {
        let ([pace, tile, least], (here, before)) = (figures, powers);
        let bins = spectrum.iter_mut().zip(usual);
        for (((bin, usual), here), before) in bins.zip(here).zip(before) {
            *usual += pace * (here - *usual);
            let level = 0.7 * here + 0.3 * before + FLOOR * *usual + least;
            *bin *= tile / level.sqrt();
        }
    }
}

in_vectors! {
    /// Adds samples under a window.
    fn add_windowed(samples: &[f32], window: &[f32], sums: &mut [f32]) {
        for ((sum, sample), weight) in sums.iter_mut().zip(samples).zip(window) {
            *sum += sample * weight;
        }
    }
}

/// Bins on either side that the level of a tile is averaged over: about ±100 Hz.
const SPREAD: usize = 4;

in_vectors! {
    /// Mean over `2·SPREAD + 1` neighbours; what lies outside counts as nothing.
    ///
    /// Plain sums, not a running one: hum can be 10⁸ times the power of its neighbours, and a running
    /// single-precision sum would carry its rounding on to them.
    fn box_mean(values: &[f32], means: &mut [f32]) {
        let count = values.len();
        means.fill(0.0);
        for shift in 0..=SPREAD {
            for (mean, value) in means.iter_mut().zip(&values[shift.min(count)..]) {
                *mean += value;
            }
            if shift > 0 {
                for (mean, value) in means[shift.min(count)..].iter_mut().zip(values) {
                    *mean += value;
                }
            }
        }
        let share = 1.0 / (2 * SPREAD + 1) as f32;
        means.iter_mut().for_each(|mean| *mean *= share);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn whitened(input: &[f32]) -> Vec<f32> {
        let mut whitener = Whitener::new(12_000.0);
        let mut output = Vec::new();
        input.chunks(1000).for_each(|block| whitener.push(block, &mut output));
        output
    }

    fn power(samples: &[f32]) -> f32 {
        samples.iter().map(|s| s * s).sum::<f32>() / samples.len() as f32
    }

    #[test]
    fn noise_of_any_level_comes_out_with_unit_power() {
        let mut random = fastrand::Rng::with_seed(1);
        let mut noise =
            |gain: f32| -> Vec<f32> { (0..60_000).map(|_| gain * (random.f32() - 0.5)).collect() };
        let input = [noise(1.0), noise(0.003), noise(0.3)].concat();
        let output = whitened(&input);
        for second in [1, 3, 6, 9, 11, 13] {
            let p = power(&output[second * 12_000..(second + 1) * 12_000]);
            assert!((0.8..1.15).contains(&p), "second {second}: {p}");
        }
    }

    #[test]
    fn a_loud_tone_leaves_the_rest_as_it_was() {
        let mut random = fastrand::Rng::with_seed(2);
        let noise: Vec<f32> = (0..60_000).map(|_| 0.01 * (random.f32() - 0.5)).collect();
        let with_hum = |i: usize| noise[i] + (i as f32 * 0.0523).sin();
        let output = whitened(&(0..60_000).map(with_hum).collect::<Vec<_>>());
        let p = power(&output[12_000..50_000]);
        assert!((0.8..1.15).contains(&p), "{p}");
    }
}
