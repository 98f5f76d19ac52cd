//! A take with an opening mark: the mark gives the place, the playing ratio and lag.

use super::activity;
use super::belief::{self, LAGS_S};
use super::chord_slips::ChordShifts;
use super::events::{Event, strokes};
use super::line::{Laid, lay};
use super::marks::{Opening, Pair};
use super::patches::Patch;
use super::pattern::Rhythm;
use super::rated::{Rated, by_chance, rate};
use super::search::{self, Anchor, Field, Mode, posterior};
use super::shifts::Shifts;
use super::take::{Take, file_at, piece_at};
use super::tempo::{Hypothesis, Kind};
use super::track::{Guide, Jump, Track, follow};
use super::{bar_slips, beat_slips, patches, steps, swapped, tempo};

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
    /// The tempo that explains the playing best, with the ratio found there.
    pub(super) tempo: (Kind, f64),
    /// By how much the recording runs slower at a mark than elsewhere, if it does.
    pub(super) change: Option<f64>,
}

/// Strokes must beat chance by so many nats to count as keeping to the pulse.
const COHERENT: f64 = 5.0;
/// Rivals this far behind are not followed up.
const HOPELESS: f64 = 9.0;

pub(super) fn read<'a>(
    take: &mut Take<'_>,
    opening: Opening<'a>,
    pair: Option<Pair<'a>>,
) -> Reading<'a> {
    let anchor = Anchor { file_s: opening.arrival.at_s, piece_s: opening.piece_s };
    let before_s = anchor.file_at(-take.beats.beat_s(), 0.0);
    let earliest_s = if opening.is_closing { 0.0 } else { anchor.file_s };
    let from_s = before_s.max(earliest_s) - 0.1;
    let end_s = anchor.file_at(take.beats.end_s() + take.beats.beat_s(), take.most_ratio());
    let until_s = end_s.min(opening.until_s);
    let events = strokes(&take.playing.onsets, from_s, until_s);
    let events = activity::without_rests(take.playing, events, from_s, until_s);
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
        tempo: (Kind::AsWritten, 0.0),
        change: None,
        events,
    };
    let rated = rate(take, &reading, &runs);
    if let Some(best) = rated.first() {
        reading.evidence = best.score;
        let blank = by_chance(take.prior, opening.arrival);
        reading.coherent = best.pulse - blank > COHERENT;
    }
    if reading.coherent {
        follow_up(take, &mut reading, rated);
    }
    settle_ratio(take, &mut reading);
    if reading.laid.is_none() {
        let mode = Mode { ratio: reading.ratio.0, lag_s: 0.0, score: 0.0 };
        let slip = chord_shifts(take, reading.anchor, &mode, &reading.track).clearest();
        slip.into_iter().for_each(|jump| reading.track.add(jump));
    }
    reading.tempo = another_tempo(take, &reading, from_s);
    reading
}

/// Tempi other than the guide's that explain playing, harmony and length better: half, double,
/// or, where the strokes do not follow the guide at all, any.
fn another_tempo(take: &Take<'_>, reading: &Reading<'_>, from_s: f64) -> (Kind, f64) {
    let all = strokes(&take.playing.onsets, from_s, reading.opening.until_s);
    let runs = activity::runs(take.playing, &all, from_s, reading.opening.until_s);
    let (beats, most) = (take.beats, take.most_ratio());
    // The mark belongs to the guide's clock: another tempo begins with the playing.
    let anchor = Anchor { file_s: reading.anchor.file_at(0.0, reading.ratio.0), piece_s: 0.0 };
    let none = Track::default();
    let explained = |tempo: &Hypothesis| -> Option<(f64, f64)> {
        let wide = most * (1.0 + tempo.centre);
        let end_s = anchor.file_at(beats.end_s() + beats.beat_s(), tempo.centre);
        let inside = all.partition_point(|event| event.at_s < end_s);
        let field = Field {
            ratios: (tempo.centre - wide, tempo.centre + wide),
            lags_s: LAGS_S,
            log_ratio_prior: &|_| 0.0,
            log_lag_prior: &|lag| belief::log_lag(lag, take.prior),
        };
        let modes = search::modes(beats, take.tables, &all[..inside], anchor, &field);
        let rate = |mode: &Mode| mode.score + take.elsewhere(anchor, mode, &none, &runs);
        let rated =
            modes.iter().map(|mode| (rate(mode) - tempo.cost_for(take.playing), mode.ratio));
        rated.max_by(|a, b| a.0.total_cmp(&b.0))
    };
    let tried = if reading.coherent {
        tempo::RELATED.to_vec()
    } else {
        tempo::others(beats, &all, anchor, most)
    };
    let suspects: Vec<Hypothesis> = tried
        .into_iter()
        .filter(|tempo| tempo.rotate == 0)
        .filter(|tempo| match tempo.kind {
            Kind::Half | Kind::Double => {
                let at = |ratio| {
                    let mode = Mode { ratio, lag_s: 0.0, score: 0.0 };
                    take.elsewhere(anchor, &mode, &none, &runs)
                };
                at(tempo.centre) > at(reading.ratio.0)
            }
            _ => !reading.coherent,
        })
        .collect();
    if suspects.is_empty() {
        return (Kind::AsWritten, reading.ratio.0);
    }
    let written = explained(&tempo::AS_WRITTEN).map_or(0.0, |found| found.0).max(reading.evidence);
    let found = suspects.iter().filter_map(|tempo| Some((explained(tempo)?, tempo.kind)));
    let best = found.max_by(|a, b| a.0.0.total_cmp(&b.0.0));
    match best {
        Some(((score, ratio), kind)) if score > written => (kind, ratio),
        _ => (Kind::AsWritten, reading.ratio.0),
    }
}

/// Lays the best modes closely, joins those that come to the same line, and keeps the best.
fn follow_up(take: &Take<'_>, reading: &mut Reading<'_>, rated: Vec<Rated>) {
    let scores: Vec<f64> = rated.iter().map(|rated| rated.score).collect();
    let odds = posterior(&scores);
    let mut lines: Vec<(Laid, Track, f64)> = Vec::new();
    for (rated, probability) in rated.into_iter().zip(odds) {
        if rated.score < scores[0] - HOPELESS {
            break;
        }
        let start = (rated.mode.ratio, rated.mode.lag_s);
        let Some(laid) = lay_closely(take, reading, start, &rated.track) else { continue };
        let end_s = take.beats.end_s();
        let same = lines.iter_mut().find(|(other, _, _)| {
            let apart = |t: f64| (laid.ratio - other.ratio) * t + laid.lag_s - other.lag_s;
            apart(0.0).abs() < 0.03 && apart(end_s).abs() < 0.05
        });
        match same {
            Some(line) => line.2 += probability,
            None => lines.push((laid, rated.track, probability)),
        }
    }
    let best = |lines: &[(Laid, Track, f64)]| {
        (0..lines.len()).max_by(|&a, &b| lines[a].2.total_cmp(&lines[b].2))
    };
    if let Some(index) = best(&lines) {
        let (laid, track, probability) = lines.swap_remove(index);
        let (laid, track) = look_again(take, reading, laid, track);
        reading.played_ratio = Some((laid.ratio, laid.covariance[2].sqrt()));
        reading.laid = Some(laid);
        reading.track = track;
        reading.probability = probability;
    }
    reading.rivals =
        lines.into_iter().map(|(laid, _, odds)| (laid.ratio, laid.lag_s, odds)).collect();
}

/// Lays a line through the strokes from where a track has followed them.
fn lay_closely(
    take: &Take<'_>,
    reading: &Reading<'_>,
    start: (f64, f64),
    track: &Track,
) -> Option<Laid> {
    let drift = reading.events.iter().map(|event| track.drift_at(event.at_s)).collect();
    lay(take.beats, &reading.events, reading.anchor, start, track, drift)
}

/// Most jumps taken out one by one.
const MOST_JUMPS: usize = 5;

/// Follows the best line once more, with the rhythm and spread now known, and takes out jumps
/// that only the close fit shows.
fn look_again(take: &Take<'_>, reading: &Reading<'_>, laid: Laid, track: Track) -> (Laid, Track) {
    let (mut laid, mut track) = (laid, track);
    let rhythm = Rhythm::learned(&laid.rhythm, laid.spread_s, take.beats.beat_s());
    let guide = Guide {
        ratio: laid.ratio,
        lag_s: laid.lag_s,
        rhythm: &rhythm,
        log_lag_prior: &|lag| belief::log_normal(lag - laid.lag_s, 0.03),
    };
    let (again, _) = follow(take.beats, &reading.events, reading.anchor, &guide);
    if again.jumps.len() > track.jumps.len() {
        let start = (laid.ratio, laid.lag_s);
        if let Some(closer) = lay_closely(take, reading, start, &again) {
            (laid, track) = (closer, again);
        }
    }
    while track.jumps.len() < MOST_JUMPS {
        let Some(jump) = steps::clearest(&laid.strokes) else { break };
        let Some(closer) = without(take, reading, &laid, &mut track, jump) else { break };
        laid = closer;
    }
    if let Some(jump) = slip_in_step(take, reading.anchor, &laid, &track) {
        // The strokes kept to the pulse all the while, so none of the jump is in their drift.
        track.add(jump);
        let drift = laid.strokes.iter().map(|stroke| stroke.drift_s).collect();
        laid = relaid(take, reading, &laid, &track, drift).unwrap_or(laid);
    } else if let Some(patch) = moved_patch(take, reading.anchor, &laid, &track) {
        patch.jumps.into_iter().for_each(|jump| track.add(jump));
        laid = relaid(take, reading, &laid, &track, patch.drift).unwrap_or(laid);
    }
    (laid, track)
}

/// The clearest slip by whole or half beats, over which the strokes keep to the pulse.
fn slip_in_step(take: &Take<'_>, anchor: Anchor, laid: &Laid, track: &Track) -> Option<Jump> {
    let mode = Mode { ratio: laid.ratio, lag_s: laid.lag_s, score: 0.0 };
    let (notes, beats, grid, strokes) = (&take.notes, take.beats, take.grid, &laid.strokes);
    let shifts = Shifts::new(notes, beats, &piece_at(anchor, &mode, track));
    let chords = chord_shifts(take, anchor, &mode, track);
    beat_slips::clearest(notes, &shifts)
        .or_else(|| swapped::clearest(strokes, notes, beats, &grid.sections, &shifts))
        .or_else(|| bar_slips::clearest(strokes, notes, beats, grid, &shifts, &chords))
        .or_else(|| chords.clearest())
}

/// The clearest stretch of the playing that was moved and came back.
fn moved_patch(take: &Take<'_>, anchor: Anchor, laid: &Laid, track: &Track) -> Option<Patch> {
    let mode = Mode { ratio: laid.ratio, lag_s: laid.lag_s, score: 0.0 };
    let shifts = Shifts::new(&take.notes, take.beats, &piece_at(anchor, &mode, track));
    patches::clearest(laid, &take.notes, take.beats, take.grid, &shifts)
}

fn chord_shifts(take: &Take<'_>, anchor: Anchor, mode: &Mode, track: &Track) -> ChordShifts {
    ChordShifts::new(&take.harmony, take.beats.beat_s(), &file_at(anchor, mode, track))
}

/// The line once a jump is taken out.
fn without(
    take: &Take<'_>,
    reading: &Reading<'_>,
    laid: &Laid,
    track: &mut Track,
    jump: Jump,
) -> Option<Laid> {
    track.add(jump);
    let drift = laid
        .strokes
        .iter()
        .map(|s| if s.at_s >= jump.between_s.1 { s.drift_s - jump.by_s } else { s.drift_s })
        .collect();
    relaid(take, reading, laid, track, drift)
}

fn relaid(
    take: &Take<'_>,
    reading: &Reading<'_>,
    laid: &Laid,
    track: &Track,
    drift: Vec<f64>,
) -> Option<Laid> {
    let start = (laid.ratio, laid.lag_s);
    lay(take.beats, &reading.events, reading.anchor, start, track, drift)
}

/// Ratio by marks, playing, harmony and belief, in this order of trust.
fn settle_ratio(take: &Take<'_>, reading: &mut Reading<'_>) {
    let mark = Some(reading.opening.arrival);
    if let Some(pair) = reading.pair {
        reading.ratio = (pair.ratio, pair.ratio_sd);
        reading.change = belief::change_beside(reading.opening.arrival, &pair);
        if let Some(laid) = &mut reading.laid {
            belief::fix_ratio(laid, pair.ratio, pair.ratio_sd);
        }
        return;
    }
    if let Some(laid) = &mut reading.laid {
        let changing = belief::join(laid, take.prior, mark);
        reading.ratio = (laid.ratio, laid.covariance[2].sqrt());
        let possible = changing * take.prior.certain_odds > 1.0;
        let skew = belief::skew(mark).filter(|_| possible);
        reading.change = skew.map(|skew| skew.0 - reading.ratio.0);
        return;
    }
    reading.ratio = take.ratio_by_harmony(reading.anchor, mark);
}
