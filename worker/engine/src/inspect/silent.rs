//! Nothing is played.

use super::Take;
use super::profile::quantile;
use crate::finding::{Finding, Severity};

/// A twentieth of a second this loud is a sound; what stays below all along is a muted
/// microphone or the noise of its amplifier (common practice, no source).
const SOUND_DBFS: f64 = -70.0;

/// What stays below this and hardly changes all along is the hiss of a microphone turned up: a note
/// stands out of it by more (common practice, no source).
const HISS_DBFS: f64 = -45.0;
const HISS_SWELLS_DB: f64 = 4.0;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let span = take.span_s();
    let levels = take.records.profile.sorted_levels_db(span);
    let loudest = quantile(&levels, 0.995);
    let hisses = loudest < HISS_DBFS && loudest - quantile(&levels, 0.05) < HISS_SWELLS_DB;
    if loudest > SOUND_DBFS && !hisses {
        return None;
    }
    let says = "We hear no playing in this recording. Please check that the right microphone was \
                on and not muted, listen to the file, and send it again.";
    Some(Finding::new("silent", Severity::Unusable, says).measuring(loudest, "dBFS"))
}
