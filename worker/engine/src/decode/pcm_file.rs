//! Files of plain PCM, read by what the file holds rather than by what its header promises.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};

use super::chunks::fill;
use super::pcm::{Coding, to_planar};
use super::source::check_limits;
use super::{DecodeError, Info, Limits, Note, aiff, caf, wave};

/// Frames of one block.
const BLOCK_FRAMES: usize = 4096;

/// Where the samples lie and how they are stored, as the headers say.
pub(super) struct Layout {
    /// The container's name.
    pub(super) container: &'static str,
    /// How a sample is stored.
    pub(super) coding: Coding,
    /// Channels, interleaved.
    pub(super) channels: u32,
    /// Frames a second.
    pub(super) rate_hz: u32,
    /// Where the samples start.
    pub(super) data_at: u64,
    /// How many bytes of them there should be.
    pub(super) data_bytes: u64,
}

/// A file of PCM opened at its first frame.
pub(super) struct PcmSource {
    file: BufReader<File>,
    info: Info,
    coding: Coding,
    frame_bytes: usize,
    bytes_left: u64,
    promised_more: bool,
    bytes: Vec<u8>,
}

impl PcmSource {
    /// Opens `file`; `None` if it is not a container of this kind or its samples are not PCM.
    pub(super) fn open(file: File, limits: &Limits) -> Result<Option<Self>, DecodeError> {
        let file_bytes = file.metadata()?.len();
        let mut file = BufReader::with_capacity(1 << 16, file);
        file.rewind()?;
        let mut magic = [0; 4];
        fill(&mut file, &mut magic)?;
        let layout = match &magic {
            b"FORM" => aiff::layout(&mut file, file_bytes)?,
            b"caff" => caf::layout(&mut file, file_bytes)?,
            b"RIFF" | b"RF64" | b"BW64" | b"riff" => wave::layout(&mut file, magic, file_bytes)?,
            _ => None,
        };
        let Some(layout) = layout else { return Ok(None) };
        let info = Info {
            container: layout.container,
            codec: "PCM",
            sample_rate_hz: layout.rate_hz,
            channels: u16::try_from(layout.channels).unwrap_or(u16::MAX),
            trimmed_start_frames: 0,
        };
        check_limits(&info, limits)?;
        let there = file_bytes.saturating_sub(layout.data_at);
        file.seek(SeekFrom::Start(layout.data_at))?;
        Ok(Some(PcmSource {
            file,
            coding: layout.coding,
            frame_bytes: usize::from(info.channels) * layout.coding.bytes(),
            bytes_left: layout.data_bytes.min(there),
            promised_more: layout.data_bytes > there,
            bytes: Vec::new(),
            info,
        }))
    }

    /// What the headers say.
    pub(super) fn info(&self) -> &Info {
        &self.info
    }

    /// Reads the next frames into `block`; false at the end.
    pub(super) fn step(&mut self, block: &mut [Vec<f32>]) -> Result<bool, DecodeError> {
        let want = (BLOCK_FRAMES * self.frame_bytes) as u64;
        self.bytes.clear();
        (&mut self.file).take(want.min(self.bytes_left)).read_to_end(&mut self.bytes)?;
        self.bytes_left -= self.bytes.len() as u64;
        let whole = self.bytes.len() - self.bytes.len() % self.frame_bytes;
        if whole == 0 {
            return Ok(false);
        }
        to_planar(&self.bytes[..whole], self.coding, block);
        Ok(true)
    }

    /// What was odd about the file, whose sound ended at `end_s`.
    pub(super) fn notes(&self, end_s: f64) -> Vec<Note> {
        if self.promised_more { vec![Note::Truncated { at_s: end_s }] } else { Vec::new() }
    }
}
