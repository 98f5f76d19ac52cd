//! What a file is, by its first bytes; its name is never believed.

use std::io::{Read, Seek, SeekFrom};

use super::DecodeError;

/// Families of containers that are opened in different ways.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Kind {
    /// RIFF, RF64, BW64 or Sony Wave64.
    Wave,
    /// ISO base media: MP4, M4A, MOV, 3GP.
    IsoMedia,
    /// Matroska or WebM.
    Matroska,
    /// Ogg.
    Ogg,
    /// AIFF or AIFF-C.
    Aiff,
    /// Core Audio Format.
    Caf,
    /// FLAC in its own container.
    Flac,
    /// MPEG audio frames, ADTS among them, perhaps after an ID3v2 tag.
    MpegFrames,
}

/// How much of a file is looked at.
const HEAD_BYTES: usize = 4096;

/// Recognises the container.
///
/// # Errors
/// [`DecodeError::NotAudio`] says what it looks like instead.
pub(super) fn sniff(file: &mut (impl Read + Seek)) -> Result<Kind, DecodeError> {
    let head = head_at(file, 0)?;
    let tag_bytes = id3_bytes(&head);
    if tag_bytes > 0 {
        let after_tag = head_at(file, tag_bytes)?;
        return kind_of(&after_tag)
            .or_else(|| kind_of(after_tag.trim_ascii_start_zeros()))
            .ok_or(DecodeError::NotAudio { looks_like: "an ID3 tag with no sound after it" });
    }
    kind_of(&head)
        .or_else(|| mpeg_after_zeros(&head))
        .ok_or(DecodeError::NotAudio { looks_like: looks_like(&head) })
}

fn head_at(file: &mut (impl Read + Seek), at: u64) -> Result<Vec<u8>, DecodeError> {
    let mut head = Vec::with_capacity(HEAD_BYTES);
    file.seek(SeekFrom::Start(at))?;
    file.by_ref().take(HEAD_BYTES as u64).read_to_end(&mut head)?;
    file.seek(SeekFrom::Start(0))?;
    Ok(head)
}

/// Size of an ID3v2 tag at the start, 0 if there is none (ID3v2.4.0 structure, section 3.1).
pub(super) fn id3_bytes(head: &[u8]) -> u64 {
    if head.len() < 10 || !head.starts_with(b"ID3") {
        return 0;
    }
    let size = head[6..10].iter().fold(0u64, |n, b| n << 7 | u64::from(b & 0x7f));
    let footer = if head[5] & 0x10 != 0 { 10 } else { 0 };
    10 + size + footer
}

fn kind_of(head: &[u8]) -> Option<Kind> {
    let at = |from: usize, bytes: &[u8]| head.get(from..).is_some_and(|h| h.starts_with(bytes));
    let is_iso =
        || [b"ftyp", b"moov", b"wide", b"mdat", b"skip", b"free"].iter().any(|t| at(4, *t));
    match head.get(..4)? {
        b"RIFF" | b"RF64" | b"BW64" if at(8, b"WAVE") => Some(Kind::Wave),
        b"riff" if at(4, &super::wave::W64_RIFF_TAIL) => Some(Kind::Wave),
        b"FORM" if at(8, b"AIFF") || at(8, b"AIFC") => Some(Kind::Aiff),
        b"caff" => Some(Kind::Caf),
        b"fLaC" => Some(Kind::Flac),
        b"OggS" => Some(Kind::Ogg),
        [0x1a, 0x45, 0xdf, 0xa3] => Some(Kind::Matroska),
        _ if is_iso() => Some(Kind::IsoMedia),
        [0xff, second, third, _] if is_mpeg_header(*second, *third) => Some(Kind::MpegFrames),
        _ => None,
    }
}

/// The second and third byte of an MPEG audio (ISO/IEC 11172-3, 2.4.2.3) or ADTS
/// (ISO/IEC 14496-3, 1.A.2.2) frame header hold no reserved value.
fn is_mpeg_header(second: u8, third: u8) -> bool {
    let adts = second & 0xf6 == 0xf0 && (third >> 2) & 0x0f < 13;
    let mpeg = second & 0xe0 == 0xe0
        && second & 0x18 != 0x08
        && second & 0x06 != 0
        && third >> 4 != 0x0f
        && third & 0x0c != 0x0c;
    adts || mpeg
}

/// Some recorders pad the start with zeros.
fn mpeg_after_zeros(head: &[u8]) -> Option<Kind> {
    let trimmed = head.trim_ascii_start_zeros();
    (trimmed.len() < head.len())
        .then(|| kind_of(trimmed))
        .flatten()
        .filter(|k| *k == Kind::MpegFrames)
}

trait TrimZeros {
    fn trim_ascii_start_zeros(&self) -> &[u8];
}

impl TrimZeros for [u8] {
    fn trim_ascii_start_zeros(&self) -> &[u8] {
        let zeros = self.iter().take_while(|b| **b == 0).count();
        &self[zeros..]
    }
}

/// A few words for what is not sound.
fn looks_like(head: &[u8]) -> &'static str {
    let starts: [(&[u8], &str); 14] = [
        (b"MThd", "it is a MIDI file: notes, not sound"),
        (b"%PDF", "it is a PDF document"),
        (b"PK\x03\x04", "it is a zip archive or an office document"),
        (b"\x89PNG", "it is a picture"),
        (b"\xff\xd8\xff", "it is a picture"),
        (b"GIF8", "it is a picture"),
        (b"\x1f\x8b", "it is a compressed archive"),
        (b"7z\xbc\xaf", "it is a compressed archive"),
        (b"Rar!", "it is a compressed archive"),
        (b"\x30\x26\xb2\x75", "it is a Windows Media file"),
        (b"wvpk", "it is a WavPack file"),
        (b"MAC ", "it is a Monkey's Audio file"),
        (b"#!AMR", "it is an AMR voice memo"),
        (b"DSD ", "it is a DSD file"),
    ];
    if let Some((_, words)) = starts.iter().find(|(start, _)| head.starts_with(start)) {
        return words;
    }
    let text = |b: &u8| matches!(b, b'\t' | b'\n' | b'\r' | 0x20..=0x7e | 0x80..);
    match head {
        _ if head.iter().all(|b| *b == 0) => "it holds nothing but zeros",
        _ if head.trim_ascii_start().starts_with(b"<") => "it is a web page or another text",
        _ if head.iter().all(text) => "it is text",
        _ => "it is of an unknown kind",
    }
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    fn kind(bytes: &[u8]) -> Result<Kind, DecodeError> {
        sniff(&mut Cursor::new(bytes))
    }

    #[test]
    fn containers_are_known_by_their_first_bytes() {
        assert_eq!(kind(b"RIFF\0\0\0\0WAVEfmt ").unwrap(), Kind::Wave);
        assert_eq!(kind(b"FORM\0\0\0\0AIFCFVER").unwrap(), Kind::Aiff);
        assert_eq!(kind(b"\0\0\0\x18ftypmp42").unwrap(), Kind::IsoMedia);
        assert_eq!(kind(b"\x1a\x45\xdf\xa3rest").unwrap(), Kind::Matroska);
        assert_eq!(kind(&[0xff, 0xfb, 0x90, 0x64, 0]).unwrap(), Kind::MpegFrames);
        assert_eq!(kind(&[0xff, 0xf1, 0x50, 0x80, 0]).unwrap(), Kind::MpegFrames);
        assert_eq!(kind(b"ID3\x04\0\0\0\0\0\x02xxfLaC....").unwrap(), Kind::Flac);
    }

    #[test]
    fn what_is_not_sound_is_named() {
        let words = |bytes: &[u8]| match kind(bytes) {
            Err(DecodeError::NotAudio { looks_like }) => looks_like,
            other => panic!("{other:?}"),
        };
        assert_eq!(words(b"I am a letter, not a recording.\n"), "it is text");
        assert_eq!(words(b"\n<!doctype html>"), "it is a web page or another text");
        assert_eq!(words(b"RIFF\0\0\0\0AVI LIST"), "it is of an unknown kind");
        assert_eq!(words(&[0; 64]), "it holds nothing but zeros");
        assert_eq!(words(b"MThd\0\0\0\x06"), "it is a MIDI file: notes, not sound");
        assert_eq!(words(b"ID3\x04\0\0\0\0\0\x02xxhello"), "an ID3 tag with no sound after it");
    }
}
