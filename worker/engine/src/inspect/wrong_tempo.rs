//! Played faster or slower than the guide.

use super::Take;
use crate::finding::{Finding, Severity};

/// Two consumer clocks differ by less than this; more is a tempo that was set or shown slightly
/// wrong, or a player who drifts (phones differ by 3–270 ppm from nominal).
const CLOCKS_PPM: f64 = 500.0;

/// Pitch change in cents when a file that runs `ratio_ppm` slow is brought to the piece's tempo
/// by resampling: positive is up.
#[must_use]
pub fn cents_of_ratio(ratio_ppm: f64) -> f64 {
    1200.0 * (1.0 + ratio_ppm * 1e-6).log2()
}

/// The finding for a take whose tempo can't be corrected without its pitch being heard to move.
#[must_use]
pub fn pitch_would_shift(ratio_ppm: f64, limit_cents: f64) -> Option<Finding> {
    let cents = cents_of_ratio(ratio_ppm);
    if cents.abs() <= limit_cents {
        return None;
    }
    let says = format!(
        "You played {} than the guide by {:.1} parts in a thousand. Bringing that to the common \
         tempo would move your pitch by {:.0} cents, which can be heard. Please check that your \
         player runs at normal speed and record again with the guide in your ears.",
        if ratio_ppm > 0.0 { "slower" } else { "faster" },
        ratio_ppm.abs() * 1e-3,
        cents.abs()
    );
    Some(Finding::new("pitch_would_shift", Severity::Asks, says).measuring(cents, "cents"))
}

pub(super) fn check(take: &Take) -> Option<Finding> {
    let fit = take.fit?;
    let beyond = fit.ratio_ppm.abs() - 2.0 * fit.ratio_sd_ppm.abs();
    if beyond <= CLOCKS_PPM {
        return None;
    }
    let end_s = take.grid.beats_s.last().copied().unwrap_or(0.0);
    let says = format!(
        "Your recording runs {} than the guide: {:.2} seconds {} by the end of the piece. We \
         correct this, but please check that the guide plays at its own speed on your device.",
        if fit.ratio_ppm > 0.0 { "slower" } else { "faster" },
        (fit.ratio_ppm * 1e-6 * end_s).abs(),
        if fit.ratio_ppm > 0.0 { "late" } else { "early" }
    );
    Some(Finding::new("wrong_tempo", Severity::Advice, says).measuring(fit.ratio_ppm, "ppm"))
}
