//! Transforms of real samples in single precision: realfft's arithmetic to the last bit, but that
//! what parts a half-length complex spectrum into that of even and odd samples is done in vectors.

#![allow(unsafe_code)]

use std::f64::consts::TAU;
use std::sync::Arc;

use realfft::{ComplexToReal, FftError, RealToComplex};
use rustfft::num_complex::Complex;
use rustfft::{Fft, FftPlanner};

type C = Complex<f32>;

/// A plan for an even number of real samples.
struct Halves {
    size: usize,
    /// Turns of the bins from 1 up to a quarter of the size.
    turns: Vec<C>,
    inner: Arc<dyn Fft<f32>>,
}

/// Real samples to bins.
struct Forward(Halves);

/// Bins to real samples.
struct Inverse(Halves);

/// `None` for sizes that are not even.
pub(crate) fn forward(size: usize) -> Option<Arc<dyn RealToComplex<f32>>> {
    // Half a turn is the sign of what is added, and halves what comes of the parting.
    let turn = |at: usize| turn(at, size) * 0.5;
    let inner = FftPlanner::new().plan_fft_forward(size / 2);
    Some(Arc::new(Forward(Halves::new(size, turn, inner)?)))
}

/// `None` for sizes that are not even.
pub(crate) fn inverse(size: usize) -> Option<Arc<dyn ComplexToReal<f32>>> {
    let inner = FftPlanner::new().plan_fft_inverse(size / 2);
    Some(Arc::new(Inverse(Halves::new(size, |at| turn(at, size).conj(), inner)?)))
}

fn turn(at: usize, size: usize) -> C {
    let angle = -TAU / size as f64 * at as f64;
    Complex::new(angle.cos() as f32, angle.sin() as f32)
}

impl Halves {
    fn new(size: usize, turn: impl Fn(usize) -> C, inner: Arc<dyn Fft<f32>>) -> Option<Self> {
        let turns = (1..size.div_ceil(4)).map(turn).collect();
        (size >= 4 && size.is_multiple_of(2)).then_some(Self { size, turns, inner })
    }

    fn bins(&self) -> usize {
        self.size / 2 + 1
    }

    fn scratch(&self) -> usize {
        self.inner.get_outofplace_scratch_len()
    }
}

/// What a plan wants of a buffer's length, and the error that names both.
fn checked(
    wanted: usize,
    there: usize,
    error: fn(usize, usize) -> FftError,
) -> Result<(), FftError> {
    if wanted == there { Ok(()) } else { Err(error(wanted, there)) }
}

/// Neighbouring samples as one complex number each.
fn pairs(samples: &mut [f32]) -> &mut [C] {
    let count = samples.len() / 2;
    // SAFETY: a complex number is two floats, the real part first (`repr(C)`), and is aligned
    // like one; so many of them lie within the samples.
    unsafe { std::slice::from_raw_parts_mut(samples.as_mut_ptr().cast(), count) }
}

impl RealToComplex<f32> for Forward {
    fn process(&self, input: &mut [f32], output: &mut [C]) -> Result<(), FftError> {
        self.process_with_scratch(input, output, &mut self.make_scratch_vec())
    }

    fn process_with_scratch(
        &self,
        input: &mut [f32],
        output: &mut [C],
        scratch: &mut [C],
    ) -> Result<(), FftError> {
        let plan = &self.0;
        checked(plan.size, input.len(), FftError::InputBuffer)?;
        checked(plan.bins(), output.len(), FftError::OutputBuffer)?;
        checked(plan.scratch(), scratch.len().min(plan.scratch()), FftError::ScratchBuffer)?;
        let last = plan.size / 2;
        plan.inner.process_outofplace_with_scratch(pairs(input), &mut output[..last], scratch);
        let first = output[0];
        output[0] = Complex::new(first.re + first.im, 0.0);
        output[last] = Complex::new(first.re - first.im, 0.0);
        let (low, high) = mirrored(output, plan.turns.len());
        part(&plan.turns, low, high, |sum, diff, turn| {
            let re = sum.im * turn.re + diff.re * turn.im;
            let im = sum.im * turn.im - diff.re * turn.re;
            let (even, odd) = (0.5 * sum.re, 0.5 * diff.im);
            (Complex::new(even + re, odd + im), Complex::new(even - re, im - odd))
        });
        if plan.size.is_multiple_of(4) {
            output[last / 2].im = -output[last / 2].im;
        }
        Ok(())
    }

    fn get_scratch_len(&self) -> usize {
        self.0.scratch()
    }

    fn len(&self) -> usize {
        self.0.size
    }

    fn make_input_vec(&self) -> Vec<f32> {
        vec![0.0; self.0.size]
    }

    fn make_output_vec(&self) -> Vec<C> {
        vec![C::default(); self.0.bins()]
    }

    fn make_scratch_vec(&self) -> Vec<C> {
        vec![C::default(); self.0.scratch()]
    }
}

impl ComplexToReal<f32> for Inverse {
    fn process(&self, input: &mut [C], output: &mut [f32]) -> Result<(), FftError> {
        self.process_with_scratch(input, output, &mut self.make_scratch_vec())
    }

    fn process_with_scratch(
        &self,
        input: &mut [C],
        output: &mut [f32],
        scratch: &mut [C],
    ) -> Result<(), FftError> {
        let plan = &self.0;
        checked(plan.bins(), input.len(), FftError::InputBuffer)?;
        checked(plan.size, output.len(), FftError::OutputBuffer)?;
        checked(plan.scratch(), scratch.len().min(plan.scratch()), FftError::ScratchBuffer)?;
        let last = plan.size / 2;
        let invalid = (input[0].im != 0.0, input[last].im != 0.0);
        let (sum, diff) = (input[0].re + input[last].re, input[0].re - input[last].re);
        input[0] = Complex::new(sum, diff);
        let (low, high) = mirrored(input, plan.turns.len());
        part(&plan.turns, low, high, |sum, diff, turn| {
            let re = sum.im * turn.re + diff.re * turn.im;
            let im = sum.im * turn.im - diff.re * turn.re;
            (Complex::new(sum.re - re, diff.im - im), Complex::new(sum.re + re, -im - diff.im))
        });
        if plan.size.is_multiple_of(4) {
            let middle = input[last / 2];
            input[last / 2] = (middle + middle).conj();
        }
        let bins = &mut input[..last];
        plan.inner.process_outofplace_with_scratch(bins, pairs(output), scratch);
        match invalid {
            (false, false) => Ok(()),
            (first, last) => Err(FftError::InputValues(first, last)),
        }
    }

    fn get_scratch_len(&self) -> usize {
        self.0.scratch()
    }

    fn len(&self) -> usize {
        self.0.size
    }

    fn make_input_vec(&self) -> Vec<C> {
        vec![C::default(); self.0.bins()]
    }

    fn make_output_vec(&self) -> Vec<f32> {
        vec![0.0; self.0.size]
    }

    fn make_scratch_vec(&self) -> Vec<C> {
        vec![C::default(); self.0.scratch()]
    }
}

/// So many bins from the second up, and so many from the last but one down.
fn mirrored(bins: &mut [C], count: usize) -> (&mut [C], &mut [C]) {
    let (low, high) = bins.split_at_mut(bins.len() / 2);
    let end = high.len() - 1;
    (&mut low[1..=count], &mut high[end - count..end])
}

/// Puts for every bin of `low` and its mirror in `high` what `parted` makes of their sum, their
/// difference and the bin's turn.
#[inline]
fn part(turns: &[C], low: &mut [C], high: &mut [C], parted: impl Fn(C, C, C) -> (C, C)) {
    #[cfg(target_arch = "x86_64")]
    if std::is_x86_feature_detected!("avx2") {
        // SAFETY: AVX2 is there.
        unsafe { part_avx2(turns, low, high, parted) };
        return;
    }
    part_body(turns, low, high, parted);
}

/// # Safety
/// AVX2 must be there.
#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
unsafe fn part_avx2(
    turns: &[C],
    low: &mut [C],
    high: &mut [C],
    parted: impl Fn(C, C, C) -> (C, C),
) {
    part_body(turns, low, high, parted);
}

#[inline(always)]
fn part_body(turns: &[C], low: &mut [C], high: &mut [C], parted: impl Fn(C, C, C) -> (C, C)) {
    let count = turns.len().min(low.len()).min(high.len());
    let (turns, low, high) = (&turns[..count], &mut low[..count], &mut high[..count]);
    for at in 0..count {
        let mirror = count - 1 - at;
        let (a, b) = (low[at], high[mirror]);
        let sum = Complex::new(a.re + b.re, a.im + b.im);
        let diff = Complex::new(a.re - b.re, a.im - b.im);
        (low[at], high[mirror]) = parted(sum, diff, turns[at]);
    }
}
