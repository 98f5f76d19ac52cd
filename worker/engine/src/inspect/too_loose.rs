//! Spread so wide that the pulse is lost.

use super::profile::quantile;
use super::{Take, attack_sd_ms};
use crate::finding::{Finding, Severity};
use crate::fit::Deviation;

/// In 70 takes of sampled instruments by players of 7 to 24 ms all read 27 at most but for two whose
/// attacks tell no pulse, in 16 by players of 55 to 85 ms all read 43 at least.
const LOOSE_MS: f64 = 35.0;

/// Soft attacks lie further off than the middle one is uncertain: the limit rises by so many times
/// that.
const SOFT: f64 = 2.0;

/// Where attacks can't be timed better than this in the middle, their own spread hides the
/// player's.
const SHARP_MS: f64 = 11.0;

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
    if spread_ms <= LOOSE_MS + SOFT * found_ms || fit.deviations.len() < LEAST_ATTACKS {
        return None;
    }
    let says = format!(
        "Your notes lie further around the click (by some {spread_ms:.0} milliseconds) than is usual \
         in a crowd. If you like, record once more with the click a little louder in your ears."
    );
    Some(Finding::new("too_loose", Severity::Info, says).measuring(spread_ms, "ms"))
}
