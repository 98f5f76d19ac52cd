//! EBU Tech 3341 v4 (November 2023), table 1, and EBU Tech 3342, section 4: every case that is a
//! synthetic signal. Cases 7 and 8 of Tech 3341 are the EBU's own programme files and are not
//! shipped.
#![allow(clippy::unwrap_used)]

use super::*;
use std::f64::consts::TAU;

const RATE: u32 = 48_000;

/// A 1 kHz sine in segments of (seconds, peak dBFS), phase running on; −inf is silence.
fn sine(segments: &[(f64, f64)]) -> Vec<f32> {
    let mut out = Vec::new();
    for &(seconds, level_db) in segments {
        let amplitude = 10f64.powf(level_db / 20.0);
        for _ in 0..(seconds * f64::from(RATE)).round() as usize {
            let phase = TAU * 1000.0 * out.len() as f64 / f64::from(RATE);
            out.push((amplitude * phase.sin()) as f32);
        }
    }
    out
}

const SILENT: f64 = f64::NEG_INFINITY;

fn stereo(signal: &[f32]) -> Loudness {
    let mut meter = Meter::new(RATE, 2, Measure::All).unwrap();
    for part in signal.chunks(1000) {
        meter.push(&[part, part]);
    }
    meter.finish()
}

#[track_caller]
fn near(value: Option<f64>, expected: f64, tolerance: f64) {
    let value = value.unwrap();
    assert!((value - expected).abs() <= tolerance, "{value} is not {expected} ±{tolerance}");
}

#[test]
fn tech_3341_cases_1_and_2_steady_sines() {
    for level in [-23.0, -33.0] {
        let read = stereo(&sine(&[(20.0, level)]));
        near(read.integrated_lufs, level, 0.1);
        near(read.max_momentary_lufs, level, 0.1);
        near(read.max_short_term_lufs, level, 0.1);
    }
}

#[test]
fn tech_3341_cases_3_to_5_gating() {
    let three = sine(&[(10.0, -36.0), (60.0, -23.0), (10.0, -36.0)]);
    near(stereo(&three).integrated_lufs, -23.0, 0.1);
    let four = sine(&[(10.0, -72.0), (10.0, -36.0), (60.0, -23.0), (10.0, -36.0), (10.0, -72.0)]);
    near(stereo(&four).integrated_lufs, -23.0, 0.1);
    let five = sine(&[(20.0, -26.0), (20.1, -20.0), (20.0, -26.0)]);
    near(stereo(&five).integrated_lufs, -23.0, 0.1);
}

#[test]
fn tech_3341_case_6_surround_weights() {
    let [front, centre, surround] = [-28.0, -24.0, -30.0].map(|level| sine(&[(20.0, level)]));
    let mut meter = Meter::new(RATE, 5, Measure::All).unwrap();
    meter.push(&[&front, &front, &centre, &surround, &surround]);
    near(meter.finish().integrated_lufs, -23.0, 0.1);
}

/// Reads a window every 10 ms from `from_s` on and gives its extremes.
fn extremes(signal: &[f32], from_s: f64, read: fn(&Meter) -> Option<f64>) -> (f64, f64) {
    let mut meter = Meter::new(RATE, 2, Measure::All).unwrap();
    let mut range = (f64::INFINITY, f64::NEG_INFINITY);
    for (number, part) in signal.chunks(480).enumerate() {
        meter.push(&[part, part]);
        if (number + 1) as f64 * 0.01 >= from_s {
            let value = read(&meter).unwrap();
            range = (range.0.min(value), range.1.max(value));
        }
    }
    range
}

#[test]
fn tech_3341_case_9_short_term_is_constant_after_3_s() {
    let signal = sine(&[[(1.34, -20.0), (1.66, -30.0)]; 5].concat());
    let (low, high) = extremes(&signal, 3.0, Meter::short_term_lufs);
    near(Some(low), -23.0, 0.1);
    near(Some(high), -23.0, 0.1);
}

#[test]
fn tech_3341_case_12_momentary_is_constant_after_1_s() {
    let signal = sine(&[[(0.18, -20.0), (0.22, -30.0)]; 25].concat());
    let (low, high) = extremes(&signal, 1.0, Meter::momentary_lufs);
    near(Some(low), -23.0, 0.1);
    near(Some(high), -23.0, 0.1);
}

#[test]
fn tech_3341_cases_10_and_11_short_term_bursts() {
    for step in 0..20 {
        let shift = f64::from(step) * 0.15;
        let ten = sine(&[(shift, SILENT), (3.0, -23.0), (1.0, SILENT)]);
        near(stereo(&ten).max_short_term_lufs, -23.0, 0.1);
        let level = -38.0 + f64::from(step);
        let eleven = sine(&[(shift, SILENT), (3.0, level), (3.0 - shift, SILENT)]);
        near(stereo(&eleven).max_short_term_lufs, level, 0.1);
    }
}

#[test]
fn tech_3341_cases_13_and_14_momentary_bursts() {
    for step in 0..20 {
        let shift = f64::from(step) * 0.02;
        let thirteen = sine(&[(shift, SILENT), (0.4, -23.0), (1.0, SILENT)]);
        near(stereo(&thirteen).max_momentary_lufs, -23.0, 0.1);
        let level = -38.0 + f64::from(step);
        let fourteen = sine(&[(shift, SILENT), (0.4, level), (0.4 - shift, SILENT)]);
        near(stereo(&fourteen).max_momentary_lufs, level, 0.1);
    }
}

/// A faded sine at `RATE / divisor`.
fn tone(divisor: f64, amplitude: f64, phase_degrees: f64) -> Vec<f32> {
    let frames = RATE as usize;
    (0..frames)
        .map(|n| {
            let fade = (n.min(frames - n) as f64 / 480.0).min(1.0);
            let phase = TAU * n as f64 / divisor + phase_degrees.to_radians();
            (amplitude * fade * phase.sin()) as f32
        })
        .collect()
}

#[track_caller]
fn near_peak(value: Option<f64>, expected: f64) {
    let value = value.unwrap();
    assert!((-0.4..=0.2).contains(&(value - expected)), "{value} dBTP is not {expected}");
}

#[test]
fn tech_3341_cases_15_to_19_true_peak_of_sines() {
    let half = [(4.0, 0.0), (4.0, 45.0), (6.0, 60.0), (8.0, 67.5)];
    for (divisor, phase) in half {
        near_peak(stereo(&tone(divisor, 0.5, phase)).true_peak_dbtp, -6.0);
    }
    near_peak(stereo(&tone(4.0, 1.41, 45.0)).true_peak_dbtp, 3.0);
}

/// One period of fs/4 at full scale inside fs/6 at half scale, made at four times the rate,
/// low-passed and decimated at each of four offsets.
#[test]
fn tech_3341_cases_20_to_23_true_peak_of_a_burst() {
    // At 4·fs the slow period is 24 frames and the fast one 16; the burst starts and ends where
    // the slow sine crosses zero.
    let (frames, burst) = (4 * RATE as usize / 2, 24 * 2000);
    let high: Vec<f64> = (0..frames)
        .map(|n| {
            let (amplitude, cycles) = match n.checked_sub(burst) {
                None => (0.5, n as f64 / 24.0),
                Some(since) if since < 16 => (1.0, since as f64 / 16.0),
                Some(since) => (0.5, (since - 16) as f64 / 24.0),
            };
            let fade = (n.min(frames - n) as f64 / 1920.0).min(1.0);
            amplitude * fade * (TAU * cycles).sin()
        })
        .collect();
    // A windowed sinc that passes 20 kHz and stops what 48 kHz cannot hold.
    let half = 192i32;
    let taps: Vec<f64> = (-half..=half)
        .map(|k| {
            let x = f64::from(k) / 4.0;
            let sinc = if k == 0 { 1.0 } else { (x * TAU / 2.0).sin() / (x * TAU / 2.0) };
            let window = (TAU * f64::from(k) / (4.0 * f64::from(half))).cos().powi(2);
            sinc * window / 4.0
        })
        .collect();
    for offset in 0..4 {
        let low: Vec<f32> = (offset..high.len())
            .step_by(4)
            .map(|centre| {
                let at = |k: usize| (centre + k).checked_sub(half as usize);
                let tap = |(k, tap): (usize, &f64)| {
                    at(k).and_then(|n| high.get(n)).map_or(0.0, |sample| sample * tap)
                };
                taps.iter().enumerate().map(tap).sum::<f64>() as f32
            })
            .collect();
        near_peak(stereo(&low).true_peak_dbtp, 0.0);
    }
}

#[test]
fn tech_3342_loudness_ranges() {
    for (levels, expected) in [
        (vec![-20.0, -30.0], 10.0),
        (vec![-20.0, -15.0], 5.0),
        (vec![-40.0, -20.0], 20.0),
        (vec![-50.0, -35.0, -20.0, -35.0, -50.0], 15.0),
    ] {
        let segments: Vec<(f64, f64)> = levels.iter().map(|&level| (20.0, level)).collect();
        near(stereo(&sine(&segments)).range_lu, expected, 1.0);
    }
}

/// ITU-R BS.1770-4 annex 1: 997 Hz at 0 dBFS on one channel reads −3.01 LKFS.
#[test]
fn full_scale_997_hz_on_one_channel_reads_minus_3_01() {
    let signal: Vec<f32> = (0..RATE * 5)
        .map(|n| (TAU * 997.0 * f64::from(n) / f64::from(RATE)).sin() as f32)
        .collect();
    let mut meter = Meter::new(RATE, 1, Measure::Integrated).unwrap();
    meter.push(&[&signal]);
    near(meter.finish().integrated_lufs, -3.01, 0.01);
}

#[test]
fn silence_has_no_loudness_and_nothing_panics_on_odd_input() {
    let read = stereo(&vec![0.0; 48_000]);
    assert_eq!((read.integrated_lufs, read.true_peak_dbtp), (None, None));
    assert!(Meter::new(0, 2, Measure::All).is_err());
    assert!(Meter::new(48_000, 0, Measure::All).is_err());
    let mut meter = Meter::new(48_000, 2, Measure::All).unwrap();
    meter.push(&[&[0.0; 700], &[0.0; 3]]);
    meter.push(&[]);
}
