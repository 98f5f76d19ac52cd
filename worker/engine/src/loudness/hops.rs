//! Loudness from sums of short hops, which can be kept for a part of a programme and scaled.
//!
//! ITU-R BS.1770-4: K-weighting, 400 ms blocks every 100 ms, gates of −70 LUFS and −10 LU; EBU
//! Tech 3341 momentary and short-term; EBU Tech 3342 range. A hop is 10 ms. The filter starts
//! [`PRE_ROLL_FRAMES`] before a part from rest, by when its slowest pole has decayed by 330 dB,
//! so a part's sums depend on nothing before that, whoever computes them.

use super::weighting::{LANES, Weighting};
use super::{CURVE_STEP_S, LOUDNESS_OFFSET_LU, Loudness};
use crate::stem::BLOCK_FRAMES;
use std::ops::Range;

/// Frames before a part that its sums depend on.
pub const PRE_ROLL_FRAMES: usize = 8192;

/// Hops a second.
pub const HOPS_PER_S: usize = 100;

/// Hops in the windows of momentary and short-term loudness, and from one to the next.
const MOMENTARY_HOPS: usize = 40;
const SHORT_TERM_HOPS: usize = 300;
const STEP_HOPS: usize = 10;

/// Gates of BS.1770-4 and of Tech 3342.
const ABSOLUTE_GATE_LUFS: f64 = -70.0;
const RELATIVE_GATE_LU: f64 = -10.0;
const RANGE_GATE_LU: f64 = -20.0;

/// Frames in a hop.
#[must_use]
pub fn hop_frames(rate_hz: u32) -> usize {
    (rate_hz as usize / HOPS_PER_S).max(1)
}

/// Sums of the K-weighted squares of left and right together, one a hop, of a part that follows
/// `before` and begins `phase` frames into a hop. The first and the last may be parts of hops.
#[must_use]
pub fn hop_sums(rate_hz: u32, before: [&[f32]; 2], part: [&[f32]; 2], phase: usize) -> Vec<f64> {
    sums(rate_hz, hop_frames(rate_hz), before, part, phase)
}

/// Mean K-weighted squares of left and right together, one for every block of a programme, which
/// is never laid out: `read` fills left and right of a block, by its number, when it is wanted.
/// Some are read twice.
///
/// # Errors
/// What `read` gives.
pub fn block_powers<E>(
    rate_hz: u32,
    blocks: usize,
    mut read: impl FnMut(usize, [&mut [f32]; 2]) -> Result<(), E>,
) -> Result<Vec<f64>, E> {
    const ROLL: usize = PRE_ROLL_FRAMES.div_ceil(BLOCK_FRAMES);
    let segment = blocks.div_ceil(SEGMENTS).max(ROLL);
    let mut powers = vec![0.0; blocks];
    let mut filter = Weighting::new(rate_hz);
    let mut lanes = vec![[0.0f32; BLOCK_FRAMES]; LANES];
    for step in 0..segment + ROLL {
        for (number, sides) in lanes.as_chunks_mut::<2>().0.iter_mut().enumerate() {
            let block = (number * segment + step).checked_sub(ROLL);
            let own = number * segment..blocks.min((number + 1) * segment);
            match (block.filter(|block| *block < own.end && !own.is_empty()), sides) {
                (Some(block), [left, right]) => read(block, [left, right])?,
                (None, sides) => sides.as_flattened_mut().fill(0.0),
            }
        }
        for from in (0..BLOCK_FRAMES).step_by(RUN_FRAMES) {
            let run = from..BLOCK_FRAMES.min(from + RUN_FRAMES);
            let squares = filter.squares(&std::array::from_fn(|lane| &lanes[lane][run.clone()]));
            let Some(done) = step.checked_sub(ROLL) else { continue };
            for (number, squares) in squares.as_chunks::<2>().0.iter().enumerate() {
                if let Some(power) = powers.get_mut(number * segment + done) {
                    *power += (squares[0] + squares[1]) / BLOCK_FRAMES as f64;
                }
            }
        }
    }
    Ok(powers)
}

/// Segments of a part that are filtered beside each other.
const SEGMENTS: usize = LANES / 2;

/// The part is cut into segments of whole hops, each with the frames before it to start on, whose
/// filters run side by side: alone a filter waits for its own last result most of the time.
fn sums(
    rate_hz: u32,
    hop: usize,
    before: [&[f32]; 2],
    part: [&[f32]; 2],
    phase: usize,
) -> Vec<f64> {
    let frames = part[0].len().min(part[1].len());
    let mut sums = vec![0.0; (phase + frames).div_ceil(hop)];
    let cut = Cut::new(before, part, frames, hop);
    let mut filter = Weighting::new(rate_hz);
    let mut at = if cut.own[1] > 0 { 0 } else { cut.silent };
    while at < PRE_ROLL_FRAMES + cut.own[0] {
        let done = at.checked_sub(PRE_ROLL_FRAMES);
        let hop_end = done.map(|done| at + hop - (phase + done) % hop);
        let upto = cut.border_after(at).min(hop_end.unwrap_or(usize::MAX)).min(at + RUN_FRAMES);
        let lanes = std::array::from_fn(|lane| cut.lane(lane / 2, lane % 2, at..upto));
        let squares = filter.squares(&lanes);
        for (number, squares) in squares.as_chunks::<2>().0.iter().enumerate() {
            if let Some(done) = done.filter(|done| *done < cut.own[number]) {
                sums[(phase + number * cut.segment + done) / hop] += squares[0] + squares[1];
            }
        }
        at = upto;
    }
    sums
}

/// A part in segments, all filtered along one time: [`PRE_ROLL_FRAMES`] that come before a
/// segment, then its own frames.
struct Cut<'a> {
    before: [&'a [f32]; 2],
    part: [&'a [f32]; 2],
    /// Frames of the time before the first segment that lie before `before`.
    silent: usize,
    segment: usize,
    /// Frames of each segment.
    own: [usize; SEGMENTS],
}

impl<'a> Cut<'a> {
    fn new(before: [&'a [f32]; 2], part: [&'a [f32]; 2], frames: usize, hop: usize) -> Self {
        let roll = before[0].len().min(before[1].len()).min(PRE_ROLL_FRAMES);
        let segment = frames.div_ceil(SEGMENTS).max(PRE_ROLL_FRAMES).next_multiple_of(hop);
        let own =
            std::array::from_fn(|number| frames.saturating_sub(number * segment).min(segment));
        Self { before, part, silent: PRE_ROLL_FRAMES - roll, segment, own }
    }

    /// Where, after a time, some lane begins or ends.
    fn border_after(&self, at: usize) -> usize {
        let ends = self.own.iter().map(|own| PRE_ROLL_FRAMES + own);
        let borders = ends.chain([self.silent, PRE_ROLL_FRAMES]);
        borders.filter(|border| *border > at).min().unwrap_or(usize::MAX)
    }

    /// What one side of a segment has over some time without borders.
    fn lane(&self, number: usize, side: usize, time: Range<usize>) -> &'a [f32] {
        let own = self.own[number];
        let early = number == 0 && time.start < PRE_ROLL_FRAMES;
        if own == 0 || time.start >= PRE_ROLL_FRAMES + own || (early && time.start < self.silent) {
            return &SILENCE[..time.len()];
        }
        let (from, shift) = match early {
            true => (self.before[side], self.before[side].len()),
            false => (self.part[side], number * self.segment),
        };
        &from[shift + time.start - PRE_ROLL_FRAMES..shift + time.end - PRE_ROLL_FRAMES]
    }
}

/// Most frames filtered at a time.
const RUN_FRAMES: usize = 1024;

static SILENCE: [f32; RUN_FRAMES] = [0.0; RUN_FRAMES];

fn lufs(power: f64) -> f64 {
    LOUDNESS_OFFSET_LU + 10.0 * power.log10()
}

/// Mean powers of all whole windows of `hops`, every [`STEP_HOPS`].
fn windows(powers: &[f64], hops: usize) -> Vec<f64> {
    let mean = |window: &[f64]| window.iter().sum::<f64>() / hops as f64;
    powers.windows(hops).step_by(STEP_HOPS).map(mean).collect()
}

/// Mean of the powers whose loudness lies above a gate.
fn mean_above(powers: &[f64], gate_lufs: f64) -> Option<f64> {
    let (sum, count) = powers
        .iter()
        .filter(|power| lufs(**power) > gate_lufs)
        .fold((0.0, 0usize), |(sum, count), power| (sum + power, count + 1));
    (count > 0).then(|| sum / count as f64)
}

/// Gated loudness of a programme from the mean powers of its hops (sums by [`hop_sums`], divided
/// by [`hop_frames`]), LUFS.
#[must_use]
pub fn integrated_lufs(powers: &[f64]) -> Option<f64> {
    let blocks = windows(powers, MOMENTARY_HOPS);
    let ungated = lufs(mean_above(&blocks, ABSOLUTE_GATE_LUFS)?);
    let gate = (ungated + RELATIVE_GATE_LU).max(ABSOLUTE_GATE_LUFS);
    mean_above(&blocks, gate).map(lufs)
}

/// Everything but the true peak.
#[must_use]
pub fn loudness_of(powers: &[f64]) -> Loudness {
    let highest = |hops: usize| {
        let most = highest_window(powers, hops);
        (most > 0.0).then(|| lufs(most / hops as f64))
    };
    let every = (CURVE_STEP_S * HOPS_PER_S as f64) as usize;
    let curve = (every..=powers.len()).step_by(every).map(|upto| {
        let sum: f64 = powers[upto.saturating_sub(SHORT_TERM_HOPS)..upto].iter().sum();
        lufs(sum / SHORT_TERM_HOPS as f64).max(ABSOLUTE_GATE_LUFS) as f32
    });
    Loudness {
        integrated_lufs: integrated_lufs(powers),
        range_lu: range_lu(powers),
        max_momentary_lufs: highest(MOMENTARY_HOPS),
        max_short_term_lufs: highest(SHORT_TERM_HOPS),
        true_peak_dbtp: None,
        short_term_curve_lufs: curve.collect(),
    }
}

/// The largest sum of `length` neighbours. Every window is the end of one block of that length
/// and the beginning of the next, so nothing is ever subtracted and a silence sums to nothing.
fn highest_window(powers: &[f64], length: usize) -> f64 {
    let mut ends = vec![0.0; length + 1];
    let mut most = 0.0f64;
    for (number, block) in powers.chunks(length).enumerate() {
        let mut beginning = 0.0;
        for (at, power) in block.iter().enumerate() {
            beginning += power;
            if number > 0 || at + 1 == length {
                most = most.max(ends[at + 1] + beginning);
            }
        }
        if block.len() == length {
            for (at, power) in block.iter().enumerate().rev() {
                ends[at] = ends[at + 1] + power;
            }
            ends[length] = 0.0;
        }
    }
    most
}

/// Loudness range: from the 10th to the 95th percentile of short-term loudness, gated.
fn range_lu(powers: &[f64]) -> Option<f64> {
    let blocks = windows(powers, SHORT_TERM_HOPS);
    let ungated = lufs(mean_above(&blocks, ABSOLUTE_GATE_LUFS)?);
    let gate = (ungated + RANGE_GATE_LU).max(ABSOLUTE_GATE_LUFS);
    let mut loud: Vec<f64> = blocks.into_iter().map(lufs).filter(|lufs| *lufs > gate).collect();
    loud.sort_by(f64::total_cmp);
    let at = |share: f64| loud.get((share * (loud.len() as f64 - 1.0)).round() as usize).copied();
    Some(at(0.95)? - at(0.10)?)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use crate::loudness::{Measure, Meter};

    fn programme(seconds: usize) -> [Vec<f32>; 2] {
        let mut random = fastrand::Rng::with_seed(5);
        let level = |n: usize| 10f32.powf(-1.0 - 0.5 * ((n / 48_000) % 4) as f32);
        [0, 1]
            .map(|_| (0..48_000 * seconds).map(|n| level(n) * (random.f32() * 2.0 - 1.0)).collect())
    }

    fn powers(sums: &[f64]) -> Vec<f64> {
        sums.iter().map(|sum| sum / 480.0).collect()
    }

    /// Against the crate `ebur128`, which the cases of EBU Tech 3341 and 3342 are run on.
    #[test]
    fn hops_measure_what_the_meter_does() {
        let planes = programme(30);
        let sums = hop_sums(48_000, [&[], &[]], [&planes[0], &planes[1]], 0);
        let ours = loudness_of(&powers(&sums));
        let mut meter = Meter::new(48_000, 2, Measure::Levels).unwrap();
        meter.push(&[&planes[0], &planes[1]]);
        let meter = meter.finish();
        let near = |a: Option<f64>, b: Option<f64>| {
            assert!((a.unwrap() - b.unwrap()).abs() < 1e-3, "{a:?} {b:?}");
        };
        near(ours.integrated_lufs, meter.integrated_lufs);
        near(ours.max_momentary_lufs, meter.max_momentary_lufs);
        near(ours.max_short_term_lufs, meter.max_short_term_lufs);
        assert_eq!(ours.short_term_curve_lufs.len(), meter.short_term_curve_lufs.len());
    }

    /// EBU Tech 3342, table 1, cases 1 and 2: a tone at two levels for 20 s each.
    #[test]
    fn the_range_of_two_levels_is_their_distance() {
        for (second_dbfs, expected_lu) in [(-30.0, 10.0), (-15.0, 5.0)] {
            let tone = |n: usize| {
                let dbfs = if n < 960_000 { -20.0 } else { second_dbfs };
                let phase = std::f64::consts::TAU * 1000.0 * n as f64 / 48_000.0;
                (10f64.powf(dbfs / 20.0) * phase.sin()) as f32
            };
            let plane: Vec<f32> = (0..1_920_000).map(tone).collect();
            let sums = hop_sums(48_000, [&[], &[]], [&plane, &plane], 0);
            let range = loudness_of(&powers(&sums)).range_lu.unwrap();
            assert!((range - expected_lu).abs() < 1.0, "{range}");
        }
    }

    #[test]
    fn powers_read_block_by_block_are_those_of_the_whole() {
        for blocks in [1usize, 2, 3, 5, 8, 9, 14, 128] {
            let mut random = fastrand::Rng::with_seed(blocks as u64);
            let planes: [Vec<f32>; 2] =
                [0, 1].map(|_| (0..blocks * BLOCK_FRAMES).map(|_| random.f32() - 0.5).collect());
            let whole = sums(48_000, BLOCK_FRAMES, [&[], &[]], [&planes[0], &planes[1]], 0);
            let read = block_powers(48_000, blocks, |block, [left, right]| {
                let frames = block * BLOCK_FRAMES..(block + 1) * BLOCK_FRAMES;
                left.copy_from_slice(&planes[0][frames.clone()]);
                right.copy_from_slice(&planes[1][frames]);
                Ok::<_, ()>(())
            });
            let read = read.unwrap();
            assert_eq!(read.len(), whole.len());
            for (whole, read) in whole.iter().zip(&read) {
                let wanted = whole / BLOCK_FRAMES as f64;
                assert!((wanted - read).abs() <= 1e-12 * wanted, "{wanted} {read} of {blocks}");
            }
        }
    }

    #[test]
    fn the_highest_window_is_the_highest_of_all() {
        let mut random = fastrand::Rng::with_seed(6);
        for count in [0, 1, 39, 40, 41, 80, 333] {
            let powers: Vec<f64> = (0..count).map(|_| random.f64().powi(8)).collect();
            let plain = powers.windows(40).map(|w| w.iter().sum::<f64>()).fold(0.0, f64::max);
            assert!((highest_window(&powers, 40) - plain).abs() <= 1e-12 * plain, "{count}");
        }
    }

    #[test]
    fn parts_measure_what_the_whole_does() {
        let planes = programme(6);
        let whole = hop_sums(48_000, [&[], &[]], [&planes[0], &planes[1]], 0);
        let mut joined = vec![0.0; whole.len()];
        for (from, upto) in [(0, 100_123), (100_123, 250_000), (250_000, 288_000)] {
            let before = [&planes[0][..from], &planes[1][..from]];
            let part = [&planes[0][from..upto], &planes[1][from..upto]];
            let sums = hop_sums(48_000, before, part, from % 480);
            for (to, sum) in joined[from / 480..].iter_mut().zip(sums) {
                *to += sum;
            }
        }
        for (whole, joined) in whole.iter().zip(&joined) {
            assert!((whole - joined).abs() <= 1e-9 * whole, "{whole} {joined}");
        }
    }
}
