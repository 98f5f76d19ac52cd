//! Steps of the integer grid on disk.
//!
//! Little-endian: eight bytes that say what the file is, its first block, the number of its
//! blocks, the length of its head; the head, which is its owner's; for every block and side a
//! width (0 silent, 4 or 8 bytes a frame) and a CRC-32; BLAKE3 of all that; then the blocks, left
//! and right in turn. Sums are checked block by block as they are read, so a file of which only
//! some blocks are wanted costs no more than those.
//!
//! A file is written under a temporary name and renamed, and never changed afterwards. It is a
//! cache: it is not flushed to disk, and one that a power cut left half-written does not fit its
//! hash or its sums and is made anew.

mod writer;

pub use writer::StepsWriter;

use super::grid;
use crate::stem::BLOCK_FRAMES;
use std::fs::File;
use std::io::{self, Read};
use std::ops::Range;
use std::os::unix::fs::FileExt;
use std::path::Path;

/// Bytes before the head.
const START_BYTES: usize = 32;

/// Longest head that is read: a million stems.
const MOST_HEAD_BYTES: u64 = 64 << 20;

/// Why a file of steps is of no use; what it held is then made anew.
#[derive(Debug, thiserror::Error)]
pub enum StepsError {
    /// It could not be read.
    #[error(transparent)]
    Io(#[from] io::Error),
    /// It is not whole, or not of this version or stretch.
    #[error("not a whole file of this kind and stretch")]
    Unfit,
}

/// The steps of one channel of one block.
#[derive(Clone, Copy)]
pub enum Steps<'a> {
    /// All zero.
    Silent,
    /// Little-endian `i32`.
    Narrow(&'a [[u8; 4]]),
    /// The same in memory.
    Short(&'a [i32]),
    /// `i64`.
    Wide(&'a [i64]),
}

impl Steps<'_> {
    /// Some of its frames.
    pub(crate) fn part(&self, frames: Range<usize>) -> Self {
        match self {
            Steps::Silent => Steps::Silent,
            Steps::Narrow(steps) => Steps::Narrow(&steps[frames]),
            Steps::Short(steps) => Steps::Short(&steps[frames]),
            Steps::Wide(steps) => Steps::Wide(&steps[frames]),
        }
    }

    /// Spreads them over `to`; gives what none of them passes, up to twice the largest. None if
    /// they may not fit.
    pub(super) fn copy_short(self, to: &mut [i32]) -> Option<i64> {
        match self {
            Steps::Silent => {
                to.fill(0);
                Some(0)
            }
            Steps::Narrow(steps) => Some(grid::copy_short(steps, to, i32::from_le_bytes)),
            Steps::Short(steps) => Some(grid::copy_short(steps, to, |step| step)),
            Steps::Wide(_) => None,
        }
    }

    /// Spreads them over `to`.
    pub(crate) fn copy_to(self, to: &mut [i64]) {
        match self {
            Steps::Silent => to.fill(0),
            Steps::Narrow(steps) => grid::spread(steps, to, i32::from_le_bytes),
            Steps::Short(steps) => grid::spread(steps, to, |step| step),
            Steps::Wide(steps) => to.copy_from_slice(steps),
        }
    }

    /// As samples.
    pub(crate) fn to_samples(self, to: &mut [f32]) {
        match self {
            Steps::Silent => to.fill(0.0),
            Steps::Narrow(steps) => grid::short_to_samples(steps, to, i32::from_le_bytes),
            Steps::Short(steps) => grid::short_to_samples(steps, to, |step| step),
            Steps::Wide(steps) => grid::to_samples(steps, to),
        }
    }
}

/// Memory that blocks are read into.
#[derive(Debug, Default)]
pub struct StepsBuffer {
    bytes: Vec<u8>,
    wide: [Vec<i64>; 2],
}

#[derive(Debug, Clone, Copy)]
struct Place {
    width: u8,
    sum: u32,
    at: u64,
}

/// A file of steps, open; what lies before its blocks is read and checked.
#[derive(Debug)]
pub struct StepsFile {
    file: File,
    first_block: i64,
    head: Vec<u8>,
    places: Vec<Place>,
}

impl StepsFile {
    /// Opens a file of just this kind and stretch.
    ///
    /// # Errors
    /// [`StepsError`]: there is none, or it is unfit.
    pub fn open(
        path: &Path,
        magic: [u8; 8],
        first_block: i64,
        blocks: usize,
    ) -> Result<Self, StepsError> {
        let mut file = File::open(path)?;
        let length = file.metadata()?.len();
        let mut start = [0u8; START_BYTES];
        file.read_exact(&mut start).map_err(|_| StepsError::Unfit)?;
        let (fields, _) = start.as_chunks::<8>();
        let same = fields[0] == magic
            && fields[1] == first_block.to_le_bytes()
            && fields[2] == (blocks as u64).to_le_bytes();
        let head_bytes = u64::from_le_bytes(fields[3]);
        if !same || head_bytes > MOST_HEAD_BYTES.min(length) {
            return Err(StepsError::Unfit);
        }
        let head_bytes = head_bytes as usize;
        let mut rest = vec![0u8; head_bytes + 2 * blocks * 5 + 32];
        file.read_exact(&mut rest).map_err(|_| StepsError::Unfit)?;
        let (known, hash) = rest.split_last_chunk::<32>().ok_or(StepsError::Unfit)?;
        if front_hash(&start, known) != *hash {
            return Err(StepsError::Unfit);
        }
        let mut at = (START_BYTES + rest.len()) as u64;
        let mut places = Vec::with_capacity(2 * blocks);
        for place in known[head_bytes..].as_chunks::<5>().0 {
            let [width, sum @ ..] = *place;
            if !matches!(width, 0 | 4 | 8) {
                return Err(StepsError::Unfit);
            }
            places.push(Place { width, sum: u32::from_le_bytes(sum), at });
            at += u64::from(width) * BLOCK_FRAMES as u64;
        }
        rest.truncate(head_bytes);
        (at == length)
            .then_some(Self { file, first_block, head: rest, places })
            .ok_or(StepsError::Unfit)
    }

    /// What its owner wrote before the blocks.
    #[must_use]
    pub fn head(&self) -> &[u8] {
        &self.head
    }

    /// Number of its first block on the master grid.
    #[must_use]
    pub fn first_block(&self) -> i64 {
        self.first_block
    }

    /// Its length in blocks.
    #[must_use]
    pub fn blocks(&self) -> usize {
        self.places.len() / 2
    }

    /// Appends some frames as samples, left and right, counted from the first.
    ///
    /// # Errors
    /// [`StepsError`]: it cannot be read, or is not what was written.
    pub fn append_samples(
        &self,
        frames: Range<usize>,
        out: &mut [Vec<f32>; 2],
        buffer: &mut StepsBuffer,
    ) -> Result<(), StepsError> {
        let mut at = frames.start;
        while at < frames.end {
            let (block, within) = (at / BLOCK_FRAMES, at % BLOCK_FRAMES);
            let count = (frames.end - at).min(BLOCK_FRAMES - within);
            for (out, steps) in out.iter_mut().zip(self.read(block, buffer)?) {
                let from = out.len();
                out.resize(from + count, 0.0);
                steps.part(within..within + count).to_samples(&mut out[from..]);
            }
            at += count;
        }
        Ok(())
    }

    /// Left and right of one block, counted from the first; silence beyond the last.
    ///
    /// # Errors
    /// [`StepsError`]: it cannot be read, or is not what was written.
    pub fn read<'b>(
        &self,
        block: usize,
        buffer: &'b mut StepsBuffer,
    ) -> Result<[Steps<'b>; 2], StepsError> {
        let mut steps = [Steps::Silent; 2];
        let Some(places) = self.places.get(2 * block..2 * block + 2) else { return Ok(steps) };
        let length = |place: &Place| usize::from(place.width) * BLOCK_FRAMES;
        buffer.bytes.resize(places.iter().map(length).sum(), 0);
        if buffer.bytes.is_empty() {
            return Ok(steps);
        }
        // The sides lie one behind the other.
        self.file.read_exact_at(&mut buffer.bytes, places[0].at)?;
        let mut rest = &buffer.bytes[..];
        for ((place, wide), steps) in places.iter().zip(&mut buffer.wide).zip(&mut steps) {
            let (bytes, after) = rest.split_at(length(place));
            rest = after;
            if place.width != 0 && crc32fast::hash(bytes) != place.sum {
                return Err(StepsError::Unfit);
            }
            *steps = match place.width {
                0 => Steps::Silent,
                4 => Steps::Narrow(bytes.as_chunks::<4>().0),
                _ => {
                    wide.clear();
                    let wider = bytes.as_chunks::<8>().0.iter();
                    wide.extend(wider.map(|step| i64::from_le_bytes(*step)));
                    Steps::Wide(wide)
                }
            };
        }
        Ok(steps)
    }
}

fn front_hash(start: &[u8], known: &[u8]) -> [u8; 32] {
    *blake3::Hasher::new().update(start).update(known).finalize().as_bytes()
}
