//! What a transform must give, whatever computes it. Apart from the crate, so that its plans are not
//! compiled a second time.

use ripieno_transform::{Complex, double, single};

/// Parseval's theorem, and the inverse undoes the forward transform but for the size.
#[test]
fn a_plan_s_inverse_gives_back_size_times_the_samples() {
    for size in [16, 60, 4_096] {
        let samples: Vec<f64> = (0..size).map(|i| ((i * i) % 17) as f64 - 8.0).collect();
        let mut bins: Vec<Complex<f64>> = samples.iter().map(|&s| s.into()).collect();
        double::forward(size).process(&mut bins);
        let energy = |values: &[Complex<f64>]| values.iter().map(Complex::norm_sqr).sum::<f64>();
        let expected: f64 = samples.iter().map(|s| s * s * size as f64).sum();
        assert!((energy(&bins) / expected - 1.0).abs() < 1e-12);
        let mut half = vec![Complex::default(); size / 2 + 1];
        double::forward_of_real(size).process(&mut samples.clone(), &mut half).unwrap();
        for (from_real, from_complex) in half.iter().zip(&bins) {
            assert!((from_real - from_complex).norm() < 1e-9);
        }
        double::inverse(size).process(&mut bins);
        let mut back = vec![0.0; size];
        double::inverse_to_real(size).process(&mut half, &mut back).unwrap();
        for ((sample, whole), real) in samples.iter().zip(&bins).zip(&back) {
            assert!((whole.re / size as f64 - sample).abs() < 1e-9);
            assert!((real / size as f64 - sample).abs() < 1e-9);
        }
    }
}

#[test]
fn single_and_double_precision_agree() {
    let size = 512;
    let samples: Vec<f32> = (0..size).map(|i| ((i * 7) % 23) as f32 / 23.0 - 0.5).collect();
    let mut wide: Vec<f64> = samples.iter().map(|&s| f64::from(s)).collect();
    let mut bins = vec![Complex::default(); size / 2 + 1];
    let mut wide_bins = vec![Complex::default(); size / 2 + 1];
    single::forward_of_real(size).process(&mut samples.clone(), &mut bins).unwrap();
    double::forward_of_real(size).process(&mut wide, &mut wide_bins).unwrap();
    for (a, b) in bins.iter().zip(&wide_bins) {
        assert!((f64::from(a.re) - b.re).hypot(f64::from(a.im) - b.im) < 1e-4);
    }
}
