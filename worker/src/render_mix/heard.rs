//! Who is heard in what is delivered.

use super::RenderRequest;
use crate::plan::{Plan, PlannedGroup, PlannedStem};
use ripieno_engine::stem::BLOCK_FRAMES;
use std::collections::BTreeSet;
use std::ops::Range;

/// The takes whose stems, credits and offsets a render delivers: of the whole piece all that are in
/// the mix; of some sections those that are heard in one of them.
pub(super) fn takes(request: &RenderRequest<'_>, plan: &Plan) -> BTreeSet<String> {
    if request.sections.is_empty() {
        let stems = plan.groups.iter().flat_map(|group| &group.stems);
        return stems.map(|stem| stem.take_id.clone()).collect();
    }
    let step = step(request);
    plan.sections.iter().flat_map(|section| takes_in(plan, &section.samples, step)).collect()
}

/// What opens or shuts at a section's border takes so many samples to do so.
pub(super) fn step(request: &RenderRequest<'_>) -> i64 {
    let rate_hz = f64::from(request.piece.sample_rate_hz);
    (request.arrangement.step_ms() * 1e-3 * rate_hz).ceil() as i64
}

/// Takes that sound in a section where their group is open, by id. A `step` at its borders alone
/// lets nobody be heard in it.
pub(super) fn takes_in(plan: &Plan, section: &Range<i64>, step: i64) -> Vec<String> {
    let step = step.min((section.end - section.start) / 3).max(0);
    let inside = section.start + step..section.end - step;
    let mut takes: Vec<String> = plan
        .groups
        .iter()
        .filter(|group| group.curve.constant_over(inside.clone()) != Some(0.0))
        .flat_map(|group| group.stems.iter().filter(|stem| sounds(group, stem, &inside)))
        .map(|stem| stem.take_id.clone())
        .collect();
    takes.sort();
    takes
}

/// Whether some block of a stem has sound within a range while its group is open.
fn sounds(group: &PlannedGroup, stem: &PlannedStem, range: &Range<i64>) -> bool {
    let block = BLOCK_FRAMES as i64;
    let blocks = range.start.div_euclid(block)..(range.end + block - 1).div_euclid(block);
    stem.file.runs_in(blocks).flat_map(|run| run.first_block..run.end_block()).any(|number| {
        let (first, end) = (number * block, (number + 1) * block);
        let here = first.max(range.start)..end.min(range.end);
        !here.is_empty() && group.curve.constant_over(here) != Some(0.0)
    })
}
