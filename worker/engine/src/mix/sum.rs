//! The exact sum of groups.
//!
//! A group's bed under its gain and curve is rounded to the beds' own grid of 2⁻²⁷ and added in
//! integers. So the mix, like a bed, does not depend on the order of its groups, on threads or on
//! how it is cut; a rounding error a group lies 173 dB below full scale.

use super::Curve;
use crate::bed::grid::{FAST_LIMIT, bound, double, rounded, to_samples};
use crate::bed::{
    BedBuffer, BedError, GroupBed, STEPS_PER_UNIT, Steps, StepsBuffer, StepsError, StepsFile,
};
use crate::stem::BLOCK_FRAMES;
use std::ops::Range;

/// What is made of a bed: under a curve and a steady gain, as it is or as it was.
#[derive(Debug, Clone)]
pub struct Part {
    /// The level along the grid.
    pub curve: Curve,
    /// The steady gain; negated it takes out what was added with it.
    pub gain: f64,
    /// Whether the bed is meant as it was, see [`GroupBed::remember`].
    pub former: bool,
}

/// Left and right, in steps of 2⁻²⁷.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MixSum {
    planes: [Vec<i64>; 2],
}

impl MixSum {
    /// Silence of some length.
    #[must_use]
    pub fn silent(frames: usize) -> Self {
        Self { planes: [vec![0; frames], vec![0; frames]] }
    }

    /// Back to silence.
    pub fn clear(&mut self) {
        self.planes.iter_mut().for_each(|plane| plane.fill(0));
    }

    /// Left and right, in steps of 2⁻²⁷.
    #[must_use]
    pub fn planes(&self) -> [&[i64]; 2] {
        [&self.planes[0], &self.planes[1]]
    }

    /// Adds `frames` of a bed (counted from its first), once for each of `parts`. They are held
    /// within the bed and this sum. The same with the gain negated takes exactly that out again:
    /// rounding to the nearest is the same on both sides of zero.
    ///
    /// # Errors
    /// [`BedError`]: a stem or the bed cannot be read.
    pub fn add_bed(
        &mut self,
        bed: &GroupBed<'_>,
        frames: Range<usize>,
        parts: &[Part],
        buffer: &mut BedBuffer,
    ) -> Result<(), BedError> {
        let whole = bed.blocks() * BLOCK_FRAMES;
        let end = frames.end.min(whole).min(frames.start + self.planes[0].len());
        let frames = frames.start.min(end)..end;
        let first = bed.first_sample() + frames.start as i64;
        let mut factors = std::mem::take(&mut buffer.factors);
        let gains = gains(parts, first..first + frames.len() as i64, &mut factors);
        // A bed exchanged under one level changes only where stems have come or gone.
        let exchanged = is_exchange(parts);
        let mut done = Ok(());
        let mut at = frames.start;
        while at < frames.end && done.is_ok() && !gains.is_empty() {
            let block = at / BLOCK_FRAMES;
            let upto = frames.end.min((block + 1) * BLOCK_FRAMES);
            if !exchanged || bed.differs_in(block) {
                done = self.add_block(bed, at..upto, frames.start, &gains, buffer);
            }
            at = upto;
        }
        buffer.factors = factors;
        done
    }

    /// Adds frames of one block; this sum begins with the bed's frame `first`.
    fn add_block(
        &mut self,
        bed: &GroupBed<'_>,
        frames: Range<usize>,
        first: usize,
        gains: &[(Gain<'_>, bool)],
        buffer: &mut BedBuffer,
    ) -> Result<(), BedError> {
        let block = frames.start / BLOCK_FRAMES;
        let place = frames.start - first..frames.end - first;
        let within = frames.start - block * BLOCK_FRAMES..frames.end - block * BLOCK_FRAMES;
        let [now, then] = bed.read_both(block, buffer)?;
        for (gain, former) in gains {
            let gain = gain.over(place.clone());
            for (plane, steps) in self.planes.iter_mut().zip(if *former { then } else { now }) {
                add_steps(&mut plane[place.clone()], steps.part(within.clone()), gain);
            }
        }
        Ok(())
    }

    /// Becomes whole blocks of a sum that was kept, the first of them by its number in the file,
    /// as many as this sum has.
    ///
    /// # Errors
    /// [`StepsError`]: it cannot be read, or is not what was written.
    pub fn begin_with(
        &mut self,
        kept: &StepsFile,
        first: usize,
        buffer: &mut StepsBuffer,
    ) -> Result<(), StepsError> {
        let [left, right] = &mut self.planes;
        let blocks = left.chunks_exact_mut(BLOCK_FRAMES).zip(right.chunks_exact_mut(BLOCK_FRAMES));
        for (block, (left, right)) in (first..).zip(blocks) {
            for (plane, steps) in [left, right].into_iter().zip(kept.read(block, buffer)?) {
                steps.copy_to(plane);
            }
        }
        Ok(())
    }

    /// Adds another sum of the same length.
    pub fn add(&mut self, other: &MixSum) {
        for (plane, other) in self.planes.iter_mut().zip(&other.planes) {
            plane.iter_mut().zip(other).for_each(|(sum, step)| *sum += step);
        }
    }

    /// Adds a signal, left and right; what is not a number adds nothing.
    pub fn add_signal(&mut self, signal: &[Vec<f32>; 2]) {
        for (plane, signal) in self.planes.iter_mut().zip(signal) {
            for (sum, &sample) in plane.iter_mut().zip(signal) {
                *sum += (f64::from(sample) * STEPS_PER_UNIT).round_ties_even() as i64;
            }
        }
    }

    /// As samples.
    #[must_use]
    pub fn samples(&self) -> [Vec<f32>; 2] {
        self.planes.each_ref().map(|plane| {
            let mut out = vec![0.0; plane.len()];
            to_samples(plane, &mut out);
            out
        })
    }

    /// Some of it as samples, left and right, in memory that is given.
    pub fn samples_of(&self, frames: Range<usize>, out: &mut [Vec<f32>; 2]) {
        for (plane, out) in self.planes.iter().zip(out) {
            out.resize(frames.len(), 0.0);
            to_samples(&plane[frames.clone()], out);
        }
    }
}

/// Whether parts put a bed in the place of the same bed as it was.
pub(super) fn is_exchange(parts: &[Part]) -> bool {
    match parts {
        [a, b] => a.former != b.former && a.gain == -b.gain && a.curve == b.curve,
        _ => false,
    }
}

/// The level of every part over some samples of the grid, and whether it is of the bed as it was;
/// silent parts are left out. `factors` is memory.
pub(super) fn gains<'f>(
    parts: &[Part],
    samples: Range<i64>,
    factors: &'f mut Vec<Vec<f64>>,
) -> Vec<(Gain<'f>, bool)> {
    factors.resize(factors.len().max(parts.len() + 1), Vec::new());
    let frames = (samples.end - samples.start).max(0) as usize;
    let Some((raw, factors)) = factors.split_first_mut() else { return Vec::new() };
    let mut drawn: Option<&Curve> = None;
    let mut gains = Vec::with_capacity(parts.len());
    for (part, factors) in parts.iter().zip(factors) {
        if let Some(level) = part.curve.constant_over(samples.clone()) {
            gains.push((Gain::Steady(level * part.gain), part.former));
            continue;
        }
        if drawn != Some(&part.curve) {
            raw.resize(frames, 0.0);
            part.curve.fill(samples.start, raw);
            drawn = Some(&part.curve);
        }
        factors.clear();
        factors.extend(raw.iter().map(|level| level * part.gain));
        let most = factors.iter().fold(0.0, |most: f64, level| most.max(level.abs()));
        gains.push((Gain::Moving { gains: factors, most }, part.former));
    }
    gains.retain(|(gain, _)| gain.most() != 0.0);
    gains
}

/// One gain for a block, or one a sample.
#[derive(Clone, Copy)]
pub(super) enum Gain<'a> {
    Steady(f64),
    Moving { gains: &'a [f64], most: f64 },
}

impl Gain<'_> {
    /// That over some of the frames.
    fn over(&self, frames: Range<usize>) -> Self {
        match *self {
            Gain::Steady(gain) => Gain::Steady(gain),
            Gain::Moving { gains, most } => Gain::Moving { gains: &gains[frames], most },
        }
    }

    /// What it stays within.
    pub(super) fn most(self) -> f64 {
        match self {
            Gain::Steady(gain) => gain.abs(),
            Gain::Moving { most, .. } => most,
        }
    }
}

#[inline(always)]
fn add_body<T: Copy>(sum: &mut [i64], steps: &[T], gain: Gain<'_>, read: impl Fn(T) -> f64) {
    match gain {
        Gain::Steady(gain) => {
            for (sum, &step) in sum.iter_mut().zip(steps) {
                *sum += rounded(read(step) * gain);
            }
        }
        Gain::Moving { gains, .. } => {
            for ((sum, &step), gain) in sum.iter_mut().zip(steps).zip(gains) {
                *sum += rounded(read(step) * gain);
            }
        }
    }
}

/// Whether all of `steps` and their products lie within what this way is good for; if not, nothing
/// is added.
#[inline(always)]
fn add_wide_body(sum: &mut [i64], steps: &[i64], gain: Gain<'_>) -> bool {
    let near = bound(steps) * gain.most().max(1.0) < FAST_LIMIT;
    if near {
        add_body(sum, steps, gain, double);
    }
    near
}

/// Any size of step: the plain way, which gives the same wherever the fast one may go.
fn add_plainly(sum: &mut [i64], steps: impl Iterator<Item = i64>, gain: Gain<'_>) {
    for (at, (sum, step)) in sum.iter_mut().zip(steps).enumerate() {
        let gain = match gain {
            Gain::Steady(gain) => gain,
            Gain::Moving { gains, .. } => gains[at],
        };
        let value = (step as f64 * gain).round_ties_even() as i64;
        *sum = sum.saturating_add(value);
    }
}

#[cfg(target_arch = "x86_64")]
mod vector {
    use super::Gain;

    #[target_feature(enable = "avx2")]
    pub(super) fn add_short<T: Copy>(
        sum: &mut [i64],
        steps: &[T],
        gain: Gain<'_>,
        read: impl Fn(T) -> i32,
    ) {
        super::add_body(sum, steps, gain, |step| f64::from(read(step)));
    }

    #[target_feature(enable = "avx2")]
    pub(super) fn add_wide(sum: &mut [i64], steps: &[i64], gain: Gain<'_>) -> bool {
        super::add_wide_body(sum, steps, gain)
    }
}

/// Adds as many steps as the sum has.
pub(super) fn add_steps(sum: &mut [i64], steps: Steps<'_>, gain: Gain<'_>) {
    match steps {
        Steps::Silent => {}
        Steps::Narrow(steps) => add_short(sum, steps, gain, i32::from_le_bytes),
        Steps::Short(steps) => add_short(sum, steps, gain, |step| step),
        Steps::Wide(steps) => add_wide(sum, steps, gain),
    }
}

/// Whether short steps under a gain lie within what the fast way is good for.
pub(super) fn is_near(gain: Gain<'_>) -> bool {
    gain.most() * f64::from(i32::MAX) < FAST_LIMIT
}

fn add_short<T: Copy>(sum: &mut [i64], steps: &[T], gain: Gain<'_>, read: impl Fn(T) -> i32) {
    if !is_near(gain) {
        return add_plainly(sum, steps.iter().map(|step| i64::from(read(*step))), gain);
    }
    #[cfg(target_arch = "x86_64")]
    if std::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2.
        #[allow(unsafe_code)]
        return unsafe { vector::add_short(sum, steps, gain, read) };
    }
    add_body(sum, steps, gain, |step| f64::from(read(step)));
}

fn add_wide(sum: &mut [i64], steps: &[i64], gain: Gain<'_>) {
    if !add_wide_fast(sum, steps, gain) {
        add_plainly(sum, steps.iter().copied(), gain);
    }
}

fn add_wide_fast(sum: &mut [i64], steps: &[i64], gain: Gain<'_>) -> bool {
    #[cfg(target_arch = "x86_64")]
    if std::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2.
        #[allow(unsafe_code)]
        return unsafe { vector::add_wide(sum, steps, gain) };
    }
    add_wide_body(sum, steps, gain)
}

#[cfg(test)]
pub(super) mod tests;
