//! Writes a file of steps as its blocks come, so that no more than a few are held.

use super::{START_BYTES, front_hash};
use crate::stem::BLOCK_FRAMES;
use std::fs::File;
use std::io;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};

/// Tells the temporary files of one process apart.
static SAVES: AtomicU64 = AtomicU64::new(0);

/// Bytes written at a time: they stay in a core's second-level cache.
const AT_ONCE: usize = 1 << 18;

/// Takes the blocks of a file of steps, in order. Until it is saved it has another name; one that
/// is not saved is removed.
pub struct StepsWriter {
    file: File,
    path: PathBuf,
    temporary: PathBuf,
    start: [u8; START_BYTES],
    head: Vec<u8>,
    blocks: usize,
    places: Vec<u8>,
    pending: Vec<u8>,
    /// Where in the file what is pending goes.
    at: u64,
    written: io::Result<()>,
}

impl StepsWriter {
    /// A file of some kind at `path`, of so many blocks from `first_block` on.
    ///
    /// # Errors
    /// It cannot be written there.
    pub fn create(
        path: &Path,
        magic: [u8; 8],
        first_block: i64,
        blocks: usize,
        head: Vec<u8>,
    ) -> io::Result<Self> {
        let fields = [
            magic,
            first_block.to_le_bytes(),
            (blocks as u64).to_le_bytes(),
            (head.len() as u64).to_le_bytes(),
        ];
        let mut start = [0; START_BYTES];
        start.copy_from_slice(fields.as_flattened());
        let number = SAVES.fetch_add(1, Ordering::Relaxed);
        let temporary = path.with_extension(format!("tmp{}-{number}", std::process::id()));
        Ok(Self {
            file: File::create(&temporary)?,
            path: path.to_owned(),
            temporary,
            start,
            at: (START_BYTES + head.len() + 10 * blocks + 32) as u64,
            head,
            blocks,
            places: Vec::with_capacity(10 * blocks),
            pending: Vec::with_capacity(AT_ONCE),
            written: Ok(()),
        })
    }

    /// Adds whole blocks, left and right. If they cannot be written, saving says so.
    pub fn push(&mut self, planes: [&[i64]; 2]) {
        let [left, right] = planes.map(|plane| plane.chunks_exact(BLOCK_FRAMES));
        for chunk in left.zip(right).flat_map(|(left, right)| [left, right]) {
            let width = width_of(chunk);
            if self.pending.len() + usize::from(width) * BLOCK_FRAMES > AT_ONCE {
                self.flush();
            }
            let from = self.pending.len();
            self.pending.resize(from + usize::from(width) * BLOCK_FRAMES, 0);
            let to = &mut self.pending[from..];
            match width {
                0 => {}
                4 => to.as_chunks_mut().0.iter_mut().zip(chunk).for_each(|(to, step)| {
                    *to = (*step as i32).to_le_bytes();
                }),
                _ => to.as_chunks_mut().0.iter_mut().zip(chunk).for_each(|(to, step)| {
                    *to = step.to_le_bytes();
                }),
            }
            self.places.push(width);
            self.places.extend(crc32fast::hash(to).to_le_bytes());
        }
    }

    fn flush(&mut self) {
        if self.written.is_ok() {
            self.written = self.file.write_all_at(&self.pending, self.at);
        }
        self.at += self.pending.len() as u64;
        self.pending.clear();
    }

    /// Gives the file its name: the old one or the new one is there, whatever happens.
    ///
    /// # Errors
    /// Any failure to write, as when the disk is full, or a wrong number of blocks; the old file
    /// then stays.
    pub fn save(mut self) -> io::Result<()> {
        self.flush();
        std::mem::replace(&mut self.written, Ok(()))?;
        if self.places.len() != 10 * self.blocks {
            return Err(io::ErrorKind::InvalidInput.into());
        }
        let known = [&self.head[..], &self.places].concat();
        let hash = front_hash(&self.start, &known);
        self.file.write_all_at(&[&self.start[..], &known, &hash].concat(), 0)?;
        std::fs::rename(&self.temporary, &self.path)
    }
}

impl Drop for StepsWriter {
    fn drop(&mut self) {
        // Once it is saved there is nothing to remove.
        let _ = std::fs::remove_file(&self.temporary);
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

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::super::{StepsBuffer, StepsFile};
    use super::*;

    const MAGIC: [u8; 8] = *b"testing1";

    fn written(path: &Path, planes: &[Vec<i64>; 2], blocks: usize, at_once: usize) -> StepsWriter {
        let mut writer = StepsWriter::create(path, MAGIC, -3, blocks, vec![7; 13]).unwrap();
        let [left, right] = planes.each_ref().map(|plane| plane.chunks(at_once * BLOCK_FRAMES));
        left.zip(right).for_each(|(left, right)| writer.push([left, right]));
        writer
    }

    #[test]
    fn steps_of_every_width_come_back_however_they_were_handed_over() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("steps");
        let mut random = fastrand::Rng::with_seed(9);
        let planes = [(); 2].map(|()| {
            let most = (0..23).flat_map(|n| [[0, 1, 1 << 30, 1 << 40][n % 4]; BLOCK_FRAMES]);
            most.map(|most: i64| random.i64(-most..=most)).collect::<Vec<i64>>()
        });
        for at_once in [1, 4, 23] {
            written(&path, &planes, 23, at_once).save().unwrap();
            let file = StepsFile::open(&path, MAGIC, -3, 23).unwrap();
            assert_eq!(file.head(), [7; 13]);
            let (mut buffer, mut steps) = (StepsBuffer::default(), vec![0; BLOCK_FRAMES]);
            for block in 0..23 {
                let frames = block * BLOCK_FRAMES..(block + 1) * BLOCK_FRAMES;
                for (side, plane) in planes.iter().enumerate() {
                    file.read(block, &mut buffer).unwrap()[side].copy_to(&mut steps);
                    assert!(steps == plane[frames.clone()], "block {block}");
                }
            }
        }
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 1);
    }

    #[test]
    fn what_is_not_saved_or_not_whole_leaves_nothing() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("steps");
        let planes = [vec![1; BLOCK_FRAMES], vec![2; BLOCK_FRAMES]];
        drop(written(&path, &planes, 1, 1));
        assert!(written(&path, &planes, 2, 1).save().is_err(), "a block is missing");
        assert_eq!(std::fs::read_dir(dir.path()).unwrap().count(), 0);
        assert!(StepsWriter::create(&dir.path().join("gone/steps"), MAGIC, 0, 1, vec![]).is_err());
    }
}
