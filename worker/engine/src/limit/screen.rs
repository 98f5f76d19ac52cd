//! What the waveform between samples stays under, told by the nearest samples alone.
//!
//! Of a reading by many taps only those next to the point are worked out; what all others can add
//! is at most the root of their summed squares times that of the samples they would read (the
//! Cauchy-Schwarz inequality). In a full mix that rules out nine readings of ten.

use super::lines::{GROUP, HALF_TAPS, Taps};
use super::oversample::CHUNK;
#[cfg(target_arch = "x86_64")]
use crate::math::processor;

/// Taps to either side that are worked out.
const NEAR: usize = 4;

/// First of them.
const FIRST: usize = HALF_TAPS - NEAR;

/// Most groups bounded at once.
const MOST_GROUPS: usize = CHUNK / GROUP;

/// Room for the rounding of single precision, here and where the taps are worked out in full.
const MARGIN: f32 = 1.0001;

/// Bounds readings at some fractions of a sample.
pub(super) struct Screen {
    near: [[f32; 2 * NEAR]; 3],
    /// Root of the summed squares of all other taps, the largest of the fractions.
    far: f32,
}

impl Screen {
    pub(super) fn new(phases: &[Taps; 3]) -> Self {
        let near = phases.map(|taps| std::array::from_fn(|tap| taps[FIRST + tap]));
        let norm = |taps: &Taps| {
            let others = taps[..FIRST].iter().chain(&taps[FIRST + 2 * NEAR..]);
            others.map(|tap| f64::from(tap * tap)).sum::<f64>().sqrt() as f32
        };
        Self { near, far: phases.iter().map(norm).fold(0.0, f32::max) }
    }

    /// Raises one bound for every [`GROUP`] frames to what the readings there, and the samples
    /// before them, stay under. `reach` is what all those readings read.
    pub(super) fn raise(&self, reach: &[f32], bounds: &mut [f32]) {
        #[cfg(target_arch = "x86_64")]
        if processor::has_wide_vectors() {
            // SAFETY: the processor has AVX2, FMA and AVX-512.
            #[allow(unsafe_code)]
            return unsafe { self.raise_avx512(reach, bounds) };
        }
        #[cfg(target_arch = "x86_64")]
        if processor::has_fused_vectors() {
            // SAFETY: the processor has AVX2 and FMA.
            #[allow(unsafe_code)]
            return unsafe { self.raise_avx2(reach, bounds) };
        }
        self.raise_body(reach, bounds, energy, |near| self.near(near));
    }

    #[cfg(target_arch = "x86_64")]
    #[target_feature(enable = "avx2,fma,avx512f")]
    fn raise_avx512(&self, reach: &[f32], bounds: &mut [f32]) {
        self.raise_body(
            reach,
            bounds,
            |group| vector::energy(group),
            |near| vector::near_wide(&self.near, near),
        );
    }

    #[cfg(target_arch = "x86_64")]
    #[target_feature(enable = "avx2,fma")]
    fn raise_avx2(&self, reach: &[f32], bounds: &mut [f32]) {
        self.raise_body(
            reach,
            bounds,
            |group| vector::energy(group),
            |near| vector::near(&self.near, near),
        );
    }

    #[inline(always)]
    fn raise_body(
        &self,
        reach: &[f32],
        bounds: &mut [f32],
        energy: impl Fn(&[f32; GROUP]) -> f32,
        near: impl Fn(&[f32; NEAR_REACH]) -> f32,
    ) {
        // A group's readings reach over four groups' frames but one.
        let mut energies = [0.0f32; MOST_GROUPS + 3];
        for (to, group) in energies.iter_mut().zip(reach.chunks(GROUP)) {
            *to = match <&[f32; GROUP]>::try_from(group) {
                Ok(group) => energy(group),
                Err(_) => group.iter().fold(0.0, |sum, sample| sample.mul_add(*sample, sum)),
            };
        }
        let nears = reach[FIRST..].array_windows::<NEAR_REACH>().step_by(GROUP);
        for ((bound, energies), at) in
            bounds.iter_mut().zip(energies.array_windows::<4>()).zip(nears)
        {
            let far = self.far * energies.iter().sum::<f32>().sqrt();
            *bound = bound.max((near(at) + far) * MARGIN);
        }
    }

    /// The highest of the near parts and of the samples.
    #[inline(always)]
    fn near(&self, near: &[f32; NEAR_REACH]) -> f32 {
        let mut lines = [[0.0f32; GROUP]; 3];
        for (tap, samples) in near.array_windows::<GROUP>().enumerate() {
            for (line, taps) in lines.iter_mut().zip(&self.near) {
                for (value, sample) in line.iter_mut().zip(samples) {
                    *value = taps[tap].mul_add(*sample, *value);
                }
            }
        }
        let mut highest = [0.0f32; GROUP];
        for (highest, sample) in highest.iter_mut().zip(&near[NEAR - 1..]) {
            *highest = sample.abs();
        }
        for line in lines {
            for (highest, value) in highest.iter_mut().zip(line) {
                *highest = higher(*highest, value.abs());
            }
        }
        halved(highest, higher)
    }
}

/// Samples that the near parts of a group's readings read.
const NEAR_REACH: usize = GROUP + 2 * NEAR - 1;

/// The summed squares of a group.
#[inline(always)]
fn energy(group: &[f32; GROUP]) -> f32 {
    let eight: [f32; 8] =
        std::array::from_fn(|at| group[at].mul_add(group[at], group[at + 8] * group[at + 8]));
    quartered(eight, |a, b| a + b)
}

#[cfg(target_arch = "x86_64")]
mod vector {
    //! A group in two registers. The compiler, left alone, takes it apart into single numbers.

    use super::{GROUP, NEAR, NEAR_REACH};
    use std::arch::x86_64::{
        __m256, __m512, _mm_add_ps, _mm_add_ss, _mm_cvtss_f32, _mm_max_ps, _mm_max_ss,
        _mm_movehdup_ps, _mm_movehl_ps, _mm256_andnot_ps, _mm256_castps256_ps128,
        _mm256_extractf128_ps, _mm256_fmadd_ps, _mm256_loadu_ps, _mm256_max_ps, _mm256_mul_ps,
        _mm256_set1_ps, _mm256_setzero_ps, _mm512_abs_ps, _mm512_castps512_ps256, _mm512_fmadd_ps,
        _mm512_loadu_ps, _mm512_max_ps, _mm512_set1_ps, _mm512_setzero_ps, _mm512_shuffle_f32x4,
    };

    /// Eight samples from `at` on.
    #[target_feature(enable = "avx2")]
    fn eight<const LENGTH: usize>(samples: &[f32; LENGTH], at: usize) -> __m256 {
        let eight = &samples[at..at + 8];
        // SAFETY: the slice is eight samples long.
        #[allow(unsafe_code)]
        unsafe {
            _mm256_loadu_ps(eight.as_ptr())
        }
    }

    /// The twin of [`super::energy`].
    #[target_feature(enable = "avx2,fma")]
    pub(super) fn energy(group: &[f32; GROUP]) -> f32 {
        let [a, b] = [eight(group, 0), eight(group, 8)];
        let sum = _mm256_fmadd_ps(a, a, _mm256_mul_ps(b, b));
        let sum = _mm_add_ps(_mm256_castps256_ps128(sum), _mm256_extractf128_ps::<1>(sum));
        let sum = _mm_add_ps(sum, _mm_movehl_ps(sum, sum));
        _mm_cvtss_f32(_mm_add_ss(sum, _mm_movehdup_ps(sum)))
    }

    /// The twin of [`super::Screen::near`].
    #[target_feature(enable = "avx2,fma")]
    pub(super) fn near(taps: &[[f32; 2 * NEAR]; 3], near: &[f32; NEAR_REACH]) -> f32 {
        let mut lines = [[_mm256_setzero_ps(); 2]; 3];
        for tap in 0..2 * NEAR {
            let samples = [eight(near, tap), eight(near, tap + 8)];
            for (line, taps) in lines.iter_mut().zip(taps) {
                let tap = _mm256_set1_ps(taps[tap]);
                for (value, samples) in line.iter_mut().zip(samples) {
                    *value = _mm256_fmadd_ps(tap, samples, *value);
                }
            }
        }
        let sign = _mm256_set1_ps(-0.0);
        let own = [NEAR - 1, NEAR + 7].map(|at| _mm256_andnot_ps(sign, eight(near, at)));
        let mut highest = own;
        for line in lines {
            for (highest, value) in highest.iter_mut().zip(line) {
                *highest = _mm256_max_ps(*highest, _mm256_andnot_ps(sign, value));
            }
        }
        highest_of(highest)
    }

    /// The highest of a group in two halves.
    #[target_feature(enable = "avx2")]
    fn highest_of(halves: [__m256; 2]) -> f32 {
        let most = _mm256_max_ps(halves[0], halves[1]);
        let most = _mm_max_ps(_mm256_castps256_ps128(most), _mm256_extractf128_ps::<1>(most));
        let most = _mm_max_ps(most, _mm_movehl_ps(most, most));
        _mm_cvtss_f32(_mm_max_ss(most, _mm_movehdup_ps(most)))
    }

    /// Sixteen samples from `at` on.
    #[target_feature(enable = "avx512f")]
    fn sixteen(samples: &[f32; NEAR_REACH], at: usize) -> __m512 {
        let sixteen = &samples[at..at + GROUP];
        // SAFETY: the slice is sixteen samples long.
        #[allow(unsafe_code)]
        unsafe {
            _mm512_loadu_ps(sixteen.as_ptr())
        }
    }

    /// The same as [`near`], a group in one register.
    #[target_feature(enable = "avx2,fma,avx512f")]
    pub(super) fn near_wide(taps: &[[f32; 2 * NEAR]; 3], near: &[f32; NEAR_REACH]) -> f32 {
        let mut lines = [_mm512_setzero_ps(); 3];
        for tap in 0..2 * NEAR {
            let samples = sixteen(near, tap);
            for (line, taps) in lines.iter_mut().zip(taps) {
                *line = _mm512_fmadd_ps(_mm512_set1_ps(taps[tap]), samples, *line);
            }
        }
        let mut highest = _mm512_abs_ps(sixteen(near, NEAR - 1));
        for line in lines {
            highest = _mm512_max_ps(highest, _mm512_abs_ps(line));
        }
        let back = _mm512_shuffle_f32x4::<0b1110>(highest, highest);
        highest_of([_mm512_castps512_ps256(highest), _mm512_castps512_ps256(back)])
    }
}

/// The higher of two, in one instruction; which of them, if one is no number, does not matter
/// here: its square is in the energy.
#[inline(always)]
fn higher(a: f32, b: f32) -> f32 {
    if a > b { a } else { b }
}

/// All of a group in one, by halves: the compiler keeps each half in a register.
#[inline(always)]
fn halved(group: [f32; GROUP], of: impl Fn(f32, f32) -> f32) -> f32 {
    quartered(std::array::from_fn(|at| of(group[at], group[at + 8])), of)
}

#[inline(always)]
fn quartered(eight: [f32; 8], of: impl Fn(f32, f32) -> f32) -> f32 {
    let four: [f32; 4] = std::array::from_fn(|at| of(eight[at], eight[at + 4]));
    of(of(four[0], four[2]), of(four[1], four[3]))
}

#[cfg(test)]
mod tests {
    use super::super::lines::taps;
    use super::*;

    /// Loud far from the point, near it, or everywhere.
    #[test]
    fn no_reading_passes_its_bound() {
        let phases = [0.25, 0.5, 0.75].map(taps);
        let screen = Screen::new(&phases);
        let mut tightest = f32::INFINITY;
        for seed in 0..2_000u64 {
            let mut random = fastrand::Rng::with_seed(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
            let groups = random.usize(1..=MOST_GROUPS);
            let length = groups * GROUP + 2 * HALF_TAPS - 1;
            let loud = random.usize(0..length);
            let worst = phases[random.usize(0..3)];
            let reach: Vec<f32> = (0..length)
                .map(|n| match seed % 4 {
                    0 => worst[n % worst.len()],
                    1 => worst[n % worst.len()].signum(),
                    2 if n.abs_diff(loud) > 2 => 0.0,
                    _ => random.f32() * 2.0 - 1.0,
                })
                .collect();
            let mut bounds = vec![0.0; groups];
            screen.raise(&reach, &mut bounds);
            for (at, reach) in reach.windows(2 * HALF_TAPS).enumerate() {
                let own = reach[HALF_TAPS - 1].abs();
                let readings = phases.iter().map(|taps| {
                    taps.iter().zip(reach).map(|(tap, sample)| tap * sample).sum::<f32>().abs()
                });
                let most = readings.fold(own, f32::max);
                let bound = bounds[at / GROUP];
                assert!(most <= bound, "{most} {bound} in case {seed}");
                tightest = tightest.min(bound / most.max(1e-3));
            }
        }
        assert!(tightest < 1.2, "a bound this loose would rule nothing out: {tightest}");
    }

    #[test]
    fn vector_and_scalar_twins_agree_to_the_last_bit() {
        let screen = Screen::new(&[0.25, 0.5, 0.75].map(taps));
        let mut random = fastrand::Rng::with_seed(12);
        for case in 0..500 {
            let length = MOST_GROUPS * GROUP + 2 * HALF_TAPS - 1;
            let reach: Vec<f32> = (0..length)
                .map(|n| match (case % 5, n % 97) {
                    (1, 0) => f32::NAN,
                    (2, 0) => f32::INFINITY,
                    (3, _) => f32::from_bits(random.u32(..)),
                    _ => random.f32() * 2.0 - 1.0,
                })
                .collect();
            let [mut plain, mut vector, mut widest] = [[0.0f32; MOST_GROUPS]; 3];
            screen.raise_body(&reach, &mut plain, energy, |near| screen.near(near));
            #[cfg(target_arch = "x86_64")]
            if processor::has_fused_vectors() {
                // SAFETY: the processor has AVX2 and FMA.
                #[allow(unsafe_code)]
                unsafe {
                    screen.raise_avx2(&reach, &mut vector);
                }
                assert_eq!(plain.map(f32::to_bits), vector.map(f32::to_bits), "case {case}");
            }
            screen.raise(&reach, &mut widest);
            assert_eq!(plain.map(f32::to_bits), widest.map(f32::to_bits), "case {case}");
        }
    }
}
