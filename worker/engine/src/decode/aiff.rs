//! Where the samples of AIFF and AIFF-C files lie (Apple, Audio Interchange File Format, 1989,
//! and AIFF-C, 1991).

use std::io::{Read, Seek};

use super::DecodeError;
use super::chunks::{Chunk, Chunks, Style, be_u16, be_u32, be_u64, fill};
use super::pcm::{Coding, Number};
use super::pcm_file::Layout;

/// The `COMM` chunk.
struct Common {
    channels: u16,
    bits: u16,
    rate_hz: u32,
    compression: [u8; 4],
}

/// Finds the samples of `file`; `None` if they are not plain PCM.
pub(super) fn layout(
    file: &mut (impl Read + Seek),
    file_bytes: u64,
) -> Result<Option<Layout>, DecodeError> {
    let mut chunks = Chunks::new(Style::Iff, 12, file_bytes);
    let (mut common, mut sound) = (None, None);
    while common.is_none() || sound.is_none() {
        let Some(chunk) = chunks.next(file)? else {
            let what = "the AIFF file lacks its COMM or its SSND chunk".into();
            return Err(DecodeError::Broken { what });
        };
        match &chunk.id {
            b"COMM" => common = Some(read_common(file, &chunk)?),
            b"SSND" => {
                let mut offset = [0; 4];
                fill(file, &mut offset)?;
                sound = Some((chunk, u64::from(be_u32(&offset, 0)) + 8));
            }
            _ => {}
        }
    }
    let (Some(common), Some((chunk, skip))) = (common, sound) else { return Ok(None) };
    Ok(coding_of(&common.compression, common.bits).map(|coding| Layout {
        container: "AIFF",
        coding,
        channels: common.channels.into(),
        rate_hz: common.rate_hz,
        data_at: chunk.at.saturating_add(skip),
        data_bytes: chunk.bytes.saturating_sub(skip),
    }))
}

fn read_common(file: &mut impl Read, chunk: &Chunk) -> Result<Common, DecodeError> {
    let mut comm = [0; 22];
    let there = chunk.bytes.min(22) as usize;
    if there < 18 {
        return Err(DecodeError::Broken { what: "the COMM chunk is too short".into() });
    }
    fill(file, &mut comm[..there])?;
    let compression = if there == 22 { be_u32(&comm, 18).to_be_bytes() } else { *b"NONE" };
    Ok(Common {
        channels: be_u16(&comm, 0),
        bits: be_u16(&comm, 6),
        rate_hz: extended(be_u16(&comm, 8), be_u64(&comm, 10)).round() as u32,
        compression,
    })
}

/// An 80-bit IEEE 754 extended number.
fn extended(sign_exponent: u16, mantissa: u64) -> f64 {
    let exponent = i32::from(sign_exponent & 0x7fff) - 16_383 - 63;
    let size = mantissa as f64 * 2f64.powi(exponent);
    if sign_exponent & 0x8000 == 0 { size } else { -size }
}

fn coding_of(compression: &[u8; 4], bits: u16) -> Option<Coding> {
    let number = match (compression, bits.div_ceil(8)) {
        (b"fl32" | b"FL32", _) => Number::F32,
        (b"fl64" | b"FL64", _) => Number::F64,
        (b"raw ", 1) => Number::U8,
        (b"NONE" | b"twos" | b"sowt", 1) => Number::I8,
        (b"NONE" | b"twos" | b"sowt", 2) => Number::I16,
        (b"NONE" | b"twos", 3) | (b"in24", _) => Number::I24,
        (b"NONE" | b"twos", 4) | (b"in32", _) => Number::I32,
        _ => return None,
    };
    Some(Coding { number, big_endian: compression != b"sowt" })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn sample_rates_are_80_bit_numbers() {
        assert_eq!(extended(0x400e, 0xac44 << 48), 44_100.0);
        assert_eq!(extended(0x400e, 0xbb80 << 48), 48_000.0);
        assert_eq!(extended(0, 0), 0.0);
    }
}
