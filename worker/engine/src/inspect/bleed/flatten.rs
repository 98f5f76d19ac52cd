//! Flattens a sound in time and frequency: within a moment every band comes out weighed by the
//! inverse of its own power, and all moments come out alike.

use std::sync::Arc;

use ripieno_transform::{Complex, ComplexToReal, RealToComplex, single};

use crate::math::vectors::{energy, in_vectors, powers, sum, windowed};

/// Length of a frame: 85 ms at the low rate. Frames overlap by half.
const FRAME: usize = 1024;
const HOP: usize = FRAME / 2;

/// Bins averaged for the power of a band.
const SMOOTH: usize = 5;

/// A band this much below the sound's mean is silence and not weighed up further.
const FLOOR: f64 = 1e-2;

/// A frame of less power is digital silence.
const SILENCE: f32 = 1e-6;

/// Flattens as samples come in; the output has no delay, but comes a frame later.
pub(super) struct Flattener {
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    window: Vec<f32>,
    floor: f32,
    pending: Vec<f32>,
    /// The half of the last frame that the next one is added to.
    overlap: Vec<f32>,
    frame: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    power: Vec<f32>,
    scratch: Vec<Complex<f32>>,
    /// Before the first frame was given.
    lead: bool,
}

impl Flattener {
    /// A flattener of a sound of this mean square.
    pub(super) fn new(mean_square: f64) -> Self {
        let forward = single::forward_of_real(FRAME);
        // Squared they add up to one at an overlap of a half.
        let sine = |n: usize| (std::f32::consts::PI * (n as f32 + 0.5) / FRAME as f32).sin();
        let inverse = single::inverse_to_real(FRAME);
        let scratch = forward.get_scratch_len().max(inverse.get_scratch_len());
        Self {
            scratch: vec![Complex::default(); scratch],
            inverse,
            window: (0..FRAME).map(sine).collect(),
            // The mean power of a bin of a sound so windowed.
            floor: (FLOOR * mean_square * HOP as f64).max(1e-12) as f32,
            // A sound begins in the middle of its first frame.
            pending: vec![0.0; HOP],
            overlap: vec![0.0; HOP],
            frame: vec![0.0; FRAME],
            spectrum: forward.make_output_vec(),
            power: vec![0.0; FRAME / 2 + 1],
            lead: true,
            forward,
        }
    }

    /// Takes the next samples and adds those that are done to `out`.
    pub(super) fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        self.pending.extend_from_slice(samples);
        let mut from = 0;
        while from + FRAME <= self.pending.len() {
            self.flatten(from, out);
            from += HOP;
        }
        self.pending.drain(..from);
    }

    /// Gives what is left.
    pub(super) fn finish(mut self, out: &mut Vec<f32>) {
        self.push(&[0.0; FRAME], out);
    }

    fn flatten(&mut self, from: usize, out: &mut Vec<f32>) {
        let samples = &self.pending[from..from + FRAME];
        windowed(samples, &self.window, &mut self.frame);
        let (frame, bins, scratch) = (&mut self.frame, &mut self.spectrum, &mut self.scratch);
        let there = self.forward.process_with_scratch(frame, bins, scratch);
        powers(bins, &mut self.power);
        weigh(bins, &self.power, self.floor);
        // Frames weigh alike, so that no few moments speak for all.
        let scale = if sum(&self.power) > SILENCE { 1.0 / energy(bins).sqrt() } else { 0.0 };
        bins.iter_mut().for_each(|bin| *bin *= scale);
        let last = bins.len() - 1;
        (bins[0].im, bins[last].im) = (0.0, 0.0);
        let back = self.inverse.process_with_scratch(bins, frame, scratch);
        debug_assert!(there.is_ok() && back.is_ok());
        frame.iter_mut().zip(&self.window).for_each(|(value, weight)| *value *= weight);
        let begun = out.len();
        out.extend(self.overlap.iter().zip(&*frame).map(|(late, early)| late + early));
        self.overlap.copy_from_slice(&frame[HOP..]);
        // The first half frame lies before the sound.
        if std::mem::take(&mut self.lead) {
            out.truncate(begun);
        }
    }
}

in_vectors! {
    /// Weighs every bin by the inverse of the mean power about it and the floor.
    fn weigh(bins: &mut [Complex<f32>], power: &[f32], floor: f32) {
        const BESIDE: usize = SMOOTH / 2;
        let count = bins.len();
        let inner = BESIDE..count.saturating_sub(BESIDE).max(BESIDE);
        for (bin, around) in bins[inner.clone()].iter_mut().zip(power.array_windows::<SMOOTH>()) {
            *bin /= around.iter().sum::<f32>() / SMOOTH as f32 + floor;
        }
        for bin in (0..inner.start).chain(inner.end..count) {
            let around = &power[bin.saturating_sub(BESIDE)..(bin + BESIDE + 1).min(count)];
            bins[bin] /= around.iter().sum::<f32>() / around.len() as f32 + floor;
        }
    }
}
