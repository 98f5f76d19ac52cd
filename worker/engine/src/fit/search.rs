//! Ratio and lag from the attacks.

use super::beats::BeatClock;
use super::{Deviation, Prior};
use crate::locate::Arrival;
use crate::onset::Onset;

pub(super) struct Found {
    pub(super) ratio: f64,
    pub(super) ratio_sd: f64,
    pub(super) lag_s: f64,
    pub(super) lag_sd_s: f64,
    pub(super) spread_s: f64,
    pub(super) deviations: Vec<Deviation>,
}

/// Fewer attacks than this say nothing about a tempo.
const FEWEST: usize = 12;

pub(super) fn ratio_and_lag(
    beats: &BeatClock,
    onsets: &[Onset],
    mark: &Arrival,
    mark_s: f64,
    prior: &Prior,
) -> Option<Found> {
    let end_s = beats.end_s() * 1.02 + 2.0;
    let times: Vec<f64> = onsets
        .iter()
        .map(|onset| onset.at_s - mark.at_s)
        .filter(|&t| t > -mark_s - 0.5 && t < end_s - mark_s)
        .collect();
    if times.len() < FEWEST {
        return None;
    }
    let span = times[times.len() - 1] - times[0];
    let step = 0.008 / span.max(1.0);
    let most = prior.most_ratio_ppm * 1e-6;
    let count = (2.0 * most / step).ceil() as i64;
    let best = (0..=count)
        .map(|k| -most + k as f64 * step)
        .max_by(|&a, &b| {
            let strength = |ratio| coherence(beats, &times, mark_s, ratio);
            strength(a).total_cmp(&strength(b))
        })
        .unwrap_or(0.0);
    regress(beats, &times, mark, mark_s, best)
}

fn coherence(beats: &BeatClock, times: &[f64], mark_s: f64, ratio: f64) -> f64 {
    let mut sums = [(0.0, 0.0); 4];
    for &t in times {
        let angle = std::f64::consts::TAU * beats.beat_at(mark_s + t / (1.0 + ratio));
        let (s, c) = angle.sin_cos();
        let (mut re, mut im) = (c, s);
        for sum in &mut sums {
            sum.0 += re;
            sum.1 += im;
            (re, im) = (re * c - im * s, re * s + im * c);
        }
    }
    sums.iter().map(|(re, im)| re * re + im * im).sum()
}

fn regress(
    beats: &BeatClock,
    times: &[f64],
    mark: &Arrival,
    mark_s: f64,
    start: f64,
) -> Option<Found> {
    let (mut ratio, mut lag, mut spread) = (start, 0.0, 0.05);
    let mut rows: Vec<(f64, f64, f64)> = Vec::new();
    let (mut ratio_sd, mut lag_sd) = (0.0, 0.0);
    for _ in 0..8 {
        rows = times
            .iter()
            .map(|&t| {
                let piece_s = mark_s + t / (1.0 + ratio);
                let slot = ((beats.beat_at(piece_s - lag)) * 2.0).round() / 2.0;
                (t, beats.seconds_at(slot), piece_s)
            })
            .collect();
        let weight = |residual: f64| 1.0 / (1.0 + (residual / spread).powi(2) / 4.0);
        let (mut w, mut wx, mut wy, mut wxx, mut wxy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for &(_, slot_s, piece_s) in &rows {
            let y = piece_s - slot_s;
            let k = weight(y - lag);
            w += k;
            wx += k * slot_s;
            wy += k * y;
            wxx += k * slot_s * slot_s;
            wxy += k * slot_s * y;
        }
        let spread_x = wxx - wx * wx / w;
        let slope = (wxy - wx * wy / w) / spread_x;
        lag = wy / w;
        ratio += slope * (1.0 + ratio);
        let mut sizes: Vec<f64> = rows.iter().map(|row| (row.2 - row.1 - lag).abs()).collect();
        sizes.sort_by(f64::total_cmp);
        spread = (1.4826 * sizes[sizes.len() / 2]).max(0.002);
        ratio_sd = 2.0 * spread / spread_x.sqrt();
        lag_sd = 2.0 * spread / w.sqrt();
    }
    let deviations = rows
        .iter()
        .map(|&(t, slot_s, piece_s)| Deviation {
            at_s: mark.at_s + t,
            pulse_s: slot_s,
            residual_ms: (piece_s - slot_s - lag) * 1e3,
        })
        .collect();
    Some(Found { ratio, ratio_sd, lag_s: lag, lag_sd_s: lag_sd, spread_s: spread, deviations })
}
