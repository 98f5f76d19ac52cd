//! Two kernel rows against a window in a single pass, for processors with AVX2.
//!
//! The same sums as rubato's product, but each frame and each tap is loaded once: twice as
//! fast. Elsewhere rubato's product does the work.

#![allow(unsafe_code)]

use super::time_map::Place;

/// Fills `out` with `lower · window + share · (upper − lower) · window` at the places from `place`
/// on, each a `step` after the one before; `rows` gives rows and share for a fraction. Rows are as
/// long as one another and a multiple of 16.
///
/// `has_fused_vectors` must have said so.
///
/// # Panics
/// When a place lies outside the window.
pub(super) fn read_run<'a>(
    window: &[f32],
    place: Place,
    step: Place,
    out: &mut [f32],
    rows: impl Fn(u64) -> (&'a [f32], &'a [f32], f32),
) {
    debug_assert!(crate::math::processor::has_fused_vectors(), "asked before");
    #[cfg(target_arch = "x86_64")]
    // SAFETY: the only caller asked `has_fused_vectors` first.
    unsafe {
        with_avx2(window, place, step, out, rows);
    }
}

/// # Safety
/// AVX2 and FMA must be there.
#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
unsafe fn with_avx2<'a>(
    window: &[f32],
    mut place: Place,
    step: Place,
    out: &mut [f32],
    rows: impl Fn(u64) -> (&'a [f32], &'a [f32], f32),
) {
    for value in out {
        let (lower, upper, share) = rows(place.fraction);
        let frames = &window[place.frame as usize..][..lower.len()];
        *value = product(frames, lower, upper, share);
        place = place.plus(step);
    }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
#[inline]
fn product(frames: &[f32], lower: &[f32], upper: &[f32], share: f32) -> f32 {
    use std::arch::x86_64::{
        _mm_add_ps, _mm_add_ss, _mm_cvtss_f32, _mm_movehl_ps, _mm_shuffle_ps, _mm256_add_ps,
        _mm256_castps256_ps128, _mm256_extractf128_ps, _mm256_fmadd_ps, _mm256_loadu_ps,
        _mm256_set1_ps, _mm256_setzero_ps, _mm256_sub_ps,
    };
    let mut below = [_mm256_setzero_ps(); 2];
    let mut above = [_mm256_setzero_ps(); 2];
    let each = frames.chunks_exact(16).zip(lower.chunks_exact(16)).zip(upper.chunks_exact(16));
    for ((frames, lower), upper) in each {
        for half in 0..2 {
            // SAFETY: eight floats from the half on lie within each chunk of sixteen.
            let (frame, low, high) = unsafe {
                (
                    _mm256_loadu_ps(frames.as_ptr().add(8 * half)),
                    _mm256_loadu_ps(lower.as_ptr().add(8 * half)),
                    _mm256_loadu_ps(upper.as_ptr().add(8 * half)),
                )
            };
            below[half] = _mm256_fmadd_ps(frame, low, below[half]);
            above[half] = _mm256_fmadd_ps(frame, high, above[half]);
        }
    }
    let below = _mm256_add_ps(below[0], below[1]);
    let above = _mm256_add_ps(above[0], above[1]);
    let sum = _mm256_fmadd_ps(_mm256_set1_ps(share), _mm256_sub_ps(above, below), below);
    let four = _mm_add_ps(_mm256_castps256_ps128(sum), _mm256_extractf128_ps::<1>(sum));
    let two = _mm_add_ps(four, _mm_movehl_ps(four, four));
    _mm_cvtss_f32(_mm_add_ss(two, _mm_shuffle_ps::<1>(two, two)))
}
