//! Whether the pitch of a take can be judged: checks of tuning, key and mode ask this first.
//!
//! Drums, hands, bells and found sounds have lines of their own that lie anywhere. What is judged
//! sounds in harmonic series which agree on one scale; or, for a pure tone as of an ocarina, in
//! lines that agree and do not die away, since a bar or a bell that is struck does.

use super::Take;
use super::profile::quantile;
use crate::onset::Playing;

/// Share of the energy in harmonic series. Voices and bowed strings in choirs have 0.58 and more,
/// drums and bells at most 0.06, cymbals 0.7.
const HARMONIC: f32 = 0.45;

/// How closely the lines agree on a scale: an accordion's tremolo and a choir's vibrato leave
/// 0.47, cymbals reach 0.2.
const AGREE: f32 = 0.35;

/// A string that is plucked or hammered is harmonic through and through; of a tuned bell the minor
/// third is left over.
const STRUCK_HARMONIC: f32 = 0.9;

/// For the key a struck sound plays in this much is enough: a minor third that is left over hides
/// no key, while it would be taken for a mode. Harps and banjos have 0.79 and more in any room,
/// bars and drums at most 0.45.
const KEY_HARMONIC: f32 = 0.7;
const KEY_AGREE: f32 = 0.6;

/// Pure tones: share of the energy in lines, and their agreement.
const LINES: f32 = 0.6;
const PURE_AGREE: f32 = 0.6;

/// Notes that fall faster than this, in dB a second, were struck or plucked.
const STRUCK_DB_PER_S: f64 = -8.0;

/// The part of a note that is looked at, from its attack on.
const FROM_S: f64 = 0.05;
const UPTO_S: f64 = 0.17;

/// Room left before the next attack.
const BEFORE_NEXT_S: f64 = 0.03;

/// Notes needed to tell.
const LEAST_NOTES: usize = 6;

/// Notes so far below the loud ones tell nothing.
const LOUD_DB: f32 = 25.0;

/// Whether the pitch of what is played can be told.
pub(super) fn is_pitched(take: &Take) -> bool {
    let tonality = &take.playing.tonality;
    let fall = || fall_db_per_s(take.playing, take.span_s());
    let sustained = || fall().is_some_and(|fall| fall > STRUCK_DB_PER_S);
    let harmonic = tonality.harmonic > HARMONIC
        && tonality.agreement > AGREE
        && (tonality.harmonic_of_lines > STRUCK_HARMONIC || sustained());
    let pure = || tonality.lines > LINES && tonality.agreement > PURE_AGREE && sustained();
    harmonic || pure()
}

/// Whether the key of what is played can be told: where the pitch can, and a little beyond.
pub(super) fn has_key(take: &Take) -> bool {
    let tonality = &take.playing.tonality;
    let harmonic = tonality.harmonic > HARMONIC
        && tonality.harmonic_of_lines > KEY_HARMONIC
        && tonality.agreement > KEY_AGREE;
    harmonic || is_pitched(take)
}

/// How fast the notes of a take fall after their attacks: the median of the slopes.
pub(super) fn fall_db_per_s(playing: &Playing, span: (f64, f64)) -> Option<f64> {
    let mut levels = playing.level_db.clone();
    levels.sort_by(f32::total_cmp);
    let loud = levels.get(levels.len() * 19 / 20)? - LOUD_DB;
    let ends = playing.onsets.iter().skip(1).map(|onset| onset.at_s).chain([f64::INFINITY]);
    let notes = playing.onsets.iter().map(|onset| onset.at_s).zip(ends);
    let mut slopes: Vec<f64> = notes
        .filter(|(at, _)| (span.0..span.1).contains(at))
        .filter_map(|(at, next)| {
            let hop = |s: f64| ((s / playing.hop_s) as usize).min(playing.level_db.len());
            let note = hop(at + FROM_S)..hop((at + UPTO_S).min(next - BEFORE_NEXT_S)).max(hop(at));
            let levels = playing.level_db.get(note)?;
            let sounds = levels.iter().any(|level| *level > loud);
            let long = levels.len() as f64 * playing.hop_s > 0.5 * (UPTO_S - FROM_S);
            (sounds && long).then(|| slope(levels) / playing.hop_s)
        })
        .collect();
    slopes.sort_by(f64::total_cmp);
    (slopes.len() >= LEAST_NOTES).then(|| quantile(&slopes, 0.5))
}

/// Slope of the straight line of least squares, a step.
pub(super) fn slope(values: &[f32]) -> f64 {
    let middle = (values.len() as f64 - 1.0) / 2.0;
    let (mut across, mut square) = (0.0, 0.0);
    for (at, value) in values.iter().enumerate() {
        let from = at as f64 - middle;
        across += from * f64::from(*value);
        square += from * from;
    }
    if square > 0.0 { across / square } else { 0.0 }
}
