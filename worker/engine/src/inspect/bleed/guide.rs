//! The guide that stems are compared with.

use std::sync::Arc;

use super::flatten::Flattener;
use crate::math::vectors::{in_vectors, summed};

/// The guide and the stem are compared at a low rate: the guide's clicks and chords have their
/// power there, and a whole guide takes a few megabytes.
const LOW_RATE_HZ: f64 = 12_000.0;

/// A guide track, mono, at a low rate.
#[derive(Debug, Clone)]
pub struct Guide {
    pub(super) samples: Arc<[f32]>,
    /// The same, flattened.
    pub(super) flat: Arc<[f32]>,
    /// Position of the first sample on the low-rate grid.
    pub(super) first: i64,
    pub(super) down: usize,
}

impl Guide {
    /// From the guide's samples at the piece's rate, the first of them at `first_sample` of the
    /// master grid.
    #[must_use]
    pub fn new(samples: &[f32], first_sample: i64, rate_hz: u32) -> Self {
        let mut keeper = GuideKeeper::new(first_sample, rate_hz);
        keeper.push(samples);
        keeper.finish()
    }

    /// Whether the other is a copy of this one that takes no memory of its own.
    #[must_use]
    pub fn shares_samples_with(&self, other: &Guide) -> bool {
        Arc::ptr_eq(&self.samples, &other.samples)
    }
}

/// Keeps a guide as it is rendered, block by block.
pub struct GuideKeeper {
    lower: Lower,
    low: Vec<f32>,
    first: i64,
}

impl GuideKeeper {
    /// A keeper of a guide at `rate_hz` whose first sample is `first_sample` of the master grid.
    #[must_use]
    pub fn new(first_sample: i64, rate_hz: u32) -> Self {
        let down = factor(rate_hz) as i64;
        Self {
            lower: Lower::new(down as usize, first_sample.rem_euclid(down) as usize),
            low: Vec::new(),
            first: first_sample.div_euclid(down),
        }
    }

    /// Takes the guide's next samples.
    pub fn push(&mut self, samples: &[f32]) {
        self.lower.push(samples, &mut self.low);
    }

    /// The guide.
    #[must_use]
    pub fn finish(self) -> Guide {
        let mut flat = Vec::with_capacity(self.low.len());
        let mut flattener = Flattener::new(mean_square(&self.low));
        flattener.push(&self.low, &mut flat);
        flattener.finish(&mut flat);
        flat.truncate(self.low.len());
        Guide {
            samples: self.low.into(),
            flat: flat.into(),
            first: self.first,
            down: self.lower.down,
        }
    }
}

/// By how much a rate is brought down.
pub(super) fn factor(rate_hz: u32) -> usize {
    ((f64::from(rate_hz) / LOW_RATE_HZ).round() as usize).max(1)
}

in_vectors! {
    pub(super) fn mean_square(samples: &[f32]) -> f64 {
        summed(samples, |sample| f64::from(*sample).powi(2)) / samples.len().max(1) as f64
    }
}

/// Brings a stream down by averaging groups; both sides are treated alike, so what it does to the
/// spectrum cancels.
pub(super) struct Lower {
    down: usize,
    filled: usize,
    sum: f32,
}

impl Lower {
    pub(super) fn new(down: usize, filled: usize) -> Self {
        Self { down, filled, sum: 0.0 }
    }

    /// Takes some frames of silence, which must not complete a group.
    pub(super) fn pass(&mut self, frames: usize) {
        self.filled += frames;
        debug_assert!(self.filled < self.down);
    }

    pub(super) fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        let mut whole = samples;
        if self.filled > 0 {
            let (first, rest) = samples.split_at(samples.len().min(self.down - self.filled));
            self.add(first, out);
            whole = rest;
        }
        match self.down {
            4 => whole = means::<4>(whole, out),
            2 => whole = means::<2>(whole, out),
            _ => (),
        }
        for group in whole.chunks(self.down) {
            self.add(group, out);
        }
    }

    /// Adds to the group under way, which these do not exceed.
    fn add(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        self.sum = samples.iter().fold(self.sum, |sum, sample| sum + sample);
        self.filled += samples.len();
        if self.filled == self.down {
            out.push(self.sum / self.down as f32);
            (self.sum, self.filled) = (0.0, 0);
        }
    }
}

/// Appends the means of groups of the usual sizes, and gives what is left over.
fn means<'a, const DOWN: usize>(samples: &'a [f32], out: &mut Vec<f32>) -> &'a [f32] {
    let (groups, rest) = samples.as_chunks::<DOWN>();
    out.extend(groups.iter().map(|group| group.iter().sum::<f32>() / DOWN as f32));
    rest
}
