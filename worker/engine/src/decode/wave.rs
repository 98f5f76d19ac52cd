//! PCM in RIFF/WAVE, RF64, BW64 and Wave64 files, read by what the file holds rather than by
//! what its header promises.
//!
//! Sources: RIFF MCI (Microsoft, 1991) and WAVEFORMATEXTENSIBLE for `fmt `; EBU Tech 3306 for
//! RF64 and `ds64`; ITU-R BS.2088 for BW64; the Sony Wave64 GUIDs.

use std::fs::File;
use std::io::{BufReader, Read, Seek, SeekFrom};

use super::pcm::{self, SampleKind};
use super::source::check_limits;
use super::{DecodeError, Info, Limits, Note};

/// Bytes 4 to 15 of the Wave64 `riff` GUID.
pub(super) const W64_RIFF_TAIL: [u8; 12] =
    [0x2e, 0x91, 0xcf, 0x11, 0xa5, 0xd6, 0x28, 0xdb, 0x04, 0xc1, 0x00, 0x00];

/// Frames of one block.
const BLOCK_FRAMES: usize = 4096;
/// A size that says 'see ds64' or 'not known yet'.
const SIZE_UNKNOWN: u64 = 0xffff_ffff;

/// A wave file opened at its first frame.
pub(super) struct WaveSource {
    file: BufReader<File>,
    info: Info,
    kind: SampleKind,
    frame_bytes: usize,
    bytes_left: u64,
    promised_more: bool,
    bytes: Vec<u8>,
}

/// Where the samples lie and how they are stored.
#[derive(Debug, PartialEq)]
struct Layout {
    container: &'static str,
    format: Format,
    data_bytes: u64,
    promised_more: bool,
}

/// The `fmt ` chunk.
#[derive(Clone, Copy, Debug, PartialEq)]
struct Format {
    tag: u16,
    channels: u16,
    rate_hz: u32,
    sample_bytes: u16,
}

impl WaveSource {
    /// Opens `file`; `None` if its samples are not plain PCM, so that a codec has to decode it.
    pub(super) fn open(file: File, limits: &Limits) -> Result<Option<Self>, DecodeError> {
        let file_bytes = file.metadata()?.len();
        let mut file = BufReader::with_capacity(1 << 16, file);
        let layout = read_layout(&mut file, file_bytes)?;
        let Some(kind) = SampleKind::of_wave(layout.format.tag, layout.format.sample_bytes) else {
            return Ok(None);
        };
        let info = Info {
            container: layout.container,
            codec: "PCM",
            sample_rate_hz: layout.format.rate_hz,
            channels: layout.format.channels,
            trimmed_start_frames: 0,
        };
        check_limits(&info, limits)?;
        Ok(Some(WaveSource {
            file,
            kind,
            frame_bytes: usize::from(layout.format.channels)
                * usize::from(layout.format.sample_bytes),
            bytes_left: layout.data_bytes,
            promised_more: layout.promised_more,
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
        pcm::to_planar(&self.bytes[..whole], self.kind, block);
        Ok(true)
    }

    /// What was odd about the file, whose sound ended at `end_s`.
    pub(super) fn notes(&self, end_s: f64) -> Vec<Note> {
        if self.promised_more { vec![Note::Truncated { at_s: end_s }] } else { Vec::new() }
    }
}

/// Reads chunks up to the samples and stands before them.
fn read_layout(file: &mut (impl Read + Seek), file_bytes: u64) -> Result<Layout, DecodeError> {
    let mut start = [0; 4];
    file.read_exact(&mut start).map_err(cut_short)?;
    let chunks = match &start {
        b"riff" => Chunks { wide: true, at: 40 },
        _ => Chunks { wide: false, at: 12 },
    };
    let container = match &start {
        b"riff" => "Wave64",
        b"RF64" => "RF64",
        b"BW64" => "BW64",
        _ => "WAV",
    };
    find_samples(file, file_bytes, chunks, container)
}

fn find_samples(
    file: &mut (impl Read + Seek),
    file_bytes: u64,
    mut chunks: Chunks,
    container: &'static str,
) -> Result<Layout, DecodeError> {
    let (mut format, mut long_data_bytes) = (None, None);
    loop {
        let Some(chunk) = chunks.next(file, file_bytes)? else {
            let what = format!("the {container} file has no data chunk");
            return Err(DecodeError::Broken { what });
        };
        match &chunk.id {
            b"ds64" => long_data_bytes = Some(read_ds64(file)?),
            b"fmt " => format = Some(read_format(file, chunk.bytes)?),
            b"data" => {
                let Some(format) = format else {
                    let what = format!("the {container} file's data come before its format");
                    return Err(DecodeError::Broken { what });
                };
                let there = file_bytes - chunk.at;
                let promised = promised_bytes(chunk.bytes, long_data_bytes, there);
                return Ok(Layout {
                    container,
                    format,
                    data_bytes: promised.min(there),
                    promised_more: promised > there,
                });
            }
            _ => {}
        }
    }
}

/// How many bytes of samples the header promises; `there` are in the file from here on.
fn promised_bytes(size: u64, long_size: Option<u64>, there: u64) -> u64 {
    match (size, long_size) {
        (SIZE_UNKNOWN, Some(long)) if long > 0 => long,
        // A writer to a pipe, or one that was cut off, never came back to fill the size in; one
        // that went past 4 GiB had no room for it.
        (SIZE_UNKNOWN | 0, _) => there,
        (_, None) if there > SIZE_UNKNOWN => there,
        _ => size,
    }
}

/// The walk over chunks.
struct Chunks {
    /// Wave64: 16-byte ids, 64-bit sizes that count the header, alignment to 8.
    wide: bool,
    at: u64,
}

struct Chunk {
    id: [u8; 4],
    /// Where its content starts.
    at: u64,
    bytes: u64,
}

impl Chunks {
    /// Stands before the next chunk's content; `None` at the end of the file.
    fn next(
        &mut self,
        file: &mut (impl Read + Seek),
        file_bytes: u64,
    ) -> Result<Option<Chunk>, DecodeError> {
        let header_bytes = if self.wide { 24 } else { 8 };
        if self.at.saturating_add(header_bytes) > file_bytes {
            return Ok(None);
        }
        file.seek(SeekFrom::Start(self.at))?;
        let mut header = [0; 24];
        file.read_exact(&mut header[..header_bytes as usize]).map_err(cut_short)?;
        let [a, b, c, d, ..] = header;
        let (bytes, align) = if self.wide {
            (u64_at(&header, 16).saturating_sub(24), 8)
        } else {
            (u32_at(&header, 4).into(), 2)
        };
        let chunk = Chunk { id: [a, b, c, d], at: self.at + header_bytes, bytes };
        let padded = bytes.checked_next_multiple_of(align).unwrap_or(u64::MAX);
        self.at = chunk.at.saturating_add(padded);
        Ok(Some(chunk))
    }
}

fn read_ds64(file: &mut impl Read) -> Result<u64, DecodeError> {
    let mut ds64 = [0; 16];
    file.read_exact(&mut ds64).map_err(cut_short)?;
    Ok(u64_at(&ds64, 8))
}

fn read_format(file: &mut impl Read, bytes: u64) -> Result<Format, DecodeError> {
    const EXTENSIBLE: u16 = 0xfffe;
    let mut fmt = [0; 40];
    let there = bytes.min(40) as usize;
    if there < 14 {
        return Err(DecodeError::Broken { what: "the format chunk is too short".into() });
    }
    file.read_exact(&mut fmt[..there]).map_err(cut_short)?;
    let mut tag = u16_at(&fmt, 0);
    if tag == EXTENSIBLE && there >= 26 {
        tag = u16_at(&fmt, 24);
    }
    let (channels, frame_bytes, bits) = (u16_at(&fmt, 2), u16_at(&fmt, 12), u16_at(&fmt, 14));
    let sample_bytes = match frame_bytes.checked_div(channels) {
        Some(whole @ 1..=8) if frame_bytes == whole * channels => whole,
        _ => bits.div_ceil(8),
    };
    Ok(Format { tag, channels, rate_hz: u32_at(&fmt, 4), sample_bytes })
}

/// The end of the file where there should be a header is the file's fault, not the machine's.
fn cut_short(error: std::io::Error) -> DecodeError {
    match error.kind() {
        std::io::ErrorKind::UnexpectedEof => {
            DecodeError::Broken { what: "the file ends within its header".into() }
        }
        _ => DecodeError::Io(error),
    }
}

fn u16_at(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes([bytes[at], bytes[at + 1]])
}

fn u32_at(bytes: &[u8], at: usize) -> u32 {
    u32::from(u16_at(bytes, at)) | u32::from(u16_at(bytes, at + 2)) << 16
}

fn u64_at(bytes: &[u8], at: usize) -> u64 {
    u64::from(u32_at(bytes, at)) | u64::from(u32_at(bytes, at + 4)) << 32
}
