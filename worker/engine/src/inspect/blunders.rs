//! Single notes that come in at the wrong moment.

use super::{Take, from_own_pulse, speech};
use crate::finding::{Finding, Severity};
use crate::fit::Deviation;
use crate::onset::Playing;

/// A note this far off is heard as a mistake whatever the player's spread.
pub(super) const HEARD_MS: f64 = 80.0;

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

/// Whether listeners hear a note as a blunder; its deviation is from the own pulse.
#[must_use]
pub fn is_blunder(deviation: &Deviation, spread_ms: f64, playing: &Playing) -> bool {
    let limit = blunder_limit_ms(spread_ms, attack_sd_ms(playing, deviation.at_s));
    deviation.residual_ms.abs() > limit
}

pub(super) fn check(take: &Take) -> Option<Finding> {
    let fit = take.fit?;
    let own = from_own_pulse(fit, &take.grid.beats_s);
    let spread_ms = fit.spread_ms?;
    let mut found: Vec<&Deviation> =
        own.iter().filter(|note| is_blunder(note, spread_ms, take.playing)).collect();
    if !found.is_empty() {
        // Syllables are no notes.
        let spoken = speech::places(take);
        found.retain(|note| !spoken.iter().any(|place| (place.0..place.1).contains(&note.at_s)));
    }
    if found.is_empty() {
        return None;
    }
    let notes = own.len();
    let says = match found.len() {
        1 => format!(
            "One of your {notes} notes clearly comes in early or late. It is marked on the \
             picture; please listen whether you mind."
        ),
        count => format!(
            "{count} of your {notes} notes clearly come in early or late. They are marked on the \
             picture; please listen whether you mind."
        ),
    };
    let places = found.iter().take(MOST_PLACES).map(|d| (d.at_s, d.at_s + 0.1)).collect();
    let finding = Finding::new("blunders", Severity::Info, says);
    Some(finding.measuring(found.len() as f64, "notes").at(places))
}
