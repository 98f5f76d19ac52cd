//! The walk over the chunks of RIFF, Wave64, IFF and CAF files.

use std::io::{Read, Seek, SeekFrom};

use super::DecodeError;
use super::error::is_machine_fault;

/// How chunk headers are written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Style {
    /// Four letters and a little-endian 32-bit size; content padded to even lengths.
    Riff,
    /// As RIFF, the size big-endian.
    Iff,
    /// A 16-byte GUID and a 64-bit size that counts the header; padded to eight.
    Wave64,
    /// Four letters and a big-endian 64-bit size; no padding.
    Caf,
}

/// A chunk whose content the file stands before.
pub(super) struct Chunk {
    /// Its four letters; of a GUID the first four bytes.
    pub(super) id: [u8; 4],
    /// Where its content starts.
    pub(super) at: u64,
    /// How long its content is, as its header says.
    pub(super) bytes: u64,
}

/// The chunks of a file, one after the other.
pub(super) struct Chunks {
    style: Style,
    next: u64,
    file_bytes: u64,
}

impl Chunks {
    /// Chunks from byte `first` on, in a file of `file_bytes`.
    pub(super) fn new(style: Style, first: u64, file_bytes: u64) -> Self {
        Chunks { style, next: first, file_bytes }
    }

    /// Goes to the next chunk and stands before its content; `None` at the end of the file.
    pub(super) fn next(
        &mut self,
        file: &mut (impl Read + Seek),
    ) -> Result<Option<Chunk>, DecodeError> {
        let (header_bytes, align) = match self.style {
            Style::Riff | Style::Iff => (8, 2),
            Style::Wave64 => (24, 8),
            Style::Caf => (12, 1),
        };
        if self.next.saturating_add(header_bytes) > self.file_bytes {
            return Ok(None);
        }
        file.seek(SeekFrom::Start(self.next))?;
        let mut header = [0; 24];
        fill(file, &mut header[..header_bytes as usize])?;
        let bytes = match self.style {
            Style::Riff => le_u32(&header, 4).into(),
            Style::Iff => be_u32(&header, 4).into(),
            Style::Wave64 => le_u64(&header, 16).saturating_sub(24),
            Style::Caf => be_u64(&header, 4),
        };
        let at = self.next + header_bytes;
        let padded = bytes.checked_next_multiple_of(align).unwrap_or(u64::MAX);
        self.next = at.saturating_add(padded);
        let [a, b, c, d, ..] = header;
        Ok(Some(Chunk { id: [a, b, c, d], at, bytes }))
    }
}

/// Reads all of `bytes`; the end of the file among headers is the file's fault, not the
/// machine's.
pub(super) fn fill(file: &mut impl Read, bytes: &mut [u8]) -> Result<(), DecodeError> {
    file.read_exact(bytes).map_err(|error| match is_machine_fault(&error) {
        true => DecodeError::Io(error),
        false => DecodeError::Broken { what: "the file ends within its header".into() },
    })
}

/// The little-endian number at `at`.
pub(super) fn le_u16(bytes: &[u8], at: usize) -> u16 {
    u16::from_le_bytes([bytes[at], bytes[at + 1]])
}

/// The little-endian number at `at`.
pub(super) fn le_u32(bytes: &[u8], at: usize) -> u32 {
    u32::from(le_u16(bytes, at)) | u32::from(le_u16(bytes, at + 2)) << 16
}

/// The little-endian number at `at`.
pub(super) fn le_u64(bytes: &[u8], at: usize) -> u64 {
    u64::from(le_u32(bytes, at)) | u64::from(le_u32(bytes, at + 4)) << 32
}

/// The big-endian number at `at`.
pub(super) fn be_u16(bytes: &[u8], at: usize) -> u16 {
    le_u16(bytes, at).swap_bytes()
}

/// The big-endian number at `at`.
pub(super) fn be_u32(bytes: &[u8], at: usize) -> u32 {
    le_u32(bytes, at).swap_bytes()
}

/// The big-endian number at `at`.
pub(super) fn be_u64(bytes: &[u8], at: usize) -> u64 {
    le_u64(bytes, at).swap_bytes()
}
