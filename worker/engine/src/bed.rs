//! Exact running sums of stems.
//!
//! A [`Bed`] is the sum of some stems over one stretch of the master grid, stereo, in integers.
//! Each stem's contribution is its sample times a static gain (trim and pan in one), rounded to
//! the nearest multiple of 2⁻²⁷ with ties to even, and the sum is kept in `i64`. Integer addition
//! is associative and commutative, so a bed does not depend on the order of its stems, on
//! threads, on block sizes or on the machine, and subtracting a stem leaves exactly the sum of
//! the others.
//!
//! A rounding error of ±2⁻²⁸ a stem is −173 dB re full scale; a thousand of them add up, as
//! noise, to −143 dB, below the −141 dB of TPDF dither at 24 bit.
//!
//! [`refresh`] keeps beds on disk: what is in a bed is written in it ([`Key`]), and only the
//! difference to what is wanted is added and subtracted, as long as that is little without
//! writing the bed anew.
//!
//! Room at the top: `i64` at 2⁻²⁷ holds ±2³⁶, and each contribution is kept within ±2¹⁸, so
//! 2¹⁸ stems cannot overflow it. A contribution of up to ±8 takes the fast path through `i32`;
//! hotter stems take a path through `f64`. Both are chosen by the peak in the stem's header,
//! which belongs to its content, so the choice is the same everywhere. A sample beyond the peak
//! its header states, possible only in a damaged file, is held at that peak.

pub(crate) mod grid;
mod kept;
mod kernel;
mod refresh;
mod steps;
mod sum;

pub use kept::{BedBuffer, GroupBed, KeptBed, decode_contents, encode_contents};
pub use refresh::{Refreshed, Shelf, contents_of, recall, refresh};
pub use steps::{Steps, StepsBuffer, StepsError, StepsFile, StepsWriter};
pub use sum::Batch;

use crate::stem::{BLOCK_FRAMES, StemError, StemFile};
use std::collections::BTreeMap;

/// Steps of the integer grid in one unit of full scale: 2²⁷.
pub const STEPS_PER_UNIT: f64 = (1u64 << 27) as f64;

/// Blocks in the stretches that beds are kept for on disk: 10.9 s at 48 kHz.
pub const STRETCH_BLOCKS: usize = 128;

/// A stem as it goes into a bed.
#[derive(Debug, Clone, Copy)]
pub struct Contribution<'a> {
    /// The stem.
    pub stem: &'a StemFile,
    /// Linear gains to left and right: of the one channel of a mono stem, or of the channels of
    /// a stereo stem.
    pub gains: [f32; 2],
}

/// What tells one contribution from another: content and gains.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key {
    content_hash: [u8; 32],
    gain_bits: [u32; 2],
}

impl Key {
    /// The key as bytes, for fingerprints of what is in a sum.
    #[must_use]
    pub fn bytes(&self) -> [u8; 40] {
        let mut bytes = [0; 40];
        bytes[..32].copy_from_slice(&self.content_hash);
        bytes[32..36].copy_from_slice(&self.gain_bits[0].to_le_bytes());
        bytes[36..].copy_from_slice(&self.gain_bits[1].to_le_bytes());
        bytes
    }

    fn of_bytes(bytes: &[u8; 40]) -> Self {
        let mut content_hash = [0; 32];
        content_hash.copy_from_slice(&bytes[..32]);
        let gain = |at: usize| [0, 1, 2, 3].map(|byte| bytes[at + byte]);
        Self { content_hash, gain_bits: [32, 36].map(|at| u32::from_le_bytes(gain(at))) }
    }
}

impl Contribution<'_> {
    /// Its key. Gains of −0.0 and 0.0 are one.
    #[must_use]
    pub fn key(&self) -> Key {
        Key {
            content_hash: self.stem.summary().content_hash,
            gain_bits: self.gains.map(|gain| (gain + 0.0).to_bits()),
        }
    }

    /// Whether it can sound in these blocks.
    #[must_use]
    pub fn sounds_in(&self, first_block: i64, blocks: usize) -> bool {
        self.gains != [0.0, 0.0]
            && self.stem.runs_in(first_block..first_block + blocks as i64).next().is_some()
    }
}

/// Why a sum could not be made.
#[derive(Debug, thiserror::Error)]
pub enum BedError {
    /// A stem could not be read.
    #[error("stem {path}: {source}")]
    Stem {
        /// Its file.
        path: std::path::PathBuf,
        /// Why.
        source: StemError,
    },
    /// A gain is not a number or beyond ±2¹⁸.
    #[error("stem {path} has an impossible gain")]
    Gain {
        /// Its file.
        path: std::path::PathBuf,
    },
    /// A kept bed is no longer what was written.
    #[error("bed {path} cannot be read any more: {source}")]
    Kept {
        /// Its file.
        path: std::path::PathBuf,
        /// Why.
        source: StepsError,
    },
    /// The bed could not be kept.
    #[error("bed {path} could not be kept: {source}")]
    Keep {
        /// Its file.
        path: std::path::PathBuf,
        /// Why.
        source: std::io::Error,
    },
}

/// The sum of some stems over a stretch of whole blocks.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bed {
    first_block: i64,
    blocks: usize,
    planes: [Vec<i64>; 2],
    contents: BTreeMap<Key, u32>,
}

impl Bed {
    /// A bed with nothing in it.
    #[must_use]
    pub fn silent(first_block: i64, blocks: usize) -> Self {
        let plane = vec![0i64; blocks * BLOCK_FRAMES];
        Self { first_block, blocks, planes: [plane.clone(), plane], contents: BTreeMap::new() }
    }

    /// A bed of steps that a test makes up.
    #[cfg(test)]
    pub(crate) fn of_steps(first_block: i64, step: &mut dyn FnMut() -> i64, blocks: usize) -> Self {
        let mut bed = Self::silent(first_block, blocks);
        bed.planes.iter_mut().flatten().for_each(|to| *to = step());
        bed
    }

    /// Number of its first block on the master grid.
    #[must_use]
    pub fn first_block(&self) -> i64 {
        self.first_block
    }

    /// Position of its first frame on the master grid.
    #[must_use]
    pub fn first_sample(&self) -> i64 {
        self.first_block * BLOCK_FRAMES as i64
    }

    /// Left and right, in steps of 2⁻²⁷.
    #[must_use]
    pub fn planes(&self) -> &[Vec<i64>; 2] {
        &self.planes
    }

    /// How many stems sound in it.
    #[must_use]
    pub fn stems(&self) -> usize {
        self.contents.values().map(|&count| count as usize).sum()
    }

    /// Adds stems. Those that have no sound in this stretch change nothing, not even the contents.
    ///
    /// # Errors
    /// [`BedError`] if a stem cannot be read; the bed is then unusable.
    pub fn add(&mut self, stems: &[Contribution<'_>]) -> Result<(), BedError> {
        let sounding = self.sounding(stems);
        sum::accumulate(&mut self.planes, self.first_block, &sounding, 1)?;
        for stem in &sounding {
            *self.contents.entry(stem.key()).or_insert(0) += 1;
        }
        Ok(())
    }

    /// Takes stems out again, exactly. A stem that is not in the bed is left alone.
    ///
    /// # Errors
    /// [`BedError`] if a stem cannot be read; the bed is then unusable.
    pub fn subtract(&mut self, stems: &[Contribution<'_>]) -> Result<(), BedError> {
        let mut present = self.sounding(stems);
        present.retain(|stem| match self.contents.get_mut(&stem.key()) {
            Some(count) if *count > 0 => {
                *count -= 1;
                true
            }
            _ => false,
        });
        self.contents.retain(|_, count| *count > 0);
        sum::accumulate(&mut self.planes, self.first_block, &present, -1)
    }

    fn sounding<'a>(&self, stems: &[Contribution<'a>]) -> Vec<Contribution<'a>> {
        let here = |stem: &&Contribution<'a>| stem.sounds_in(self.first_block, self.blocks);
        stems.iter().filter(here).copied().collect()
    }

    /// Writes the bed: the old file or the new one is there, whatever happens.
    ///
    /// # Errors
    /// Any failure to write, as when the disk is full; the old file then stays.
    pub fn save(&self, path: &std::path::Path) -> std::io::Result<()> {
        let contents = encode_contents(&self.contents);
        let mut writer =
            StepsWriter::create(path, kept::MAGIC, self.first_block, self.blocks, contents)?;
        writer.push([&self.planes[0], &self.planes[1]]);
        writer.save()
    }
}

#[cfg(test)]
mod tests;
