//! Reads a stem back.

use super::summary::StemSummary;
use super::{BLOCK_BYTES, BLOCK_FRAMES, HEADER_BYTES, MAGIC, MAX_POSITION, StemError};
use std::fs::File;
use std::io::Read;
use std::ops::Range;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// Neighbouring blocks that are stored one behind the other.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct BlockRun {
    /// Number of the first block on the master grid: its first sample divided by
    /// [`BLOCK_FRAMES`].
    pub first_block: i64,
    /// How many blocks.
    pub blocks: u64,
    /// Where in the file the first of them is, in blocks.
    pub slot: u64,
}

impl BlockRun {
    /// Number of the block after the last.
    #[must_use]
    pub fn end_block(&self) -> i64 {
        self.first_block + self.blocks as i64
    }
}

/// A stem's header and index. It holds no file handle, and a clone shares the index.
#[derive(Debug, Clone)]
pub struct StemFile {
    path: PathBuf,
    summary: StemSummary,
    runs: Arc<[BlockRun]>,
    powers: Arc<[f32]>,
}

/// A stem opened for reading its samples.
pub struct StemReader {
    file: File,
    channels: usize,
}

impl StemFile {
    /// Reads and checks header and index. The file's length is checked too, so a stem that was
    /// cut short is refused here; the samples are not read ([`StemFile::verify`] does that).
    ///
    /// # Errors
    /// [`StemError::Damaged`] for anything that is not a whole stem, [`StemError::Io`].
    pub fn open(path: impl Into<PathBuf>) -> Result<Self, StemError> {
        let path = path.into();
        let mut file = File::open(&path)?;
        let length = file.metadata()?.len();
        let mut header = [0u8; HEADER_BYTES];
        file.read_exact(&mut header).map_err(|_| StemError::Damaged("its header is cut short"))?;
        let (summary, stored_blocks, index_bytes) = decode_header(&header)?;
        let data_bytes = stored_blocks
            .checked_mul(u64::from(summary.channels) * BLOCK_BYTES as u64)
            .ok_or(StemError::Damaged("its length overflows"))?;
        let index_at = data_bytes
            .checked_add(HEADER_BYTES as u64)
            .ok_or(StemError::Damaged("its length overflows"))?;
        if index_at.checked_add(index_bytes) != Some(length) {
            return Err(StemError::Damaged("its length is not the one its header gives"));
        }
        let mut index = vec![0u8; index_bytes as usize];
        file.read_exact_at(&mut index, index_at)?;
        if header_hash(&header, &index) != header[HEADER_BYTES - 32..] {
            return Err(StemError::Damaged("its header and index do not fit together"));
        }
        let (runs, powers) = decode_index(&index, stored_blocks, &summary)?;
        Ok(Self { path, summary, runs: runs.into(), powers: powers.into() })
    }

    /// Where the file is.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// What the header tells.
    #[must_use]
    pub fn summary(&self) -> &StemSummary {
        &self.summary
    }

    /// Runs of stored blocks, in order. What lies between them is silent.
    #[must_use]
    pub fn runs(&self) -> &[BlockRun] {
        &self.runs
    }

    /// K-weighted power (BS.1770-4) of every stored block with its number: the mean squares of
    /// the channels added, so −0.691 + 10·log₁₀ of it is the block's loudness in LUFS.
    pub fn block_powers(&self) -> impl Iterator<Item = (i64, f32)> + '_ {
        let blocks = self.runs.iter().flat_map(|run| run.first_block..run.end_block());
        blocks.zip(self.powers.iter().copied())
    }

    /// The parts of the runs that lie in `blocks`, in order.
    pub fn runs_in(&self, blocks: Range<i64>) -> impl Iterator<Item = BlockRun> + '_ {
        let from = self.runs.partition_point(|run| run.end_block() <= blocks.start);
        self.runs[from..].iter().take_while(move |run| run.first_block < blocks.end).map(
            move |run| {
                let first_block = run.first_block.max(blocks.start);
                BlockRun {
                    first_block,
                    blocks: (run.end_block().min(blocks.end) - first_block) as u64,
                    slot: run.slot + (first_block - run.first_block) as u64,
                }
            },
        )
    }

    /// Opens the samples for reading.
    ///
    /// # Errors
    /// [`StemError::Io`], as when the file has gone.
    pub fn reader(&self) -> Result<StemReader, StemError> {
        Ok(StemReader {
            file: File::open(&self.path)?,
            channels: usize::from(self.summary.channels),
        })
    }

    /// Reads `range` of the master grid, one vector a channel, silence included.
    ///
    /// # Errors
    /// [`StemError::Io`], as when the file has gone or was cut short.
    pub fn read(&self, range: Range<i64>) -> Result<Vec<Vec<f32>>, StemError> {
        let frames = (range.end - range.start).max(0) as usize;
        let mut planes = vec![vec![0.0f32; frames]; usize::from(self.summary.channels)];
        let block = BLOCK_FRAMES as i64;
        let blocks = range.start.div_euclid(block)..(range.end + block - 1).div_euclid(block);
        let reader = self.reader()?;
        let mut bytes = Vec::new();
        for run in self.runs_in(blocks) {
            for step in 0..run.blocks {
                reader.read_blocks(run.slot + step, 1, &mut bytes)?;
                let at = (run.first_block + step as i64) * block - range.start;
                for (plane, bytes) in planes.iter_mut().zip(bytes.chunks_exact(BLOCK_BYTES)) {
                    copy_block(plane, at, bytes);
                }
            }
        }
        Ok(planes)
    }

    /// Reads every sample and checks the content hash.
    ///
    /// # Errors
    /// [`StemError::Damaged`] if the content is not the one that was written, [`StemError::Io`].
    pub fn verify(&self) -> Result<(), StemError> {
        let mut hasher = blake3::Hasher::new();
        hasher.update(&self.summary.rate_hz.to_le_bytes());
        hasher.update(&self.summary.channels.to_le_bytes());
        let reader = self.reader()?;
        let mut bytes = Vec::new();
        for run in self.runs.iter() {
            for step in 0..run.blocks {
                reader.read_blocks(run.slot + step, 1, &mut bytes)?;
                hasher.update(&(run.first_block + step as i64).to_le_bytes());
                hasher.update(&bytes);
            }
        }
        hasher.update(&self.summary.first_sample.to_le_bytes());
        hasher.update(&self.summary.frames.to_le_bytes());
        if *hasher.finalize().as_bytes() == self.summary.content_hash {
            Ok(())
        } else {
            Err(StemError::Damaged("its samples are not those that were written"))
        }
    }
}

impl StemReader {
    /// Reads `blocks` stored blocks from `slot` on, as little-endian `f32`, planar within each.
    ///
    /// # Errors
    /// [`StemError::Io`]: the file was cut short or cannot be read.
    pub fn read_blocks(
        &self,
        slot: u64,
        blocks: usize,
        bytes: &mut Vec<u8>,
    ) -> Result<(), StemError> {
        let block_bytes = self.channels * BLOCK_BYTES;
        bytes.resize(blocks * block_bytes, 0);
        self.file.read_exact_at(bytes, HEADER_BYTES as u64 + slot * block_bytes as u64)?;
        Ok(())
    }
}

/// Copies one block's bytes to where it lies in `plane`, which may hold only a part of it.
fn copy_block(plane: &mut [f32], at: i64, bytes: &[u8]) {
    let (samples, _) = bytes.as_chunks::<4>();
    let skip = (-at).max(0) as usize;
    let to = at.max(0) as usize;
    let (plane, samples) = (plane.get_mut(to..).unwrap_or_default(), samples.get(skip..));
    for (out, sample) in plane.iter_mut().zip(samples.unwrap_or_default()) {
        *out = f32::from_le_bytes(*sample);
    }
}

/// The header page; `index` is hashed with it.
pub(super) fn encode_header(
    summary: &StemSummary,
    stored_blocks: u64,
    index: &[u8],
) -> Box<[u8; HEADER_BYTES]> {
    let mut page = Box::new([0u8; HEADER_BYTES]);
    let mut at = 0;
    let mut put = |bytes: &[u8]| {
        page[at..at + bytes.len()].copy_from_slice(bytes);
        at += bytes.len();
    };
    put(&MAGIC);
    put(&summary.rate_hz.to_le_bytes());
    put(&u32::from(summary.channels).to_le_bytes());
    put(&summary.first_sample.to_le_bytes());
    put(&summary.frames.to_le_bytes());
    put(&stored_blocks.to_le_bytes());
    put(&(index.len() as u64).to_le_bytes());
    put(&summary.active_frames.to_le_bytes());
    put(&summary.active_lufs.unwrap_or(f64::NEG_INFINITY).to_le_bytes());
    put(&summary.peak.to_le_bytes());
    put(&summary.low_share.to_le_bytes());
    put(&summary.content_hash);
    let hash = header_hash(&page, index);
    page[HEADER_BYTES - 32..].copy_from_slice(&hash);
    page
}

fn decode_header(page: &[u8; HEADER_BYTES]) -> Result<(StemSummary, u64, u64), StemError> {
    let mut at = 0;
    let mut take = |count: usize| {
        at += count;
        &page[at - count..at]
    };
    let u32_of = |bytes: &[u8]| bytes.try_into().map_or(0, u32::from_le_bytes);
    let u64_of = |bytes: &[u8]| bytes.try_into().map_or(0, u64::from_le_bytes);
    if take(8) != MAGIC {
        return Err(StemError::Damaged("it does not begin like a stem"));
    }
    let rate_hz = u32_of(take(4));
    let channels = u32_of(take(4));
    let first_sample = u64_of(take(8)).cast_signed();
    let frames = u64_of(take(8));
    let stored_blocks = u64_of(take(8));
    let index_bytes = u64_of(take(8));
    let active_frames = u64_of(take(8));
    let active_lufs = Some(f64::from_bits(u64_of(take(8)))).filter(|lufs| lufs.is_finite());
    let peak = f32::from_bits(u32_of(take(4)));
    let low_share = f32::from_bits(u32_of(take(4)));
    let mut content_hash = [0u8; 32];
    content_hash.copy_from_slice(take(32));
    if !(1..=2).contains(&channels) || rate_hz == 0 {
        return Err(StemError::Damaged("its rate or channel count is impossible"));
    }
    if first_sample.unsigned_abs() > MAX_POSITION as u64 || frames > MAX_POSITION as u64 {
        return Err(StemError::Damaged("its place on the grid is impossible"));
    }
    if !(peak >= 0.0 && peak.is_finite() && (0.0..=1.0).contains(&low_share)) {
        return Err(StemError::Damaged("its summary is impossible"));
    }
    let summary = StemSummary {
        rate_hz,
        channels: channels as u16,
        first_sample,
        frames,
        stored_frames: stored_blocks.saturating_mul(BLOCK_FRAMES as u64),
        active_frames,
        peak,
        active_lufs,
        low_share,
        content_hash,
    };
    Ok((summary, stored_blocks, index_bytes))
}

/// BLAKE3 of the header page up to its last 32 bytes, and of the index.
fn header_hash(page: &[u8; HEADER_BYTES], index: &[u8]) -> [u8; 32] {
    let mut hasher = blake3::Hasher::new();
    hasher.update(&page[..HEADER_BYTES - 32]);
    hasher.update(index);
    *hasher.finalize().as_bytes()
}

/// The number of runs; sixteen bytes a run: first block, count; then a power a stored block.
pub(super) fn encode_index(runs: &[BlockRun], powers: &[f32]) -> Vec<u8> {
    let mut bytes = (runs.len() as u64).to_le_bytes().to_vec();
    for run in runs {
        bytes.extend(run.first_block.to_le_bytes());
        bytes.extend(run.blocks.to_le_bytes());
    }
    bytes.extend(powers.iter().flat_map(|power| power.to_le_bytes()));
    bytes
}

fn decode_index(
    index: &[u8],
    stored_blocks: u64,
    summary: &StemSummary,
) -> Result<(Vec<BlockRun>, Vec<f32>), StemError> {
    let wrong = || StemError::Damaged("its index is impossible");
    let (count, rest) = index.split_first_chunk::<8>().ok_or_else(wrong)?;
    let split = u64::from_le_bytes(*count).checked_mul(16).and_then(|at| usize::try_from(at).ok());
    let (entries, powers) = split.and_then(|at| rest.split_at_checked(at)).ok_or_else(wrong)?;
    let runs =
        decode_runs(entries.as_chunks::<16>().0, stored_blocks, summary).ok_or_else(wrong)?;
    let (powers, odd) = powers.as_chunks::<4>();
    let powers: Vec<f32> = powers.iter().map(|power| f32::from_le_bytes(*power)).collect();
    let sane = odd.is_empty()
        && powers.len() as u64 == stored_blocks
        && powers.iter().all(|power| *power >= 0.0 && power.is_finite());
    if sane { Ok((runs, powers)) } else { Err(wrong()) }
}

fn decode_runs(
    entries: &[[u8; 16]],
    stored_blocks: u64,
    summary: &StemSummary,
) -> Option<Vec<BlockRun>> {
    let block = BLOCK_FRAMES as i64;
    let mut from = summary.first_sample.div_euclid(block);
    let end = (summary.end_sample() + block - 1).div_euclid(block);
    let mut slot = 0u64;
    let mut runs = Vec::with_capacity(entries.len());
    for entry in entries {
        let (first, blocks) = entry.split_at(8);
        let first_block = i64::from_le_bytes(first.try_into().ok()?);
        let blocks = u64::from_le_bytes(blocks.try_into().ok()?);
        let fits = first_block >= from
            && blocks > 0
            && blocks <= stored_blocks - slot
            && first_block <= end - blocks.min(MAX_POSITION as u64) as i64;
        if !fits {
            return None;
        }
        runs.push(BlockRun { first_block, blocks, slot });
        slot += blocks;
        from = first_block + blocks as i64;
    }
    (slot == stored_blocks).then_some(runs)
}
