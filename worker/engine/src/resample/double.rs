//! The file at twice its rate: a frame in between for every frame, with the band's edge taken off
//! already.
//!
//! What is left to do for a place between two frames is easy then: the next image lies an octave
//! above the band, so a kernel of a ninth of the length serves. The long kernel is the same for
//! every frame here, and needs no table of its fractions.

#![allow(unsafe_code)]

use super::kernel::{CUTOFF, SHAPE, TAPS, bank};
use crate::math::processor::{has_fused_vectors, has_wide_vectors};

/// Maps up to this speed read the doubled file: aliases of the last hundredth of the band fold
/// within that hundredth.
pub(super) const MOST_SPEED: f64 = 1.01;

/// Frames doubled at a time: as many sums as the processor has registers for.
const TOGETHER: usize = 32;

/// And where vectors are of sixteen numbers.
const TOGETHER_WIDE: usize = 64;

/// What the sums are made with. All but the plain ones come out the same to the last bit.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Sums {
    Plain,
    /// By AVX2 and FMA.
    Fused,
    /// By AVX-512.
    Wide,
}

impl Sums {
    fn quickest() -> Self {
        match () {
            () if has_wide_vectors() => Sums::Wide,
            () if has_fused_vectors() => Sums::Fused,
            () => Sums::Plain,
        }
    }
}

/// Doubles the rate of channels that come in parts.
pub(super) struct Doubler {
    /// The kernel at a frame, and half a frame after it.
    at: Vec<f32>,
    after: Vec<f32>,
    sums: Sums,
    /// Frames that have not been doubled, and before them those the kernel still needs.
    inputs: Vec<Vec<f32>>,
}

impl Doubler {
    pub(super) fn new(channels: usize) -> Self {
        let mut rows = bank(TAPS, 2, CUTOFF, SHAPE);
        let (at, after) = (rows.next().unwrap_or_default(), rows.next().unwrap_or_default());
        Self { at, after, sums: Sums::quickest(), inputs: vec![Vec::new(); channels] }
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
            let (rows, doubled) = ((&self.at[..], &self.after[..]), &mut output[begin..]);
            match self.sums {
                Sums::Wide => convolve::<TOGETHER_WIDE>(input, rows, doubled, self.sums),
                _ => convolve::<TOGETHER>(input, rows, doubled, self.sums),
            }
            input.drain(..count);
        }
    }
}

/// `doubled[2k]` and `doubled[2k + 1]`: the products of both rows with the frames from `k` on, so
/// many of them at a time.
fn convolve<const AT_ONCE: usize>(
    frames: &[f32],
    rows: (&[f32], &[f32]),
    doubled: &mut [f32],
    sums: Sums,
) {
    let mut blocks = doubled.chunks_exact_mut(2 * AT_ONCE);
    let mut first = 0;
    for block in &mut blocks {
        together::<AT_ONCE>(&frames[first..first + TAPS + AT_ONCE - 1], rows, block, sums);
        first += AT_ONCE;
    }
    let rest = blocks.into_remainder();
    if !rest.is_empty() {
        let mut padded = [0.0; TAPS + TOGETHER_WIDE - 1];
        let left = frames.len() - first;
        padded[..left].copy_from_slice(&frames[first..]);
        let mut block = [0.0; 2 * TOGETHER_WIDE];
        together::<AT_ONCE>(&padded, rows, &mut block[..2 * AT_ONCE], sums);
        rest.copy_from_slice(&block[..rest.len()]);
    }
}

#[inline]
fn together<const AT_ONCE: usize>(
    frames: &[f32],
    rows: (&[f32], &[f32]),
    block: &mut [f32],
    sums: Sums,
) {
    #[cfg(target_arch = "x86_64")]
    match sums {
        // SAFETY: `has_wide_vectors` said that AVX-512 is there.
        Sums::Wide => return unsafe { with_wide_vectors::<AT_ONCE>(frames, rows, block) },
        // SAFETY: `has_fused_vectors` said that AVX2 and FMA are there.
        Sums::Fused => return unsafe { with_fused_vectors::<AT_ONCE>(frames, rows, block) },
        Sums::Plain => (),
    }
    debug_assert!(sums == Sums::Plain, "only where AVX2 is");
    products::<AT_ONCE>(frames, rows, block, |a, b, sum| a * b + sum);
}

/// # Safety
/// AVX-512, its foundation, AVX2 and FMA must be there.
#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma,avx512f")]
unsafe fn with_wide_vectors<const AT_ONCE: usize>(
    frames: &[f32],
    rows: (&[f32], &[f32]),
    block: &mut [f32],
) {
    products::<AT_ONCE>(frames, rows, block, f32::mul_add);
}

/// # Safety
/// AVX2 and FMA must be there.
#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
unsafe fn with_fused_vectors<const AT_ONCE: usize>(
    frames: &[f32],
    rows: (&[f32], &[f32]),
    block: &mut [f32],
) {
    products::<AT_ONCE>(frames, rows, block, f32::mul_add);
}

/// One block of [`convolve`], tap by tap for all its frames.
#[inline(always)]
fn products<const AT_ONCE: usize>(
    frames: &[f32],
    rows: (&[f32], &[f32]),
    block: &mut [f32],
    add_product: impl Fn(f32, f32, f32) -> f32,
) {
    let (mut at, mut after) = ([0.0f32; AT_ONCE], [0.0f32; AT_ONCE]);
    let windows = frames.windows(AT_ONCE);
    for ((window, tap_at), tap_after) in windows.zip(rows.0).zip(rows.1) {
        for frame in 0..AT_ONCE {
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
        let mut fused_doubled = Vec::new();
        let all = [Sums::Plain, Sums::Fused, Sums::Wide];
        for sums in all.into_iter().take(1 + Sums::quickest() as usize) {
            for parts in [1_000, 143, 7] {
                let mut doubler = Doubler { sums, ..Doubler::new(1) };
                let expected = plain(&doubler, &frames);
                let mut doubled = vec![Vec::new()];
                for part in frames.chunks(parts) {
                    doubler.inputs()[0].extend_from_slice(part);
                    doubler.double_into(&mut doubled);
                }
                assert_eq!(doubled[0].len(), expected.len());
                let off = doubled[0].iter().zip(&expected).map(|(a, b)| (f64::from(*a) - b).abs());
                assert!(off.fold(0.0, f64::max) < 2e-6, "{sums:?} {parts}");
                if sums == Sums::Fused {
                    fused_doubled.clone_from(&doubled[0]);
                }
                assert!(sums != Sums::Wide || doubled[0] == fused_doubled);
            }
        }
    }
}
