//! Nothing is played.

use super::Take;
use super::profile::quantile;
use crate::finding::{Finding, Severity};

/// A twentieth of a second this loud is a sound; what stays below all along is a muted
/// microphone or the noise of its amplifier (common practice, no source).
const SOUND_DBFS: f64 = -70.0;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let span = take.span_s();
    let levels = take.records.profile.sorted_levels_db(span);
    let loudest = quantile(&levels, 0.995);
    if loudest > SOUND_DBFS {
        return None;
    }
    let says = "We hear no playing in this recording. Please check that the right microphone was \
                on and not muted, listen to the file, and send it again.";
    Some(Finding::new("silent", Severity::Unusable, says).measuring(loudest, "dBFS"))
}
