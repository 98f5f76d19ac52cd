//! Plans of Fourier transforms, in both precisions.
//!
//! The transforms are rustfft's and realfft's; those of real samples in single precision, by which
//! takes are heard, are realfft's with its loops made for vectors (`real.rs`). Theirs are generic,
//! so that whoever asks them for a plan compiles every butterfly they have: more code than all of
//! the engine. Here it is compiled once, beside the engine and not again with each change to it or
//! with its tests.

pub use realfft::{ComplexToReal, FftError, RealToComplex};
pub use rustfft::Fft;
pub use rustfft::num_complex::Complex;

use std::sync::Arc;

use realfft::RealFftPlanner;
use rustfft::FftPlanner;

mod real;

macro_rules! plans {
    ($sample:ty, $forward:expr, $inverse:expr) => {
        /// `size` real samples to the `size / 2 + 1` bins from 0 Hz up, unscaled.
        pub fn forward_of_real(size: usize) -> Arc<dyn RealToComplex<$sample>> {
            let quick: Option<Arc<dyn RealToComplex<$sample>>> = $forward(size);
            quick.unwrap_or_else(|| RealFftPlanner::new().plan_fft_forward(size))
        }

        /// `size / 2 + 1` bins to `size` real samples: `size` times what the bins came from.
        pub fn inverse_to_real(size: usize) -> Arc<dyn ComplexToReal<$sample>> {
            let quick: Option<Arc<dyn ComplexToReal<$sample>>> = $inverse(size);
            quick.unwrap_or_else(|| RealFftPlanner::new().plan_fft_inverse(size))
        }

        /// `size` complex samples to as many bins, unscaled.
        pub fn forward(size: usize) -> Arc<dyn Fft<$sample>> {
            FftPlanner::new().plan_fft_forward(size)
        }

        /// `size` bins to as many complex samples: `size` times what the bins came from.
        pub fn inverse(size: usize) -> Arc<dyn Fft<$sample>> {
            FftPlanner::new().plan_fft_inverse(size)
        }
    };
}

/// Transforms in single precision.
pub mod single {
    use super::{Arc, ComplexToReal, Fft, FftPlanner, RealFftPlanner, RealToComplex};

    plans!(f32, super::real::forward, super::real::inverse);
}

/// Transforms in double precision.
pub mod double {
    use super::{Arc, ComplexToReal, Fft, FftPlanner, RealFftPlanner, RealToComplex};

    plans!(f64, |_| None, |_| None);
}
