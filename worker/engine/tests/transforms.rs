//! The transforms against their definition, summed in double precision.

use std::f64::consts::TAU;

use ripieno_transform::{Complex, FftError, single};

fn by_definition(samples: &[f32], bin: usize) -> Complex<f64> {
    let turn = |at: usize| -TAU * ((at * bin) % samples.len()) as f64 / samples.len() as f64;
    let each = samples.iter().enumerate();
    each.map(|(at, sample)| Complex::from_polar(1.0, turn(at)) * f64::from(*sample)).sum()
}

#[test]
fn real_samples_become_their_bins_and_come_back_at_any_size() {
    let mut random = fastrand::Rng::with_seed(11);
    for size in [2, 4, 6, 7, 8, 10, 30, 64, 100, 502, 1_024, 1_920] {
        let samples: Vec<f32> = (0..size).map(|_| random.f32() - 0.5).collect();
        let (forward, inverse) = (single::forward_of_real(size), single::inverse_to_real(size));
        assert_eq!((forward.len(), inverse.len()), (size, size));
        let mut bins = forward.make_output_vec();
        forward.process(&mut samples.clone(), &mut bins).unwrap();
        for (bin, value) in bins.iter().enumerate() {
            let expected = by_definition(&samples, bin);
            let off = Complex::new(f64::from(value.re), f64::from(value.im)) - expected;
            assert!(off.norm() < 1e-6 * size as f64, "{size} {bin}: {value} {expected}");
        }
        let mut back = inverse.make_output_vec();
        inverse.process(&mut bins, &mut back).unwrap();
        for (value, sample) in back.iter().zip(&samples) {
            assert!((value / size as f32 - sample).abs() < 1e-6, "{size}");
        }
    }
}

#[test]
fn wrong_lengths_and_bins_that_no_real_sound_has_are_refused() {
    let (forward, inverse) = (single::forward_of_real(64), single::inverse_to_real(64));
    let mut bins = forward.make_output_vec();
    let refused = forward.process(&mut [0.0; 62], &mut bins);
    assert!(matches!(refused, Err(FftError::InputBuffer(64, 62))));
    let refused = forward.process(&mut [0.0; 64], &mut bins[1..]);
    assert!(matches!(refused, Err(FftError::OutputBuffer(33, 32))));
    let refused = inverse.process(&mut bins, &mut [0.0; 60]);
    assert!(matches!(refused, Err(FftError::OutputBuffer(64, 60))), "{refused:?}");
    bins[32].im = 1.0;
    let refused = inverse.process(&mut bins, &mut [0.0; 64]);
    assert!(matches!(refused, Err(FftError::InputValues(false, true))));
}
