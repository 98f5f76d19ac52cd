//! Which part of the grid is rendered.

use super::PlannedSection;
use crate::render_mix::{RenderError, RenderRequest};
use std::ops::Range;

/// The whole piece begins this long before bar 1, for those who play a little early.
const LEAD_IN_S: f64 = 0.5;

/// Sound that rings on after the last bar is kept for as long as this.
const LONGEST_TAIL_S: f64 = 8.0;

/// The parts of the grid a render has to do with.
pub(super) struct Ranges {
    /// The whole piece.
    pub(super) whole: Range<i64>,
    /// What is delivered.
    pub(super) heard: Range<i64>,
    /// Sections in that.
    pub(super) sections: Vec<PlannedSection>,
}

/// Sections asked for are delivered from the first to the last of them. They are cut out of the
/// mastered whole: so a fade stays a fade, and what rings over from before is there.
pub(super) fn ranges(request: &RenderRequest<'_>, end_sample: i64) -> Result<Ranges, RenderError> {
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
        return Ok(Ranges { heard: whole.clone(), whole, sections: all });
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
    let range = range.unwrap_or(whole.clone());
    let range = range.start.max(whole.start)..range.end.min(whole.end);
    let inside = |section: &&PlannedSection| {
        section.samples.start < range.end && section.samples.end > range.start
    };
    let sections = all.iter().filter(inside).cloned().collect();
    Ok(Ranges { whole, heard: range, sections })
}
