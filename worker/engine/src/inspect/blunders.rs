//! Single notes that come in at the wrong moment.

use super::Take;
use crate::finding::{Finding, Severity};
use crate::fit::Deviation;
use crate::onset::Playing;

/// A note this far off is heard as a mistake whatever the player's spread.
const HEARD_MS: f64 = 80.0;

/// Places listed at most.
const MOST_PLACES: usize = 50;

/// A note must lie so many standard uncertainties of its attack further off: a bow or a voice
/// begins where one looks for it.
const SURELY: f64 = 2.0;

/// Notes further than this from their pulse, given the player's own spread and how surely the
/// note's attack is known.
#[must_use]
pub fn blunder_limit_ms(spread_ms: f64, attack_sd_ms: f64) -> f64 {
    (3.0 * spread_ms).max(HEARD_MS) + SURELY * attack_sd_ms
}

/// How surely the attack nearest to `at_s` is known, in milliseconds; 0 where there is none.
#[must_use]
pub fn attack_sd_ms(playing: &Playing, at_s: f64) -> f64 {
    let after = playing.onsets.partition_point(|onset| onset.at_s < at_s);
    let beside = [after.checked_sub(1), Some(after)].into_iter().flatten();
    let nearest = beside
        .filter_map(|index| playing.onsets.get(index))
        .min_by(|a, b| (a.at_s - at_s).abs().total_cmp(&(b.at_s - at_s).abs()));
    nearest.map_or(0.0, |onset| onset.sd_s * 1e3)
}

/// Share of a player's notes that lie on beats, from which beats are this player's own pulse.
const ON_BEATS: f64 = 0.85;

/// More notes than this away from the own pulse are a manner of playing, not mistakes.
const MOST_ASTRAY: f64 = 0.06;

/// Near a half beat, in shares of a beat, a note is an off-beat, not a mistake.
const OFF_BEAT: f64 = 0.12;

/// The deviations of a take from the pulse that the player follows.
///
/// A fit measures from the nearest quarter of a beat, so that a note a third of a beat off looks
/// nearly right. Where nearly all notes lie on beats, the few others are measured from the
/// nearest beat instead.
#[must_use]
pub fn from_own_pulse(deviations: &[Deviation], beats_s: &[f64]) -> Vec<Deviation> {
    let nearest = |s: f64| -> Option<(f64, f64)> {
        let after = beats_s.partition_point(|beat| *beat <= s).clamp(1, beats_s.len().max(2) - 1);
        let (early, late) = (*beats_s.get(after - 1)?, *beats_s.get(after)?);
        let beat = if s - early < late - s { early } else { late };
        Some((beat, late - early))
    };
    let on_beat = |deviation: &&Deviation| {
        nearest(deviation.pulse_s).is_some_and(|(beat, _)| (deviation.pulse_s - beat).abs() < 1e-3)
    };
    let share = deviations.iter().filter(on_beat).count() as f64 / deviations.len().max(1) as f64;
    if share < ON_BEATS {
        return deviations.to_vec();
    }
    let own: Vec<Deviation> = deviations
        .iter()
        .map(|deviation| {
            let played_s = deviation.pulse_s + deviation.residual_ms * 1e-3;
            match nearest(played_s) {
                Some((beat, length)) if off_the_half(played_s - beat, length) => {
                    let residual_ms = (played_s - beat) * 1e3;
                    Deviation { pulse_s: beat, residual_ms, ..*deviation }
                }
                _ => *deviation,
            }
        })
        .collect();
    let astray = own.iter().filter(|deviation| deviation.residual_ms.abs() > HEARD_MS).count();
    if astray as f64 > MOST_ASTRAY * own.len() as f64 { deviations.to_vec() } else { own }
}

fn off_the_half(offset_s: f64, beat_s: f64) -> bool {
    (offset_s.abs() / beat_s - 0.5).abs() > OFF_BEAT
}

/// Whether listeners hear a note as a blunder; its deviation is from the own pulse.
#[must_use]
pub fn is_blunder(deviation: &Deviation, spread_ms: f64, playing: &Playing) -> bool {
    let limit = blunder_limit_ms(spread_ms, attack_sd_ms(playing, deviation.at_s));
    deviation.residual_ms.abs() > limit
}

pub(super) fn check(take: &Take) -> Option<Finding> {
    let fit = take.fit?;
    let own = from_own_pulse(&fit.deviations, &take.grid.beats_s);
    let spread_ms = fit.spread_ms?;
    let found: Vec<&Deviation> =
        own.iter().filter(|note| is_blunder(note, spread_ms, take.playing)).collect();
    if found.is_empty() {
        return None;
    }
    let says = format!(
        "{} of your {} notes clearly come in early or late. They are marked on the picture; \
         please listen whether you mind.",
        found.len(),
        fit.deviations.len()
    );
    let places = found.iter().take(MOST_PLACES).map(|d| (d.at_s, d.at_s + 0.1)).collect();
    let finding = Finding::new("blunders", Severity::Info, says);
    Some(finding.measuring(found.len() as f64, "notes").at(places))
}
