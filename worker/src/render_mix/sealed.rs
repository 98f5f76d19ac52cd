//! Small files kept between renders: whole and as they were written, or as good as not there.

use std::io::Write;
use std::path::Path;

/// Writes a kind of content so that the old file or the new one is there, whatever happens.
pub(super) fn save(path: &Path, magic: &[u8; 8], content: &[u8]) -> std::io::Result<()> {
    let hash = hash(magic, content);
    let mut file = tempfile::NamedTempFile::new_in(path.parent().unwrap_or(path))?;
    for part in [&magic[..], content, hash.as_bytes()] {
        file.write_all(part)?;
    }
    file.persist(path).map_err(|error| error.error)?;
    Ok(())
}

/// The content, if the file is there, whole, and of this kind.
pub(super) fn load(path: &Path, magic: &[u8; 8]) -> Option<Vec<u8>> {
    let bytes = std::fs::read(path).ok()?;
    let (body, sealed) = bytes.split_last_chunk::<32>()?;
    let content = body.strip_prefix(magic)?;
    (*hash(magic, content).as_bytes() == *sealed).then(|| content.to_vec())
}

fn hash(magic: &[u8; 8], content: &[u8]) -> blake3::Hash {
    blake3::Hasher::new().update(magic).update(content).finalize()
}
