//! Recorded so low that bringing it up brings up the noise.

use super::Take;
use super::profile::quantile;
use crate::finding::{Finding, Severity};

/// The loud tenth of the playing lies below this: some 30 dB below a usual level (common
/// practice, no source).
const QUIET_DBFS: f64 = -50.0;

/// Below this it is silence, of which another check speaks.
const SILENT_DBFS: f64 = -70.0;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let levels = take.records.profile.sorted_levels_db(take.span_s());
    let loud = quantile(&levels, 0.95);
    let loudest = quantile(&levels, 0.995);
    if loud >= QUIET_DBFS || loudest <= SILENT_DBFS || loudest >= QUIET_DBFS + 10.0 {
        return None;
    }
    let says = format!(
        "Your playing is very quiet in this recording ({loud:.0} dB below full scale where it is \
         loud). Please come closer to the microphone or turn its level up; the loudest moment \
         should come near full level without reaching it."
    )
    .replace("(-", "(");
    Some(Finding::new("too_quiet", Severity::Advice, says).measuring(loud, "dBFS"))
}
