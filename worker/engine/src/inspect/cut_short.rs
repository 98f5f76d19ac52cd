//! The recording ends before the piece does, or before it has begun.

use super::Take;
use crate::finding::{Finding, Severity};

/// Missing less than this at the end is a stop button pressed on the last note.
const GRACE_S: f64 = 0.5;

/// Who has so little of the piece has stopped the recording too early, or has put the mark after
/// the playing: the shortest part that is worth sending is longer (common practice, no source).
const NEARLY_NOTHING_S: f64 = 6.0;

/// Playing this close to the end of the file was cut, not finished.
const STILL_PLAYING_S: f64 = 0.7;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let end_s = take.file_time_s(take.grid.beats_s.last().copied()?)?;
    let file_s = take.playing.duration_s;
    let missing = end_s - file_s;
    if missing <= GRACE_S {
        return None;
    }
    let begin_s = take.file_time_s(0.0)?;
    if file_s - begin_s < NEARLY_NOTHING_S && missing > NEARLY_NOTHING_S {
        return Some(nearly_nothing(take, begin_s, end_s, missing));
    }
    let last_onset = take.playing.onsets.last().map_or(0.0, |onset| onset.at_s);
    let cut = file_s - last_onset < STILL_PLAYING_S;
    let says = format!(
        "Your recording stops {missing:.1} seconds before the piece ends{}. If your part goes on \
         to the end, please send the whole take.",
        if cut { ", in the middle of the playing" } else { "" }
    );
    let finding = Finding::new("cut_short", Severity::Advice, says).measuring(missing, "s");
    Some(finding.at(vec![(file_s, end_s)]))
}

/// Sounds before bar 1, so many seconds of them, that are more than a mark and a count-in.
const PLAYED_BEFORE_S: f64 = 20.0;

fn nearly_nothing(take: &Take, begin_s: f64, end_s: f64, missing: f64) -> Finding {
    let says = if begin_s > PLAYED_BEFORE_S && !take.playing.onsets.is_empty() {
        "The opening mark comes at the very end of your recording, with hardly anything after it. \
         Your playing belongs after the mark: please move it there, or record again along with the \
         guide."
    } else {
        "Your recording stops just after the opening mark, before your part has begun. Please send \
         the whole take."
    };
    let finding = Finding::new("cut_short", Severity::Asks, says).measuring(missing, "s");
    finding.at(vec![(take.playing.duration_s, end_s)])
}
