//! A kept sum in which one bed is put in the place of what it was before, straight to samples.
//!
//! It is what a render does most: one take has come, and perhaps its group is at another level
//! for it. [`MixSum`](super::MixSum) would spread the sum, add, take out and turn into samples,
//! each in a pass of its own; this is one pass.

use super::sum::{Gain, Part, add_steps, gains, is_exchange, is_near};
use crate::bed::grid::{rounded_double, to_samples};
use crate::bed::{BedBuffer, BedError, GroupBed, STEPS_PER_UNIT, Steps};
#[cfg(target_arch = "x86_64")]
use crate::math::processor;
use crate::stem::BLOCK_FRAMES;

/// Two shares of one bed, of which one is put in and one taken out.
pub struct Exchange<'b, 'a> {
    bed: &'b GroupBed<'a>,
    parts: &'b [Part],
    factors: Vec<Vec<f64>>,
    wide: Vec<i64>,
}

impl<'b, 'a> Exchange<'b, 'a> {
    /// None if there are not two `parts`.
    #[must_use]
    pub fn of(bed: &'b GroupBed<'a>, parts: &'b [Part]) -> Option<Self> {
        let (factors, wide) = (Vec::new(), vec![0; BLOCK_FRAMES]);
        (parts.len() == 2).then_some(Self { bed, parts, factors, wide })
    }

    /// Samples of one block, by its number, of a sum that has these steps there, once both parts
    /// are added: the same as by [`MixSum`](super::MixSum). Gives by how many steps any of them
    /// has moved at most; infinite where that was not looked at.
    ///
    /// # Errors
    /// [`BedError`]: a stem or the bed cannot be read.
    pub fn samples(
        &mut self,
        block: usize,
        sum: [Steps<'_>; 2],
        buffer: &mut BedBuffer,
        out: &mut [Vec<f32>; 2],
    ) -> Result<f64, BedError> {
        out.iter_mut().for_each(|out| out.resize(BLOCK_FRAMES, 0.0));
        let first = self.bed.first_sample() + (block * BLOCK_FRAMES) as i64;
        let samples = first..first + BLOCK_FRAMES as i64;
        // Under one level a bed changes only where stems have come or gone.
        let gains = match is_exchange(self.parts) && !self.bed.differs_in(block) {
            true => Vec::new(),
            false => gains(self.parts, samples, &mut self.factors),
        };
        if gains.is_empty() {
            out.iter_mut().zip(sum).for_each(|(out, sum)| sum.to_samples(out));
            return Ok(0.0);
        }
        let both = self.bed.read_both(block, buffer)?;
        let mut most = 0.0f64;
        for (side, out) in out.iter_mut().enumerate() {
            let steps = |former: bool| both[usize::from(former)][side];
            if let [(a, a_former), (b, b_former)] = gains[..]
                && let Some(moved) = add_two(sum[side], steps(a_former), a, steps(b_former), b, out)
            {
                most = most.max(moved);
                continue;
            }
            sum[side].copy_to(&mut self.wide);
            for (gain, former) in &gains {
                add_steps(&mut self.wide, steps(*former), *gain);
            }
            to_samples(&self.wide, out);
            most = f64::INFINITY;
        }
        Ok(most)
    }
}

/// A step of four bytes.
trait Short: Copy {
    fn step(self) -> i32;
}

impl Short for i32 {
    #[inline(always)]
    fn step(self) -> i32 {
        self
    }
}

impl Short for [u8; 4] {
    #[inline(always)]
    fn step(self) -> i32 {
        i32::from_le_bytes(self)
    }
}

/// Adds two to a sum, as samples, if all are short; gives how far it has moved at most.
fn add_two(
    sum: Steps<'_>,
    a: Steps<'_>,
    a_gain: Gain<'_>,
    b: Steps<'_>,
    b_gain: Gain<'_>,
    out: &mut [f32],
) -> Option<f64> {
    let Steps::Narrow(sum) = sum else { return None };
    if !is_near(a_gain) || !is_near(b_gain) {
        return None;
    }
    match (a, b) {
        (Steps::Short(a), Steps::Short(b)) => add_gained(sum, (a, a_gain), (b, b_gain), out),
        (Steps::Short(a), Steps::Narrow(b)) => add_gained(sum, (a, a_gain), (b, b_gain), out),
        (Steps::Narrow(a), Steps::Short(b)) => add_gained(sum, (a, a_gain), (b, b_gain), out),
        (Steps::Narrow(a), Steps::Narrow(b)) => add_gained(sum, (a, a_gain), (b, b_gain), out),
        _ => None,
    }
}

fn add_gained<A: Short, B: Short>(
    sum: &[[u8; 4]],
    a: (&[A], Gain<'_>),
    b: (&[B], Gain<'_>),
    out: &mut [f32],
) -> Option<f64> {
    match (a.1, b.1) {
        (Gain::Steady(to_a), Gain::Steady(to_b)) => {
            Some(fast(sum, (a.0, &[to_a; LANES]), (b.0, &[to_b; LANES]), out))
        }
        (Gain::Moving { gains: to_a, .. }, Gain::Moving { gains: to_b, .. }) => {
            Some(fast(sum, (a.0, to_a), (b.0, to_b), out))
        }
        _ => None,
    }
}

/// Frames done side by side; a block is many times as long.
const LANES: usize = 16;

/// All numbers here are whole and below 2⁵², so doubles hold them and what is rounded is rounded
/// once: to the grid, and to a sample. Gains of one run of lanes hold for all.
#[inline(always)]
fn body<A: Short, B: Short>(
    sum: &[[u8; 4]],
    (a, to_a): (&[A], &[f64]),
    (b, to_b): (&[B], &[f64]),
    out: &mut [f32],
) -> f64 {
    let mut most = [0.0f64; LANES];
    let (sum, a, b) = (sum.as_chunks::<LANES>().0, a.as_chunks::<LANES>().0, b.as_chunks().0);
    let gains = |gains: &[f64], run: usize| -> [f64; LANES] {
        let runs = gains.as_chunks::<LANES>().0;
        if runs.len() == 1 { runs[0] } else { runs[run] }
    };
    let steps = sum.iter().zip(a).zip(b).zip(out.as_chunks_mut::<LANES>().0);
    for (run, (((sum, a), b), out)) in steps.enumerate() {
        let (to_a, to_b): ([f64; LANES], [f64; LANES]) = (gains(to_a, run), gains(to_b, run));
        let b: &[B; LANES] = b;
        for lane in 0..LANES {
            let put = rounded_double(f64::from(a[lane].step()) * to_a[lane]);
            let taken = rounded_double(f64::from(b[lane].step()) * to_b[lane]);
            let moved = put + taken;
            most[lane] = if moved.abs() > most[lane] { moved.abs() } else { most[lane] };
            let all = f64::from(sum[lane].step()) + moved;
            out[lane] = (all * (1.0 / STEPS_PER_UNIT)) as f32;
        }
    }
    most.into_iter().fold(0.0, f64::max)
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn with_avx2<A: Short, B: Short>(
    sum: &[[u8; 4]],
    a: (&[A], &[f64]),
    b: (&[B], &[f64]),
    out: &mut [f32],
) -> f64 {
    body(sum, a, b, out)
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma,avx512f")]
fn with_avx512<A: Short, B: Short>(
    sum: &[[u8; 4]],
    a: (&[A], &[f64]),
    b: (&[B], &[f64]),
    out: &mut [f32],
) -> f64 {
    body(sum, a, b, out)
}

fn fast<A: Short, B: Short>(
    sum: &[[u8; 4]],
    a: (&[A], &[f64]),
    b: (&[B], &[f64]),
    out: &mut [f32],
) -> f64 {
    #[cfg(target_arch = "x86_64")]
    if processor::has_wide_vectors() {
        // SAFETY: the processor has AVX2, FMA and AVX-512.
        #[allow(unsafe_code)]
        return unsafe { with_avx512(sum, a, b, out) };
    } else if std::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2.
        #[allow(unsafe_code)]
        return unsafe { with_avx2(sum, a, b, out) };
    }
    body(sum, a, b, out)
}

#[cfg(test)]
mod tests;
