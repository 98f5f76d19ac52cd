//! A take with an opening mark: the mark gives the place, the playing ratio and lag.

use super::activity::{self, Run};
use super::belief::{self, LAGS_S};
use super::events::{Event, strokes};
use super::line::{Laid, lay};
use super::marks::{Opening, Pair};
use super::search::{self, Anchor, Field, Mode, posterior};
use super::track::{Track, follow};
use super::{Prior, Take};

/// A way to understand a take from one opening mark.
pub(super) struct Reading<'a> {
    pub(super) opening: Opening<'a>,
    pub(super) pair: Option<Pair<'a>>,
    pub(super) anchor: Anchor,
    pub(super) events: Vec<Event>,
    /// Whether the strokes keep to the pulse at all.
    pub(super) coherent: bool,
    /// Best line through the strokes; `None` with too few of them.
    pub(super) laid: Option<Laid>,
    /// Ratio and its uncertainty by everything known.
    pub(super) ratio: (f64, f64),
    /// Ratio by the playing alone, where it says one.
    pub(super) played_ratio: Option<(f64, f64)>,
    pub(super) track: Track,
    /// Probability of this line among its rivals.
    pub(super) probability: f64,
    /// The others: ratio, lag, probability.
    pub(super) rivals: Vec<(f64, f64, f64)>,
    /// Log evidence, to compare readings from different marks.
    pub(super) evidence: f64,
}

/// Strokes must beat chance by so many nats to count as keeping to the pulse.
const COHERENT: f64 = 5.0;
/// Rivals this far behind are not followed up.
const HOPELESS: f64 = 9.0;
/// Whole beats by which a take may have been moved against its mark.
const SHIFTS: i32 = 8;
const SHIFT_COST: f64 = 9.0;

pub(super) fn read<'a>(
    take: &mut Take<'_>,
    opening: Opening<'a>,
    pair: Option<Pair<'a>>,
) -> Reading<'a> {
    let mark_s = take.grid.opening_mark_s.unwrap_or(0.0);
    let anchor = Anchor { file_s: opening.arrival.at_s, piece_s: mark_s };
    let from_s = anchor.file_at(-take.beats.beat_s(), 0.0).max(anchor.file_s) - 0.1;
    let end_s = anchor.file_at(take.beats.end_s() + take.beats.beat_s(), take.most_ratio());
    let events = strokes(&take.playing.onsets, from_s, end_s.min(opening.until_s));
    let runs = activity::runs(take.playing, &events, from_s, opening.until_s);
    let mut reading = Reading {
        opening,
        pair,
        anchor,
        coherent: false,
        laid: None,
        ratio: (0.0, take.prior.clock_sd_ppm * 1e-6),
        played_ratio: None,
        track: Track::default(),
        probability: 1.0,
        rivals: Vec::new(),
        evidence: 0.0,
        events,
    };
    let rated = rate(take, &reading, &runs);
    if let Some(best) = rated.first() {
        reading.evidence = best.score;
        let blank = by_chance(take.prior, opening.arrival);
        reading.coherent = best.pulse - blank > COHERENT;
    }
    if reading.coherent {
        follow_up(take, &mut reading, &rated);
    }
    settle_ratio(take, &mut reading);
    reading
}

/// A mode with the evidence of harmony and activity added.
struct Rated {
    mode: Mode,
    /// Score by pulse and priors alone.
    pulse: f64,
    score: f64,
}

fn by_chance(prior: &Prior, mark: &crate::locate::Arrival) -> f64 {
    let ratio = belief::skew(Some(mark)).map_or(0.0, |skew| skew.0);
    belief::log_ratio(0.0, prior).max(belief::log_ratio(ratio, prior))
        + belief::log_lag(prior.ensemble_lag_ms * 1e-3, prior)
}

fn rate(take: &mut Take<'_>, reading: &Reading<'_>, runs: &[Run]) -> Vec<Rated> {
    let prior = take.prior;
    let mark = reading.opening.arrival;
    let most = take.most_ratio();
    let log_ratio_prior =
        |ratio: f64| belief::log_ratio(ratio, prior) + belief::log_skew(ratio, Some(mark));
    let field = Field {
        ratios: (-most, most),
        lags_s: LAGS_S,
        log_ratio_prior: &log_ratio_prior,
        log_lag_prior: &|lag| belief::log_lag(lag, prior),
    };
    let modes = search::modes(take.beats, take.tables, &reading.events, reading.anchor, &field);
    if let Some(best) = modes.first() {
        let (anchor, mode) = (reading.anchor, *best);
        take.harmony.weigh_witnesses(&|t| anchor.file_at(t, mode.ratio) + mode.lag_s);
    }
    let mut rated: Vec<Rated> = Vec::new();
    for (rank, mode) in modes.into_iter().enumerate() {
        let shifts = if rank < 2 && take.beats.is_steady() { SHIFTS } else { 0 };
        for shift in -shifts..=shifts {
            let lag_s = mode.lag_s + shift as f64 * take.beats.beat_s() * (1.0 + mode.ratio);
            let cost = if shift == 0 { 0.0 } else { SHIFT_COST };
            let moved = Mode { lag_s, score: mode.score - cost, ..mode };
            let elsewhere = take.elsewhere(reading.anchor, &moved, runs);
            rated.push(Rated { mode: moved, pulse: moved.score, score: moved.score + elsewhere });
        }
    }
    rated.sort_by(|a, b| b.score.total_cmp(&a.score));
    rated
}

/// Lays the best modes closely, joins those that come to the same line, and keeps the best.
fn follow_up(take: &Take<'_>, reading: &mut Reading<'_>, rated: &[Rated]) {
    let scores: Vec<f64> = rated.iter().map(|rated| rated.score).collect();
    let odds = posterior(&scores);
    let mut lines: Vec<(Laid, Track, f64)> = Vec::new();
    for (rated, &probability) in rated.iter().zip(&odds) {
        if rated.score < rated_best(rated, &scores) - HOPELESS {
            break;
        }
        let Some((laid, track)) = lay_closely(take, reading, &rated.mode) else { continue };
        let end_s = take.beats.end_s();
        let same = lines.iter_mut().find(|(other, _, _)| {
            let apart = |t: f64| (laid.ratio - other.ratio) * t + laid.lag_s - other.lag_s;
            apart(0.0).abs() < 0.03 && apart(end_s).abs() < 0.05
        });
        match same {
            Some(line) => line.2 += probability,
            None => lines.push((laid, track, probability)),
        }
    }
    lines.sort_by(|a, b| b.2.total_cmp(&a.2));
    let mut lines = lines.into_iter();
    if let Some((laid, track, probability)) = lines.next() {
        reading.played_ratio = Some((laid.ratio, laid.covariance[2].sqrt()));
        reading.laid = Some(laid);
        reading.track = track;
        reading.probability = probability;
    }
    reading.rivals = lines.map(|(laid, _, odds)| (laid.ratio, laid.lag_s, odds)).collect();
}

fn rated_best(_: &Rated, scores: &[f64]) -> f64 {
    scores.first().copied().unwrap_or(f64::MIN)
}

/// Follows the strokes about a mode and lays a line through them, jumps taken out.
fn lay_closely(take: &Take<'_>, reading: &Reading<'_>, mode: &Mode) -> Option<(Laid, Track)> {
    let strokes: Vec<_> = reading
        .events
        .iter()
        .map(|e| search::phase_of(take.beats, e, reading.anchor, mode.ratio, mode.lag_s))
        .collect();
    let choice = take.tables.best(&strokes);
    let (beats, tables) = (take.beats, take.tables);
    let track = follow(beats, tables, choice, &reading.events, reading.anchor, mode);
    let mended: Vec<Event> = reading
        .events
        .iter()
        .map(|event| Event { at_s: event.at_s - track.jumped_by(event.at_s), ..*event })
        .collect();
    let drift = |file_s: f64| track.at(file_s) - track.jumped_by(file_s);
    let start = (mode.ratio, mode.lag_s);
    let laid = lay(beats, &mended, reading.anchor, start, &drift)?;
    Some((laid, track))
}

/// Ratio by marks, playing, harmony and belief, in this order of trust.
fn settle_ratio(take: &Take<'_>, reading: &mut Reading<'_>) {
    let mark = Some(reading.opening.arrival);
    if let Some(pair) = reading.pair {
        reading.ratio = (pair.ratio, pair.ratio_sd);
        if let Some(laid) = &mut reading.laid {
            belief::fix_ratio(laid, pair.ratio, pair.ratio_sd);
        }
        return;
    }
    if let Some(laid) = &mut reading.laid {
        belief::join(laid, take.prior, mark);
        reading.ratio = (laid.ratio, laid.covariance[2].sqrt());
        return;
    }
    reading.ratio = take.ratio_by_harmony(reading.anchor, mark);
}
