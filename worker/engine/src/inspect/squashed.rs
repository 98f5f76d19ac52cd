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

/// Peak over the level of the loud moments; above it there is life left. A limiter leaves short
/// strokes 13 and less; as played, or as a machine plays them, claps and woodblocks have 16 and
/// more.
const LOW_CREST_DB: f64 = 14.0;

/// Notes needed to say so.
const LEAST_NOTES: usize = 30;

/// Within this time of its attack a struck note has its peak, and one that is bowed or blown by the
/// later time, or before the next begins.
const PEAK_WITHIN_S: (f64, f64) = (0.12, 0.4);
const BEFORE_NEXT_S: f64 = 0.025;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let span = take.span_s();
    let profile = &take.records.profile;
    let begins = take.playing.onsets.iter().map(|onset| onset.at_s);
    let nexts = begins.clone().skip(1).chain([f64::INFINITY]);
    let mut peaks: Vec<f64> = begins
        .zip(nexts)
        .filter(|(at, _)| (span.0..span.1).contains(at))
        .map(|(at, next)| {
            let (soon, late) = PEAK_WITHIN_S;
            let end = (at + late).min((next - BEFORE_NEXT_S).max(at + soon));
            20.0 * f64::from(profile.peak((at, end)).max(1e-7)).log10()
        })
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
