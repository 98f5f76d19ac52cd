//! The quietest moments of a file, kept as samples: in them the room and the wiring are heard.

use crate::math::vectors::in_vectors;

/// Length of a kept window.
const WINDOW_S: f64 = 0.5;

/// Windows kept.
const WINDOWS: usize = 12;

/// Below this a window is digital silence, of a gate or before the sound: it tells nothing.
const DIGITAL_SILENCE: f64 = 1e-11;

/// The quietest windows of one channel (or the mean of two), quietest first.
#[derive(Debug, Clone, PartialEq)]
pub struct QuietWindows {
    /// Samples a second.
    pub rate_hz: f64,
    /// Mean square without the mean, and samples.
    pub windows: Vec<(f64, Vec<f32>)>,
}

/// Keeps them as blocks come in.
pub(super) struct QuietKeeper {
    rate_hz: f64,
    length: usize,
    open: Vec<f32>,
    kept: Vec<(f64, Vec<f32>)>,
}

impl QuietKeeper {
    pub(super) fn new(rate_hz: u32) -> Self {
        let length = (WINDOW_S * f64::from(rate_hz)) as usize;
        Self {
            rate_hz: f64::from(rate_hz),
            length: length.max(64),
            open: Vec::new(),
            kept: Vec::new(),
        }
    }

    pub(super) fn push(&mut self, channels: &[&[f32]]) {
        let Some(first) = channels.first() else { return };
        let mut from = 0;
        while from < first.len() {
            let upto = first.len().min(from + self.length - self.open.len());
            match channels {
                [left, right, ..] => {
                    let pairs = left[from..upto].iter().zip(&right[from..upto]);
                    self.open.extend(pairs.map(|(left, right)| 0.5 * (left + right)));
                }
                _ => self.open.extend_from_slice(&first[from..upto]),
            }
            from = upto;
            if self.open.len() == self.length {
                self.end_window();
            }
        }
    }

    pub(super) fn finish(self) -> QuietWindows {
        QuietWindows { rate_hz: self.rate_hz, windows: self.kept }
    }

    fn end_window(&mut self) {
        let square = variance(&self.open);
        let place = self.kept.partition_point(|kept| kept.0 <= square);
        if square > DIGITAL_SILENCE && place < WINDOWS {
            let spare = if self.kept.len() == WINDOWS { self.kept.pop() } else { None };
            let mut samples = spare.map_or_else(Vec::new, |(_, samples)| samples);
            std::mem::swap(&mut samples, &mut self.open);
            self.kept.insert(place, (square, samples));
        }
        self.open.clear();
    }
}

in_vectors! {
    fn variance(samples: &[f32]) -> f64 {
        const LANES: usize = 16;
        let (mut squares, mut sums) = ([0.0f32; LANES], [0.0f32; LANES]);
        let chunks = samples.as_chunks::<LANES>().0;
        for chunk in chunks {
            for lane in 0..LANES {
                squares[lane] += chunk[lane] * chunk[lane];
                sums[lane] += chunk[lane];
            }
        }
        let count = (chunks.len() * LANES).max(1) as f64;
        let total = |lanes: &[f32; LANES]| lanes.iter().map(|lane| f64::from(*lane)).sum::<f64>();
        (total(&squares) / count - (total(&sums) / count).powi(2)).max(0.0)
    }
}

impl QuietWindows {
    /// Mean power spectrum of the windows, cut into pieces of `length` samples under a Hann
    /// window; the sum over all bins is the mean square. Empty where nothing was kept.
    pub(super) fn spectrum(&self, length: usize) -> Vec<f64> {
        let transform = ripieno_transform::single::forward_of_real(length);
        let hann: Vec<f32> = (0..length)
            .map(|n| 0.5 - 0.5 * (std::f32::consts::TAU * n as f32 / length as f32).cos())
            .collect();
        let mut power = vec![0.0; length / 2 + 1];
        let mut pieces = 0u32;
        let mut output = transform.make_output_vec();
        for (_, samples) in &self.windows {
            let mean = samples.iter().sum::<f32>() / samples.len().max(1) as f32;
            for piece in samples.chunks_exact(length) {
                let mut input: Vec<f32> =
                    piece.iter().zip(&hann).map(|(sample, hann)| (sample - mean) * hann).collect();
                if transform.process(&mut input, &mut output).is_ok() {
                    pieces += 1;
                    let bins = power.iter_mut().zip(&output);
                    bins.for_each(|(sum, bin)| *sum += f64::from(bin.norm_sqr()));
                }
            }
        }
        if pieces == 0 {
            return Vec::new();
        }
        let scale = 2.0 / (0.375 * (length * length) as f64 * f64::from(pieces));
        power.iter_mut().for_each(|bin| *bin *= scale);
        power
    }
}
