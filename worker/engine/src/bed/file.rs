//! A bed on disk.
//!
//! Little-endian: a header with the stretch, the contents and one width for each block and
//! channel (0 silent, 4 or 8 bytes a frame), then the blocks, then BLAKE3 of all before it.
//! The file is written under a temporary name and renamed. It is a cache: it is not flushed to
//! disk, and one that a power cut left half-written fails its hash and is made anew.

use super::{Bed, KeptBed};
use crate::stem::BLOCK_FRAMES;
use std::fs::File;
use std::io::{self, Write};
use std::path::Path;
use std::sync::atomic::{AtomicU64, Ordering};

pub(super) const MAGIC: [u8; 8] = *b"ripbed_1";

/// Tells the temporary files of one process apart.
static SAVES: AtomicU64 = AtomicU64::new(0);

/// Why a bed file is of no use; it is then made anew.
#[derive(Debug, thiserror::Error)]
pub enum BedFileError {
    /// It could not be read.
    #[error(transparent)]
    Io(#[from] io::Error),
    /// It is not whole, or not of this version or stretch.
    #[error("not a whole bed of this version and stretch")]
    Unfit,
}

impl Bed {
    /// Writes the bed: the old file or the new one is there, whatever happens.
    ///
    /// # Errors
    /// Any failure to write, as when the disk is full; the old file then stays.
    pub fn save(&self, path: &Path) -> io::Result<()> {
        let bytes = self.encode();
        let number = SAVES.fetch_add(1, Ordering::Relaxed);
        let temporary = path.with_extension(format!("tmp{}-{number}", std::process::id()));
        let written = File::create(&temporary)
            .and_then(|mut file| file.write_all(&bytes))
            .and_then(|()| std::fs::rename(&temporary, path));
        if written.is_err() {
            let _ = std::fs::remove_file(&temporary);
        }
        written
    }

    /// Reads a bed of just this stretch.
    ///
    /// # Errors
    /// [`BedFileError`]: there is none, or it is unfit.
    pub fn load(path: &Path, first_block: i64, blocks: usize) -> Result<Self, BedFileError> {
        KeptBed::load(path, first_block, blocks).map(KeptBed::into_bed)
    }

    fn encode(&self) -> Vec<u8> {
        let widths: Vec<u8> = self.chunks().map(width_of).collect();
        let payload: usize = widths.iter().map(|&width| usize::from(width) * BLOCK_FRAMES).sum();
        let mut bytes =
            Vec::with_capacity(64 + self.contents.len() * 44 + widths.len() + payload + 32);
        bytes.extend(MAGIC);
        bytes.extend(self.first_block.to_le_bytes());
        bytes.extend((self.blocks as u64).to_le_bytes());
        bytes.extend((self.contents.len() as u64).to_le_bytes());
        for (key, count) in &self.contents {
            bytes.extend(key.content_hash);
            bytes.extend(key.gain_bits.iter().flat_map(|bits| bits.to_le_bytes()));
            bytes.extend(count.to_le_bytes());
        }
        bytes.extend(&widths);
        for (chunk, width) in self.chunks().zip(&widths) {
            match width {
                0 => {}
                4 => bytes.extend(chunk.iter().flat_map(|&step| (step as i32).to_le_bytes())),
                _ => bytes.extend(chunk.iter().flat_map(|step| step.to_le_bytes())),
            }
        }
        let hash = blake3::hash(&bytes);
        bytes.extend(hash.as_bytes());
        bytes
    }

    /// All blocks, left before right.
    fn chunks(&self) -> impl Iterator<Item = &[i64]> {
        self.planes.iter().flat_map(|plane| plane.chunks_exact(BLOCK_FRAMES))
    }
}

/// Bytes a frame that hold every step of the block.
fn width_of(chunk: &[i64]) -> u8 {
    // Folding the sign away makes the bits that any step needs visible in one pass.
    let bits = chunk.iter().fold(0i64, |bits, &step| bits | (step ^ (step >> 63)));
    match bits {
        0 if chunk.iter().all(|&step| step == 0) => 0,
        0..=0x7fff_ffff => 4,
        _ => 8,
    }
}
