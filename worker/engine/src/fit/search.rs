//! The wide search: every ratio and lag at which the strokes fall on the pulse.

use super::beats::{BeatClock, within_beat};
use super::events::Event;
use super::pattern::{Choice, Struck, THIRD, Tables, is_playable, log_sum, widths};

/// A straight line through the take: piece time `piece_s` was played at file time `file_s`, and
/// the file runs `1 + ratio` times as fast.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Anchor {
    pub(super) file_s: f64,
    pub(super) piece_s: f64,
}

/// One way to lay the strokes on the pulse.
#[derive(Debug, Clone, Copy)]
pub(super) struct Mode {
    pub(super) ratio: f64,
    pub(super) lag_s: f64,
    /// Log posterior, up to a constant common to all modes of a search.
    pub(super) score: f64,
}

/// What is searched, and what is believed of it beforehand.
pub(super) struct Field<'a> {
    pub(super) ratios: (f64, f64),
    pub(super) lags_s: (f64, f64),
    pub(super) log_ratio_prior: &'a dyn Fn(f64) -> f64,
    pub(super) log_lag_prior: &'a dyn Fn(f64) -> f64,
}

/// A ratio step moves the far end of the take by this much.
const FAR_STEP_S: f64 = 0.010;
const LAG_STEP_S: f64 = 0.010;
/// Ratios examined lag by lag.
const RATIOS_KEPT: usize = 24;
const MODES_KEPT: usize = 8;
/// Two modes that nowhere lie further apart than this are one.
const APART_S: f64 = 0.055;

impl Anchor {
    /// Piece time of a file time, the lag not yet taken off.
    pub(super) fn piece_at(&self, file_s: f64, ratio: f64) -> f64 {
        self.piece_s + (file_s - self.file_s) / (1.0 + ratio)
    }

    /// File time of a piece time for a player without lag.
    pub(super) fn file_at(&self, piece_s: f64, ratio: f64) -> f64 {
        self.file_s + (piece_s - self.piece_s) * (1.0 + ratio)
    }
}

/// The best modes, best first. Empty for fewer than two strokes.
pub(super) fn modes(
    beats: &BeatClock,
    tables: &Tables,
    events: &[Event],
    anchor: Anchor,
    field: &Field<'_>,
) -> Vec<Mode> {
    let (Some(first), Some(last)) = (events.first(), events.last()) else { return Vec::new() };
    let reach = (last.at_s - first.at_s).max(anchor.file_s.max(last.at_s) - anchor.file_s).max(2.0);
    let ratios = likely_ratios(beats, events, anchor, field, FAR_STEP_S / reach);
    let mut strokes = struck(events);
    let mut pulse = |ratio: f64, lag_s: f64| {
        strike(beats, events, anchor, (ratio, lag_s), &STILL, &mut strokes);
        tables.score(&strokes) + (field.log_ratio_prior)(ratio) + (field.log_lag_prior)(lag_s)
    };
    let mut cells: Vec<Mode> = Vec::new();
    let lags = ((field.lags_s.1 - field.lags_s.0) / LAG_STEP_S).ceil() as usize;
    for ratio in ratios {
        for k in 0..=lags {
            let lag_s = field.lags_s.0 + k as f64 * LAG_STEP_S;
            cells.push(Mode { ratio, lag_s, score: pulse(ratio, lag_s) });
        }
    }
    let span_s = (first.at_s - anchor.file_s, last.at_s - anchor.file_s);
    let steps = (FAR_STEP_S / reach, LAG_STEP_S);
    let mut kept = distinct(cells, span_s);
    kept.iter_mut().for_each(|mode| sharpen(mode, steps, &mut pulse));
    kept.sort_by(|a, b| b.score.total_cmp(&a.score));
    // The pulse alone may hardly part the best lines from those moved by part of a beat: these
    // must not be lost among neighbours of the best.
    for best in kept.iter().take(SHIFTED).copied().collect::<Vec<_>>() {
        for lag_s in lags_beside(beats, field.lags_s, &best) {
            let mut mode = Mode { ratio: best.ratio, lag_s, score: pulse(best.ratio, lag_s) };
            sharpen(&mut mode, steps, &mut pulse);
            if !kept.iter().any(|other| is_same(other, &mode, span_s)) {
                kept.push(mode);
            }
        }
    }
    kept.sort_by(|a, b| b.score.total_cmp(&a.score));
    kept
}

/// Moves a mode to the top of its own hill: between cells of the search several nats are lost,
/// and more by one mode than by another.
fn sharpen(mode: &mut Mode, steps: (f64, f64), pulse: &mut dyn FnMut(f64, f64) -> f64) {
    let (mut by_ratio, mut by_lag) = (0.5 * steps.0, 0.5 * steps.1);
    for _ in 0..SHARPENED {
        for (ratio, lag) in [(0.0, -1.0), (0.0, 1.0), (-1.0, 0.0), (1.0, 0.0)] {
            let (ratio, lag_s) = (mode.ratio + ratio * by_ratio, mode.lag_s + lag * by_lag);
            let score = pulse(ratio, lag_s);
            if score > mode.score {
                *mode = Mode { ratio, lag_s, score };
            }
        }
        (by_ratio, by_lag) = (0.6 * by_ratio, 0.6 * by_lag);
    }
}

/// Rounds of ever smaller steps.
const SHARPENED: usize = 5;

/// Ratios whose shifts by part of a beat are looked at.
const SHIFTED: usize = 2;
/// Parts of a beat by which a line may be off and still meet the pulse.
const PARTS: [f64; 10] =
    [-0.75, -2.0 * THIRD, -0.5, -THIRD, -0.25, 0.25, THIRD, 0.5, 2.0 * THIRD, 0.75];

/// Lags of a line moved by parts of a beat that can be played, as far as they lie in `lags_s`.
pub(super) fn lags_beside(
    beats: &BeatClock,
    lags_s: (f64, f64),
    mode: &Mode,
) -> impl Iterator<Item = f64> + use<> {
    let (beat_s, mode) = (beats.beat_s() * (1.0 + mode.ratio), *mode);
    let parts = PARTS.into_iter().filter(move |part| is_playable(part.rem_euclid(1.0), beat_s));
    let moved = parts.map(move |part| mode.lag_s + part * beat_s);
    moved.filter(move |lag_s| *lag_s >= lags_s.0 && *lag_s <= lags_s.1)
}

/// Log likelihood of the strokes' phases along a line, its drift taken off.
pub(super) fn pulse_along(
    beats: &BeatClock,
    tables: &Tables,
    events: &[Event],
    anchor: Anchor,
    mode: &Mode,
    drift_at: &impl Fn(f64) -> f64,
) -> f64 {
    let mut strokes = struck(events);
    strike(beats, events, anchor, (mode.ratio, mode.lag_s), drift_at, &mut strokes);
    tables.score(&strokes)
}

fn struck(events: &[Event]) -> Vec<Struck> {
    let one = |event: &Event| Struck {
        phase: 0.0,
        weight: event.weight as f32,
        widths: widths(event.sd_s),
    };
    events.iter().map(one).collect()
}

/// A player without drift.
const STILL: fn(f64) -> f64 = |_| 0.0;

/// Phases of the strokes for one ratio and lag, a drift taken off.
fn strike(
    beats: &BeatClock,
    events: &[Event],
    anchor: Anchor,
    line: (f64, f64),
    drift_at: &impl Fn(f64) -> f64,
    strokes: &mut [Struck],
) {
    for (stroke, event) in strokes.iter_mut().zip(events) {
        let played_s = event.at_s - line.1 - drift_at(event.at_s);
        let beat = beats.beat_at(anchor.piece_at(played_s, line.0));
        stroke.phase = within_beat(beat) as f32;
    }
}

/// The rhythm that fits a mode best.
pub(super) fn rhythm_of(
    beats: &BeatClock,
    tables: &Tables,
    events: &[Event],
    anchor: Anchor,
    mode: &Mode,
) -> Choice {
    let mut strokes = struck(events);
    strike(beats, events, anchor, (mode.ratio, mode.lag_s), &STILL, &mut strokes);
    tables.best(&strokes)
}

/// Ratios at which the strokes keep a steady phase to the beat or a division of it.
fn likely_ratios(
    beats: &BeatClock,
    events: &[Event],
    anchor: Anchor,
    field: &Field<'_>,
    step: f64,
) -> Vec<f64> {
    let (low, high) = field.ratios;
    let count = ((high - low) / step).ceil().clamp(1.0, 20_000.0) as usize;
    let step = (high - low) / count as f64;
    let tries = if beats.is_steady() { 1 } else { 3 };
    let lag_try = (field.lags_s.1 - field.lags_s.0) / tries as f64;
    let strength = |ratio: f64| -> f64 {
        (0..tries)
            .map(|k| {
                let lag_s = field.lags_s.0 + (k as f64 + 0.5) * lag_try;
                coherence(beats, events, anchor, ratio, lag_s)
            })
            .fold(0.0, f64::max)
            + (field.log_ratio_prior)(ratio)
    };
    let mut rated: Vec<(f64, f64)> =
        (0..=count).map(|k| low + k as f64 * step).map(|ratio| (strength(ratio), ratio)).collect();
    rated.sort_by(|a, b| b.0.total_cmp(&a.0));
    rated.truncate(RATIOS_KEPT);
    rated.into_iter().map(|(_, ratio)| ratio).collect()
}

/// Squared length of the strokes' mean phase vector at the beat and its first four divisions,
/// in units in which random strokes give 1 each on average (Rayleigh's test).
pub(super) fn coherence(
    beats: &BeatClock,
    events: &[Event],
    anchor: Anchor,
    ratio: f64,
    lag_s: f64,
) -> f64 {
    let mut sums = [(0.0, 0.0); 4];
    let mut total = 0.0;
    for event in events {
        let beat = beats.beat_at(anchor.piece_at(event.at_s - lag_s, ratio));
        let (s, c) = (std::f64::consts::TAU * beat).sin_cos();
        let (mut re, mut im) = (event.weight * c, event.weight * s);
        total += event.weight * event.weight;
        for sum in &mut sums {
            sum.0 += re;
            sum.1 += im;
            (re, im) = (re * c - im * s, re * s + im * c);
        }
    }
    sums.iter().map(|(re, im)| (re * re + im * im) / total.max(1e-9)).fold(0.0, f64::max)
}

/// The strongest cells that differ from one another, each with the mass of its neighbours.
fn distinct(mut cells: Vec<Mode>, span_s: (f64, f64)) -> Vec<Mode> {
    cells.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut kept: Vec<Mode> = Vec::new();
    for cell in cells {
        if !kept.iter().any(|mode| is_same(mode, &cell, span_s)) {
            if kept.len() == MODES_KEPT {
                break;
            }
            kept.push(cell);
        }
    }
    kept
}

pub(super) fn is_same(a: &Mode, b: &Mode, span_s: (f64, f64)) -> bool {
    [span_s.0, span_s.1]
        .iter()
        .all(|at_s| ((a.ratio - b.ratio) * at_s + a.lag_s - b.lag_s).abs() < APART_S)
}

/// Probabilities of scores.
pub(super) fn posterior(scores: &[f64]) -> Vec<f64> {
    let total = log_sum(scores.iter().copied());
    scores.iter().map(|score| (score - total).exp()).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn beside(beat_s: f64) -> Vec<f64> {
        let beats_s: Vec<f64> = (0..100).map(|beat| f64::from(beat) * beat_s).collect();
        let mode = Mode { ratio: 0.0, lag_s: 0.01, score: 0.0 };
        BeatClock::new(&beats_s).map_or(Vec::new(), |beats| {
            lags_beside(&beats, (-1.0, 1.0), &mode).map(|lag_s| lag_s - 0.01).collect()
        })
    }

    #[test]
    fn a_line_beside_another_is_never_taken_for_it() {
        assert_eq!(beside(0.5).len(), PARTS.len());
        let of_quick = beside(0.176);
        assert!(
            !of_quick.is_empty() && of_quick.iter().all(|by| by.abs() > APART_S),
            "{of_quick:?}"
        );
    }
}
