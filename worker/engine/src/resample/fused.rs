//! Two kernel rows against one or two windows in a single pass, for processors with AVX2.
//!
//! The same sums as rubato's product, but each frame and each tap is loaded once: twice as
//! fast. Elsewhere rubato's product does the work.

#![allow(unsafe_code)]

/// `lower · window + between · (upper − lower) · window`, of as many frames as the rows have.
///
/// The slices must be of equal length, a multiple of 16, and `has_fused_vectors` must have said so:
/// a caller that breaks this gets zero.
#[inline]
pub(super) fn read(window: &[f32], lower: &[f32], upper: &[f32], between: f32) -> f32 {
    let taps = lower.len();
    if upper.len() != taps || window.len() != taps || !taps.is_multiple_of(16) {
        return 0.0;
    }
    #[cfg(target_arch = "x86_64")]
    // SAFETY: the lengths were checked above, and the only caller asked `has_fused_vectors` first.
    unsafe {
        avx2(window, lower, upper, between)
    }
    #[cfg(not(target_arch = "x86_64"))]
    0.0
}

/// # Safety
/// AVX2 and FMA must be there; the slices must be of equal length, a multiple of 16.
#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
#[inline]
unsafe fn avx2(window: &[f32], lower: &[f32], upper: &[f32], between: f32) -> f32 {
    use std::arch::x86_64::{
        _mm_add_ps, _mm_add_ss, _mm_cvtss_f32, _mm_movehl_ps, _mm_shuffle_ps, _mm256_add_ps,
        _mm256_castps256_ps128, _mm256_extractf128_ps, _mm256_fmadd_ps, _mm256_loadu_ps,
        _mm256_set1_ps, _mm256_setzero_ps, _mm256_sub_ps,
    };
    let mut below = [_mm256_setzero_ps(); 2];
    let mut above = [_mm256_setzero_ps(); 2];
    let (frames, lows, highs) = (window.as_ptr(), lower.as_ptr(), upper.as_ptr());
    for at in (0..lower.len()).step_by(16) {
        for half in 0..2 {
            let place = at + 8 * half;
            // SAFETY: `place + 8` is at most the length of each slice.
            let (frame, low, high) = unsafe {
                (
                    _mm256_loadu_ps(frames.add(place)),
                    _mm256_loadu_ps(lows.add(place)),
                    _mm256_loadu_ps(highs.add(place)),
                )
            };
            below[half] = _mm256_fmadd_ps(frame, low, below[half]);
            above[half] = _mm256_fmadd_ps(frame, high, above[half]);
        }
    }
    let below = _mm256_add_ps(below[0], below[1]);
    let above = _mm256_add_ps(above[0], above[1]);
    let sum = _mm256_fmadd_ps(_mm256_set1_ps(between), _mm256_sub_ps(above, below), below);
    let four = _mm_add_ps(_mm256_castps256_ps128(sum), _mm256_extractf128_ps::<1>(sum));
    let two = _mm_add_ps(four, _mm_movehl_ps(four, four));
    _mm_cvtss_f32(_mm_add_ss(two, _mm_shuffle_ps::<1>(two, two)))
}
