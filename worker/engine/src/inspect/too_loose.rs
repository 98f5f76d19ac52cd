//! Spread so wide that the pulse is lost.

use super::profile::quantile;
use super::{Take, attack_sd_ms};
use crate::finding::{Finding, Severity};
use crate::fit::Deviation;

/// The spread is measured against the nearest pulse, and pulses lie a quarter of a beat apart, so
/// that a player of 60 ms and more reads 30–35 here; one of 20 ms, as is usual, reads 20.
const LOOSE_MS: f64 = 31.0;

/// Where attacks can't be timed better than this in the middle, their own spread hides the
/// player's.
const SHARP_MS: f64 = 6.0;

/// Attacks needed to say so.
const LEAST_ATTACKS: usize = 24;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let fit = take.fit?;
    let heard_ms = fit.spread_ms?;
    let sd_ms = |deviation: &Deviation| attack_sd_ms(take.playing, deviation.at_s);
    let mut found: Vec<f64> = fit.deviations.iter().map(sd_ms).collect();
    found.sort_by(f64::total_cmp);
    let found_ms = quantile(&found, 0.5).max(0.0);
    if found_ms > SHARP_MS {
        return None;
    }
    // What is heard is the player's spread and that of the attacks as they are found.
    let spread_ms = (heard_ms.powi(2) - found_ms.powi(2)).max(0.0).sqrt();
    if spread_ms <= LOOSE_MS || fit.deviations.len() < LEAST_ATTACKS {
        return None;
    }
    let says = format!(
        "Your notes lie further around the click ({spread_ms:.0} milliseconds and more) than is \
         usual in a crowd. If you like, record once more with the click a little louder in your \
         ears."
    );
    Some(Finding::new("too_loose", Severity::Info, says).measuring(spread_ms, "ms"))
}
