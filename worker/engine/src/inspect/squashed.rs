//! Compressed or limited until every note is equally loud.
//!
//! What tells is the peaks of the notes: a player's differ by some decibels, a limiter's do not,
//! and they stand little above the mean level. A drone has no notes to compare, so it is left
//! alone.

use super::Take;
use super::profile::quantile;
use crate::finding::{Finding, Severity};

/// Robust spread of note peaks below which a machine levelled them.
const LEVELLED_DB: f64 = 0.75;

/// Peak over the level of the loud moments; above it there is life left.
const LOW_CREST_DB: f64 = 12.0;

/// Notes needed to say so.
const LEAST_NOTES: usize = 30;

/// Within this time of its attack a note has its peak.
const PEAK_WITHIN_S: f64 = 0.12;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let span = take.span_s();
    let profile = &take.records.profile;
    let onsets = take.playing.onsets.iter().map(|onset| onset.at_s);
    let mut peaks: Vec<f64> = onsets
        .filter(|at| (span.0..span.1).contains(at))
        .map(|at| 20.0 * f64::from(profile.peak((at, at + PEAK_WITHIN_S)).max(1e-7)).log10())
        .collect();
    peaks.sort_by(f64::total_cmp);
    if peaks.len() < LEAST_NOTES {
        return None;
    }
    let spread_db = (quantile(&peaks, 0.75) - quantile(&peaks, 0.25)) / 1.349;
    let loud = quantile(&profile.sorted_levels_db(span), 0.9);
    let crest_db = quantile(&peaks, 0.9) - loud;
    if spread_db >= LEVELLED_DB || crest_db >= LOW_CREST_DB {
        return None;
    }
    let says = "Every note in this recording has the same level, as after a compressor or an \
                automatic level control. Please switch it off if you can: quiet and loud are part \
                of the playing.";
    Some(Finding::new("squashed", Severity::Advice, says).measuring(spread_db, "dB"))
}
