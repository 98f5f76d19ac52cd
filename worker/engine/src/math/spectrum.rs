//! A stretch of a spectrum, read as the signal it stands for at any instant.

use ripieno_transform::Complex;
use std::f64::consts::TAU;

/// The bins of one band of a one-sided spectrum.
#[derive(Clone, Debug)]
pub(crate) struct Band {
    /// Number of the first bin.
    pub(crate) first_bin: usize,
    /// Distance of the bins.
    pub(crate) bin_hz: f64,
    /// Their values.
    pub(crate) bins: Vec<Complex<f64>>,
}

/// A signal and its first two derivatives at one instant.
pub(crate) type Jet = [Complex<f64>; 3];

impl Band {
    /// Frequency of bin `index` of the band.
    pub(crate) fn frequency_hz(&self, index: usize) -> f64 {
        (self.first_bin + index) as f64 * self.bin_hz
    }

    /// The analytic signal and its derivatives at `t_s`: the trigonometric sum itself, so there
    /// is no error of interpolation.
    pub(crate) fn jet_at(&self, t_s: f64) -> Jet {
        let step = Complex::from_polar(1.0, TAU * self.bin_hz * t_s);
        let mut turn = Complex::from_polar(1.0, TAU * self.frequency_hz(0) * t_s);
        let mut sums = [Complex::new(0.0, 0.0); 3];
        for (index, bin) in self.bins.iter().enumerate() {
            let omega = TAU * self.frequency_hz(index);
            let value = bin * turn;
            sums[0] += value;
            sums[1] += value * omega;
            sums[2] += value * (omega * omega);
            turn *= step;
        }
        [sums[0], Complex::new(0.0, 1.0) * sums[1], -sums[2]]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_jet_is_the_tone_and_its_derivatives() {
        let mut bins = vec![Complex::new(0.0, 0.0); 8];
        bins[3] = Complex::new(0.5, -0.25);
        let band = Band { first_bin: 10, bin_hz: 2.0, bins };
        let omega = TAU * 26.0;
        let expected = Complex::new(0.5, -0.25) * Complex::from_polar(1.0, omega * 0.37);
        let [value, first, second] = band.jet_at(0.37);
        assert!((value - expected).norm() < 1e-12);
        assert!((first - Complex::i() * omega * expected).norm() < 1e-9);
        assert!((second + omega * omega * expected).norm() < 1e-6);
    }
}
