//! How high the crests of a wave are: one for each time between two zero crossings.

use crate::math::log::log2;
use crate::math::vectors::{in_vectors, peak_within};

/// A band of heights: a quarter of a decibel.
const BANDS_PER_DB: f32 = 4.0;

/// Bands below full scale, and above it for what a codec or a floating-point file overshoots.
const BELOW: usize = 140;
const ABOVE: usize = 20;

/// All of them.
pub(super) const BANDS: usize = BELOW + ABOVE;

/// Length of a stretch that is counted by itself.
pub(super) const STRETCH_S: f64 = 2.0;

/// Part of a crest's height above which it is called its top. Of a sine 0.35 of the time lies
/// there.
const TOP: f32 = 0.85;

/// Shorter half waves have no shape.
const LEAST_SAMPLES: usize = 6;

/// The crests of a stretch by their heights.
#[derive(Debug, Clone, PartialEq)]
pub struct Crests {
    /// How many crests have each height.
    pub(super) count: [u32; BANDS],
    /// Shares of their time that those crests spend in their tops, added up.
    pub(super) in_top: [f32; BANDS],
}

impl Default for Crests {
    fn default() -> Self {
        Self { count: [0; BANDS], in_top: [0.0; BANDS] }
    }
}

impl Crests {
    /// Adds those of another stretch.
    pub(super) fn add(&mut self, other: &Crests) {
        self.count.iter_mut().zip(&other.count).for_each(|(sum, more)| *sum += more);
        self.in_top.iter_mut().zip(&other.in_top).for_each(|(sum, more)| *sum += more);
    }
}

/// How many bands lie between two heights of this ratio.
pub(super) fn bands_of_ratio(ratio: f64) -> usize {
    (20.0 * ratio.log10() * f64::from(BANDS_PER_DB)).round() as usize
}

/// Counts crests as blocks come in.
pub(super) struct CrestCounter {
    stretch_frames: usize,
    frames: usize,
    half_wave: Vec<f32>,
    found: Vec<Crests>,
}

impl CrestCounter {
    pub(super) fn new(rate_hz: u32) -> Self {
        Self {
            stretch_frames: ((f64::from(rate_hz) * STRETCH_S) as usize).max(1),
            frames: 0,
            half_wave: Vec::new(),
            found: vec![Crests::default()],
        }
    }

    pub(super) fn push(&mut self, samples: &[f32]) {
        count_crests(self, samples);
    }

    /// Keeps a half wave that may go on.
    fn keep(&mut self, samples: &[f32]) {
        self.frames += samples.len();
        // What never crosses zero is no wave.
        if self.half_wave.len() < self.stretch_frames {
            self.half_wave.extend_from_slice(samples);
        }
    }

    pub(super) fn finish(self) -> Vec<Crests> {
        self.found
    }

    #[inline(always)]
    fn count_crest(&mut self, half_wave: &[f32]) {
        let height = peak_within(half_wave);
        let decibels = 20.0 * std::f32::consts::LOG10_2 * log2(height.max(1e-9));
        let band = BELOW as f32 + BANDS_PER_DB * decibels;
        if let (true, Some(crests)) = (band >= 0.0, self.found.last_mut()) {
            let in_top = |sample: &f32| u32::from(sample.abs() > TOP * height);
            let top: u32 = half_wave.iter().map(in_top).sum();
            let band = (band as usize).min(BANDS - 1);
            crests.count[band] += 1;
            crests.in_top[band] += top as f32 / half_wave.len() as f32;
        }
    }

    #[inline(always)]
    fn end_half_wave(&mut self, half_wave: &[f32]) {
        if half_wave.len() >= LEAST_SAMPLES {
            self.count_crest(half_wave);
        }
        while self.frames >= self.stretch_frames {
            self.frames -= self.stretch_frames;
            self.found.push(Crests::default());
        }
    }
}

in_vectors! {
    fn count_crests(counter: &mut CrestCounter, samples: &[f32]) {
        let mut rest = samples;
        if let (Some(last), false) = (counter.half_wave.last(), rest.is_empty()) {
            let (same, after) = rest.split_at(same_sign(rest, *last));
            counter.keep(same);
            if after.is_empty() {
                return;
            }
            let mut half_wave = std::mem::take(&mut counter.half_wave);
            counter.end_half_wave(&half_wave);
            half_wave.clear();
            counter.half_wave = half_wave;
            rest = after;
        }
        while let Some(first) = rest.first() {
            let (same, after) = rest.split_at(same_sign(rest, *first));
            if after.is_empty() {
                counter.keep(same);
                return;
            }
            counter.frames += same.len();
            counter.end_half_wave(same);
            rest = after;
        }
    }
}

/// How many samples from the first on have the sign of `like`.
#[inline(always)]
fn same_sign(samples: &[f32], like: f32) -> usize {
    const TOGETHER: usize = 32;
    let (chunks, rest) = samples.as_chunks::<TOGETHER>();
    let unlike = |sample: f32| (sample.to_bits() ^ like.to_bits()) >> 31;
    let mut alike = 0;
    for chunk in chunks {
        // One bit a sample.
        let mut others = 0;
        for (at, sample) in chunk.iter().enumerate() {
            others |= unlike(*sample) << at;
        }
        if others != 0 {
            return alike + others.trailing_zeros() as usize;
        }
        alike += TOGETHER;
    }
    alike + rest.iter().take_while(|sample| unlike(**sample) == 0).count()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn half_waves_are_counted_by_their_height_whatever_the_blocks() {
        // Half waves of 3, 10, 40 and 100 samples, which rise to their top for a fifth of them.
        let half = |length: usize, height: f32| {
            (0..length).map(move |at| if at < length / 5 { height } else { 0.5 * height })
        };
        let waves = [(3, 0.9), (10, -0.5), (40, 0.25), (100, -0.5), (10, 0.5)];
        let sound: Vec<f32> =
            waves.iter().flat_map(|(length, height)| half(*length, *height)).collect();
        for size in [1, 7, 64, 163] {
            let mut counter = CrestCounter::new(48_000);
            sound.chunks(size).for_each(|block| counter.push(block));
            // What ends it is not counted yet, and what is too short never is.
            let found = &counter.finish()[0];
            let band = |height: f32| BELOW - bands_of_ratio(1.0 / f64::from(height));
            let counts = [band(0.25), band(0.5)].map(|near| {
                let about = near - 1..near + 2;
                let top: f32 = found.in_top[about.clone()].iter().sum();
                (found.count[about].iter().sum::<u32>(), (10.0 * top).round())
            });
            assert_eq!(counts, [(1, 2.0), (2, 4.0)], "{size}");
            assert_eq!(found.count.iter().sum::<u32>(), 3, "{size}");
        }
    }
}
