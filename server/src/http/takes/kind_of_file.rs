//! What is plainly no sound is refused at the door, in words that help; everything else is kept
//! and left to the decoder, which knows best.

use crate::http::problem::{Answer, Problem};

/// Bytes at the start of a file to know its kind by.
pub const HEAD: usize = 512;

/// Looks at the first bytes of a file.
///
/// # Errors
/// 422 for an empty file, 415 for text, pictures, documents, archives and programs.
pub fn refuse_what_is_no_sound(head: &[u8], file_name: &str) -> Answer<()> {
    if head.is_empty() {
        return Err(Problem::empty_file(format!(
            "The file {} is empty. Choose the recording again; on a phone it may not have been \
             saved yet.",
            shown(file_name)
        )));
    }
    let Some(kind) = plainly_something_else(head) else { return Ok(()) };
    Err(Problem::wrong_type(format!(
        "The file {} is {kind}, not a sound file, whatever its name says. Send the recording \
         itself: WAV, FLAC, M4A, MP3, OGG, Opus, AIFF, CAF, or a video with sound.",
        shown(file_name)
    )))
}

fn shown(file_name: &str) -> String {
    let name: String = file_name.chars().filter(|c| !c.is_control()).take(80).collect();
    if name.is_empty() { "you sent".to_owned() } else { format!("“{name}”") }
}

/// Signatures at the start of a file, each from its format's own specification.
fn plainly_something_else(head: &[u8]) -> Option<&'static str> {
    const SIGNATURES: &[(&[u8], &str)] = &[
        (b"\x89PNG\r\n\x1a\n", "a picture"),
        (b"\xff\xd8\xff", "a picture"),
        (b"GIF8", "a picture"),
        (b"%PDF-", "a PDF document"),
        (b"PK\x03\x04", "an archive or an office document"),
        (b"Rar!\x1a\x07", "an archive"),
        (b"7z\xbc\xaf\x27\x1c", "an archive"),
        (b"\x1f\x8b\x08", "an archive"),
        (b"\x7fELF", "a program"),
        (b"MThd", "a MIDI file: notes for a machine"),
        (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an office document"),
    ];
    if let Some((_, kind)) = SIGNATURES.iter().find(|(start, _)| head.starts_with(start)) {
        return Some(kind);
    }
    if head.len() >= 12 && &head[4..8] == b"ftyp" && matches!(&head[8..12], b"heic" | b"avif") {
        return Some("a picture");
    }
    is_text(head).then_some("a text")
}

/// Printable UTF-8 throughout: no sound format begins with that much of it.
fn is_text(head: &[u8]) -> bool {
    let text = match std::str::from_utf8(head) {
        Ok(text) => text,
        // A character may be cut at the end of what was looked at.
        Err(e) if e.error_len().is_none() => match std::str::from_utf8(&head[..e.valid_up_to()]) {
            Ok(text) => text,
            Err(_) => return false,
        },
        Err(_) => return false,
    };
    !text.is_empty() && text.chars().all(|c| !c.is_control() || matches!(c, '\t' | '\r' | '\n'))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn status(head: &[u8]) -> u16 {
        refuse_what_is_no_sound(head, "a.wav").map_or_else(|p| p.status().as_u16(), |()| 200)
    }

    #[test]
    fn what_is_plainly_no_sound_is_refused() {
        assert_eq!(status(b""), 422);
        assert_eq!(status(b"Dear all, here is my take"), 415);
        assert_eq!(status("für alle é".as_bytes()), 415);
        assert_eq!(status(b"<html><script>alert(1)</script>"), 415);
        assert_eq!(status(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR"), 415);
        assert_eq!(status(b"PK\x03\x04\x14\0"), 415);
    }

    #[test]
    fn sound_and_what_might_be_sound_goes_on_to_the_decoder() {
        for head in [
            &b"RIFF\x24\0\0\0WAVEfmt "[..],
            b"RF64\xff\xff\xff\xffWAVEds64",
            b"fLaC\0\0\0\x22",
            b"OggS\0\x02\0\0",
            b"ID3\x04\0\0\0\0\0\0",
            b"\xff\xfb\x90\x64",
            b"\0\0\0\x20ftypM4A ",
            b"\0\0\0\x20ftypqt  ",
            b"\x1a\x45\xdf\xa3",
            b"FORM\0\0\0\0AIFFCOMM",
            b"caff\0\x01\0\0",
            b"\0\0\0\0\0\0\0\0",
            b"\x01\x02\x03random",
        ] {
            assert_eq!(status(head), 200, "{head:?}");
        }
    }
}
