//! Every stem as a WAV file that says where it lies.

use super::files::{Draft, bext, plain_name};
use super::progress::{Count, Stage, Way};
use super::{OutputFile, RenderError, RenderKind, RenderRequest};
use crate::plan::{Plan, PlannedStem};
use rayon::prelude::*;
use ripieno_engine::stem::BLOCK_FRAMES;
use ripieno_engine::write::{SampleFormat, WavSpec, WavWriter};

/// Frames copied at a time.
const STEP_FRAMES: i64 = 32 * BLOCK_FRAMES as i64;

/// Writes `stems/TAKE.wav` for every stem in the mix, as it was conformed, without trim or pan:
/// 24-bit, or float where a sample is beyond full scale.
pub(super) fn write_stems(
    request: &RenderRequest<'_>,
    plan: &Plan,
    way: &Way<'_>,
) -> Result<Vec<OutputFile>, RenderError> {
    if request.kind != RenderKind::Final || !request.outputs.aligned_stems {
        return Ok(Vec::new());
    }
    let stems: Vec<&PlannedStem> = plan.groups.iter().flat_map(|group| &group.stems).collect();
    let samples = |stem: &&PlannedStem| {
        let summary = stem.file.summary();
        let frames = (summary.end_sample() - summary.first_sample).max(0) as u64;
        frames * u64::from(summary.channels)
    };
    let count = Count::new(way, Stage::Stems, stems.iter().map(samples).sum());
    stems.par_iter().map(|stem| write_stem(request, stem, &count)).collect()
}

fn write_stem(
    request: &RenderRequest<'_>,
    stem: &PlannedStem,
    count: &Count<'_, '_>,
) -> Result<OutputFile, RenderError> {
    let summary = stem.file.summary();
    let name = format!("stems/{}.wav", plain_name(&stem.take_id));
    let draft = Draft::new(&request.out_dir, &name, "audio/wav")?;
    let format = if summary.peak > 1.0 { SampleFormat::Float32 } else { SampleFormat::Int24 };
    let spec = WavSpec {
        bext: Some(bext(request, &stem.take_id, summary.first_sample)),
        ..WavSpec::new(summary.rate_hz, summary.channels, format)
    };
    let mut writer =
        WavWriter::new(draft.create()?, spec).map_err(|error| draft.write_failed(error))?;
    let mut from = summary.first_sample;
    while from < summary.end_sample() {
        let upto = summary.end_sample().min(from + STEP_FRAMES);
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
