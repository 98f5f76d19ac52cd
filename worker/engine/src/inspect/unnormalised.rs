//! The loudest moment is far from full scale.

use super::Take;
use super::profile::quantile;
use crate::finding::{Finding, Severity};

/// Peaks below this leave bits unused that a contributor was asked to fill (common practice, no
/// source).
const LOW_PEAK_DBFS: f64 = -12.0;

/// Below this another check says that the take is too quiet.
const QUIET_DBFS: f64 = -50.0;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let span = take.span_s();
    let peak_dbfs = 20.0 * f64::from(take.records.profile.peak(span).max(1e-7)).log10();
    let loud = quantile(&take.records.profile.sorted_levels_db(span), 0.95);
    if peak_dbfs >= LOW_PEAK_DBFS || loud < QUIET_DBFS {
        return None;
    }
    let says = format!(
        "The loudest moment of your recording is {:.0} dB below full level. It can be used; a \
         higher recording level next time keeps more distance from the noise.",
        -peak_dbfs
    );
    Some(Finding::new("unnormalised", Severity::Info, says).measuring(peak_dbfs, "dBFS"))
}
