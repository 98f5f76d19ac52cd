//! The inner loops: scale, round, add.
//!
//! Each is written plainly for any machine; for AVX2 the compiler turns it into eight lanes, or a
//! twin does that is tested to give the same. There is no fused multiply-add to differ by: a product is
//! rounded to `f32`, then to the integer grid with ties to even, on both.

use super::STEPS_PER_UNIT;

/// Largest contribution, in steps, that goes through `i32`: 8.0.
const NARROW_LIMIT: f32 = (1u64 << 30) as f32;

/// Largest contribution, in steps, that is kept at all: ±2¹⁸.
const WIDE_LIMIT: f64 = (1u64 << 45) as f64;

/// A gain in steps and the peak the samples keep within; their product is at most 2³⁰.
#[derive(Clone, Copy)]
pub(super) struct Narrow {
    gain: f32,
    peak: f32,
}

impl Narrow {
    /// None if a sample at the peak would not fit.
    pub(super) fn new(gain: f32, peak: f32) -> Option<Self> {
        let gain = gain * STEPS_PER_UNIT as f32;
        let fits = peak >= 0.0 && (gain * peak).abs() <= NARROW_LIMIT && gain.is_finite();
        fits.then_some(Self { gain, peak })
    }

    /// What takes out again what this adds: rounding is the same on both sides of zero.
    pub(super) fn taken_out(self) -> Self {
        Self { gain: -self.gain, ..self }
    }

    /// The largest step a sample can become.
    pub(super) fn bound(self) -> i64 {
        (self.gain * self.peak).abs().ceil() as i64 + 1
    }

    #[inline(always)]
    fn steps(self, sample: [u8; 4]) -> i32 {
        let sample = f32::from_le_bytes(sample);
        // Written so that NaN becomes −peak, as the vector instructions have it.
        let sample = if sample > -self.peak { sample } else { -self.peak };
        let sample = if sample < self.peak { sample } else { self.peak };
        let steps = (sample * self.gain).round_ties_even();
        // SAFETY: |sample| ≤ peak and |gain · peak| ≤ 2³⁰ (checked in `new`; rounding is
        // monotonic), so the value is finite and fits an i32.
        #[allow(unsafe_code)]
        unsafe {
            steps.to_int_unchecked::<i32>()
        }
    }
}

#[inline(always)]
fn add_both_body(source: &[u8], left: Narrow, right: Narrow, sums: [&mut [i32]; 2]) {
    let (samples, _) = source.as_chunks::<4>();
    let [to_left, to_right] = sums;
    for ((sample, to_left), to_right) in samples.iter().zip(to_left).zip(to_right) {
        *to_left = to_left.wrapping_add(left.steps(*sample));
        *to_right = to_right.wrapping_add(right.steps(*sample));
    }
}

#[inline(always)]
fn add_one_body(source: &[u8], scale: Narrow, sum: &mut [i32]) {
    let (samples, _) = source.as_chunks::<4>();
    for (sample, sum) in samples.iter().zip(sum) {
        *sum = sum.wrapping_add(scale.steps(*sample));
    }
}

#[cfg(target_arch = "x86_64")]
mod vector {
    //! Eight samples at a time. A conversion rounds to the nearest, ties to even, which is how
    //! every thread of a Rust program starts and stays.

    use super::Narrow;
    use std::arch::x86_64::{
        __m256i, _mm256_add_epi32, _mm256_cvtps_epi32, _mm256_loadu_ps, _mm256_loadu_si256,
        _mm256_max_ps, _mm256_min_ps, _mm256_mul_ps, _mm256_set1_ps, _mm256_storeu_si256,
    };

    /// Adds to left and right; gives how many frames it did, all but a few.
    #[target_feature(enable = "avx2")]
    pub(super) fn add_many<const SOURCES: usize>(
        sources: [&[u8]; SOURCES],
        scales: [[Narrow; 2]; SOURCES],
        sums: [&mut [i32]; 2],
    ) -> usize {
        let [to_left, to_right] = sums;
        let bytes = sources.iter().map(|source| source.len()).min().unwrap_or(0);
        let frames = (bytes / 4).min(to_left.len()).min(to_right.len()) / 8 * 8;
        let lanes = |value: f32| _mm256_set1_ps(value);
        let peaks = scales.map(|[left, _]| [lanes(-left.peak), lanes(left.peak)]);
        let gains = scales.map(|pair| pair.map(|scale| lanes(scale.gain)));
        for at in (0..frames).step_by(8) {
            // SAFETY: `at + 8` frames of four bytes lie within every source and both sums.
            #[allow(unsafe_code)]
            unsafe {
                let left = to_left.as_mut_ptr().add(at).cast::<__m256i>();
                let right = to_right.as_mut_ptr().add(at).cast::<__m256i>();
                let mut sums = [_mm256_loadu_si256(left), _mm256_loadu_si256(right)];
                for source in 0..SOURCES {
                    let sample = _mm256_loadu_ps(sources[source].as_ptr().add(4 * at).cast());
                    // Where the first is no number, both give the second.
                    let sample = _mm256_max_ps(sample, peaks[source][0]);
                    let sample = _mm256_min_ps(sample, peaks[source][1]);
                    for side in 0..2 {
                        let steps = _mm256_cvtps_epi32(_mm256_mul_ps(sample, gains[source][side]));
                        sums[side] = _mm256_add_epi32(sums[side], steps);
                    }
                }
                _mm256_storeu_si256(left, sums[0]);
                _mm256_storeu_si256(right, sums[1]);
            }
        }
        frames
    }

    #[target_feature(enable = "avx2")]
    pub(super) fn widen(narrow: &mut [i32], wide: &mut [i64], sign: i64) {
        super::widen_body(narrow, wide, sign);
    }

    #[target_feature(enable = "avx2")]
    pub(super) fn add_one(source: &[u8], scale: Narrow, sum: &mut [i32]) {
        super::add_one_body(source, scale, sum);
    }
}

/// Sources that [`add_four`] adds at once: the sums are then read and written once for all.
pub(super) const AT_ONCE: usize = 4;

fn add_many<const SOURCES: usize>(
    sources: [&[u8]; SOURCES],
    scales: [[Narrow; 2]; SOURCES],
    sums: [&mut [i32]; 2],
) {
    let [to_left, to_right] = sums;
    let mut done = 0;
    #[cfg(target_arch = "x86_64")]
    if std::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2.
        #[allow(unsafe_code)]
        unsafe {
            done = vector::add_many(sources, scales, [to_left, to_right]);
        }
    }
    for (source, [left, right]) in sources.into_iter().zip(scales) {
        add_both_body(
            &source[4 * done..],
            left,
            right,
            [&mut to_left[done..], &mut to_right[done..]],
        );
    }
}

/// Adds the samples of four channels, little-endian `f32` and equally long, to left and right.
pub(super) fn add_four(
    sources: [&[u8]; AT_ONCE],
    scales: [[Narrow; 2]; AT_ONCE],
    sums: [&mut [i32]; 2],
) {
    add_many(sources, scales, sums);
}

/// Adds one channel's samples, little-endian `f32`, to left and right.
pub(super) fn add_both(source: &[u8], left: Narrow, right: Narrow, sums: [&mut [i32]; 2]) {
    add_many([source], [[left, right]], sums);
}

/// Adds one channel's samples, little-endian `f32`, to one sum.
pub(super) fn add_one(source: &[u8], scale: Narrow, sum: &mut [i32]) {
    #[cfg(target_arch = "x86_64")]
    if std::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2.
        #[allow(unsafe_code)]
        return unsafe { vector::add_one(source, scale, sum) };
    }
    add_one_body(source, scale, sum);
}

/// Adds one channel's samples times `gain`, in `f64`, straight to the wide sum; for stems too hot
/// for [`Narrow`]. `sign` is 1 or −1.
pub(super) fn add_wide(source: &[u8], gain: f32, sum: &mut [i64], sign: i64) {
    let (samples, _) = source.as_chunks::<4>();
    let gain = f64::from(gain) * STEPS_PER_UNIT;
    for (sample, sum) in samples.iter().zip(sum) {
        let steps = (f64::from(f32::from_le_bytes(*sample)) * gain).round_ties_even();
        *sum += steps.clamp(-WIDE_LIMIT, WIDE_LIMIT) as i64 * sign;
    }
}

/// Moves the narrow sums into the wide ones and clears them.
pub(super) fn widen(narrow: &mut [i32], wide: &mut [i64], sign: i64) {
    #[cfg(target_arch = "x86_64")]
    if std::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2.
        #[allow(unsafe_code)]
        return unsafe { vector::widen(narrow, wide, sign) };
    }
    widen_body(narrow, wide, sign);
}

#[inline(always)]
fn widen_body(narrow: &mut [i32], wide: &mut [i64], sign: i64) {
    // Without a product: there is no instruction for one of this width.
    if sign < 0 {
        narrow.iter().zip(wide).for_each(|(narrow, wide)| *wide -= i64::from(*narrow));
    } else {
        narrow.iter().zip(wide).for_each(|(narrow, wide)| *wide += i64::from(*narrow));
    }
    narrow.fill(0);
}

#[cfg(test)]
mod tests {
    use super::*;

    fn samples(seed: u64, count: usize) -> Vec<f32> {
        let mut random = fastrand::Rng::with_seed(seed);
        (0..count)
            .map(|n| match n % 11 {
                0 => f32::NAN,
                1 => f32::INFINITY,
                2 => f32::NEG_INFINITY,
                3 => f32::from_bits(random.u32(..)),
                4 => (random.i32(-1000..1000) as f32 + 0.5) / STEPS_PER_UNIT as f32,
                _ => random.f32() * 2.0 - 1.0,
            })
            .collect()
    }

    #[test]
    fn vector_and_scalar_twins_agree_to_the_last_bit() {
        for (seed, gain) in [(1, 1.0), (2, 0.123_456_7), (3, -0.9), (4, 1e-9), (5, 7.9)] {
            let bytes: Vec<u8> =
                samples(seed, 10_007).iter().flat_map(|sample| sample.to_le_bytes()).collect();
            let left = Narrow::new(gain, 1.0).unwrap_or(Narrow { gain: 0.0, peak: 0.0 });
            let right = Narrow::new(gain * 0.3, 1.0).unwrap_or(left);
            let mut plain = [vec![5i32; 10_007], vec![6i32; 10_007]];
            let mut vector = plain.clone();
            let [a, b] = &mut plain;
            add_both_body(&bytes, left, right, [a, b]);
            let [a, b] = &mut vector;
            add_both(&bytes, left, right, [a, b]);
            assert_eq!(plain, vector);
            let four = [(left, right), (right, left), (left, left), (right, right)];
            for (left, right) in four {
                let [a, b] = &mut plain;
                add_both_body(&bytes, left, right, [a, b]);
            }
            let [a, b] = &mut vector;
            add_four([&bytes; 4], four.map(|(left, right)| [left, right]), [a, b]);
            assert_eq!(plain, vector);
            add_one_body(&bytes, right, &mut plain[0]);
            add_one(&bytes, right, &mut vector[0]);
            assert_eq!(plain[0], vector[0]);
            for sign in [1, -1] {
                let mut wide = vec![1i64 << 40; 10_007];
                let sums = plain[0].iter().map(|&step| (1i64 << 40) + sign * i64::from(step));
                let sums: Vec<i64> = sums.collect();
                widen(&mut plain[0].clone(), &mut wide, sign);
                assert_eq!(wide, sums);
            }
        }
    }

    #[test]
    fn rounding_is_to_the_nearest_step_with_ties_to_even() {
        let step = 1.0 / STEPS_PER_UNIT as f32;
        let cases = [0.5, 1.5, 2.5, -0.5, -1.5, 0.49, 0.51, -3.0];
        let bytes: Vec<u8> = cases.iter().flat_map(|c| (c * step).to_le_bytes()).collect();
        let mut sum = vec![0i32; cases.len()];
        if let Some(unity) = Narrow::new(1.0, 1.0) {
            add_one(&bytes, unity, &mut sum);
        }
        assert_eq!(sum, [0, 2, 2, 0, -2, 0, 1, -3]);
    }

    #[test]
    fn what_does_not_fit_is_not_narrow() {
        assert!(Narrow::new(1.0, 8.0).is_some());
        assert!(Narrow::new(1.0, 8.1).is_none());
        assert!(Narrow::new(f32::NAN, 1.0).is_none());
        assert!(Narrow::new(1.0, f32::NAN).is_none());
        assert!(Narrow::new(f32::INFINITY, 0.0).is_none());
    }
}
