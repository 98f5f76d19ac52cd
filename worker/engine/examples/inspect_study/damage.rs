//! Defects done to a take after it was played.

use fastrand::Rng;
use std::f32::consts::TAU;

use crate::band::{RATE_HZ, talk};

const RATE: f32 = RATE_HZ as f32;

fn level(take: &[f32]) -> f32 {
    let mut squares: Vec<f32> = take
        .chunks(2_205)
        .map(|chunk| chunk.iter().map(|s| s * s).sum::<f32>() / chunk.len() as f32)
        .collect();
    squares.sort_by(f32::total_cmp);
    squares[squares.len() * 95 / 100].sqrt()
}

pub(crate) fn clip(take: &[f32], rng: &mut Rng) -> Vec<f32> {
    let peak = take.iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
    let gain = 10f32.powf((3.0 + 9.0 * rng.f32()) / 20.0) / peak;
    let ceiling = 0.6 + 0.4 * rng.f32();
    take.iter().map(|sample| (gain * sample).clamp(-1.0, 1.0) * ceiling).collect()
}

pub(crate) fn scale(take: &[f32], to_peak: f32) -> Vec<f32> {
    let peak = take.iter().fold(1e-9f32, |most, sample| most.max(sample.abs()));
    take.iter().map(|sample| sample / peak * to_peak).collect()
}

pub(crate) fn hum(take: &[f32], rng: &mut Rng) -> Vec<f32> {
    let mains = if rng.bool() { 50.0 } else { 60.0 } * (1.0 + 0.002 * (rng.f32() - 0.5));
    let amount = level(take) * 10f32.powf((-45.0 + 20.0 * rng.f32()) / 20.0);
    let lines: Vec<(f32, f32)> = (1..8).map(|k| (mains * k as f32, rng.f32() / k as f32)).collect();
    let hum = |t: f32| lines.iter().map(|(hz, a)| a * (TAU * (hz * t).fract()).sin()).sum::<f32>();
    let wave = (0..take.len()).map(|frame| hum((frame as f64 / f64::from(RATE)) as f32));
    take.iter().zip(wave).map(|(sample, hum)| sample + 2.0 * amount * hum).collect()
}

pub(crate) fn noise(take: &[f32], rng: &mut Rng) -> Vec<f32> {
    let amount = level(take) * 10f32.powf((-24.0 + 14.0 * rng.f32()) / 20.0);
    take.iter().map(|sample| sample + amount * 1.73 * (rng.f32() * 2.0 - 1.0)).collect()
}

/// A limiter driven 14 dB too hard: instant attack, 80 ms release.
pub(crate) fn squash(take: &[f32]) -> Vec<f32> {
    let (mut envelope, mut out) = (0.0f32, Vec::with_capacity(take.len()));
    for sample in take {
        let driven = 5.0 * sample;
        envelope = driven.abs().max(envelope * (1.0 - 1.0 / (0.08 * RATE)));
        out.push(0.9 * driven / envelope.max(1.0));
    }
    out
}

/// A room of eight combs and two all-passes (M. R. Schroeder, JAES 1962).
pub(crate) fn room(take: &[f32], seconds: f32, wet: f32) -> Vec<f32> {
    let delays = [1_557usize, 1_617, 1_491, 1_422, 1_277, 1_356, 1_188, 1_116];
    let mut sum = vec![0.0f32; take.len()];
    for delay in delays {
        let feedback = 10f32.powf(-3.0 * delay as f32 / RATE / seconds);
        let mut line = vec![0.0f32; delay];
        for (frame, sample) in take.iter().enumerate() {
            let at = frame % delay;
            sum[frame] += line[at];
            line[at] = sample + feedback * line[at];
        }
    }
    for delay in [556usize, 441] {
        let mut line = vec![0.0f32; delay];
        for (frame, sample) in sum.iter_mut().enumerate() {
            let held = line[frame % delay];
            line[frame % delay] = *sample + 0.5 * held;
            *sample = held - 0.5 * line[frame % delay];
        }
    }
    let gain = level(take) / level(&sum).max(1e-9);
    let mixed: Vec<f32> =
        take.iter().zip(&sum).map(|(dry, room)| (1.0 - wet) * dry + wet * gain * room).collect();
    scale(&mixed, 0.8)
}

pub(crate) fn speak(take: &[f32], seed: u64) -> Vec<f32> {
    let mut out = take.to_vec();
    let words = talk(6.0, seed);
    let gain = 2.0 * level(take) / level(&words).max(1e-9);
    let begin = RATE as usize * 14;
    // The player stops and speaks.
    for frame in 0..words.len().min(out.len() - begin) {
        out[begin + frame] = 0.05 * out[begin + frame] + gain * words[frame];
    }
    scale(&out, 0.8)
}

/// What a lossy codec at a low rate does, roughly: 7 kHz low-pass and noise 30 dB below the
/// signal that follows its level.
pub(crate) fn recode(take: &[f32], rng: &mut Rng) -> Vec<f32> {
    let gain = 0.3 + 0.7 * rng.f32();
    let (mut one, mut two, mut envelope) = (0.0f32, 0.0f32, 0.0f32);
    take.iter()
        .map(|sample| {
            one += 0.6 * (sample - one);
            two += 0.6 * (one - two);
            envelope += 0.001 * (two.abs() - envelope);
            gain * (two + 0.06 * envelope * (rng.f32() * 2.0 - 1.0))
        })
        .collect()
}
