//! The exact sum of groups.
//!
//! A group's bed under its gain and curve is rounded to the beds' own grid of 2⁻²⁷ and added in
//! integers. So the mix, like a bed, does not depend on the order of its groups, on threads or on
//! how it is cut; a rounding error a group lies 173 dB below full scale.

use super::Curve;
use crate::bed::{
    BedBuffer, BedError, GroupBed, STEPS_PER_UNIT, Steps, StepsBuffer, StepsError, StepsFile,
};
use crate::stem::BLOCK_FRAMES;
use std::ops::Range;

/// 1.5 · 2⁵²: added to a double below 2⁵¹ it leaves the nearest integer, ties to even, in the low
/// bits (binary64, IEEE 754-2019; its default rounding).
const SHIFT: f64 = 6_755_399_441_055_744.0;
const SHIFT_BITS: i64 = SHIFT.to_bits().cast_signed();

/// Steps and their products below this go through [`SHIFT`].
const FAST_LIMIT: f64 = (1u64 << 50) as f64;

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

    /// Adds `frames` of a bed (counted from its first) under a curve and a steady gain. They are
    /// held within the bed and this sum. The same with the gain negated takes exactly that out
    /// again: rounding to the nearest is the same on both sides of zero.
    ///
    /// # Errors
    /// [`BedError`]: a stem or the bed cannot be read.
    pub fn add_bed(
        &mut self,
        bed: &GroupBed<'_>,
        frames: Range<usize>,
        curve: &Curve,
        gain: f64,
        buffer: &mut BedBuffer,
    ) -> Result<(), BedError> {
        let whole = bed.blocks() * BLOCK_FRAMES;
        let end = frames.end.min(whole).min(frames.start + self.planes[0].len());
        let frames = frames.start.min(end)..end;
        let first = bed.first_sample() + frames.start as i64;
        let mut gains = Vec::new();
        let steady = match curve.constant_over(first..first + frames.len() as i64) {
            Some(level) => level * gain,
            None => {
                gains.resize(frames.len(), 0.0);
                curve.fill(first, &mut gains);
                gains.iter_mut().for_each(|level| *level *= gain);
                gains.iter().fold(0.0, |most: f64, level| most.max(level.abs()))
            }
        };
        if steady == 0.0 {
            return Ok(());
        }
        let mut at = frames.start;
        while at < frames.end {
            let (block, within) = (at / BLOCK_FRAMES, at % BLOCK_FRAMES);
            let upto = frames.end.min((block + 1) * BLOCK_FRAMES);
            let (place, count) = (at - frames.start..upto - frames.start, upto - at);
            let gain = match gains.get(place.clone()) {
                Some(gains) if !gains.is_empty() => Gain::Moving { gains, most: steady },
                _ => Gain::Steady(steady),
            };
            for (plane, steps) in self.planes.iter_mut().zip(bed.read(block, buffer)?) {
                let sum = &mut plane[place.clone()];
                match steps {
                    Steps::Silent => {}
                    Steps::Narrow(steps) => add_narrow(sum, &steps[within..within + count], gain),
                    Steps::Wide(steps) => add_wide(sum, &steps[within..within + count], gain),
                }
            }
            at = upto;
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
        let mut out = [Vec::new(), Vec::new()];
        self.append_samples(0..self.planes[0].len(), &mut out);
        out
    }

    /// Appends some of it as samples, left and right.
    pub fn append_samples(&self, frames: Range<usize>, out: &mut [Vec<f32>; 2]) {
        for (plane, out) in self.planes.iter().zip(out) {
            let from = out.len();
            out.resize(from + frames.len(), 0.0);
            narrow(&plane[frames.clone()], &mut out[from..]);
        }
    }
}

/// One gain for a block, or one a sample.
#[derive(Clone, Copy)]
enum Gain<'a> {
    Steady(f64),
    Moving { gains: &'a [f64], most: f64 },
}

impl Gain<'_> {
    fn most(self) -> f64 {
        match self {
            Gain::Steady(gain) => gain.abs(),
            Gain::Moving { most, .. } => most,
        }
    }
}

#[inline(always)]
fn rounded(value: f64) -> i64 {
    (value + SHIFT).to_bits().cast_signed() - SHIFT_BITS
}

#[inline(always)]
fn double(step: i64) -> f64 {
    f64::from_bits((step + SHIFT_BITS).cast_unsigned()) - SHIFT
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

#[inline(always)]
fn add_narrow_body(sum: &mut [i64], steps: &[[u8; 4]], gain: Gain<'_>) {
    add_body(sum, steps, gain, |step| f64::from(i32::from_le_bytes(step)));
}

#[inline(always)]
fn add_wide_body(sum: &mut [i64], steps: &[i64], gain: Gain<'_>) {
    add_body(sum, steps, gain, double);
}

#[inline(always)]
fn narrow_body(steps: &[i64], out: &mut [f32]) {
    for (out, &step) in out.iter_mut().zip(steps) {
        *out = (double(step) * (1.0 / STEPS_PER_UNIT)) as f32;
    }
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

/// Whether all of `steps` lie within ±2⁵⁰.
fn fast(steps: &[i64]) -> bool {
    // Folding the sign away makes the bits that any step needs visible in one pass.
    steps.iter().fold(0i64, |bits, &step| bits | (step ^ (step >> 63))) < 1 << 50
}

#[cfg(target_arch = "x86_64")]
mod vector {
    use super::Gain;

    #[target_feature(enable = "avx2")]
    pub(super) fn add_narrow(sum: &mut [i64], steps: &[[u8; 4]], gain: Gain<'_>) {
        super::add_narrow_body(sum, steps, gain);
    }

    #[target_feature(enable = "avx2")]
    pub(super) fn add_wide(sum: &mut [i64], steps: &[i64], gain: Gain<'_>) {
        super::add_wide_body(sum, steps, gain);
    }

    #[target_feature(enable = "avx2")]
    pub(super) fn narrow(steps: &[i64], out: &mut [f32]) {
        super::narrow_body(steps, out);
    }
}

fn add_narrow(sum: &mut [i64], steps: &[[u8; 4]], gain: Gain<'_>) {
    if gain.most() * f64::from(i32::MAX) >= FAST_LIMIT {
        return add_plainly(sum, steps.iter().map(|s| i64::from(i32::from_le_bytes(*s))), gain);
    }
    #[cfg(target_arch = "x86_64")]
    if std::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2.
        #[allow(unsafe_code)]
        return unsafe { vector::add_narrow(sum, steps, gain) };
    }
    add_narrow_body(sum, steps, gain);
}

fn add_wide(sum: &mut [i64], steps: &[i64], gain: Gain<'_>) {
    let highest = steps.iter().fold(0u64, |most, step| most.max(step.unsigned_abs()));
    if !fast(steps) || highest as f64 * gain.most() >= FAST_LIMIT {
        return add_plainly(sum, steps.iter().copied(), gain);
    }
    #[cfg(target_arch = "x86_64")]
    if std::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2.
        #[allow(unsafe_code)]
        return unsafe { vector::add_wide(sum, steps, gain) };
    }
    add_wide_body(sum, steps, gain);
}

fn narrow(steps: &[i64], out: &mut [f32]) {
    if !fast(steps) {
        for (out, &step) in out.iter_mut().zip(steps) {
            *out = (step as f64 / STEPS_PER_UNIT) as f32;
        }
        return;
    }
    #[cfg(target_arch = "x86_64")]
    if std::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2.
        #[allow(unsafe_code)]
        return unsafe { vector::narrow(steps, out) };
    }
    narrow_body(steps, out);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::bed::Bed;
    use proptest::prelude::*;

    #[test]
    fn fast_and_plain_ways_agree_to_the_last_bit() {
        let mut random = fastrand::Rng::with_seed(3);
        for most in [1i64, 1 << 20, 1 << 31, 1 << 44, 1 << 49, 1 << 60] {
            let steps: Vec<i64> = (0..5003).map(|_| random.i64(-most..=most)).collect();
            let gains: Vec<f64> = (0..5003).map(|_| random.f64() * 2.0).collect();
            let most = gains.iter().copied().fold(0.0, f64::max);
            for gain in [Gain::Steady(0.5), Gain::Steady(1.3), Gain::Moving { gains: &gains, most }]
            {
                let (mut plain, mut quick) = (vec![7i64; 5003], vec![7i64; 5003]);
                add_plainly(&mut plain, steps.iter().copied(), gain);
                add_wide(&mut quick, &steps, gain);
                assert_eq!(plain, quick);
                let bytes: Vec<[u8; 4]> = steps.iter().map(|s| (*s as i32).to_le_bytes()).collect();
                let words = bytes.iter().map(|bytes| i64::from(i32::from_le_bytes(*bytes)));
                let (mut plain, mut quick) = (vec![7i64; 5003], vec![7i64; 5003]);
                add_plainly(&mut plain, words, gain);
                add_narrow(&mut quick, &bytes, gain);
                assert_eq!(plain, quick);
            }
            let mut quick = vec![0.0; 5003];
            narrow(&steps, &mut quick);
            let plain = steps.iter().map(|&step| (step as f64 / STEPS_PER_UNIT) as f32);
            assert!(plain.eq(quick.iter().copied()));
        }
    }

    fn a_bed(seed: u64) -> GroupBed<'static> {
        let mut random = fastrand::Rng::with_seed(seed);
        GroupBed::Made(Bed::of_steps(-1, &mut || random.i64(-(1 << 33)..1 << 33), 3))
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(24) })]
        /// Any order of groups, any cut, kept or made: one mix.
        #[test]
        fn a_mix_depends_on_neither_order_nor_cuts(cut in 1usize..12_287, gain in 0.01f64..4.0) {
            let dir = tempfile::tempdir().map_err(|e| TestCaseError::fail(e.to_string()))?;
            let beds = [a_bed(1), a_bed(2)];
            let curve = Curve::new(&[
                crate::mix::CurvePoint { at_sample: 0, db: -20.0, shape: crate::mix::Shape::Line },
                crate::mix::CurvePoint { at_sample: 4000, db: 0.0, shape: crate::mix::Shape::Hold },
            ], 240);
            let steady = Curve::steady(-3.0);
            let mut buffer = BedBuffer::default();
            let mut add = |sum: &mut MixSum, bed: &GroupBed<'_>, range, curve: &Curve, gain| {
                sum.add_bed(bed, range, curve, gain, &mut buffer).map_err(|error| TestCaseError::fail(error.to_string()))
            };
            let mut whole = MixSum::silent(12_288);
            add(&mut whole, &beds[0], 0..12_288, &curve, gain)?;
            let alone = whole.clone();
            add(&mut whole, &beds[1], 0..12_288, &steady, gain)?;
            let path = dir.path().join("b");
            if let GroupBed::Made(bed) = &beds[0] {
                bed.save(&path).map_err(|e| TestCaseError::fail(e.to_string()))?;
            }
            let bed = crate::bed::KeptBed::open(&path, -1, 3)
                .map_err(|e| TestCaseError::fail(e.to_string()))?;
            let kept = GroupBed::Kept { bed, changes: Vec::new() };
            let mut planes = [Vec::new(), Vec::new()];
            for range in [0..cut, cut..12_288] {
                let mut part = MixSum::silent(range.len());
                add(&mut part, &beds[1], range.clone(), &steady, gain)?;
                add(&mut part, &kept, range, &curve, gain)?;
                for (plane, part) in planes.iter_mut().zip(&part.planes) {
                    plane.extend_from_slice(part);
                }
            }
            prop_assert!(whole.planes == planes);
            add(&mut whole, &beds[1], 0..12_288, &steady, -gain)?;
            prop_assert!(whole == alone, "what was added is taken out to the last bit");
        }
    }
}
