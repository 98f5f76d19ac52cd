//! Flattens a sound in time and frequency: within a moment every band comes out weighed by the
//! inverse of its own power, and all moments come out alike.

use std::sync::Arc;

use ripieno_transform::{Complex, ComplexToReal, RealToComplex, single};

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
    /// Before the first frame was given.
    lead: bool,
}

impl Flattener {
    /// A flattener of a sound of this mean square.
    pub(super) fn new(mean_square: f64) -> Self {
        let forward = single::forward_of_real(FRAME);
        // Squared they add up to one at an overlap of a half.
        let sine = |n: usize| (std::f32::consts::PI * (n as f32 + 0.5) / FRAME as f32).sin();
        Self {
            inverse: single::inverse_to_real(FRAME),
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
        let windowed = samples.iter().zip(&self.window).map(|(s, w)| s * w);
        self.frame.iter_mut().zip(windowed).for_each(|(to, value)| *to = value);
        let there = self.forward.process(&mut self.frame, &mut self.spectrum);
        for (power, bin) in self.power.iter_mut().zip(&self.spectrum) {
            *power = bin.norm_sqr();
        }
        let last = self.spectrum.len() - 1;
        for bin in 0..=last {
            let around = bin.saturating_sub(SMOOTH / 2)..(bin + SMOOTH / 2 + 1).min(last + 1);
            let count = around.len() as f32;
            let power = self.power[around].iter().sum::<f32>() / count + self.floor;
            self.spectrum[bin] /= power;
        }
        // Frames weigh alike, so that no few moments speak for all.
        let size = self.spectrum.iter().map(|bin| bin.norm_sqr()).sum::<f32>().sqrt();
        let scale = if self.power.iter().sum::<f32>() > SILENCE { 1.0 / size } else { 0.0 };
        self.spectrum.iter_mut().for_each(|bin| *bin *= scale);
        (self.spectrum[0].im, self.spectrum[last].im) = (0.0, 0.0);
        let back = self.inverse.process(&mut self.spectrum, &mut self.frame);
        debug_assert!(there.is_ok() && back.is_ok());
        let shaped = self.frame.iter().zip(&self.window).map(|(value, w)| value * w);
        let shaped: Vec<f32> = shaped.collect();
        let begun = out.len();
        let whole = self.overlap.iter().zip(&shaped).map(|(a, b)| a + b);
        out.extend(whole);
        self.overlap.copy_from_slice(&shaped[HOP..]);
        // The first half frame lies before the sound.
        if std::mem::take(&mut self.lead) {
            out.truncate(begun);
        }
    }
}
