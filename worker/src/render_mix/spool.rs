//! Sound put aside: in memory as long as it is not much, then in a file without a name, so that a
//! long mix needs no more memory than a short one.

use super::RenderError;
use super::shares::KeptSum;
use ripieno_engine::bed::StepsBuffer;
use ripieno_engine::plane::Plane;
use std::fs::File;
use std::ops::Range;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

/// Most frames handed out at a time.
const PIECE_FRAMES: usize = 32_768;

/// Frames held in memory: 96 MiB, over four minutes at 48 kHz.
const HELD_FRAMES: u64 = 12 << 20;

/// What takes a recording piece by piece: the number of its first frame, and left and right.
pub(super) type Sink<'a> = dyn FnMut(u64, &[&[f32]]) -> Result<(), RenderError> + 'a;

/// A part of a recording.
enum Part {
    Held([Plane; 2]),
    /// Frames of a kept sum, which are read only when they are wanted.
    Kept(KeptSum, Range<usize>),
    /// Planar in the file, from a frame of it on.
    Stored {
        at: u64,
        frames: usize,
    },
}

/// Stereo `f32` being put aside.
pub(super) struct Spool {
    dir: PathBuf,
    parts: Vec<(u64, Part)>,
    file: Option<File>,
    stored: u64,
    frames: u64,
    /// Frames that may still be held.
    held_frames: u64,
    pending: [Vec<f32>; 2],
}

/// What was put aside; it can be read from several threads at once.
pub(super) struct Spooled {
    dir: PathBuf,
    /// Each with the number of its first frame, in order.
    parts: Vec<(u64, Part)>,
    file: Option<File>,
    frames: u64,
}

impl Spool {
    /// A spool whose file, if it needs one, lies unseen in `dir`.
    pub(super) fn new(dir: &Path) -> Self {
        Self::holding(dir, HELD_FRAMES)
    }

    fn holding(dir: &Path, held_frames: u64) -> Self {
        Self {
            dir: dir.to_owned(),
            parts: Vec::new(),
            file: None,
            stored: 0,
            frames: 0,
            held_frames,
            pending: Default::default(),
        }
    }

    /// Copies a block, small ones together.
    pub(super) fn push(&mut self, block: &[&[f32]]) -> Result<(), RenderError> {
        for (pending, plane) in self.pending.iter_mut().zip(block) {
            pending.extend_from_slice(plane);
        }
        if self.pending[0].len() >= PIECE_FRAMES {
            let pending = std::mem::take(&mut self.pending);
            self.take(pending.map(Plane::from))?;
        }
        Ok(())
    }

    /// Takes a block as it is. All is taken or all is pushed.
    pub(super) fn take(&mut self, planes: [Plane; 2]) -> Result<(), RenderError> {
        let frames = planes[0].len();
        let part = if frames as u64 <= self.held_frames {
            self.held_frames -= frames as u64;
            Part::Held(planes)
        } else {
            self.store(&planes)?
        };
        self.put(part);
        Ok(())
    }

    /// Takes some frames of a kept sum. All is taken or all is pushed.
    pub(super) fn take_kept(&mut self, kept: KeptSum, frames: Range<usize>) {
        self.put(Part::Kept(kept, frames));
    }

    fn put(&mut self, part: Part) {
        let frames = part.frames();
        self.parts.push((self.frames, part));
        self.frames += frames;
    }

    fn store(&mut self, planes: &[Plane; 2]) -> Result<Part, RenderError> {
        let wrong = |source| RenderError::io(&self.dir, source);
        let file = match self.file.take() {
            Some(file) => file,
            None => tempfile::tempfile_in(&self.dir).map_err(wrong)?,
        };
        let samples = planes.iter().flat_map(|plane| plane.iter());
        let bytes: Vec<u8> = samples.flat_map(|sample| sample.to_le_bytes()).collect();
        file.write_all_at(&bytes, 8 * self.stored).map_err(wrong)?;
        let (at, frames) = (self.stored, planes[0].len());
        self.file = Some(file);
        self.stored += frames as u64;
        Ok(Part::Stored { at, frames })
    }

    /// Ends the writing.
    pub(super) fn finish(mut self) -> Result<Spooled, RenderError> {
        if !self.pending[0].is_empty() {
            let pending = std::mem::take(&mut self.pending);
            self.take(pending.map(Plane::from))?;
        }
        let Self { dir, parts, file, frames, .. } = self;
        Ok(Spooled { dir, parts, file, frames })
    }
}

impl Spooled {
    pub(super) fn frames(&self) -> u64 {
        self.frames
    }

    /// Hands out a range, piece by piece, each with the number of its first frame.
    pub(super) fn each(&self, range: Range<u64>, sink: &mut Sink<'_>) -> Result<(), RenderError> {
        let from = self.parts.partition_point(|(first, part)| first + part.frames() <= range.start);
        let (mut read, mut buffer) = ([Vec::new(), Vec::new()], StepsBuffer::default());
        for (first, part) in &self.parts[from..] {
            let mut at = (*first).max(range.start);
            let end = (first + part.frames()).min(range.end);
            while at < end {
                let upto = end.min(at + PIECE_FRAMES as u64);
                let within = (at - first) as usize..(upto - first) as usize;
                match part {
                    Part::Held([left, right]) => {
                        sink(at, &[&left[within.clone()], &right[within]])?;
                    }
                    Part::Kept(kept, frames) => {
                        let frames = frames.start + within.start..frames.start + within.end;
                        read.iter_mut().for_each(Vec::clear);
                        kept.append_samples(frames, &mut read, &mut buffer)?;
                        sink(at, &[&read[0], &read[1]])?;
                    }
                    Part::Stored { at: stored_at, frames } => {
                        self.read(*stored_at, *frames, within, &mut read)?;
                        sink(at, &[&read[0], &read[1]])?;
                    }
                }
                at = upto;
            }
        }
        Ok(())
    }

    fn read(
        &self,
        stored_at: u64,
        frames: usize,
        within: Range<usize>,
        planes: &mut [Vec<f32>; 2],
    ) -> Result<(), RenderError> {
        let Some(file) = &self.file else { return Ok(()) };
        let mut bytes = vec![0u8; 4 * within.len()];
        for (side, plane) in planes.iter_mut().enumerate() {
            let at = 8 * stored_at + 4 * (side * frames + within.start) as u64;
            file.read_exact_at(&mut bytes, at)
                .map_err(|source| RenderError::io(&self.dir, source))?;
            plane.clear();
            plane.extend(bytes.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)));
        }
        Ok(())
    }
}

impl Part {
    fn frames(&self) -> u64 {
        match self {
            Part::Held([left, _]) => left.len() as u64,
            Part::Kept(_, frames) => frames.len() as u64,
            Part::Stored { frames, .. } => *frames as u64,
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn what_went_in_comes_out_as_often_as_asked_in_memory_or_not() {
        let dir = tempfile::tempdir().unwrap();
        let left: Vec<f32> = (0..200_001).map(|n| n as f32).collect();
        let right: Vec<f32> = left.iter().map(|sample| -sample).collect();
        for held_frames in [0, 70_000, 1 << 30] {
            let mut spool = Spool::holding(dir.path(), held_frames);
            for from in (0..left.len()).step_by(777) {
                let upto = left.len().min(from + 777);
                spool.push(&[&left[from..upto], &right[from..upto]]).unwrap();
            }
            let spool = spool.finish().unwrap();
            assert_eq!(spool.frames(), 200_001);
            for range in [0..200_001u64, 0..200_001, 32_000..150_000, 5..6, 200_001..300_000] {
                let mut read = [Vec::new(), Vec::new()];
                let mut collect = |at: u64, block: &[&[f32]]| {
                    assert_eq!(at, range.start + read[0].len() as u64);
                    read[0].extend_from_slice(block[0]);
                    read[1].extend_from_slice(block[1]);
                    Ok(())
                };
                spool.each(range.clone(), &mut collect).unwrap();
                let wanted = range.start as usize..(range.end as usize).min(left.len());
                assert!(read == [left[wanted.clone()].to_vec(), right[wanted].to_vec()]);
            }
        }
    }
}
