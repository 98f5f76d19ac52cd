//! Every stem as a WAV file that says where it lies.

use super::files::{Draft, bext, plain_name};
use super::progress::{Count, Stage, Way};
use super::{OutputFile, RenderError, RenderKind, RenderRequest};
use crate::plan::{Plan, PlannedStem};
use rayon::prelude::*;
use ripieno_engine::stem::BLOCK_FRAMES;
use ripieno_engine::write::{SampleFormat, WavSpec, WavWriter};
use std::collections::BTreeSet;
use std::ops::Range;

/// Frames copied at a time.
const STEP_FRAMES: i64 = 32 * BLOCK_FRAMES as i64;

/// A stem, and what of it is written.
struct Cut<'p> {
    stem: &'p PlannedStem,
    samples: Range<i64>,
}

impl<'p> Cut<'p> {
    /// All of a stem; of some sections alone what lies in them.
    fn of(request: &RenderRequest<'_>, plan: &Plan, stem: &'p PlannedStem) -> Self {
        let summary = stem.file.summary();
        let whole = summary.first_sample..summary.end_sample();
        if request.sections.is_empty() {
            return Self { stem, samples: whole };
        }
        let samples = whole.start.max(plan.heard.start)..whole.end.min(plan.heard.end);
        Self { stem, samples }
    }

    /// Samples of all its channels.
    fn size(&self) -> u64 {
        let frames = (self.samples.end - self.samples.start).max(0) as u64;
        frames * u64::from(self.stem.file.summary().channels)
    }
}

/// What the file of a take's stem is called.
pub(super) fn stem_name(take_id: &str) -> String {
    format!("stems/{}.wav", plain_name(take_id))
}

/// Writes `stems/TAKE.wav` for every stem that is `heard`, as it was conformed, without trim or
/// pan: 24-bit, or float where a sample is beyond full scale. Of some sections only what lies in
/// them is written.
pub(super) fn write_stems(
    request: &RenderRequest<'_>,
    plan: &Plan,
    heard: &BTreeSet<String>,
    way: &Way<'_>,
) -> Result<Vec<OutputFile>, RenderError> {
    if request.kind != RenderKind::Final || !request.outputs.aligned_stems {
        return Ok(Vec::new());
    }
    let stems = plan.groups.iter().flat_map(|group| &group.stems);
    let stems = stems.filter(|stem| heard.contains(&stem.take_id));
    let cuts: Vec<Cut<'_>> = stems.map(|stem| Cut::of(request, plan, stem)).collect();
    let count = Count::new(way, Stage::Stems, cuts.iter().map(Cut::size).sum());
    cuts.par_iter().map(|cut| write_stem(request, cut, &count)).collect()
}

fn write_stem(
    request: &RenderRequest<'_>,
    Cut { stem, samples }: &Cut<'_>,
    count: &Count<'_, '_>,
) -> Result<OutputFile, RenderError> {
    let summary = stem.file.summary();
    let draft = Draft::new(&request.out_dir, &stem_name(&stem.take_id), "audio/wav")?;
    let format = if summary.peak > 1.0 { SampleFormat::Float32 } else { SampleFormat::Int24 };
    let spec = WavSpec {
        bext: Some(bext(request, &stem.take_id, samples.start)),
        ..WavSpec::new(summary.rate_hz, summary.channels, format)
    };
    let mut writer =
        WavWriter::new(draft.create()?, spec).map_err(|error| draft.write_failed(error))?;
    let mut from = samples.start;
    while from < samples.end {
        let upto = samples.end.min(from + STEP_FRAMES);
        let planes = stem
            .file
            .read(from..upto)
            .map_err(|source| RenderError::Stem { take_id: stem.take_id.clone(), source })?;
        let views: Vec<&[f32]> = planes.iter().map(Vec::as_slice).collect();
        writer.write(&views).map_err(|error| draft.write_failed(error))?;
        count.add((upto - from) as u64 * u64::from(summary.channels));
        from = upto;
    }
    let out = writer.finish().map_err(|error| draft.write_failed(error))?;
    draft.show(out)
}
