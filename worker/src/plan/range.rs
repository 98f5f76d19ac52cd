//! Which part of the grid is rendered.

use super::PlannedSection;
use crate::render_mix::{RenderError, RenderRequest};
use std::ops::Range;

/// The whole piece begins this long before bar 1, for those who play a little early.
const LEAD_IN_S: f64 = 0.5;

/// Sound that rings on after the last bar is kept for as long as this.
const LONGEST_TAIL_S: f64 = 8.0;

/// The range of a render and the sections in it. Sections asked for are rendered from the first
/// to the last of them.
pub(super) fn range(
    request: &RenderRequest<'_>,
    end_sample: i64,
) -> Result<(Range<i64>, Vec<PlannedSection>), RenderError> {
    let piece = request.piece;
    let frames = |seconds: f64| (seconds * f64::from(piece.sample_rate_hz)).round() as i64;
    let all: Vec<PlannedSection> = piece
        .sections
        .iter()
        .map(|section| PlannedSection {
            name: section.name.clone(),
            samples: piece.section_samples(section),
        })
        .collect();
    let whole = {
        let music = piece.end_sample();
        let end = end_sample.clamp(music, music + frames(LONGEST_TAIL_S));
        -frames(LEAD_IN_S)..end
    };
    if request.sections.is_empty() {
        return Ok((whole, all));
    }
    let mut range: Option<Range<i64>> = None;
    for name in &request.sections {
        let number = piece.section_named(name).ok_or_else(|| RenderError::UnknownSection {
            name: name.clone(),
            known: all.iter().map(|section| section.name.as_str()).collect::<Vec<_>>().join(", "),
        })?;
        let samples = &all[number].samples;
        range = Some(range.map_or(samples.clone(), |range| {
            range.start.min(samples.start)..range.end.max(samples.end)
        }));
    }
    let range = range.unwrap_or(whole);
    let inside = |section: &PlannedSection| {
        section.samples.start < range.end && section.samples.end > range.start
    };
    Ok((range.clone(), all.into_iter().filter(inside).collect()))
}
