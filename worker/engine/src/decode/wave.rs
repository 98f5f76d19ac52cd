//! Where the samples of RIFF/WAVE, RF64, BW64 and Wave64 files lie.
//!
//! Sources: RIFF MCI (Microsoft, 1991) and WAVEFORMATEXTENSIBLE for `fmt `; EBU Tech 3306 for
//! RF64 and `ds64`; ITU-R BS.2088 for BW64; the Sony Wave64 GUIDs.

use std::io::{Read, Seek};

use super::DecodeError;
use super::chunks::{Chunks, Style, fill, le_u16, le_u32, le_u64};
use super::pcm::{Coding, Number};
use super::pcm_file::Layout;

/// Bytes 4 to 15 of the Wave64 `riff` GUID.
pub(super) const W64_RIFF_TAIL: [u8; 12] =
    [0x2e, 0x91, 0xcf, 0x11, 0xa5, 0xd6, 0x28, 0xdb, 0x04, 0xc1, 0x00, 0x00];

/// A size that says 'see ds64' or 'not known yet'.
const SIZE_UNKNOWN: u64 = 0xffff_ffff;

/// The `fmt ` chunk.
struct Format {
    tag: u16,
    channels: u16,
    rate_hz: u32,
    sample_bytes: u16,
}

/// Finds the samples of `file`, which starts with `magic`; `None` if they are not plain PCM, so
/// that a codec has to decode them.
pub(super) fn layout(
    file: &mut (impl Read + Seek),
    magic: [u8; 4],
    file_bytes: u64,
) -> Result<Option<Layout>, DecodeError> {
    let (container, style, first) = match &magic {
        b"riff" => ("Wave64", Style::Wave64, 40),
        b"RF64" => ("RF64", Style::Riff, 12),
        b"BW64" => ("BW64", Style::Riff, 12),
        _ => ("WAV", Style::Riff, 12),
    };
    let mut chunks = Chunks::new(style, first, file_bytes);
    let (mut format, mut long_data_bytes) = (None, None);
    while let Some(chunk) = chunks.next(file)? {
        match &chunk.id {
            b"ds64" => {
                let mut ds64 = [0; 16];
                fill(file, &mut ds64)?;
                long_data_bytes = Some(le_u64(&ds64, 8));
            }
            b"fmt " => format = Some(read_format(file, chunk.bytes)?),
            b"data" => {
                let Some(Format { tag, channels, rate_hz, sample_bytes }) = format else { break };
                let there = file_bytes - chunk.at;
                return Ok(coding_of(tag, sample_bytes).map(|coding| Layout {
                    container,
                    coding,
                    channels: channels.into(),
                    rate_hz,
                    data_at: chunk.at,
                    data_bytes: promised_bytes(chunk.bytes, long_data_bytes, there),
                }));
            }
            _ => {}
        }
    }
    let what = format!("the {container} file has no format chunk with a data chunk after it");
    Err(DecodeError::Broken { what })
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

fn read_format(file: &mut impl Read, bytes: u64) -> Result<Format, DecodeError> {
    const EXTENSIBLE: u16 = 0xfffe;
    let mut fmt = [0; 40];
    let there = bytes.min(40) as usize;
    if there < 14 {
        return Err(DecodeError::Broken { what: "the format chunk is too short".into() });
    }
    fill(file, &mut fmt[..there])?;
    let mut tag = le_u16(&fmt, 0);
    if tag == EXTENSIBLE && there >= 26 {
        tag = le_u16(&fmt, 24);
    }
    let (channels, frame_bytes, bits) = (le_u16(&fmt, 2), le_u16(&fmt, 12), le_u16(&fmt, 14));
    let sample_bytes = match frame_bytes.checked_div(channels) {
        Some(whole @ 1..=8) if frame_bytes == whole * channels => whole,
        _ => bits.div_ceil(8),
    };
    Ok(Format { tag, channels, rate_hz: le_u32(&fmt, 4), sample_bytes })
}

/// Format tag 1 is integers, of which those of one byte are unsigned; 3 is float.
fn coding_of(tag: u16, sample_bytes: u16) -> Option<Coding> {
    let number = match (tag, sample_bytes) {
        (1, 1) => Number::U8,
        (1, 2) => Number::I16,
        (1, 3) => Number::I24,
        (1, 4) => Number::I32,
        (3, 4) => Number::F32,
        (3, 8) => Number::F64,
        _ => return None,
    };
    Some(Coding { number, big_endian: false })
}
