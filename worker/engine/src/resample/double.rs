//! The file at twice its rate: a frame in between for every frame, with the band's edge taken off
//! already.
//!
//! What is left to do for a place between two frames is easy then: the next image lies an octave
//! above the band, so a kernel of a ninth of the length serves. The long kernel is the same for
//! every frame here, and needs no table of its fractions.

#![allow(unsafe_code)]

use super::kernel::{CUTOFF, SHAPE, TAPS, bank};
use crate::math::processor::has_fused_vectors;

/// Maps up to this speed read the doubled file: aliases of the last hundredth of the band fold
/// within that hundredth.
pub(super) const MOST_SPEED: f64 = 1.01;

/// Frames doubled at a time: as many sums as the processor has registers for.
const TOGETHER: usize = 32;

/// Doubles the rate of channels that come in parts.
pub(super) struct Doubler {
    /// The kernel at a frame, and half a frame after it.
    at: Vec<f32>,
    after: Vec<f32>,
    fused: bool,
    /// Frames that have not been doubled, and before them those the kernel still needs.
    inputs: Vec<Vec<f32>>,
}

impl Doubler {
    pub(super) fn new(channels: usize) -> Self {
        let mut rows = bank(TAPS, 2, CUTOFF, SHAPE);
        let (at, after) = (rows.next().unwrap_or_default(), rows.next().unwrap_or_default());
        Self { at, after, fused: has_fused_vectors(), inputs: vec![Vec::new(); channels] }
    }

    /// Frames that are needed before the first that is doubled.
    pub(super) fn frames_before(&self) -> i64 {
        TAPS as i64 / 2 - 1
    }

    /// Frames that are needed in all for one.
    pub(super) fn taps(&self) -> usize {
        TAPS
    }

    /// The ends of what has come in: new frames are appended here, equally many to each channel.
    pub(super) fn inputs(&mut self) -> &mut [Vec<f32>] {
        &mut self.inputs
    }

    /// Appends to `outputs` two frames for every frame of the inputs that the kernel reaches
    /// around.
    pub(super) fn double_into(&mut self, outputs: &mut [Vec<f32>]) {
        for (input, output) in self.inputs.iter_mut().zip(outputs) {
            let count = (input.len() + 1).saturating_sub(TAPS);
            let begin = output.len();
            output.resize(begin + 2 * count, 0.0);
            convolve(input, (&self.at, &self.after), &mut output[begin..], self.fused);
            input.drain(..count);
        }
    }
}

/// `doubled[2k]` and `doubled[2k + 1]`: the products of both rows with the frames from `k` on.
fn convolve(frames: &[f32], rows: (&[f32], &[f32]), doubled: &mut [f32], fused: bool) {
    let mut blocks = doubled.chunks_exact_mut(2 * TOGETHER);
    let mut first = 0;
    for block in &mut blocks {
        together(&frames[first..first + TAPS + TOGETHER - 1], rows, block, fused);
        first += TOGETHER;
    }
    let rest = blocks.into_remainder();
    if !rest.is_empty() {
        let mut padded = [0.0; TAPS + TOGETHER - 1];
        let left = frames.len() - first;
        padded[..left].copy_from_slice(&frames[first..]);
        let mut block = [0.0; 2 * TOGETHER];
        together(&padded, rows, &mut block, fused);
        rest.copy_from_slice(&block[..rest.len()]);
    }
}

#[inline]
fn together(frames: &[f32], rows: (&[f32], &[f32]), block: &mut [f32], fused: bool) {
    #[cfg(target_arch = "x86_64")]
    if fused {
        // SAFETY: `has_fused_vectors` said that AVX2 and FMA are there.
        unsafe { with_fused_vectors(frames, rows, block) };
        return;
    }
    debug_assert!(!fused, "only where AVX2 is");
    sums(frames, rows, block, |a, b, sum| a * b + sum);
}

/// # Safety
/// AVX2 and FMA must be there.
#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
unsafe fn with_fused_vectors(frames: &[f32], rows: (&[f32], &[f32]), block: &mut [f32]) {
    sums(frames, rows, block, f32::mul_add);
}

/// One block of [`convolve`], tap by tap for all its frames.
#[inline(always)]
fn sums(
    frames: &[f32],
    rows: (&[f32], &[f32]),
    block: &mut [f32],
    add_product: impl Fn(f32, f32, f32) -> f32,
) {
    let (mut at, mut after) = ([0.0f32; TOGETHER], [0.0f32; TOGETHER]);
    let windows = frames.windows(TOGETHER);
    for ((window, tap_at), tap_after) in windows.zip(rows.0).zip(rows.1) {
        for frame in 0..TOGETHER {
            at[frame] = add_product(window[frame], *tap_at, at[frame]);
            after[frame] = add_product(window[frame], *tap_after, after[frame]);
        }
    }
    for ((pair, at), after) in block.chunks_exact_mut(2).zip(at).zip(after) {
        pair.copy_from_slice(&[at, after]);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Both of the kernel's rows in f64, frame by frame.
    fn plain(doubler: &Doubler, frames: &[f32]) -> Vec<f64> {
        let product = |row: &[f32], from: usize| -> f64 {
            row.iter().zip(&frames[from..]).map(|(a, b)| f64::from(*a) * f64::from(*b)).sum()
        };
        (0..=frames.len() - TAPS)
            .flat_map(|k| [product(&doubler.at, k), product(&doubler.after, k)])
            .collect()
    }

    #[test]
    fn both_forms_agree_with_plain_sums_whatever_comes_at_a_time() {
        let frames: Vec<f32> =
            (0..1_000).map(|frame| ((frame * 7919) % 1009) as f32 / 504.5 - 1.0).collect();
        for fused in [has_fused_vectors(), false] {
            for parts in [1_000, 143, 7] {
                let mut doubler = Doubler { fused, ..Doubler::new(1) };
                let expected = plain(&doubler, &frames);
                let mut doubled = vec![Vec::new()];
                for part in frames.chunks(parts) {
                    doubler.inputs()[0].extend_from_slice(part);
                    doubler.double_into(&mut doubled);
                }
                assert_eq!(doubled[0].len(), expected.len());
                let off = doubled[0].iter().zip(&expected).map(|(a, b)| (f64::from(*a) - b).abs());
                assert!(off.fold(0.0, f64::max) < 2e-6, "{fused} {parts}");
            }
        }
    }
}
