//! Sound put aside in a file without a name, so that a long mix needs no memory.

use super::RenderError;
use std::fs::File;
use std::io::{BufWriter, Write};
use std::ops::Range;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

/// Frames in a piece of a spool; every piece but the last has as many.
const PIECE_FRAMES: usize = 32_768;

/// What takes a recording piece by piece: the number of its first frame, and left and right.
pub(super) type Sink<'a> = dyn FnMut(u64, &[&[f32]]) -> Result<(), RenderError> + 'a;

/// Stereo `f32` being put aside, planar within pieces.
pub(super) struct Spool {
    out: BufWriter<File>,
    dir: PathBuf,
    pending: [Vec<f32>; 2],
    frames: u64,
}

/// What was put aside; it can be read from several threads at once.
pub(super) struct Spooled {
    file: File,
    dir: PathBuf,
    /// Frames in the file, and those of them that are handed out.
    stored: u64,
    heard: Range<u64>,
}

impl Spool {
    /// A spool whose file lies, unseen, in `dir`.
    pub(super) fn new(dir: &Path) -> Result<Self, RenderError> {
        let file = tempfile::tempfile_in(dir).map_err(|source| RenderError::io(dir, source))?;
        Ok(Self {
            out: BufWriter::with_capacity(1 << 18, file),
            dir: dir.to_owned(),
            pending: [Vec::new(), Vec::new()],
            frames: 0,
        })
    }

    pub(super) fn push(&mut self, block: &[&[f32]]) -> Result<(), RenderError> {
        let [left, right] = block else { return Ok(()) };
        self.frames += left.len() as u64;
        let mut from = 0;
        while from < left.len() {
            let upto = left.len().min(from + PIECE_FRAMES - self.pending[0].len());
            self.pending[0].extend_from_slice(&left[from..upto]);
            self.pending[1].extend_from_slice(&right[from..upto]);
            from = upto;
            if self.pending[0].len() == PIECE_FRAMES {
                self.write_piece()?;
            }
        }
        Ok(())
    }

    fn write_piece(&mut self) -> Result<(), RenderError> {
        let mut bytes = Vec::with_capacity(8 * self.pending[0].len());
        for plane in &mut self.pending {
            bytes.extend(plane.iter().flat_map(|sample| sample.to_le_bytes()));
            plane.clear();
        }
        self.out.write_all(&bytes).map_err(|source| RenderError::io(&self.dir, source))
    }

    /// Ends the writing.
    pub(super) fn finish(mut self) -> Result<Spooled, RenderError> {
        if !self.pending[0].is_empty() {
            self.write_piece()?;
        }
        let (dir, frames) = (self.dir, self.frames);
        let file =
            self.out.into_inner().map_err(|error| RenderError::io(&dir, error.into_error()))?;
        Ok(Spooled { file, dir, stored: frames, heard: 0..frames })
    }
}

impl Spooled {
    pub(super) fn frames(&self) -> u64 {
        self.heard.end - self.heard.start
    }

    /// The same, with nothing but `frames` of it handed out.
    pub(super) fn cut(mut self, frames: Range<u64>) -> Self {
        let end = frames.end.min(self.stored);
        self.heard = frames.start.min(end)..end;
        self
    }

    /// Hands out everything from the start, piece by piece.
    pub(super) fn each(&self, sink: &mut Sink<'_>) -> Result<(), RenderError> {
        let mut bytes = vec![0u8; 8 * PIECE_FRAMES];
        let mut planes = [Vec::new(), Vec::new()];
        let piece = PIECE_FRAMES as u64;
        let mut at = self.heard.start / piece * piece;
        while at < self.heard.end {
            let frames = piece.min(self.stored - at) as usize;
            let bytes = &mut bytes[..8 * frames];
            self.file
                .read_exact_at(bytes, 8 * at)
                .map_err(|source| RenderError::io(&self.dir, source))?;
            for (plane, bytes) in planes.iter_mut().zip(bytes.chunks_exact(4 * frames)) {
                plane.clear();
                plane.extend(bytes.as_chunks::<4>().0.iter().map(|b| f32::from_le_bytes(*b)));
            }
            let from = self.heard.start.saturating_sub(at) as usize;
            let upto = frames.min((self.heard.end - at) as usize);
            let first = at.saturating_sub(self.heard.start);
            sink(first, &[&planes[0][from..upto], &planes[1][from..upto]])?;
            at += frames as u64;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn what_went_in_comes_out_as_often_as_asked() {
        let dir = tempfile::tempdir().unwrap();
        let mut spool = Spool::new(dir.path()).unwrap();
        let left: Vec<f32> = (0..100_001).map(|n| n as f32).collect();
        let right: Vec<f32> = left.iter().map(|sample| -sample).collect();
        for from in (0..left.len()).step_by(777) {
            let upto = left.len().min(from + 777);
            spool.push(&[&left[from..upto], &right[from..upto]]).unwrap();
        }
        let spool = spool.finish().unwrap();
        for _ in 0..2 {
            let mut read = [Vec::new(), Vec::new()];
            let mut collect = |at: u64, block: &[&[f32]]| {
                assert_eq!(at as usize, read[0].len());
                read[0].extend_from_slice(block[0]);
                read[1].extend_from_slice(block[1]);
                Ok(())
            };
            spool.each(&mut collect).unwrap();
            assert_eq!(read, [left.clone(), right.clone()]);
        }
        let spool = spool.cut(32_000..70_000);
        let mut read = Vec::new();
        let mut collect = |at: u64, block: &[&[f32]]| {
            assert_eq!(at as usize, read.len());
            read.extend_from_slice(block[0]);
            Ok(())
        };
        spool.each(&mut collect).unwrap();
        assert_eq!(read, left[32_000..70_000]);
    }
}
