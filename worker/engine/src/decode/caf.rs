//! Where the samples of a Core Audio Format file lie (Apple, Core Audio Format Specification
//! 1.0), if they are plain PCM.

use std::io::{Read, Seek};

use super::DecodeError;
use super::chunks::{Chunks, Style, be_u32, be_u64, fill};
use super::pcm::{Coding, Number};
use super::pcm_file::Layout;

const IS_FLOAT: u32 = 1;
const IS_LITTLE_ENDIAN: u32 = 2;

/// Finds the samples of `file`; `None` if a codec has to decode them.
pub(super) fn layout(
    file: &mut (impl Read + Seek),
    file_bytes: u64,
) -> Result<Option<Layout>, DecodeError> {
    let mut chunks = Chunks::new(Style::Caf, 8, file_bytes);
    let mut described = None;
    while let Some(chunk) = chunks.next(file)? {
        match (&chunk.id, described) {
            (b"desc", _) => {
                let mut desc = [0; 32];
                fill(file, &mut desc)?;
                if &desc[8..12] != b"lpcm" {
                    return Ok(None);
                }
                described = Some(desc);
            }
            (b"data", Some(desc)) => {
                // The edit count comes before the samples; a size of −1 means to the end.
                let data_at = chunk.at.saturating_add(4);
                let data_bytes = match chunk.bytes {
                    u64::MAX => file_bytes.saturating_sub(data_at),
                    bytes => bytes.saturating_sub(4),
                };
                let channels = be_u32(&desc, 24);
                return Ok(coding_of(&desc, channels).map(|coding| Layout {
                    container: "CAF",
                    coding,
                    channels,
                    rate_hz: f64::from_bits(be_u64(&desc, 0)).round() as u32,
                    data_at,
                    data_bytes,
                }));
            }
            _ => {}
        }
    }
    Err(DecodeError::Broken { what: "the CAF file has no description with data after it".into() })
}

/// The most bytes of a chunk before the samples that are kept; a packet table of two hours of
/// AAC has about a million.
const MAX_CHUNK_BYTES: u64 = 64 << 20;

/// A file of compressed packets without what the demultiplexer stumbles over: the padding that
/// some writers put after the packet table and the data, and chunks it has no use for.
pub(super) struct Tidied {
    /// Everything up to the packets.
    pub(super) head: Vec<u8>,
    /// Where the packets start in the file.
    pub(super) data_at: u64,
    /// How many bytes of them there are.
    pub(super) data_bytes: u64,
}

/// Tidies `file`; `None` if it lacks its description or its data.
pub(super) fn tidy(file: &mut (impl Read + Seek), file_bytes: u64) -> Option<Tidied> {
    let mut chunks = Chunks::new(Style::Caf, 8, file_bytes);
    let mut head = b"caff\0\x01\0\0".to_vec();
    let (mut desc, mut data) = (Vec::new(), None);
    while let Some(chunk) = chunks.next(file).ok()? {
        let there = file_bytes - chunk.at;
        match &chunk.id {
            b"data" => {
                let bytes = if chunk.bytes == u64::MAX { there } else { chunk.bytes.min(there) };
                data = Some((chunk.at.checked_add(4)?, bytes.checked_sub(4)?));
            }
            b"desc" | b"kuki" | b"chan" | b"pakt" if chunk.bytes <= MAX_CHUNK_BYTES.min(there) => {
                let mut content = Vec::new();
                file.by_ref().take(chunk.bytes).read_to_end(&mut content).ok()?;
                match &chunk.id {
                    b"desc" => desc.clone_from(&content),
                    b"pakt" => content.truncate(packet_table_bytes(&content, &desc)?),
                    _ => {}
                }
                put_chunk(&mut head, chunk.id, &content);
            }
            _ => {}
        }
    }
    let (data_at, data_bytes) = data?;
    put_chunk(&mut head, *b"data", &[0; 4]);
    let size_at = head.len() - 12;
    head[size_at..size_at + 8].copy_from_slice(&(data_bytes + 4).to_be_bytes());
    Some(Tidied { head, data_at, data_bytes })
}

fn put_chunk(head: &mut Vec<u8>, id: [u8; 4], content: &[u8]) {
    head.extend(id);
    head.extend((content.len() as u64).to_be_bytes());
    head.extend(content);
}

/// How many bytes of a packet table its entries take: a size, a number of frames, or both for
/// each packet, whichever are not constant, in groups of seven bits.
fn packet_table_bytes(table: &[u8], desc: &[u8]) -> Option<usize> {
    if table.len() < 24 || desc.len() < 24 {
        return None;
    }
    let varying = usize::from(be_u32(desc, 16) == 0) + usize::from(be_u32(desc, 20) == 0);
    let numbers = usize::try_from(be_u64(table, 0)).ok()?.checked_mul(varying)?;
    let ends = |(at, byte): (usize, &u8)| (byte & 0x80 == 0).then_some(24 + at + 1);
    match numbers.checked_sub(1) {
        None => Some(24),
        Some(last) => table[24..].iter().enumerate().filter_map(ends).nth(last),
    }
}

fn coding_of(desc: &[u8; 32], channels: u32) -> Option<Coding> {
    let (flags, packet_bytes, bits) = (be_u32(desc, 12), be_u32(desc, 16), be_u32(desc, 28));
    let sample_bytes = packet_bytes.checked_div(channels).unwrap_or(bits.div_ceil(8));
    let number = match (flags & IS_FLOAT != 0, sample_bytes) {
        (false, 1) => Number::I8,
        (false, 2) => Number::I16,
        (false, 3) => Number::I24,
        (false, 4) => Number::I32,
        (true, 4) => Number::F32,
        (true, 8) => Number::F64,
        _ => return None,
    };
    Some(Coding { number, big_endian: flags & IS_LITTLE_ENDIAN == 0 })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_packet_table_ends_with_its_last_number() {
        let mut desc = [0; 32];
        let mut table = [0u64.to_be_bytes(), [0; 8], [0; 8]].concat();
        table[7] = 2;
        table.extend([0x81, 0x02, 0x05, 0x00, 0x00]);
        desc[23] = 1;
        assert_eq!(packet_table_bytes(&table, &desc), Some(24 + 3));
        desc[23] = 0;
        assert_eq!(packet_table_bytes(&table, &desc), Some(24 + 5));
        table.truncate(26);
        assert_eq!(packet_table_bytes(&table, &desc), None);
    }
}
