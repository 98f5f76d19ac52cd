//! How high the crests of a wave are: one for each time between two zero crossings.

use crate::math::log::log2;

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
        let mut rest = samples;
        while let Some(first) = rest.first() {
            if self
                .half_wave
                .last()
                .is_some_and(|last| last.is_sign_negative() != first.is_sign_negative())
            {
                self.end_half_wave();
            }
            let negative = first.is_sign_negative();
            let length = rest.iter().position(|s| s.is_sign_negative() != negative);
            let (same, after) = rest.split_at(length.unwrap_or(rest.len()));
            // What never crosses zero is no wave.
            if self.half_wave.len() < self.stretch_frames {
                self.half_wave.extend_from_slice(same);
            }
            self.frames += same.len();
            rest = after;
        }
    }

    pub(super) fn finish(self) -> Vec<Crests> {
        self.found
    }

    fn count_crest(&mut self) {
        let height = self.half_wave.iter().fold(0.0f32, |most, s| most.max(s.abs()));
        let decibels = 20.0 * std::f32::consts::LOG10_2 * log2(height.max(1e-9));
        let band = BELOW as f32 + BANDS_PER_DB * decibels;
        if let (true, Some(crests)) = (band >= 0.0, self.found.last_mut()) {
            let top = self.half_wave.iter().filter(|s| s.abs() > TOP * height).count();
            let band = (band as usize).min(BANDS - 1);
            crests.count[band] += 1;
            crests.in_top[band] += top as f32 / self.half_wave.len() as f32;
        }
    }

    fn end_half_wave(&mut self) {
        if self.half_wave.len() >= LEAST_SAMPLES {
            self.count_crest();
        }
        self.half_wave.clear();
        while self.frames >= self.stretch_frames {
            self.frames -= self.stretch_frames;
            self.found.push(Crests::default());
        }
    }
}
