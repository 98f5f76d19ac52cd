//! Loops that the compiler makes vectors of, compiled once more for processors with AVX2.
//!
//! Wider vectors change no result: every lane adds and multiplies the same numbers in the same
//! order, and no product is added unrounded.

use std::iter::Sum;
use std::ops::{Add, AddAssign};

use ripieno_transform::Complex;

/// A function that is compiled twice, for any machine and for those with AVX2.
macro_rules! in_vectors {
    ($(#[$about:meta])* $see:vis fn $name:ident $(<$($life:lifetime),*>)?
     ($($arg:ident: $kind:ty),* $(,)?) $(-> $out:ty)? $body:block) => {
        $(#[$about])*
        $see fn $name $(<$($life),*>)? ($($arg: $kind),*) $(-> $out)? {
            #[inline(always)]
            fn on_any $(<$($life),*>)? ($($arg: $kind),*) $(-> $out)? $body

            #[cfg(target_arch = "x86_64")]
            #[target_feature(enable = "avx2")]
            fn with_avx2 $(<$($life),*>)? ($($arg: $kind),*) $(-> $out)? {
                on_any($($arg),*)
            }

            #[cfg(target_arch = "x86_64")]
            if $crate::math::processor::has_fused_vectors() {
                // SAFETY: the processor has AVX2.
                #[allow(unsafe_code)]
                return unsafe { with_avx2($($arg),*) };
            }
            on_any($($arg),*)
        }
    };
}
pub(crate) use in_vectors;

/// Lanes of sums and maxima: two vectors of AVX2, so that one does not wait for the other.
pub(crate) const LANES: usize = 16;

in_vectors! {
    /// Highest absolute value; 0 for none. What is no number counts for nothing.
    pub(crate) fn peak(samples: &[f32]) -> f32 {
        peak_within(samples)
    }
}

/// [`peak`] for a loop that is compiled twice itself.
#[inline(always)]
pub(crate) fn peak_within(samples: &[f32]) -> f32 {
    let mut most = [0.0f32; LANES];
    let (whole, rest) = samples.as_chunks::<LANES>();
    for chunk in whole {
        for lane in 0..LANES {
            most[lane] = larger(chunk[lane].abs(), most[lane]);
        }
    }
    let most = most.iter().fold(0.0, |most, value| larger(*value, most));
    rest.iter().fold(most, |most, sample| larger(sample.abs(), most))
}

#[inline(always)]
fn larger(value: f32, most: f32) -> f32 {
    if value > most { value } else { most }
}

/// Sum of what is made of each value, side by side; for a loop that is compiled twice itself.
#[inline(always)]
pub(crate) fn summed<T, S>(values: &[T], of: impl Fn(&T) -> S) -> S
where
    S: Copy + Default + AddAssign + Add<Output = S> + Sum,
{
    let mut sums = [S::default(); LANES];
    let (whole, rest) = values.as_chunks::<LANES>();
    for chunk in whole {
        for lane in 0..LANES {
            sums[lane] += of(&chunk[lane]);
        }
    }
    sums.into_iter().sum::<S>() + rest.iter().map(of).sum::<S>()
}

in_vectors! {
    /// Sum of the values.
    pub(crate) fn sum(values: &[f32]) -> f32 {
        summed(values, |value| *value)
    }
}

in_vectors! {
    /// Sum of the squares of real and imaginary parts.
    pub(crate) fn energy(bins: &[Complex<f32>]) -> f32 {
        summed(bins, Complex::norm_sqr)
    }
}

in_vectors! {
    /// Whether all samples are finite.
    pub(crate) fn all_finite(samples: &[f32]) -> bool {
        samples.iter().fold(true, |all, sample| all & sample.is_finite())
    }
}

in_vectors! {
    /// Whether every sample lies within `most` of zero; what is no number does not.
    pub(crate) fn all_within(samples: &[f32], most: f32) -> bool {
        samples.iter().fold(true, |all, sample| all & (sample.abs() <= most))
    }
}

in_vectors! {
    /// Samples under a window.
    pub(crate) fn windowed(samples: &[f32], window: &[f32], out: &mut [f32]) {
        for ((out, sample), weight) in out.iter_mut().zip(samples).zip(window) {
            *out = sample * weight;
        }
    }
}

in_vectors! {
    /// Squared size of every bin.
    pub(crate) fn powers(bins: &[Complex<f32>], out: &mut [f32]) {
        for (out, bin) in out.iter_mut().zip(bins) {
            *out = bin.norm_sqr();
        }
    }
}

in_vectors! {
    /// Size of every bin.
    pub(crate) fn sizes(bins: &[Complex<f32>], out: &mut [f32]) {
        for (out, bin) in out.iter_mut().zip(bins) {
            *out = bin.norm_sqr().sqrt();
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    in_vectors! {
        /// A recursion in every lane, as rough on rounding as any.
        fn turned(samples: &[f32], out: &mut [f32]) {
            for (out, sample) in out.iter_mut().zip(samples) {
                *out = (0..20).fold(*sample, |x, n| x * 1.000_1 - 0.3 * (x + n as f32 * *sample));
            }
        }
    }

    fn some(count: usize) -> Vec<f32> {
        let mut random = fastrand::Rng::with_seed(count as u64);
        (0..count).map(|_| random.f32() - 0.5).collect()
    }

    #[test]
    fn wider_vectors_change_no_bit() {
        // What is compiled for tests without AVX2 stands beside what the macro chose.
        for count in [0, 1, 15, 16, 17, 100, 1_001] {
            let samples = some(count);
            let mut out = vec![0.0; count];
            turned(&samples, &mut out);
            for (out, sample) in out.iter().zip(&samples) {
                let one = |x: f32, n: i32| x * 1.000_1 - 0.3 * (x + n as f32 * *sample);
                assert_eq!(*out, (0..20).fold(*sample, one));
            }
        }
    }

    #[test]
    fn sums_and_peaks_are_those_of_plain_loops() {
        for count in [0, 1, 15, 16, 17, 100, 1_001] {
            let mut samples = some(count);
            let plain: f64 = samples.iter().map(|s| f64::from(*s)).sum();
            assert!((f64::from(sum(&samples)) - plain).abs() < 1e-4);
            let most = samples.iter().fold(0.0f32, |most, s| most.max(s.abs()));
            assert_eq!(peak(&samples), most);
            assert!(all_finite(&samples) && all_within(&samples, 0.5));
            assert_eq!(all_within(&samples, 0.9 * most), most == 0.0);
            let Some(last) = samples.last_mut() else { continue };
            *last = f32::NAN;
            assert!(!all_finite(&samples) && !all_within(&samples, 0.5));
            assert!(peak(&samples).is_finite());
        }
    }

    #[test]
    fn energy_is_the_sum_of_the_powers() {
        let bins: Vec<Complex<f32>> =
            some(70).as_chunks::<2>().0.iter().map(|[re, im]| Complex::new(*re, *im)).collect();
        let (mut power, mut size) = (vec![0.0; 35], vec![0.0; 35]);
        powers(&bins, &mut power);
        sizes(&bins, &mut size);
        assert!((energy(&bins) - power.iter().sum::<f32>()).abs() < 1e-5);
        assert!(size.iter().zip(&power).all(|(size, power)| (size * size - power).abs() < 1e-6));
    }
}
