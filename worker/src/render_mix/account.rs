//! Gathers the report.

use super::bus::Sum;
use super::master::Master;
use super::{
    GroupReport, OutputFile, RenderError, RenderReport, RenderRequest, SectionReport, heard,
};
use crate::plan::{Plan, PlannedSection};
use ripieno_engine::limit::TruePeak;
use ripieno_engine::loudness::Loudness;
use ripieno_engine::loudness::hops::{hop_frames, integrated_lufs, loudness_of};
use ripieno_engine::plot::{Plot, Plotter};
use std::ops::Range;

/// The powers of the hops that begin in a part of the grid.
fn powers_in<'a>(plan: &Plan, powers: &'a [f64], rate_hz: u32, range: &Range<i64>) -> &'a [f64] {
    let hop = hop_frames(rate_hz) as u64;
    let number = |sample: i64| {
        let frame = (sample - plan.range.start).max(0) as u64;
        (frame.div_ceil(hop) as usize).min(powers.len())
    };
    &powers[number(range.start)..number(range.end).max(number(range.start))]
}

/// The loudness of each section of the mastered mix, and who sounds in it.
fn sections(
    request: &RenderRequest<'_>,
    plan: &Plan,
    master: &Master,
    rate_hz: u32,
) -> Vec<SectionReport> {
    let step = heard::step(request);
    let report = |section: &PlannedSection| SectionReport {
        name: section.name.clone(),
        first_sample: section.samples.start,
        end_sample: section.samples.end,
        lufs: integrated_lufs(powers_in(plan, &master.powers, rate_hz, &section.samples)),
        takes: heard::takes_in(plan, &section.samples, step),
    };
    plan.sections.iter().map(report).collect()
}

/// The mix as it is delivered: of some sections, what they are within the mastered whole.
pub(super) fn heard(plan: &Plan, mut master: Master, rate_hz: u32) -> Result<Master, RenderError> {
    if plan.heard == plan.range {
        return Ok(master);
    }
    master.notes = vec![format!(
        "These sections are as loud as they are in the whole piece, whose master gain is \
         {:.1} dB; alone they are not brought to the piece's target.",
        master.gain_db
    )];
    master.mix = master.mix.cut(plan.heard_frames());
    let mut peak = TruePeak::new(2);
    master.mix.each(&mut |_, block| {
        peak.push(block);
        Ok(())
    })?;
    let within = |powers: &[f64]| powers_in(plan, powers, rate_hz, &plan.heard).to_vec();
    master.powers_before = within(&master.powers_before);
    let powers = within(&master.powers);
    master.loudness = Loudness { true_peak_dbtp: peak.finish(), ..loudness_of(&powers) };
    Ok(master)
}

/// Draws the mix as it is delivered.
pub(super) fn plot(master: &Master, rate_hz: u32) -> Result<Plot, RenderError> {
    let mut plotter = Plotter::new(rate_hz);
    master.mix.each(&mut |_, block| {
        plotter.push(block);
        Ok(())
    })?;
    Ok(plotter.finish())
}

/// Puts the account of a render together.
pub(super) fn report(
    request: &RenderRequest<'_>,
    plan: &Plan,
    sum: Sum,
    master: Master,
    files: Vec<OutputFile>,
) -> RenderReport {
    let sections = sections(request, plan, &master, request.piece.sample_rate_hz);
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
        first_sample: plan.heard.start,
        frames: master.mix.frames(),
        loudness: master.loudness,
        unmastered_lufs: integrated_lufs(&master.powers_before),
        master_gain_db: master.gain_db,
        limited_db: master.limited_db,
        only_sections: request.sections.clone(),
        sections,
        groups,
        stems: plan.stems.clone(),
        beds: sum.beds,
        files,
        notes: master.notes,
    }
}
