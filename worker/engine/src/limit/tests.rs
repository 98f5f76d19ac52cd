#![allow(clippy::unwrap_used)]

use super::*;
use std::f64::consts::TAU;

fn limited(signal: &[f32], ceiling_dbtp: f64, step: usize) -> (Vec<f32>, f64) {
    let mut limiter = Limiter::new(48_000, 1, ceiling_dbtp);
    let mut out = Vec::new();
    for part in signal.chunks(step) {
        limiter.push(&[part], &mut |_, block| out.extend_from_slice(block[0]));
    }
    let most = limiter.finish(&mut |_, block| out.extend_from_slice(block[0]));
    (out, most)
}

fn peak_db(signal: &[f32]) -> f64 {
    let mut reader = TruePeak::new(1);
    reader.push(&[signal]);
    reader.finish().unwrap()
}

fn noise(seed: u64, frames: usize, level: f32) -> Vec<f32> {
    let mut random = fastrand::Rng::with_seed(seed);
    (0..frames).map(|_| level * (random.f32() * 2.0 - 1.0)).collect()
}

#[test]
fn what_is_below_the_ceiling_passes_to_the_bit() {
    let quiet = noise(1, 50_000, 0.2);
    let (out, most) = limited(&quiet, -1.0, 777);
    assert_eq!(out, quiet);
    assert_eq!(most, 0.0);
    for frames in [0usize, 1, 5, 239, 240, 300] {
        assert_eq!(limited(&quiet[..frames], -1.0, 7).0, quiet[..frames]);
    }
}

#[test]
fn no_true_peak_passes_the_ceiling() {
    let fast = (0..48_000).map(|n| 2.0 * (TAU * f64::from(n) * 0.25 + 0.785).sin() as f32);
    let high = (0..48_000).map(|n| 1.9 * (TAU * f64::from(n) * 0.4437).sin() as f32);
    let mut bursts = noise(2, 48_000, 0.1);
    for n in (1000..48_000).step_by(5000) {
        bursts[n] = 4.0;
        bursts[n + 1] = -3.0;
    }
    for signal in [noise(3, 96_000, 3.0), fast.collect(), high.collect(), bursts] {
        let (out, most) = limited(&signal, -1.0, 4096);
        assert_eq!(out.len(), signal.len());
        assert!(peak_db(&out) <= -1.0, "{}", peak_db(&out));
        assert!(most > 1.0);
    }
}

#[test]
fn cuts_do_not_change_the_result() {
    let signal = noise(4, 60_000, 2.0);
    let whole = limited(&signal, -1.0, 60_000).0;
    for step in [1, 63, 512, 5000] {
        assert_eq!(limited(&signal, -1.0, step).0, whole);
    }
}

/// A steady 40 Hz tone 6 dB over the ceiling must come out as a sine: the gain settles.
#[test]
fn low_tones_are_not_bent() {
    let signal: Vec<f32> =
        (0..96_000).map(|n| 2.0 * (TAU * 40.0 * f64::from(n) / 48_000.0).sin() as f32).collect();
    let (out, _) = limited(&signal, 0.0, 4096);
    let steady = &out[48_000..84_000];
    let (mut sin, mut cos) = (0.0, 0.0);
    for (n, &sample) in steady.iter().enumerate() {
        let phase = TAU * 40.0 * n as f64 / 48_000.0;
        sin += f64::from(sample) * phase.sin() * 2.0 / steady.len() as f64;
        cos += f64::from(sample) * phase.cos() * 2.0 / steady.len() as f64;
    }
    let (mut rest, mut power) = (0.0, 0.0);
    for (n, &sample) in steady.iter().enumerate() {
        let phase = TAU * 40.0 * n as f64 / 48_000.0;
        let fitted = sin * phase.sin() + cos * phase.cos();
        rest += (f64::from(sample) - fitted).powi(2);
        power += fitted * fitted;
    }
    let distortion_db = 10.0 * (rest / power).log10();
    assert!(distortion_db < -80.0, "{distortion_db}");
}

/// EBU Tech 3341 case 19: fs/4 at 1.41 and 45° peaks at +3.0 dBTP.
#[test]
fn the_sixteen_times_reader_reads_between_the_samples() {
    let tone: Vec<f32> =
        (0..9600).map(|n| 1.41 * (TAU * f64::from(n) / 4.0 + TAU / 8.0).sin() as f32).collect();
    let middle: Vec<f32> = tone
        .iter()
        .enumerate()
        .map(|(n, sample)| sample * ((n.min(9600 - n) as f32) / 480.0).min(1.0))
        .collect();
    assert!((peak_db(&middle) - 2.98).abs() < 0.05, "{}", peak_db(&middle));
    let mut silent = TruePeak::new(1);
    silent.push(&[&[0.0; 100]]);
    assert_eq!(silent.finish(), None);
}
