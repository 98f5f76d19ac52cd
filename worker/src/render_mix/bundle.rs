//! All deliverables in one archive.

use std::io::{self, Read, Write};
use zip::CompressionMethod;
use zip::write::{SimpleFileOptions, ZipWriter};

/// Writes a zip archive as a stream, without seeking and in bounded memory: entries are stored
/// (sound does not shrink) with zip64 lengths, so no entry and no archive is too large.
///
/// # Errors
/// Whatever reading an entry or writing the archive gives.
pub fn write_bundle<R: Read>(
    entries: impl IntoIterator<Item = io::Result<(String, R)>>,
    out: impl Write,
) -> io::Result<()> {
    let mut archive = ZipWriter::new_stream(out);
    let options =
        SimpleFileOptions::default().compression_method(CompressionMethod::Stored).large_file(true);
    for entry in entries {
        let (name, mut input) = entry?;
        archive.start_file(name, options)?;
        io::copy(&mut input, &mut archive)?;
    }
    archive.finish()?.flush()
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_bundle_opens_again() {
        let mut bytes = Vec::new();
        let entry = |name: &str, text: &'static [u8]| Ok((name.to_owned(), text));
        let entries = [entry("mix.wav", b"sound"), entry("groups/bells.wav", b"more")];
        write_bundle(entries, &mut bytes).unwrap();
        let mut archive = zip::ZipArchive::new(std::io::Cursor::new(bytes)).unwrap();
        let mut text = String::new();
        archive.by_name("groups/bells.wav").unwrap().read_to_string(&mut text).unwrap();
        assert_eq!((archive.len(), text.as_str()), (2, "more"));
    }
}
