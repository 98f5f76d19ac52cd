//! The recording ends before the piece does.

use super::Take;
use crate::finding::{Finding, Severity};

/// Missing less than this at the end is a stop button pressed on the last note.
const GRACE_S: f64 = 0.5;

/// Playing this close to the end of the file was cut, not finished.
const STILL_PLAYING_S: f64 = 0.7;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let end_s = take.file_time_s(take.grid.beats_s.last().copied()?)?;
    let file_s = take.playing.duration_s;
    let missing = end_s - file_s;
    if missing <= GRACE_S {
        return None;
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
