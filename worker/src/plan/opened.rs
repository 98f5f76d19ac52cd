//! Headers and indices of stems, remembered from render to render.
//!
//! A night's render opens every stem, and all but a few are as they were the night before.

use ripieno_engine::stem::{StemError, StemFile};
use std::collections::HashMap;
use std::fs::Metadata;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::sync::{LazyLock, Mutex};

/// Stems remembered at most: of the largest piece and another. Each takes some kilobytes.
const MOST: usize = 4096;

/// What no change of a file leaves as it was: whichever way it is written to or exchanged, its
/// status changes at another instant. One written over in place twice within a tick of the file
/// system's clock could be mistaken; the store writes no stem over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Stamp {
    device: u64,
    inode: u64,
    bytes: u64,
    changed: (i64, i64),
}

impl Stamp {
    fn of(metadata: &Metadata) -> Self {
        Self {
            device: metadata.dev(),
            inode: metadata.ino(),
            bytes: metadata.len(),
            changed: (metadata.ctime(), metadata.ctime_nsec()),
        }
    }
}

static OPENED: LazyLock<Mutex<HashMap<PathBuf, (Stamp, StemFile)>>> = LazyLock::new(Mutex::default);

/// A stem, checked as by [`StemFile::open`], now or when it was opened before as it is.
pub(super) fn open(path: &Path) -> Result<StemFile, StemError> {
    let stamp = Stamp::of(&std::fs::metadata(path)?);
    if let Ok(opened) = OPENED.lock()
        && let Some((then, stem)) = opened.get(path)
        && *then == stamp
    {
        return Ok(stem.clone());
    }
    // Should it be exchanged just now, the stamp is the old one's and the new one is opened again.
    let stem = StemFile::open(path)?;
    if let Ok(mut opened) = OPENED.lock() {
        if opened.len() >= MOST {
            opened.clear();
        }
        opened.insert(path.to_owned(), (stamp, stem.clone()));
    }
    Ok(stem)
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;
    use ripieno_engine::stem::StemWriter;

    fn write(path: &Path, sample: f32) {
        let file = std::fs::File::create(path).unwrap();
        let mut writer = StemWriter::create(file, 48_000, 1, 0).unwrap();
        writer.push(&[&[sample; 9000]]).unwrap();
        writer.finish().unwrap();
    }

    #[test]
    fn a_stem_that_has_changed_is_opened_again_whichever_way_it_changed() {
        let dir = tempfile::tempdir().unwrap();
        let (path, other) = (dir.path().join("a.stem"), dir.path().join("b.stem"));
        write(&path, 0.5);
        let first = open(&path).unwrap().summary().content_hash;
        assert_eq!(open(&path).unwrap().summary().content_hash, first);
        // Another of the same length in its place.
        write(&other, 0.25);
        std::fs::rename(&other, &path).unwrap();
        let second = open(&path).unwrap().summary().content_hash;
        assert_eq!(second, StemFile::open(&path).unwrap().summary().content_hash);
        assert_ne!(second, first);
        // Written over in place, its times of writing set back.
        let written = std::fs::metadata(&path).unwrap().modified().unwrap();
        write(&path, 0.125);
        std::fs::File::options().write(true).open(&path).unwrap().set_modified(written).unwrap();
        let third = open(&path).unwrap().summary().content_hash;
        assert_eq!(third, StemFile::open(&path).unwrap().summary().content_hash);
        assert_ne!(third, second);
        // Cut short, and gone.
        let file = std::fs::File::options().write(true).open(&path).unwrap();
        file.set_len(5000).unwrap();
        assert!(open(&path).is_err());
        std::fs::remove_file(&path).unwrap();
        assert!(open(&path).is_err());
    }
}
