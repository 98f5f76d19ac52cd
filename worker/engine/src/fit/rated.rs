//! The lines through a marked take's strokes that are worth following, each with all there is to
//! say for it.

use super::activity::Run;
use super::belief::{self, LAGS_S, Ratios};
use super::marked::Reading;
use super::pattern::{ANY, Choice};
use super::search::{self, Field, Mode};
use super::track::{Guide, Track, follow};
use super::{Prior, Take, tempo};
use crate::locate::Arrival;

/// Whole beats by which a take may have been moved against its mark.
const SHIFTS: i32 = 8;
const SHIFT_COST: f64 = 9.0;
/// A track may begin so far from the line it follows.
const SAME_LINE_S: f64 = 0.06;
const STRAY_COST: f64 = 12.0;

/// A line that has been followed along the strokes, with all there is to say for it.
pub(super) struct Rated {
    pub(super) mode: Mode,
    pub(super) track: Track,
    /// Score by pulse and priors alone.
    pub(super) pulse: f64,
    pub(super) score: f64,
}

/// Every line worth following, rated by pulse, pitch, accents and activity; best first.
pub(super) fn rate(take: &mut Take<'_>, reading: &Reading<'_>, runs: &[Run]) -> Vec<Rated> {
    let (prior, beats) = (take.prior, take.beats);
    let mark = Some(reading.opening.arrival);
    let believed = Ratios::new(prior, mark);
    let log_ratio_prior = |ratio: f64| believed.log_density(ratio);
    let mut followed: Vec<(Mode, Track)> = Vec::new();
    for (mut mode, choice) in starts(take, reading, &log_ratio_prior) {
        let guide = Guide {
            ratio: mode.ratio,
            lag_s: mode.lag_s,
            rhythm: &take.tables.rhythm(choice),
            log_lag_prior: &|lag| belief::log_lag(lag, prior) - stray(lag - mode.lag_s, choice),
        };
        let (track, score) = follow(beats, &reading.events, reading.anchor, &guide);
        mode.score = score + log_ratio_prior(mode.ratio) + take.tables.log_prior(choice);
        followed.push((mode, track));
    }
    followed.sort_by(|a, b| b.0.score.total_cmp(&a.0.score));
    if let Some((mode, track)) = followed.first() {
        take.weigh_witnesses(reading.anchor, mode, track);
    }
    let mut followed = beside_the_best(take, reading, followed);
    followed.sort_by(|a, b| b.0.score.total_cmp(&a.0.score));
    let mut rated: Vec<Rated> = Vec::new();
    for (rank, (mode, track)) in followed.into_iter().enumerate() {
        let shifts = if rank < 2 && beats.is_steady() { SHIFTS } else { 0 };
        for shift in -shifts..=shifts {
            let lag_s = mode.lag_s + shift as f64 * beats.beat_s() * (1.0 + mode.ratio);
            let cost = if shift == 0 { 0.0 } else { SHIFT_COST };
            let mode = Mode { lag_s, score: mode.score - cost, ..mode };
            let score = mode.score + take.elsewhere(reading.anchor, &mode, &track, runs);
            rated.push(Rated { mode, track: track.clone(), pulse: mode.score, score });
        }
    }
    rated.sort_by(|a, b| b.score.total_cmp(&a.score));
    rated
}

/// The best line's rivals by parts of a beat, each with the best line's own drift: what parts them
/// is then the rhythm and the lag alone, and not how well each happened to be followed. They stand
/// for the lines that were followed there.
fn beside_the_best(
    take: &Take<'_>,
    reading: &Reading<'_>,
    followed: Vec<(Mode, Track)>,
) -> Vec<(Mode, Track)> {
    let (beats, events, anchor) = (take.beats, &reading.events, reading.anchor);
    let (Some((best, track)), Some(first), Some(last)) =
        (followed.first().cloned(), events.first(), events.last())
    else {
        return followed;
    };
    let pulse = |mode: &Mode| {
        let began_s = mode.lag_s + track.at(first.at_s);
        search::pulse_along(beats, take.tables, events, anchor, mode, &|u| track.at(u))
            + belief::log_lag(began_s, take.prior)
    };
    let known = pulse(&best);
    let shifted: Vec<Mode> = search::lags_beside(beats, LAGS_S, &best)
        .map(|lag_s| {
            let mode = Mode { lag_s, ..best };
            Mode { score: best.score + pulse(&mode) - known, ..mode }
        })
        .collect();
    let span_s = (first.at_s - anchor.file_s, last.at_s - anchor.file_s);
    let stood_for = |mode: &Mode| shifted.iter().any(|other| search::is_same(other, mode, span_s));
    let mut kept: Vec<(Mode, Track)> = followed
        .into_iter()
        .filter(|(mode, track)| !track.jumps.is_empty() || !stood_for(mode))
        .collect();
    kept.extend(shifted.into_iter().map(|mode| (mode, track.clone())));
    kept
}

/// A line is followed for what it is: one that begins elsewhere is another line, with its own
/// claim. Only a start whose rhythm is not known yet may find its place as it goes.
fn stray(off_s: f64, choice: Choice) -> f64 {
    if choice == ANY || off_s.abs() < SAME_LINE_S { 0.0 } else { STRAY_COST }
}

/// Lines worth following: those that keep the strokes in step from end to end, and, for a take
/// that jumps or wanders, the ratios that are likely or keep them in step for a while.
fn starts(
    take: &Take<'_>,
    reading: &Reading<'_>,
    log_ratio_prior: &dyn Fn(f64) -> f64,
) -> Vec<(Mode, Choice)> {
    let (prior, beats, events, anchor) = (take.prior, take.beats, &reading.events, reading.anchor);
    let most = take.most_ratio();
    let field = Field {
        ratios: (-most, most),
        lags_s: LAGS_S,
        log_ratio_prior,
        log_lag_prior: &|lag| belief::log_lag(lag, prior),
    };
    let mut starts: Vec<(Mode, Choice)> = search::modes(beats, take.tables, events, anchor, &field)
        .into_iter()
        .map(|mode| (mode, search::rhythm_of(beats, take.tables, events, anchor, &mode)))
        .collect();
    let likely = belief::skew(Some(reading.opening.arrival)).map_or(0.0, |skew| skew.0);
    let local = tempo::local_ratio(beats, events, anchor, (-most, most));
    let lag_s = prior.ensemble_lag_ms * 1e-3;
    for ratio in [Some(likely), local].into_iter().flatten() {
        starts.push((Mode { ratio, lag_s, score: 0.0 }, ANY));
        if let Some(&(_, choice)) = starts.first() {
            starts.push((Mode { ratio, lag_s, score: 0.0 }, choice));
        }
    }
    starts
}

/// Score of a line that the strokes say nothing for.
pub(super) fn by_chance(prior: &Prior, mark: &Arrival) -> f64 {
    Ratios::new(prior, Some(mark)).most() + belief::log_lag(prior.ensemble_lag_ms * 1e-3, prior)
}
