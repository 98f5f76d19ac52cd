//! Stretches of the mix: where they lie, what of them is measured, what decides their sound.

use crate::plan::{Plan, PlannedGroup};
use ripieno_engine::bed::STRETCH_BLOCKS;
use ripieno_engine::limit::{OwnPeak, Peaks, peaks_of, peaks_within};
use ripieno_engine::loudness::hops::{PRE_ROLL_FRAMES, hop_frames, hop_sums};
use ripieno_engine::stem::BLOCK_FRAMES;
use std::ops::Range;

/// Frames in a stretch.
pub(super) const STRETCH_FRAMES: i64 = (STRETCH_BLOCKS * BLOCK_FRAMES) as i64;

/// What was measured of a part of a programme, before any gain.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Measured {
    /// K-weighted sums by hop; the first and the last may be parts of hops.
    pub(super) hops: Vec<f64>,
    /// Its true peaks.
    pub(super) peaks: Peaks,
}

/// What is known of the peaks of a part before they are read.
pub(super) struct Foretold {
    /// The samples' own.
    pub(super) own: OwnPeak,
    /// What the bounds are at most; empty where nothing is known.
    pub(super) known: Vec<f32>,
}

/// Where a part lies in the rendered range.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    /// Its first frame, counted from the first of the range.
    pub(super) first_frame: u64,
    pub(super) frames: usize,
    /// Whether nothing follows.
    pub(super) last: bool,
}

impl Place {
    /// The part of a stretch that lies in `range`.
    pub(super) fn of(stretch: i64, range: &Range<i64>) -> (Place, Range<usize>) {
        let within = part(stretch, range);
        let first = stretch * STRETCH_FRAMES + within.start as i64 - range.start;
        let last = (stretch + 1) * STRETCH_FRAMES >= range.end;
        (Place { first_frame: first.max(0) as u64, frames: within.len(), last }, within)
    }

    /// Measures a part that follows `before`.
    pub(super) fn measure(
        &self,
        rate_hz: u32,
        before: [&[f32]; 2],
        part: [&[f32]; 2],
        foretold: Option<Foretold>,
    ) -> Measured {
        let phase = (self.first_frame % hop_frames(rate_hz) as u64) as usize;
        let peaks = match foretold {
            Some(Foretold { own, known }) => peaks_within(before, part, self.last, own, known),
            None => peaks_of(before, part, self.last),
        };
        Measured { hops: hop_sums(rate_hz, before, part, phase), peaks }
    }
}

/// The frames of a stretch that are rendered, counted from its first.
fn part(stretch: i64, range: &Range<i64>) -> Range<usize> {
    let first = stretch * STRETCH_FRAMES;
    let from = (range.start - first).clamp(0, STRETCH_FRAMES);
    let upto = (range.end - first).clamp(from, STRETCH_FRAMES);
    from as usize..upto as usize
}

/// The end of a programme so far, as long as a part's measures reach back.
#[derive(Clone, Default)]
pub(super) struct Tail(pub(super) [Vec<f32>; 2]);

impl Tail {
    pub(super) fn push(&mut self, planes: [&[f32]; 2]) {
        for (tail, plane) in self.0.iter_mut().zip(planes) {
            tail.extend_from_slice(&plane[plane.len().saturating_sub(PRE_ROLL_FRAMES)..]);
            let extra = tail.len().saturating_sub(PRE_ROLL_FRAMES);
            tail.drain(..extra);
        }
    }

    pub(super) fn planes(&self) -> [&[f32]; 2] {
        [&self.0[0], &self.0[1]]
    }
}

/// Whether a group is silent by its curve all through a stretch.
pub(super) fn is_shut(group: &PlannedGroup, stretch: i64) -> bool {
    group.curve.constant_over(grid_range(stretch)) == Some(0.0)
}

/// Where a stretch lies on the master grid.
pub(super) fn grid_range(stretch: i64) -> Range<i64> {
    stretch * STRETCH_FRAMES..(stretch + 1) * STRETCH_FRAMES
}

/// The stretches that a plan touches.
pub(super) fn stretches(plan: &Plan) -> Range<i64> {
    let end = (plan.range.end + STRETCH_FRAMES - 1).div_euclid(STRETCH_FRAMES);
    plan.range.start.div_euclid(STRETCH_FRAMES)..end
}

/// Mean powers by hop of a whole programme from those of its parts, each with a gain.
pub(super) fn powers<'a>(
    rate_hz: u32,
    parts: impl Iterator<Item = (&'a Place, &'a [f64], f64)>,
) -> Vec<f64> {
    let hop = hop_frames(rate_hz);
    let mut powers: Vec<f64> = Vec::new();
    for (place, hops, gain) in parts {
        let first = (place.first_frame / hop as u64) as usize;
        powers.resize(powers.len().max(first + hops.len()), 0.0);
        for (power, sum) in powers[first..].iter_mut().zip(hops) {
            *power += sum * (gain * gain / hop as f64);
        }
    }
    powers
}
