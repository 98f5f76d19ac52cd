//! What a render will sum: groups, gains, pans, curves, and the part of the grid.
//!
//! A stem's static gain is its trim (to the common active loudness), its exception's gain, and
//! its pan; it depends on the take alone, so beds stay good as other takes arrive. A group's gain
//! is that which brings its measured power to the common group level, plus the arrangement's.

mod balance;
mod opened;
mod placement;
mod range;

pub(crate) use balance::group_lufs;
pub use balance::{GROUP_LUFS, MOST_LIFT_DB, STEM_LUFS};

use crate::render_mix::{RenderError, RenderRequest, StemEntry, StemReport};
use ripieno_engine::bed::Contribution;
use ripieno_engine::mix::{Curve, CurvePoint, Shape, amplitude};
use ripieno_engine::stem::StemFile;
use std::ops::Range;

/// All a render sums, in an order that does not depend on the order of the request.
pub struct Plan {
    /// The part of the grid that is summed and mastered: the whole piece.
    pub range: Range<i64>,
    /// The part that is delivered: all of it, or some sections.
    pub heard: Range<i64>,
    /// Sections in that.
    pub sections: Vec<PlannedSection>,
    /// Groups, as in the arrangement, those that are not wanted left out.
    pub groups: Vec<PlannedGroup>,
    /// Every stem asked for, heard or not, by take id.
    pub stems: Vec<StemReport>,
}

impl Plan {
    /// What is delivered, in frames of what is summed.
    #[must_use]
    pub fn heard_frames(&self) -> Range<u64> {
        let frame = |sample: i64| (sample - self.range.start).max(0) as u64;
        frame(self.heard.start)..frame(self.heard.end)
    }

    /// Sets every group's gain by the loudness that was measured of it, in order.
    pub(crate) fn set_levels(&mut self, lufs: &[Option<f64>]) {
        for (group, lufs) in self.groups.iter_mut().zip(lufs) {
            group.measured_lufs = *lufs;
            group.level_gain_db = balance::level_gain_db(*lufs);
            group.gain = amplitude(group.level_gain_db + group.own_gain_db);
        }
    }
}

/// A section inside the rendered range.
#[derive(Debug, Clone)]
pub struct PlannedSection {
    /// Its name.
    pub name: String,
    /// Where it lies on the grid.
    pub samples: Range<i64>,
}

/// A group with its stems.
pub struct PlannedGroup {
    /// Its name.
    pub name: String,
    /// Its level along the grid.
    pub curve: Curve,
    /// Its steady gain, linear: the arrangement's and, once it was measured, that to the common level.
    pub gain: f64,
    /// Loudness of its bed where it plays, LUFS; none before it was measured.
    pub measured_lufs: Option<f64>,
    /// Gain to the common group level, dB.
    pub level_gain_db: f64,
    /// The arrangement's gain, dB.
    pub own_gain_db: f64,
    /// Its stems.
    pub stems: Vec<PlannedStem>,
    /// A stem made louder: its extra share, never kept in a bed.
    pub spotlight: Option<PlannedStem>,
}

/// A stem with its static gains.
pub struct PlannedStem {
    /// Whose.
    pub take_id: String,
    /// Header and index; no open file.
    pub file: StemFile,
    /// To left and right.
    pub gains: [f32; 2],
}

impl PlannedStem {
    /// As the engine sums it.
    #[must_use]
    pub fn contribution(&self) -> Contribution<'_> {
        Contribution { stem: &self.file, gains: self.gains }
    }
}

/// Shortest ramp of a curve: entries and exits never click (common practice, no source).
const SHORTEST_RAMP_S: f64 = 0.005;

/// Plans a render.
///
/// # Errors
/// [`RenderError`] for unknown names, stems that cannot be read or do not fit, or nothing to mix.
pub fn plan(request: &RenderRequest<'_>) -> Result<Plan, RenderError> {
    let wanted = wanted_groups(request)?;
    let mut entries: Vec<&StemEntry> = request.stems.iter().collect();
    entries.sort_by(|a, b| a.take_id.cmp(&b.take_id));
    entries.dedup_by(|a, b| a.take_id == b.take_id);
    let mut groups: Vec<Vec<PlannedStem>> =
        request.arrangement.groups().iter().map(|_| Vec::new()).collect();
    let mut stems = Vec::with_capacity(entries.len());
    let mut end_sample = 0;
    for entry in entries {
        let file = open(entry, request.piece.sample_rate_hz)?;
        let (report, group) = place(request, entry, &file, &wanted);
        if let Some(group) = group
            && !report.mute
        {
            end_sample = end_sample.max(file.summary().end_sample());
            let gains = placement::gains(&file, report.trim_db, report.pan);
            groups[group].push(PlannedStem { take_id: entry.take_id.clone(), file, gains });
        }
        stems.push(report);
    }
    if groups.iter().all(Vec::is_empty) {
        return Err(RenderError::NoStems);
    }
    let range::Ranges { whole, heard, sections } = range::ranges(request, end_sample)?;
    let mut groups: Vec<PlannedGroup> = groups
        .into_iter()
        .enumerate()
        .filter(|(_, stems)| !stems.is_empty())
        .map(|(number, stems)| planned_group(request, number, stems))
        .collect();
    shine(request, &mut groups)?;
    Ok(Plan { range: whole, heard, sections, groups, stems })
}

fn open(entry: &StemEntry, piece_hz: u32) -> Result<StemFile, RenderError> {
    let file = opened::open(&entry.path)
        .map_err(|source| RenderError::Stem { take_id: entry.take_id.clone(), source })?;
    let stem_hz = file.summary().rate_hz;
    if stem_hz == piece_hz {
        Ok(file)
    } else {
        Err(RenderError::WrongRate { take_id: entry.take_id.clone(), stem_hz, piece_hz })
    }
}

/// For every group of the arrangement, whether this render wants it.
fn wanted_groups(request: &RenderRequest<'_>) -> Result<Vec<bool>, RenderError> {
    let groups = request.arrangement.groups();
    let mut wanted = vec![request.groups.is_empty(); groups.len()];
    for name in &request.groups {
        let number = request.arrangement.group_named(name).ok_or_else(|| {
            let names: Vec<&str> = groups.iter().map(|group| group.name.as_str()).collect();
            RenderError::UnknownGroup { name: name.clone(), known: names.join(", ") }
        })?;
        wanted[number] = true;
    }
    for (wanted, group) in wanted.iter_mut().zip(groups) {
        *wanted &= !group.mute;
    }
    Ok(wanted)
}

/// What is to be done with one stem, and its group.
fn place(
    request: &RenderRequest<'_>,
    entry: &StemEntry,
    file: &StemFile,
    wanted: &[bool],
) -> (StemReport, Option<usize>) {
    let group = request.arrangement.group_of_take(&entry.take_id, &entry.facts);
    let exception = request.arrangement.exception_for(&entry.take_id);
    let own_gain_db = exception.map_or(0.0, |exception| exception.gain_db);
    let trim_db = balance::trim_db(file.summary().active_lufs) + own_gain_db;
    let laid_out = group.and_then(|number| request.arrangement.groups().get(number));
    let pan = exception.and_then(|exception| exception.pan).unwrap_or_else(|| {
        let (middle, spread) = laid_out.map_or((0.0, None), |group| (group.pan, group.spread));
        placement::pan(&entry.take_id, &entry.facts, file.summary(), middle, spread)
    });
    let mute = exception.is_some_and(|exception| exception.mute)
        || group.is_none_or(|number| !wanted.get(number).copied().unwrap_or(false));
    let report = StemReport {
        take_id: entry.take_id.clone(),
        credit: entry.credit.clone(),
        content_hash: file.summary().content_hex(),
        group: laid_out.map(|group| group.name.clone()),
        trim_db,
        pan,
        mute,
    };
    (report, group)
}

fn planned_group(
    request: &RenderRequest<'_>,
    number: usize,
    stems: Vec<PlannedStem>,
) -> PlannedGroup {
    let group = &request.arrangement.groups()[number];
    let points: Vec<CurvePoint> = request
        .arrangement
        .group_curve(number, request.piece)
        .iter()
        .map(|point| CurvePoint {
            at_sample: point.at_sample,
            db: point.db,
            shape: match point.shape {
                ripieno_score::Shape::Hold => Shape::Hold,
                ripieno_score::Shape::Line => Shape::Line,
                ripieno_score::Shape::EqualPower => Shape::EqualPower,
                ripieno_score::Shape::SCurve => Shape::SCurve,
            },
        })
        .collect();
    let step = (SHORTEST_RAMP_S * f64::from(request.piece.sample_rate_hz)).round() as i64;
    PlannedGroup {
        name: group.name.clone(),
        curve: Curve::new(&points, step),
        gain: amplitude(group.gain_db),
        measured_lufs: None,
        level_gain_db: 0.0,
        own_gain_db: group.gain_db,
        stems,
        spotlight: None,
    }
}

/// Adds the extra share of the take that is to be louder.
fn shine(request: &RenderRequest<'_>, groups: &mut [PlannedGroup]) -> Result<(), RenderError> {
    let Some(spotlight) = &request.spotlight else { return Ok(()) };
    let extra = amplitude(spotlight.gain_db.clamp(0.0, 20.0)) - 1.0;
    for group in groups {
        let found = group.stems.iter().find(|stem| stem.take_id == spotlight.take_id);
        if let Some(stem) = found {
            group.spotlight = Some(PlannedStem {
                take_id: stem.take_id.clone(),
                file: stem.file.clone(),
                gains: stem.gains.map(|gain| (f64::from(gain) * extra) as f32),
            });
            return Ok(());
        }
    }
    Err(RenderError::UnknownTake { take_id: spotlight.take_id.clone() })
}

#[cfg(test)]
mod tests;
