//! From the integer grid to floating point and back, many steps at a time.

use super::STEPS_PER_UNIT;

/// 1.5 · 2⁵²: added to a double below 2⁵¹ it leaves the nearest integer, ties to even, in the low
/// bits (binary64, IEEE 754-2019; its default rounding).
const SHIFT: f64 = 6_755_399_441_055_744.0;
const SHIFT_BITS: i64 = SHIFT.to_bits().cast_signed();

/// Steps and their products below this go through [`rounded`] and [`double`].
pub(crate) const FAST_LIMIT: f64 = (1u64 << 50) as f64;

/// Steps with this bound fit an `i32`.
pub(crate) const SHORT_LIMIT: f64 = (1u64 << 31) as f64;

/// The nearest integer of a value within ±[`FAST_LIMIT`], ties to even.
#[inline(always)]
pub(crate) fn rounded(value: f64) -> i64 {
    (value + SHIFT).to_bits().cast_signed() - SHIFT_BITS
}

/// The same, still a double.
#[inline(always)]
pub(crate) fn rounded_double(value: f64) -> f64 {
    (value + SHIFT) - SHIFT
}

/// A step within ±[`FAST_LIMIT`] as a double.
#[inline(always)]
pub(crate) fn double(step: i64) -> f64 {
    f64::from_bits((step + SHIFT_BITS).cast_unsigned()) - SHIFT
}

/// What no step passes, up to twice the largest. Folding the sign away makes the bits that any
/// step needs visible in one pass.
#[inline(always)]
pub(crate) fn bound(steps: &[i64]) -> f64 {
    steps.iter().fold(0i64, |bits, &step| bits | (step ^ (step >> 63))) as f64 + 1.0
}

/// A step as a sample. It is rounded once: the unit is a power of two.
#[inline(always)]
fn short_sample(step: i32) -> f32 {
    const UNIT: f32 = (1.0 / STEPS_PER_UNIT) as f32;
    step as f32 * UNIT
}

/// Whether all steps were near enough to zero to be turned into samples in this way.
#[inline(always)]
fn to_samples_body(steps: &[i64], out: &mut [f32]) -> bool {
    let bound = bound(steps);
    let near = bound < FAST_LIMIT;
    if bound <= SHORT_LIMIT {
        for (out, &step) in out.iter_mut().zip(steps) {
            *out = short_sample(step as i32);
        }
    } else if near {
        for (out, &step) in out.iter_mut().zip(steps) {
            *out = (double(step) * (1.0 / STEPS_PER_UNIT)) as f32;
        }
    }
    near
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn to_samples_avx2(steps: &[i64], out: &mut [f32]) -> bool {
    to_samples_body(steps, out)
}

fn to_samples_fast(steps: &[i64], out: &mut [f32]) -> bool {
    #[cfg(target_arch = "x86_64")]
    if std::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2.
        #[allow(unsafe_code)]
        return unsafe { to_samples_avx2(steps, out) };
    }
    to_samples_body(steps, out)
}

/// Gives every step, read by `read`, to `put` with its place in `to`, in vectors where the
/// processor has them: what is done to each does not depend on its neighbours.
#[inline(always)]
fn each_body<S: Copy, T>(
    steps: &[S],
    to: &mut [T],
    read: impl Fn(S) -> i32,
    mut put: impl FnMut(&mut T, i32),
) {
    to.iter_mut().zip(steps).for_each(|(to, step)| put(to, read(*step)));
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn each_avx2<S: Copy, T>(
    steps: &[S],
    to: &mut [T],
    read: impl Fn(S) -> i32,
    put: impl FnMut(&mut T, i32),
) {
    each_body(steps, to, read, put);
}

fn each<S: Copy, T>(
    steps: &[S],
    to: &mut [T],
    read: impl Fn(S) -> i32,
    put: impl FnMut(&mut T, i32),
) {
    #[cfg(target_arch = "x86_64")]
    if std::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2.
        #[allow(unsafe_code)]
        return unsafe { each_avx2(steps, to, read, put) };
    }
    each_body(steps, to, read, put);
}

/// Copies steps; gives what none of them passes, up to twice the largest.
pub(super) fn copy_short<S: Copy>(steps: &[S], to: &mut [i32], read: impl Fn(S) -> i32) -> i64 {
    let mut bits = 0i32;
    each(steps, to, read, |to, step| {
        *to = step;
        bits |= step ^ (step >> 31);
    });
    i64::from(bits) + 1
}

/// Copies steps into wider ones.
pub(super) fn spread<S: Copy>(steps: &[S], to: &mut [i64], read: impl Fn(S) -> i32) {
    each(steps, to, read, |to, step| *to = i64::from(step));
}

/// Short steps as samples.
pub(super) fn short_to_samples<S: Copy>(steps: &[S], to: &mut [f32], read: impl Fn(S) -> i32) {
    each(steps, to, read, |to, step| *to = short_sample(step));
}

/// Steps as samples.
pub(crate) fn to_samples(steps: &[i64], out: &mut [f32]) {
    if !to_samples_fast(steps, out) {
        for (out, &step) in out.iter_mut().zip(steps) {
            *out = (step as f64 / STEPS_PER_UNIT) as f32;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn steps_of_any_size_become_the_nearest_samples() {
        let mut random = fastrand::Rng::with_seed(4);
        for most in [1i64, 1 << 20, 1 << 31, 1 << 49, (1 << 50) - 1, 1 << 50, 1 << 60, i64::MAX] {
            let mut steps: Vec<i64> = (0..5003).map(|_| random.i64(-most..=most)).collect();
            steps.extend([most, -most, 0]);
            let mut out = vec![0.0; steps.len()];
            to_samples(&steps, &mut out);
            let plain = steps.iter().map(|&step| (step as f64 / STEPS_PER_UNIT) as f32);
            assert!(plain.eq(out.iter().copied()), "{most}");
            assert!(steps.iter().all(|step| step.unsigned_abs() as f64 <= bound(&steps)));
            let short: Vec<i32> = steps.iter().map(|step| *step as i32).collect();
            let mut copied = vec![0; short.len()];
            let most = copy_short(&short, &mut copied, |step| step);
            assert_eq!(copied, short);
            let mut spread_out = vec![0; short.len()];
            spread(&short, &mut spread_out, |step| step);
            assert!(spread_out.iter().zip(&short).all(|(wide, step)| *wide == i64::from(*step)));
            let mut samples = vec![0.0; short.len()];
            short_to_samples(&short, &mut samples, |step| step);
            let plain = short.iter().map(|&step| (f64::from(step) / STEPS_PER_UNIT) as f32);
            assert!(plain.eq(samples.iter().copied()), "{most}");
            assert!(short.iter().all(|step| i64::from(step.unsigned_abs()) <= most));
        }
    }
}
