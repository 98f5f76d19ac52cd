//! Group mixes, before the master.

use super::files::{Draft, bext, plain_name};
use super::progress::{Count, Stage, Way};
use super::{OutputFile, RenderError, RenderKind, RenderRequest, heard};
use crate::plan::{Plan, PlannedGroup};
use ripieno_engine::write::{SampleFormat, WavSpec, WavWriter};
use std::fs::File;
use std::io::BufWriter;
use std::ops::Range;

/// A WAV file being written.
struct Part {
    draft: Draft,
    writer: WavWriter<BufWriter<File>>,
}

/// `groups/NAME.wav` for every group, one for the room if there is one, and
/// `groups/mix-before-master.wav`, their sum, all in `f32`: nothing clips before the master, and
/// the sum holds to the last bit of a 24-bit sample.
///
/// Of some sections a group has a file only if anyone of it is heard there, just as there are
/// stems and credits of those alone. What such a group leaves in them, the step at a border by
/// which it opens or shuts, is in the mix only.
pub(super) struct GroupFiles {
    mix: Part,
    /// In the order of the groups; none for one that is left out.
    groups: Vec<Option<Part>>,
    silence: Vec<f32>,
}

impl GroupFiles {
    /// The files, if a final wants them.
    pub(super) fn create(
        request: &RenderRequest<'_>,
        plan: &Plan,
        with_room: bool,
    ) -> Result<Option<Self>, RenderError> {
        if request.kind != RenderKind::Final || !request.outputs.group_mixes {
            return Ok(None);
        }
        let heard = heard::takes(request, plan);
        let is_heard = |group: &PlannedGroup| {
            request.sections.is_empty()
                || group.stems.iter().any(|stem| heard.contains(&stem.take_id))
        };
        let groups = plan.groups.iter().map(|group| (group.name.as_str(), is_heard(group)));
        let groups = groups
            .chain(with_room.then_some(("Room", true)))
            .enumerate()
            .map(|(number, (group, is_heard))| {
                // A group has the same number in every deliverable.
                let name = format!("groups/{}-{}.wav", number + 1, plain_name(group));
                is_heard.then(|| Part::create(request, plan, &name, group)).transpose()
            })
            .collect::<Result<_, _>>()?;
        let mix =
            Part::create(request, plan, "groups/mix-before-master.wav", "Mix before the master")?;
        Ok(Some(Self { mix, groups, silence: Vec::new() }))
    }

    /// Writes `frames` of one stretch of all; a group without samples is silent.
    pub(super) fn push(
        &mut self,
        mix: [&[f32]; 2],
        groups: &[[Vec<f32>; 2]],
        frames: Range<usize>,
    ) -> Result<(), RenderError> {
        self.mix.write(&[&mix[0][frames.clone()], &mix[1][frames.clone()]])?;
        self.silence.resize(frames.len(), 0.0);
        for (part, [left, right]) in self.groups.iter_mut().zip(groups) {
            let Some(part) = part else { continue };
            if left.is_empty() {
                part.write(&[&self.silence, &self.silence])?;
            } else {
                part.write(&[&left[frames.clone()], &right[frames.clone()]])?;
            }
        }
        Ok(())
    }

    pub(super) fn show(self, way: &Way<'_>) -> Result<Vec<OutputFile>, RenderError> {
        let parts: Vec<Part> = self.groups.into_iter().flatten().chain([self.mix]).collect();
        let count = Count::new(way, Stage::Groups, parts.len() as u64);
        let show = |part: Part| part.show().inspect(|_| count.add(1));
        parts.into_iter().map(show).collect()
    }
}

impl Part {
    fn create(
        request: &RenderRequest<'_>,
        plan: &Plan,
        name: &str,
        what: &str,
    ) -> Result<Self, RenderError> {
        let draft = Draft::new(&request.out_dir, name, "audio/wav")?;
        let spec = WavSpec {
            bext: Some(bext(request, what, plan.heard.start)),
            ..WavSpec::new(request.piece.sample_rate_hz, 2, SampleFormat::Float32)
        };
        let writer =
            WavWriter::new(draft.create()?, spec).map_err(|error| draft.write_failed(error))?;
        Ok(Self { draft, writer })
    }

    fn write(&mut self, block: &[&[f32]]) -> Result<(), RenderError> {
        self.writer.write(block).map_err(|error| self.draft.write_failed(error))
    }

    fn show(self) -> Result<OutputFile, RenderError> {
        let out = self.writer.finish().map_err(|error| self.draft.write_failed(error))?;
        self.draft.show(out)
    }
}
