//! Tuned away from A = 440 Hz (ISO 16).

use super::{Take, pitch};
use crate::finding::{Finding, Severity};

/// Unison singers spread by 16–30 cents (Cuesta 2018), so a crowd takes this much; a fixed pitch
/// further off is heard beside it.
const OFF_CENTS: f64 = 20.0;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let cents = f64::from(take.playing.tuning_cents?);
    if cents.abs() < OFF_CENTS || !pitch::has_key(take) {
        return None;
    }
    let says = format!(
        "Your instrument is about {:.0} cents {} (a semitone has 100). If it can be tuned, please \
         tune it to A = 440 Hz and record again; if not, leave it as it is.",
        cents.abs(),
        if cents > 0.0 { "sharp" } else { "flat" }
    );
    Some(Finding::new("tuning", Severity::Advice, says).measuring(cents, "cents"))
}
