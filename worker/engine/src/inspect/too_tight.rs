//! Moved onto the grid by a machine.

use super::Take;
use crate::finding::{Finding, Severity};

/// No player is steadier than this; ensembles spread by 27–49 ms (Rasch 1979).
const TIGHT_MS: f64 = 3.0;

/// Attacks needed to say so.
const LEAST_ATTACKS: usize = 40;

/// Attacks that can't be timed better than this tell nothing.
const SHARP_S: f64 = 0.002;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let fit = take.fit?;
    let spread_ms = fit.spread_ms?;
    let sharp = take.playing.onsets.iter().filter(|onset| onset.sd_s < SHARP_S).count();
    if spread_ms >= TIGHT_MS || fit.deviations.len() < LEAST_ATTACKS || sharp < LEAST_ATTACKS {
        return None;
    }
    let says = format!(
        "Your notes lie within {spread_ms:.1} milliseconds of the click, which looks quantised. \
         Please send your playing as it was: small differences are what makes a crowd sound like \
         one."
    );
    Some(Finding::new("too_tight", Severity::Advice, says).measuring(spread_ms, "ms"))
}
