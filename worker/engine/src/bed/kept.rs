//! A bed as it was read: its steps stay in the bytes of the file.
//!
//! A render reads most beds only to add them up once. They are not spread into `i64` for that.

use super::file::MAGIC;
use super::{Bed, BedFileError, Key};
use crate::stem::BLOCK_FRAMES;
use std::borrow::Cow;
use std::collections::BTreeMap;
use std::fs::File;
use std::io::Read;
use std::ops::Range;
use std::path::Path;

/// A whole bed file in memory, checked.
#[derive(Debug, Clone)]
pub struct KeptBed {
    bytes: Vec<u8>,
    first_block: i64,
    blocks: usize,
    contents: BTreeMap<Key, u32>,
    /// Bytes a step and where they begin; left before right.
    places: Vec<(u8, usize)>,
}

/// The steps of one channel of one block.
pub(crate) enum Steps<'a> {
    /// All zero.
    Silent,
    /// Little-endian `i32`.
    Narrow(&'a [[u8; 4]]),
    /// `i64`.
    Wide(Cow<'a, [i64]>),
}

impl KeptBed {
    /// Reads a bed of just this stretch.
    ///
    /// # Errors
    /// [`BedFileError`]: there is none, or it is unfit.
    pub fn load(path: &Path, first_block: i64, blocks: usize) -> Result<Self, BedFileError> {
        let mut file = File::open(path)?;
        let length = file.metadata()?.len();
        let most = 2 * 8 * blocks as u64 * (BLOCK_FRAMES as u64 + 1) + (1 << 26);
        if length > most {
            return Err(BedFileError::Unfit);
        }
        let mut bytes = Vec::with_capacity(length as usize);
        file.read_to_end(&mut bytes)?;
        Self::parse(bytes, first_block, blocks).ok_or(BedFileError::Unfit)
    }

    fn parse(bytes: Vec<u8>, first_block: i64, blocks: usize) -> Option<Self> {
        let (body, hash) = bytes.split_last_chunk::<32>()?;
        if *blake3::hash(body).as_bytes() != *hash {
            return None;
        }
        let mut rest = body;
        let mut take = |count: usize| -> Option<&[u8]> {
            let (head, tail) = rest.split_at_checked(count)?;
            rest = tail;
            Some(head)
        };
        let head = [take(8)?, take(8)?, take(8)?];
        let same = head[0] == MAGIC
            && head[1] == first_block.to_le_bytes()
            && head[2] == (blocks as u64).to_le_bytes();
        if !same {
            return None;
        }
        let count = u64::from_le_bytes(take(8)?.try_into().ok()?);
        let mut contents = BTreeMap::new();
        for _ in 0..count {
            let content_hash = take(32)?.try_into().ok()?;
            let left = u32::from_le_bytes(take(4)?.try_into().ok()?);
            let right = u32::from_le_bytes(take(4)?.try_into().ok()?);
            let times = u32::from_le_bytes(take(4)?.try_into().ok()?);
            contents.insert(Key { content_hash, gain_bits: [left, right] }, times);
        }
        let widths = take(2 * blocks)?;
        let mut at = body.len() - rest.len();
        let mut places = Vec::with_capacity(widths.len());
        for &width in widths {
            if !matches!(width, 0 | 4 | 8) {
                return None;
            }
            places.push((width, at));
            at += usize::from(width) * BLOCK_FRAMES;
        }
        (at == body.len()).then_some(())?;
        Some(Self { bytes, first_block, blocks, contents, places })
    }

    /// What is in it.
    pub(super) fn contents(&self) -> &BTreeMap<Key, u32> {
        &self.contents
    }

    fn steps(&self, side: usize, block: usize) -> Steps<'_> {
        let Some(&(width, at)) = self.places.get(side * self.blocks + block) else {
            return Steps::Silent;
        };
        let bytes = &self.bytes[at..at + usize::from(width) * BLOCK_FRAMES];
        match width {
            0 => Steps::Silent,
            4 => Steps::Narrow(bytes.as_chunks::<4>().0),
            _ => Steps::Wide(
                bytes.as_chunks::<8>().0.iter().map(|bytes| i64::from_le_bytes(*bytes)).collect(),
            ),
        }
    }

    /// The same with its steps spread, to be changed.
    #[must_use]
    pub fn into_bed(self) -> Bed {
        let mut bed = Bed::silent(self.first_block, self.blocks);
        for (side, plane) in bed.planes.iter_mut().enumerate() {
            for (number, block) in plane.chunks_exact_mut(BLOCK_FRAMES).enumerate() {
                match self.steps(side, number) {
                    Steps::Silent => {}
                    Steps::Narrow(steps) => {
                        for (to, from) in block.iter_mut().zip(steps) {
                            *to = i64::from(i32::from_le_bytes(*from));
                        }
                    }
                    Steps::Wide(steps) => block.copy_from_slice(&steps),
                }
            }
        }
        bed.contents = self.contents;
        bed
    }
}

/// A group's bed, as it was kept or as it was just made.
#[derive(Debug, Clone)]
pub enum GroupBed {
    /// As it lay on disk.
    Kept(KeptBed),
    /// Made or changed.
    Made(Bed),
}

impl GroupBed {
    /// Position of its first frame on the master grid.
    #[must_use]
    pub fn first_sample(&self) -> i64 {
        let first_block = match self {
            GroupBed::Kept(bed) => bed.first_block,
            GroupBed::Made(bed) => bed.first_block,
        };
        first_block * BLOCK_FRAMES as i64
    }

    /// Its length.
    #[must_use]
    pub fn frames(&self) -> usize {
        let blocks = match self {
            GroupBed::Kept(bed) => bed.blocks,
            GroupBed::Made(bed) => bed.blocks,
        };
        blocks * BLOCK_FRAMES
    }

    /// With its steps spread.
    #[must_use]
    pub fn into_bed(self) -> Bed {
        match self {
            GroupBed::Kept(bed) => bed.into_bed(),
            GroupBed::Made(bed) => bed,
        }
    }

    /// Gives the steps of one channel, `frames` of them, block by block, each with where it
    /// begins within `frames` and where within the block.
    pub(crate) fn each_block(
        &self,
        side: usize,
        frames: Range<usize>,
        give: &mut dyn FnMut(Range<usize>, usize, Steps<'_>),
    ) {
        let mut at = frames.start;
        while at < frames.end {
            let (block, within) = (at / BLOCK_FRAMES, at % BLOCK_FRAMES);
            let upto = frames.end.min((block + 1) * BLOCK_FRAMES);
            let steps = match self {
                GroupBed::Kept(bed) => bed.steps(side, block),
                GroupBed::Made(bed) => {
                    let from = block * BLOCK_FRAMES;
                    Steps::Wide(Cow::Borrowed(&bed.planes[side][from..from + BLOCK_FRAMES]))
                }
            };
            give(at - frames.start..upto - frames.start, within, steps);
            at = upto;
        }
    }
}
