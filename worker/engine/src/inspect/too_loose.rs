//! Spread so wide that the pulse is lost.

use super::Take;
use crate::finding::{Finding, Severity};

/// The spread is measured against the nearest pulse, and pulses lie a quarter of a beat apart, so
/// that a player of 60 ms and more reads 30–35 here; one of 20 ms, as is usual, reads 20.
const LOOSE_MS: f64 = 30.0;

/// Attacks needed to say so.
const LEAST_ATTACKS: usize = 24;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let fit = take.fit?;
    let spread_ms = fit.spread_ms?;
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
