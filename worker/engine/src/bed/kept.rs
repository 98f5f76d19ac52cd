//! A group's bed, wherever it comes from: from disk, from disk with some stems still to be added
//! or taken out, or just made.
//!
//! A render reads most beds only to add them up once, and a bed to which a few takes have come
//! need not be written anew for that: its steps are read block by block, and what has changed is
//! added on the way.

use super::steps::{StepsBuffer, StepsError, StepsFile};
use super::sum::{Batch, Scratch, batches};
use super::{Bed, BedError, Contribution, Key, Steps};
use crate::loudness::hops::block_powers;
use crate::stem::BLOCK_FRAMES;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

pub(super) const MAGIC: [u8; 8] = *b"ripbed_2";

/// A bed on disk.
#[derive(Debug)]
pub struct KeptBed {
    path: PathBuf,
    steps: StepsFile,
    contents: BTreeMap<Key, u32>,
}

impl KeptBed {
    /// Opens a bed of just this stretch.
    ///
    /// # Errors
    /// [`StepsError`]: there is none, or it is unfit.
    pub fn open(path: &Path, first_block: i64, blocks: usize) -> Result<Self, StepsError> {
        let steps = StepsFile::open(path, MAGIC, first_block, blocks)?;
        let contents = decode_contents(steps.head()).ok_or(StepsError::Unfit)?;
        Ok(Self { path: path.to_owned(), steps, contents })
    }

    /// What is in it.
    pub(super) fn contents(&self) -> &BTreeMap<Key, u32> {
        &self.contents
    }

    /// As a bed to which `changes` are made as it is read.
    pub(super) fn with(self, changes: Vec<Batch<'_>>) -> GroupBed<'_> {
        GroupBed::Kept { bed: self, changes, former: Vec::new() }
    }

    fn damaged(&self, source: StepsError) -> BedError {
        BedError::Kept { path: self.path.clone(), source }
    }
}

/// Every key with how often it is there.
#[must_use]
pub fn encode_contents(contents: &BTreeMap<Key, u32>) -> Vec<u8> {
    let mut bytes = Vec::with_capacity(contents.len() * 44);
    for (key, count) in contents {
        bytes.extend(key.bytes());
        bytes.extend(count.to_le_bytes());
    }
    bytes
}

/// The reverse of [`encode_contents`]; none if the bytes are no such thing.
#[must_use]
pub fn decode_contents(bytes: &[u8]) -> Option<BTreeMap<Key, u32>> {
    let (entries, rest) = bytes.as_chunks::<44>();
    let entry = |entry: &[u8; 44]| {
        let (key, count) = entry.split_first_chunk::<40>()?;
        Some((Key::of_bytes(key), u32::from_le_bytes(count.try_into().ok()?)))
    };
    rest.is_empty().then(|| entries.iter().map(entry).collect())?
}

/// A group's bed of one stretch.
pub enum GroupBed<'a> {
    /// As it lies on disk, with what is to be added to it on the way.
    Kept {
        /// What lies there.
        bed: KeptBed,
        /// What is added and taken out as it is read.
        changes: Vec<Batch<'a>>,
        /// The same for the bed as it was, see [`GroupBed::remember`].
        former: Vec<Batch<'a>>,
    },
    /// Just made.
    Made(Bed),
}

/// Memory for a block that was changed on the way.
#[derive(Default)]
struct Changed {
    short: [Vec<i32>; 2],
    wide: [Vec<i64>; 2],
}

/// Memory that a bed is read into.
#[derive(Default)]
pub struct BedBuffer {
    steps: StepsBuffer,
    changed: [Changed; 2],
    scratch: Scratch,
    /// Levels of a curve, and of that under some gains.
    pub(crate) factors: Vec<Vec<f64>>,
}

impl<'a> GroupBed<'a> {
    /// Number of its first block on the master grid.
    #[must_use]
    pub fn first_block(&self) -> i64 {
        match self {
            GroupBed::Kept { bed, .. } => bed.steps.first_block(),
            GroupBed::Made(bed) => bed.first_block,
        }
    }

    /// Position of its first frame on the master grid.
    #[must_use]
    pub fn first_sample(&self) -> i64 {
        self.first_block() * BLOCK_FRAMES as i64
    }

    /// Its length in blocks.
    #[must_use]
    pub fn blocks(&self) -> usize {
        match self {
            GroupBed::Kept { bed, .. } => bed.steps.blocks(),
            GroupBed::Made(bed) => bed.blocks,
        }
    }

    /// Adds more stems to it, as it is read.
    ///
    /// # Errors
    /// [`BedError`] if a stem cannot be read.
    pub fn add(&mut self, stems: &[Contribution<'a>]) -> Result<(), BedError> {
        match self {
            GroupBed::Made(bed) => bed.add(stems),
            GroupBed::Kept { changes, .. } => {
                changes.extend(batches(stems, 1)?);
                Ok(())
            }
        }
    }

    /// K-weighted power of every block (ITU-R BS.1770-4), mean squares of left and right added,
    /// in units of full scale. The filter starts from rest where the bed does: what rings over
    /// from before is not the bed's.
    ///
    /// # Errors
    /// [`BedError`]: a stem or the bed cannot be read.
    pub fn powers(&self, rate_hz: u32, buffer: &mut BedBuffer) -> Result<Vec<f64>, BedError> {
        block_powers(rate_hz, self.blocks(), |block, sides| {
            let steps = self.read(block, buffer)?;
            sides.into_iter().zip(steps).for_each(|(samples, steps)| steps.to_samples(samples));
            Ok(())
        })
    }

    /// With its steps spread.
    ///
    /// # Errors
    /// [`BedError`]: a stem or the bed cannot be read.
    pub fn into_bed(self) -> Result<Bed, BedError> {
        let (kept, changes) = match self {
            GroupBed::Made(bed) => return Ok(bed),
            GroupBed::Kept { bed, changes, .. } => (bed, changes),
        };
        let (first_block, blocks) = (kept.steps.first_block(), kept.steps.blocks());
        let mut bed = Bed::silent(first_block, blocks);
        let mut buffer = StepsBuffer::default();
        for block in 0..blocks {
            let steps = kept.steps.read(block, &mut buffer).map_err(|error| kept.damaged(error))?;
            for (plane, steps) in bed.planes.iter_mut().zip(steps) {
                steps.copy_to(&mut plane[block * BLOCK_FRAMES..(block + 1) * BLOCK_FRAMES]);
            }
        }
        bed.contents = kept.contents;
        let [left, right] = &mut bed.planes;
        let mut scratch = Scratch::default();
        for batch in &changes {
            batch.add([left, right], first_block, &mut scratch)?;
            batch.count(&mut bed.contents);
        }
        Ok(bed)
    }

    /// Whether a block is another in the bed as it was; [`GroupBed::remember`] must have told how
    /// that was.
    pub(crate) fn differs_in(&self, block: usize) -> bool {
        let at = self.first_block() + block as i64;
        match self {
            GroupBed::Made(_) => false,
            GroupBed::Kept { changes, former, .. } => {
                changes.iter().chain(former).any(|batch| batch.sounds_in(at))
            }
        }
    }

    /// Left and right of one block, counted from the first.
    ///
    /// # Errors
    /// [`BedError`]: a stem or the bed cannot be read.
    pub(crate) fn read<'b>(
        &'b self,
        block: usize,
        buffer: &'b mut BedBuffer,
    ) -> Result<[Steps<'b>; 2], BedError> {
        self.read_both(block, buffer).map(|[now, _]| now)
    }

    /// Left and right of one block, counted from the first; and the same of the bed as it was.
    /// What lies on disk is read once.
    ///
    /// # Errors
    /// [`BedError`]: a stem or the bed cannot be read.
    pub(crate) fn read_both<'b>(
        &'b self,
        block: usize,
        buffer: &'b mut BedBuffer,
    ) -> Result<[[Steps<'b>; 2]; 2], BedError> {
        match self {
            GroupBed::Made(bed) => {
                let frames = block * BLOCK_FRAMES..(block + 1) * BLOCK_FRAMES;
                let side = |plane: &'b Vec<i64>| match plane.get(frames.clone()) {
                    Some(steps) => Steps::Wide(steps),
                    None => Steps::Silent,
                };
                let [left, right] = &bed.planes;
                Ok([[side(left), side(right)]; 2])
            }
            GroupBed::Kept { bed, changes, former } => {
                let BedBuffer { steps, changed: [now_in, then_in], scratch, .. } = buffer;
                let read = bed.steps.read(block, steps).map_err(|error| bed.damaged(error))?;
                let at = self.first_block() + block as i64;
                let now = changed(read, changes, at, now_in, scratch)?;
                Ok([now, changed(read, former, at, then_in, scratch)?])
            }
        }
    }
}

/// A block as it was read, with what of `changes` sounds in it.
fn changed<'b>(
    read: [Steps<'b>; 2],
    changes: &[Batch<'_>],
    block: i64,
    memory: &'b mut Changed,
    scratch: &mut Scratch,
) -> Result<[Steps<'b>; 2], BedError> {
    if !changes.iter().any(|batch| batch.sounds_in(block)) {
        return Ok(read);
    }
    let Changed { short, wide } = memory;
    if fits_short(read, changes, block, short) {
        for batch in changes {
            batch.add_short(short, block, scratch)?;
        }
        return Ok([Steps::Short(&short[0]), Steps::Short(&short[1])]);
    }
    for (to, from) in wide.iter_mut().zip(read) {
        to.resize(BLOCK_FRAMES, 0);
        from.copy_to(to);
    }
    let [left, right] = wide;
    for batch in changes {
        batch.add([left, right], block, scratch)?;
    }
    Ok([Steps::Wide(left), Steps::Wide(right)])
}

/// Spreads a block over narrow sums, if no step of it can outgrow them with what `changes` add.
fn fits_short(
    read: [Steps<'_>; 2],
    changes: &[Batch<'_>],
    block: i64,
    sums: &mut [Vec<i32>; 2],
) -> bool {
    let Some(more) = changes.iter().map(|batch| batch.bound_in(block)).sum::<Option<i64>>() else {
        return false;
    };
    sums.iter_mut().zip(read).all(|(sum, steps)| {
        sum.resize(BLOCK_FRAMES, 0);
        steps.copy_short(sum).is_some_and(|bound| bound + more <= i64::from(i32::MAX))
    })
}
