//! The opening mark is not in the file.

use super::Take;
use crate::finding::{Finding, Severity};
use crate::fit::Basis;
use crate::locate::SURE;

pub(super) fn check(take: &Take) -> Option<Finding> {
    take.grid.opening_mark_s?;
    let score = take.opening.first().map_or(0.0, |arrival| arrival.score);
    if score >= SURE {
        return None;
    }
    let by_closing = take.fit.is_some_and(|fit| fit.basis != Basis::PlayingOnly);
    let (severity, says) = if by_closing {
        let says = "We did not hear the opening mark in your recording, so we went by the closing \
                    mark at its end. Next time please let the opening mark stay in.";
        (Severity::Advice, says)
    } else if take.fit.is_some() {
        // The fit asks for the place, and offers some or one.
        let says = "We did not hear the opening mark in your recording. Next time please let the \
                    mark stay in: it tells us to the hair where your recording belongs.";
        (Severity::Advice, says)
    } else {
        let says = "We did not hear the opening mark in your recording, so we are not sure where \
                    it begins. Please choose the right place by ear, or send a version that \
                    still has the mark.";
        (Severity::Asks, says)
    };
    Some(Finding::new("no_mark", severity, says).measuring(score, "score"))
}
