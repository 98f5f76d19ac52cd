//! Streams a stem out.

use super::file::{BlockRun, encode_header, encode_index};
use super::summary::{Gauge, StemSummary};
use super::{BLOCK_BYTES, BLOCK_FRAMES, HEADER_BYTES, MAX_POSITION, StemError};
use crate::math::vectors::all_finite;
use std::io::{Seek, SeekFrom, Write};

/// Writes one stem; the header goes in last, so a file that was not finished is not a stem.
///
/// Showing the file whole or not at all (temporary name, flush to disk, rename) is the caller's.
pub struct StemWriter<W: Write + Seek> {
    out: W,
    rate_hz: u32,
    first_sample: i64,
    frames: u64,
    next_block: i64,
    planes: Vec<Vec<f32>>,
    runs: Vec<BlockRun>,
    powers: Vec<f32>,
    stored_blocks: u64,
    gauge: Gauge,
    hasher: blake3::Hasher,
    bytes: Vec<u8>,
}

impl<W: Write + Seek> StemWriter<W> {
    /// Starts a stem of 1 or 2 channels whose first frame lies at `first_sample` of the grid.
    ///
    /// # Errors
    /// [`StemError::Misuse`] for other channel counts, a rate the loudness meter refuses or an
    /// absurd position; [`StemError::Io`] if the file cannot be written.
    pub fn create(
        mut out: W,
        rate_hz: u32,
        channels: u16,
        first_sample: i64,
    ) -> Result<Self, StemError> {
        if !(1..=2).contains(&channels) {
            return Err(StemError::Misuse("it has one or two channels"));
        }
        if first_sample.unsigned_abs() > MAX_POSITION as u64 {
            return Err(StemError::Misuse("its first sample lies absurdly far from bar 1"));
        }
        let gauge = Gauge::new(rate_hz, channels)?;
        out.write_all(&[0u8; HEADER_BYTES])?;
        let lead_in = first_sample.rem_euclid(BLOCK_FRAMES as i64) as usize;
        let mut hasher = blake3::Hasher::new();
        hasher.update(&rate_hz.to_le_bytes());
        hasher.update(&channels.to_le_bytes());
        Ok(Self {
            out,
            rate_hz,
            first_sample,
            frames: 0,
            next_block: first_sample.div_euclid(BLOCK_FRAMES as i64),
            planes: (0..channels)
                .map(|_| {
                    let mut plane = Vec::with_capacity(BLOCK_FRAMES);
                    plane.resize(lead_in, 0.0);
                    plane
                })
                .collect(),
            runs: Vec::new(),
            powers: Vec::new(),
            stored_blocks: 0,
            gauge,
            hasher,
            bytes: Vec::new(),
        })
    }

    /// Adds frames: one slice a channel, all of one length.
    ///
    /// # Errors
    /// [`StemError::Misuse`] if the slices do not fit the stem, [`StemError::NotFinite`] on NaN
    /// or infinity, [`StemError::Io`] if the file cannot be written.
    pub fn push(&mut self, channels: &[&[f32]]) -> Result<(), StemError> {
        let frames = channels.first().map_or(0, |first| first.len());
        if channels.len() != self.planes.len() || channels.iter().any(|c| c.len() != frames) {
            return Err(StemError::Misuse("its channels must be pushed together, equally long"));
        }
        for channel in channels {
            if !all_finite(channel) {
                let at = channel.iter().take_while(|sample| sample.is_finite()).count();
                return Err(StemError::NotFinite { frame: self.frames + at as u64 });
            }
        }
        if self.frames + frames as u64 > MAX_POSITION as u64 {
            return Err(StemError::Misuse("it is absurdly long"));
        }
        let mut from = 0;
        while from < frames {
            let room = BLOCK_FRAMES - self.planes[0].len();
            let upto = frames.min(from + room);
            for (plane, channel) in self.planes.iter_mut().zip(channels) {
                plane.extend_from_slice(&channel[from..upto]);
            }
            from = upto;
            if self.planes[0].len() == BLOCK_FRAMES {
                self.end_block()?;
            }
        }
        self.frames += frames as u64;
        Ok(())
    }

    /// Writes what is left, the index and the header.
    ///
    /// # Errors
    /// [`StemError::Io`] if the file cannot be written.
    pub fn finish(mut self) -> Result<StemSummary, StemError> {
        if self.frames > 0 && !self.planes[0].is_empty() {
            self.end_block()?;
        }
        self.hasher.update(&self.first_sample.to_le_bytes());
        self.hasher.update(&self.frames.to_le_bytes());
        let summary = StemSummary {
            rate_hz: self.rate_hz,
            channels: self.planes.len() as u16,
            first_sample: self.first_sample,
            frames: self.frames,
            stored_frames: self.stored_blocks * BLOCK_FRAMES as u64,
            active_frames: self.gauge.active_frames(),
            peak: self.gauge.peak(),
            active_lufs: self.gauge.active_lufs(),
            low_share: self.gauge.low_share(),
            content_hash: *self.hasher.finalize().as_bytes(),
        };
        let index = encode_index(&self.runs, &self.powers);
        self.out.write_all(&index)?;
        self.out.seek(SeekFrom::Start(0))?;
        self.out.write_all(&encode_header(&summary, self.stored_blocks, &index)[..])?;
        self.out.flush()?;
        Ok(summary)
    }

    /// Measures and, unless it is silent, stores the block that is full, or the last one.
    fn end_block(&mut self) -> Result<(), StemError> {
        for plane in &mut self.planes {
            plane.resize(BLOCK_FRAMES, 0.0);
        }
        let views: Vec<&[f32]> = self.planes.iter().map(Vec::as_slice).collect();
        let power = self.gauge.push(&views);
        if views.iter().any(|plane| plane.iter().any(|&sample| sample != 0.0)) {
            self.bytes.resize(BLOCK_BYTES * views.len(), 0);
            for (bytes, plane) in self.bytes.chunks_exact_mut(BLOCK_BYTES).zip(&views) {
                let each = bytes.as_chunks_mut().0.iter_mut().zip(*plane);
                each.for_each(|(bytes, sample)| *bytes = sample.to_le_bytes());
            }
            self.hasher.update(&self.next_block.to_le_bytes());
            self.hasher.update(&self.bytes);
            self.out.write_all(&self.bytes)?;
            match self.runs.last_mut() {
                Some(run) if run.end_block() == self.next_block => run.blocks += 1,
                _ => self.runs.push(BlockRun {
                    first_block: self.next_block,
                    blocks: 1,
                    slot: self.stored_blocks,
                }),
            }
            self.powers.push(power);
            self.stored_blocks += 1;
        }
        self.planes.iter_mut().for_each(Vec::clear);
        self.next_block += 1;
        Ok(())
    }
}
