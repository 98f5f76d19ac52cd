//! Gathers the report.

use super::bus::Sum;
use super::master::Master;
use super::spool::Spooled;
use super::{GroupReport, OutputFile, RenderError, RenderReport, RenderRequest, SectionReport};
use crate::plan::{Plan, PlannedSection};
use ripieno_engine::loudness::{Measure, Meter};
use ripieno_engine::plot::{Plot, Plotter};
use ripieno_engine::stem::BLOCK_FRAMES;

/// Measures each section of the mastered mix, lists who sounds in it, and draws the whole.
pub(super) fn sections(
    plan: &Plan,
    mix: &Spooled,
    rate_hz: u32,
) -> Result<(Vec<SectionReport>, Plot), RenderError> {
    let mut plotter = Plotter::new(rate_hz);
    let mut meters = plan
        .sections
        .iter()
        .map(|_| Meter::new(rate_hz, 2, Measure::Integrated))
        .collect::<Result<Vec<_>, _>>()
        .map_err(|error| RenderError::Impossible(error.to_string()))?;
    mix.each(&mut |first_frame, block| {
        plotter.push(block);
        let first = plan.range.start + first_frame as i64;
        let frames = block[0].len() as i64;
        for (section, meter) in plan.sections.iter().zip(&mut meters) {
            let from = (section.samples.start - first).clamp(0, frames) as usize;
            let upto = (section.samples.end - first).clamp(0, frames) as usize;
            if from < upto {
                meter.push(&[&block[0][from..upto], &block[1][from..upto]]);
            }
        }
        Ok(())
    })?;
    let report = |(section, meter): (&PlannedSection, &Meter)| SectionReport {
        name: section.name.clone(),
        first_sample: section.samples.start,
        end_sample: section.samples.end,
        lufs: meter.integrated_lufs(),
        takes: takes_in(plan, section),
    };
    Ok((plan.sections.iter().zip(&meters).map(report).collect(), plotter.finish()))
}

/// Takes that sound in a section while their group is open.
fn takes_in(plan: &Plan, section: &PlannedSection) -> Vec<String> {
    let block = BLOCK_FRAMES as i64;
    let blocks = section.samples.start.div_euclid(block)
        ..(section.samples.end + block - 1).div_euclid(block);
    let mut takes: Vec<String> = plan
        .groups
        .iter()
        .filter(|group| group.curve.constant_over(section.samples.clone()) != Some(0.0))
        .flat_map(|group| &group.stems)
        .filter(|stem| stem.file.runs_in(blocks.clone()).next().is_some())
        .map(|stem| stem.take_id.clone())
        .collect();
    takes.sort();
    takes
}

/// Puts the account of a render together.
pub(super) fn report(
    request: &RenderRequest<'_>,
    plan: &Plan,
    sum: Sum,
    master: Master,
    sections: Vec<SectionReport>,
    files: Vec<OutputFile>,
) -> RenderReport {
    let groups = plan
        .groups
        .iter()
        .map(|group| GroupReport {
            name: group.name.clone(),
            stems: group.stems.len(),
            measured_lufs: group.measured_lufs,
            level_gain_db: group.level_gain_db,
        })
        .collect();
    RenderReport {
        title: request.piece.title.clone(),
        kind: request.kind,
        sample_rate_hz: request.piece.sample_rate_hz,
        first_sample: plan.range.start,
        frames: sum.mix.frames(),
        loudness: master.loudness,
        unmastered_lufs: sum.lufs,
        master_gain_db: master.gain_db,
        limited_db: master.limited_db,
        sections,
        groups,
        stems: plan.stems.clone(),
        beds: sum.beds,
        files,
        notes: master.notes,
    }
}
