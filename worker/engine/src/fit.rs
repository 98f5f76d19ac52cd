//! Where a take lies on the piece: place, tempo ratio and lag, each with its uncertainty.

mod activity;
mod bar_slips;
mod beat_slips;
mod beats;
mod belief;
mod chord_slips;
mod events;
mod harmony;
mod line;
mod looseness;
mod marked;
mod marks;
mod notes;
mod patches;
mod pattern;
mod rated;
mod say;
mod search;
mod shifts;
mod steps;
mod swapped;
mod take;
mod tempo;
mod track;
mod unmarked;

use crate::finding::Finding;
use crate::locate::Arrival;
use crate::onset::Playing;
use beats::BeatClock;
use harmony::Harmony;
use marked::Reading;
use notes::Notes;
use pattern::Tables;
use take::Take;

/// The piece as the fit needs it, in piece time: seconds, 0 = bar 1 beat 1.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Grid {
    /// Every beat from bar 1 beat 1 to the one after the last, ascending.
    pub beats_s: Vec<f64>,
    /// Which of `beats_s` begin a bar.
    pub bar_starts: Vec<usize>,
    /// Begin and end of each section.
    pub sections: Vec<(f64, f64)>,
    /// Expected pitch-class weights of each beat (C first); may be empty, or shorter than
    /// `beats_s`, where no harmony is written.
    pub chroma: Vec<[f32; 12]>,
    /// Where the opening mark's origin lies.
    pub opening_mark_s: Option<f64>,
    /// Where the closing mark's origin lies.
    pub closing_mark_s: Option<f64>,
}

/// What was heard in the take's file.
#[derive(Debug, Clone, Copy)]
pub struct Heard<'a> {
    /// Places where the opening mark may be, best first.
    pub opening: &'a [Arrival],
    /// Places where the closing mark may be, best first.
    pub closing: &'a [Arrival],
    /// Attacks, level and harmony.
    pub playing: &'a Playing,
}

/// What is believed before the take is heard.
#[derive(Debug, Clone, PartialEq)]
pub struct Prior {
    /// Ratios beyond ± this are not taken for a drifting clock or a tempo slightly off.
    pub most_ratio_ppm: f64,
    /// Typical ratio of an honest take: two consumer clocks.
    pub clock_sd_ppm: f64,
    /// The ensemble's own mean lag and how much players differ in it.
    pub ensemble_lag_ms: f64,
    /// Standard deviation of a player's mean lag about the ensemble's.
    pub ensemble_lag_sd_ms: f64,
    /// Marks with a lower score are not believed.
    pub least_mark_score: f64,
    /// A place is certain when its odds against all others together are better than this.
    pub certain_odds: f64,
}

impl Default for Prior {
    fn default() -> Self {
        Self {
            most_ratio_ppm: 12_000.0,
            clock_sd_ppm: 100.0,
            ensemble_lag_ms: 0.0,
            ensemble_lag_sd_ms: 30.0,
            least_mark_score: crate::locate::SURE,
            certain_odds: 100.0,
        }
    }
}

/// What a fit rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// Place and ratio from the two marks.
    TwoMarks,
    /// Place from the opening mark, ratio from the playing.
    MarkAndPlaying,
    /// Place from the opening mark; too little playing to know the ratio.
    MarkOnly,
    /// No mark: everything from the playing.
    PlayingOnly,
}

/// One place where the take may belong.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Candidate {
    /// File time of bar 1 beat 1.
    pub bar1_beat1_s: f64,
    /// Ratio at this place.
    pub ratio_ppm: f64,
    /// Posterior probability, 0..1; those of all candidates sum to at most 1.
    pub odds: f64,
}

/// How one attack lies to the pulse it belongs to.
#[derive(Debug, Clone, Copy, PartialEq, serde::Serialize)]
pub struct Deviation {
    /// File time of the attack.
    pub at_s: f64,
    /// Piece time of the pulse.
    pub pulse_s: f64,
    /// Attack minus pulse in piece time, with the mean lag taken off.
    pub residual_ms: f64,
}

/// A take's place, ratio and lag.
#[derive(Debug, Clone, PartialEq)]
pub struct Fit {
    /// File time of bar 1 beat 1.
    pub bar1_beat1_s: f64,
    /// Its standard uncertainty.
    pub bar1_beat1_sd_s: f64,
    /// File time runs `1 + ratio_ppm * 1e-6` times piece time.
    pub ratio_ppm: f64,
    /// Its standard uncertainty.
    pub ratio_sd_ppm: f64,
    /// Mean lag of the player behind the grid as placed by the mark; `None` without a mark or
    /// without enough attacks.
    pub lag_ms: Option<f64>,
    /// Its standard uncertainty.
    pub lag_sd_ms: Option<f64>,
    /// Robust standard deviation of attacks about their pulses, slow drift taken off.
    pub spread_ms: Option<f64>,
    /// What the fit rests on.
    pub basis: Basis,
    /// Whether the place may be used without asking.
    pub certain: bool,
    /// All places that are in question, most likely first; the first is this fit's own. Where the
    /// lag is in question, a device's is taken back in each.
    pub candidates: Vec<Candidate>,
    /// What there is to say.
    pub findings: Vec<Finding>,
    /// Attack by attack, those that belong to a pulse.
    pub deviations: Vec<Deviation>,
    /// Clear attacks that belong to no pulse that is played, from the quarter or the third of a
    /// beat that they lie nearest to.
    pub strays: Vec<Deviation>,
}

/// Fits a take to the grid. `None` when there is neither a mark nor enough playing, or the grid
/// has no beats.
pub fn fit(grid: &Grid, heard: &Heard<'_>, prior: &Prior) -> Option<Fit> {
    let beats = BeatClock::new(&grid.beats_s)?;
    let tables = Tables::new(beats.beat_s());
    let harmony = Harmony::new(grid, &beats, heard.playing, 0);
    let notes = Notes::new(grid, heard.playing, 0);
    let playing = heard.playing;
    let mut take = Take { grid, beats: &beats, tables: &tables, playing, prior, harmony, notes };
    let openings = marks::openings(grid, heard, prior);
    let mut readings: Vec<Reading<'_>> = openings
        .iter()
        .map(|opening| {
            let pair = marks::pair(grid, heard, opening, prior);
            marked::read(&mut take, *opening, pair)
        })
        .collect();
    readings.sort_by(|a, b| b.evidence.total_cmp(&a.evidence));
    if readings.is_empty() {
        let places = unmarked::places(&mut take);
        return by_playing(&take, &places);
    }
    Some(by_marks(&take, &readings))
}

/// The fit of the likeliest reading, with the others as candidates.
fn by_marks(take: &Take<'_>, readings: &[Reading<'_>]) -> Fit {
    let scores: Vec<f64> = readings.iter().map(|reading| reading.evidence).collect();
    let odds = search::posterior(&scores);
    let best = &readings[0];
    let arrival = best.opening.arrival;
    let mark_s = best.anchor.piece_s;
    let (ratio, ratio_sd) = best.ratio;
    let bar1_beat1_s = best.anchor.file_at(0.0, ratio);
    let basis = match (&best.pair, &best.laid) {
        (Some(_), _) => Basis::TwoMarks,
        (None, Some(_)) => Basis::MarkAndPlaying,
        (None, None) => Basis::MarkOnly,
    };
    let laid = best.laid.as_ref();
    let mut fit = Fit {
        bar1_beat1_s,
        bar1_beat1_sd_s: arrival.sd_s.hypot(mark_s * ratio_sd),
        ratio_ppm: ratio * 1e6,
        ratio_sd_ppm: ratio_sd * 1e6,
        lag_ms: laid.map(|laid| (laid.lag_s + usual_jump_s(laid, &best.track)) * 1e3),
        lag_sd_ms: laid.map(|laid| laid.covariance[0].max(0.0).sqrt() * 1e3),
        spread_ms: laid.map(|laid| looseness::spread_s(laid, take.beats) * 1e3),
        basis,
        certain: true,
        candidates: vec![Candidate { bar1_beat1_s, ratio_ppm: ratio * 1e6, odds: odds[0] }],
        findings: Vec::new(),
        deviations: laid.map(deviations).unwrap_or_default(),
        strays: laid.map(strays).unwrap_or_default(),
    };
    for (reading, &odds) in readings.iter().zip(&odds).skip(1) {
        fit.candidates.push(Candidate {
            bar1_beat1_s: reading.anchor.file_at(0.0, reading.ratio.0),
            ratio_ppm: reading.ratio.0 * 1e6,
            odds,
        });
    }
    say::marked(take, readings, &mut fit);
    fit
}

/// The fit of the likeliest place, with the others as candidates.
fn by_playing(take: &Take<'_>, found: &unmarked::Places) -> Option<Fit> {
    let best = found.places.first()?;
    let candidates = found.places.iter().map(|place| Candidate {
        bar1_beat1_s: place.bar1_beat1_s,
        ratio_ppm: place.ratio * 1e6,
        odds: place.probability,
    });
    let mut fit = Fit {
        bar1_beat1_s: best.bar1_beat1_s,
        bar1_beat1_sd_s: best.bar1_beat1_sd_s,
        ratio_ppm: best.ratio * 1e6,
        ratio_sd_ppm: best.ratio_sd * 1e6,
        lag_ms: None,
        lag_sd_ms: None,
        spread_ms: Some(looseness::spread_s(&best.laid, take.beats) * 1e3),
        basis: Basis::PlayingOnly,
        certain: true,
        candidates: candidates.collect(),
        findings: Vec::new(),
        deviations: deviations(&best.laid),
        strays: strays(&best.laid),
    };
    say::unmarked(take, found, best, &mut fit);
    Some(fit)
}

/// By how much most of the playing lies off the line that its beginning is on, where that is a free
/// intro: the lag is that of what follows. After a slipped edit it is that of what the mark leads
/// into.
fn usual_jump_s(laid: &line::Laid, track: &track::Track) -> f64 {
    let free = |jump: &&track::Jump| !say::lies_between_steady(jump, laid);
    let jumps: Vec<&track::Jump> = track.jumps.iter().filter(free).collect();
    let trusted = laid.strokes.iter().filter(|stroke| stroke.trust > 0.3);
    let jumped_by = |stroke: &line::Stroke| {
        let before = jumps.iter().filter(|jump| stroke.at_s >= jump.between_s.1);
        before.map(|jump| jump.by_s).sum()
    };
    events::median(trusted.map(jumped_by).collect())
}

/// Strokes trusted less belong to no pulse.
const BELONGS: f64 = 0.02;

/// A stroke this strong beside the usual is no noise, wherever it lies.
const CLEAR: f64 = 0.6;

fn deviations(laid: &line::Laid) -> Vec<Deviation> {
    laid.strokes.iter().filter(|stroke| stroke.trust > BELONGS).map(deviation).collect()
}

fn strays(laid: &line::Laid) -> Vec<Deviation> {
    let stray = |stroke: &&line::Stroke| stroke.trust <= BELONGS && stroke.weight > CLEAR;
    laid.strokes.iter().filter(stray).map(deviation).collect()
}

fn deviation(stroke: &line::Stroke) -> Deviation {
    Deviation { at_s: stroke.at_s, pulse_s: stroke.pulse_s, residual_ms: stroke.residual_s * 1e3 }
}
