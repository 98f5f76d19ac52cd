//! A take without a mark: the pulse gives the place within a beat, harmony and activity give the
//! beat.

use super::activity::{self, Run};
use super::belief::{self, Ratios};
use super::events::{Event, strokes};
use super::line::{Laid, lay};
use super::search::{self, Anchor, Field, Mode, posterior};
use super::tempo::{self, AS_WRITTEN, Hypothesis, Kind};
use super::track::Track;
use super::{Take, steps};
use crate::onset::Playing;

/// A place for a take, by its playing.
pub(super) struct Place {
    /// File time of bar 1 beat 1 for a player who lags as the ensemble does.
    pub(super) bar1_beat1_s: f64,
    pub(super) bar1_beat1_sd_s: f64,
    pub(super) ratio: f64,
    pub(super) ratio_sd: f64,
    pub(super) probability: f64,
    pub(super) laid: Laid,
    pub(super) track: Track,
}

/// Fewer strokes give no place.
const FEWEST: usize = 12;
/// Strokes must beat chance by so many nats to count as keeping to the pulse.
const COHERENT: f64 = 8.0;
/// Places this far behind are not laid closely.
const HOPELESS: f64 = 9.0;
const MOST_LAID: usize = 6;
/// At least this much of the piece must lie inside the file.
const LEAST_OVERLAP_S: f64 = 6.0;

/// All places in question at the tempo that explains the take best.
pub(super) struct Places {
    pub(super) tempo: Hypothesis,
    /// Likeliest first.
    pub(super) places: Vec<Place>,
    /// Whether the strokes keep to the pulse; else the places are by harmony and activity alone.
    pub(super) coherent: bool,
    evidence: f64,
}

/// Finds the places at the guide's own tempo, and, if that leaves doubt, at others.
pub(super) fn places(take: &mut Take<'_>) -> Places {
    let duration_s = take.playing.duration_s;
    let all = strokes(&take.playing.onsets, 0.0, duration_s);
    let runs = activity::runs(take.playing, &all, 0.0, duration_s);
    let events = played(&all, &runs);
    if events.len() < FEWEST {
        return nowhere();
    }
    let mut best = at_tempo(take, &events, &runs, AS_WRITTEN);
    let plain = best.places.first().is_some_and(|place| place.probability > PLAIN);
    if plain && !oddly_tuned(take.playing) {
        return best;
    }
    let anchor = Anchor { file_s: events[events.len() / 2].at_s, piece_s: 0.0 };
    for tempo in tempo::others(take.beats, &events, anchor, take.most_ratio()) {
        take.rotate(tempo.rotate);
        let other = at_tempo(take, &events, &runs, tempo);
        if other.evidence > best.evidence {
            best = other;
        }
    }
    take.rotate(best.tempo.rotate);
    if best.places.is_empty() { without_pulse(take, &events, &runs) } else { best }
}

fn nowhere() -> Places {
    Places { tempo: AS_WRITTEN, places: Vec::new(), coherent: false, evidence: f64::MIN }
}

/// Places for a part whose strokes keep to no pulse that can be heard, as a pad of slow swells:
/// good enough to choose among by ear.
fn without_pulse(take: &mut Take<'_>, events: &[Event], runs: &[Run]) -> Places {
    let ways = by_harmony(take, events, runs, &AS_WRITTEN);
    let ways = weighed(take, ways, runs);
    Places { places: settle(take, events, ways, &AS_WRITTEN), ..nowhere() }
}

/// A place this probable at the guide's tempo needs no other tempo tried.
const PLAIN: f64 = 0.98;

/// Whether the take is tuned as one is that plays at another sample rate (46 cents off).
fn oddly_tuned(playing: &Playing) -> bool {
    playing.tuning_cents.is_some_and(|cents| cents.abs() > 30.0)
}

fn at_tempo(take: &mut Take<'_>, events: &[Event], runs: &[Run], tempo: Hypothesis) -> Places {
    let ways = if take.beats.is_steady() {
        by_phase(take, events, runs, &tempo)
    } else {
        by_harmony(take, events, runs, &tempo)
    };
    let ways = weighed(take, ways, runs);
    let evidence = ways.first().map_or(f64::MIN, |way| way.score - tempo.cost_for(take.playing));
    Places { tempo, places: settle(take, events, ways, &tempo), coherent: true, evidence }
}

/// Log density of ratios about a tempo.
fn log_ratios(take: &Take<'_>, tempo: &Hypothesis) -> impl Fn(f64) -> f64 + use<> {
    let (believed, centre) = (Ratios::new(take.prior, None), tempo.centre);
    move |ratio| believed.log_density((1.0 + ratio) / (1.0 + centre) - 1.0)
}

/// Ratios to search about a tempo; one found by its own strength needs no prior at all.
fn ratios(take: &Take<'_>, tempo: &Hypothesis) -> (f64, f64) {
    let most = take.most_ratio() * (1.0 + tempo.centre);
    (tempo.centre - most, tempo.centre + most)
}

/// One place before it is laid closely: `anchor` is bar 1 beat 1 but for the mode's lag.
#[derive(Clone, Copy)]
struct Way {
    anchor: Anchor,
    mode: Mode,
    score: f64,
}

/// Strokes within the runs of playing; talk and noises stay out as far as they stand alone.
fn played(all: &[Event], runs: &[Run]) -> Vec<Event> {
    let inside = |event: &&Event| {
        runs.iter().any(|run| event.at_s > run.from_s - 0.3 && event.at_s < run.to_s + 0.3)
    };
    all.iter().filter(inside).copied().collect()
}

/// Places on the pulse that the strokes keep: every beat of the file in turn.
fn by_phase(take: &Take<'_>, events: &[Event], runs: &[Run], tempo: &Hypothesis) -> Vec<Way> {
    let beat_s = take.beats.beat_s();
    let middle_s = events[events.len() / 2].at_s;
    let anchor = Anchor { file_s: middle_s, piece_s: 0.0 };
    let log_ratio = log_ratios(take, tempo);
    let field = Field {
        ratios: ratios(take, tempo),
        lags_s: (0.0, beat_s * (1.0 + tempo.centre)),
        log_ratio_prior: &log_ratio,
        log_lag_prior: &|_| 0.0,
    };
    let modes = search::modes(take.beats, take.tables, events, anchor, &field);
    let Some(best) = modes.first().map(|mode| mode.score) else { return Vec::new() };
    if best - log_ratio(tempo.centre) < COHERENT {
        return Vec::new();
    }
    let mut ways = Vec::new();
    for mode in modes.into_iter().filter(|mode| mode.score > best - HOPELESS) {
        let file_beat_s = beat_s * (1.0 + mode.ratio);
        let (first_s, last_s) = range(take, runs, tempo);
        let from = ((first_s - middle_s - mode.lag_s) / file_beat_s).ceil() as i64;
        let to = ((last_s - middle_s - mode.lag_s) / file_beat_s).floor() as i64;
        for beat in from..=to {
            let file_s = middle_s + beat as f64 * file_beat_s;
            ways.push(Way { anchor: Anchor { file_s, piece_s: 0.0 }, mode, score: mode.score });
        }
    }
    ways
}

/// Where in the file bar 1 beat 1 may be, from first to last.
fn range(take: &Take<'_>, runs: &[Run], tempo: &Hypothesis) -> (f64, f64) {
    let first_s = runs.first().map_or(0.0, |run| run.from_s);
    let last_s = runs.last().map_or(take.playing.duration_s, |run| run.to_s);
    let least_s = LEAST_OVERLAP_S.min(0.5 * (last_s - first_s));
    let end_s = take.beats.end_s() * (1.0 + tempo.centre);
    (first_s + least_s - end_s, last_s - least_s)
}

/// Steps of the coarse search of a piece whose tempo changes.
const COARSE_BEATS: f64 = 0.5;
const COARSE_RATIOS: i32 = 4;
const COARSE_KEPT: usize = 8;

/// Places by harmony and activity first, since without a place the pulse is not known either;
/// then by the pulse around each.
fn by_harmony(take: &Take<'_>, events: &[Event], runs: &[Run], tempo: &Hypothesis) -> Vec<Way> {
    let most = take.most_ratio() * (1.0 + tempo.centre);
    let beat_s = take.beats.beat_s() * (1.0 + tempo.centre);
    let (first_s, last_s) = range(take, runs, tempo);
    let count = ((last_s - first_s) / (COARSE_BEATS * beat_s)).max(0.0) as usize;
    let mut coarse: Vec<Way> = Vec::new();
    for step in -COARSE_RATIOS..=COARSE_RATIOS {
        let ratio = tempo.centre + most * step as f64 / COARSE_RATIOS as f64;
        for k in 0..=count {
            let file_s = first_s + k as f64 * COARSE_BEATS * beat_s;
            let anchor = Anchor { file_s, piece_s: 0.0 };
            let mode = Mode { ratio, lag_s: 0.0, score: 0.0 };
            let score = take.elsewhere(anchor, &mode, &Track::default(), runs);
            coarse.push(Way { anchor, mode, score });
        }
    }
    coarse.sort_by(|a, b| b.score.total_cmp(&a.score));
    let mut kept: Vec<Way> = Vec::new();
    for way in coarse {
        let close = |other: &Way| (other.anchor.file_s - way.anchor.file_s).abs() < 0.9 * beat_s;
        if kept.len() < COARSE_KEPT && !kept.iter().any(close) {
            kept.push(way);
        }
    }
    let log_ratio = log_ratios(take, tempo);
    let nearby = |way: &Way| {
        let around = 0.4 * most;
        let field = Field {
            ratios: (way.mode.ratio - around, way.mode.ratio + around),
            lags_s: (-0.6 * beat_s, 0.6 * beat_s),
            log_ratio_prior: &log_ratio,
            log_lag_prior: &|_| 0.0,
        };
        let modes = search::modes(take.beats, take.tables, events, way.anchor, &field);
        let anchor = way.anchor;
        modes.into_iter().take(3).map(move |mode| Way { anchor, mode, score: mode.score })
    };
    kept.iter().flat_map(nearby).collect()
}

/// Adds harmony and activity, after letting the harmony learn from the likeliest place.
fn weighed(take: &mut Take<'_>, ways: Vec<Way>, runs: &[Run]) -> Vec<Way> {
    let none = Track::default();
    let rate = |take: &Take<'_>| -> Vec<Way> {
        let rated = |way: &Way| {
            let elsewhere = take.elsewhere(way.anchor, &way.mode, &none, runs);
            Way { score: way.score + elsewhere, ..*way }
        };
        let mut rated: Vec<Way> = ways.iter().map(rated).collect();
        rated.sort_by(|a, b| b.score.total_cmp(&a.score));
        rated
    };
    let first = rate(take);
    if let Some(best) = first.first() {
        take.weigh_witnesses(best.anchor, &best.mode, &none);
    }
    rate(take)
}

/// Lays the likeliest ways closely and joins those that come to the same place.
fn settle(take: &Take<'_>, events: &[Event], ways: Vec<Way>, tempo: &Hypothesis) -> Vec<Place> {
    let scores: Vec<f64> = ways.iter().map(|way| way.score).collect();
    let odds = posterior(&scores);
    let mut places: Vec<Place> = Vec::new();
    for (way, probability) in ways.iter().zip(odds) {
        if way.score < scores[0] - HOPELESS || places.len() == MOST_LAID {
            break;
        }
        let Some(place) = place(take, events, way, probability, tempo) else { continue };
        let same = |other: &&mut Place| (other.bar1_beat1_s - place.bar1_beat1_s).abs() < 0.04;
        match places.iter_mut().find(same) {
            Some(other) => other.probability += probability,
            None => places.push(place),
        }
    }
    places.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    places
}

fn place(
    take: &Take<'_>,
    events: &[Event],
    way: &Way,
    probability: f64,
    tempo: &Hypothesis,
) -> Option<Place> {
    let end_s = take.beats.end_s();
    let inside: Vec<Event> = events
        .iter()
        .filter(|event| {
            let piece_s = way.anchor.piece_at(event.at_s - way.mode.lag_s, way.mode.ratio);
            piece_s > -take.beats.beat_s() && piece_s < end_s + take.beats.beat_s()
        })
        .copied()
        .collect();
    let start = (way.mode.ratio, way.mode.lag_s);
    let mut track = Track::default();
    let still = vec![0.0; inside.len()];
    let mut laid = lay(take.beats, &inside, way.anchor, start, &track, still)?;
    if let Some(jump) = steps::clearest(&laid.strokes) {
        track.add(jump);
        let still = vec![0.0; inside.len()];
        laid = lay(take.beats, &inside, way.anchor, start, &track, still)?;
    }
    if tempo.kind == Kind::AsWritten {
        belief::join(&mut laid, take.prior, None);
    }
    let ensemble_lag_s = take.prior.ensemble_lag_ms * 1e-3;
    let ensemble_lag_sd_s = take.prior.ensemble_lag_sd_ms * 1e-3;
    Some(Place {
        bar1_beat1_s: way.anchor.file_s + laid.lag_s - ensemble_lag_s * (1.0 + laid.ratio),
        bar1_beat1_sd_s: laid.covariance[0].max(0.0).sqrt().hypot(ensemble_lag_sd_s),
        ratio: laid.ratio,
        ratio_sd: laid.covariance[2].max(0.0).sqrt(),
        probability,
        laid,
        track,
    })
}
