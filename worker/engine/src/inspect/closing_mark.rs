//! The closing mark was left in at the end.

use super::Take;
use crate::finding::{Finding, Severity};
use crate::locate::SURE;

pub(super) fn check(take: &Take) -> Option<Finding> {
    take.grid.closing_mark_s?;
    let arrival = take.closing.first().filter(|arrival| arrival.score >= SURE)?;
    let says = "The closing mark is still in your recording. It helped us to check the tempo, and \
                we took it out of the mix; there is nothing to do.";
    let finding = Finding::new("closing_mark", Severity::Info, says);
    Some(finding.measuring(arrival.score, "score").at(vec![(arrival.at_s, arrival.at_s + 0.1)]))
}
