//! Where beds are kept, and what is tidied away.

use super::{RenderError, RenderRequest};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Where a group's bed of a stretch is kept.
pub(super) fn bed_path(dir: &Path, group: &str, stretch: i64) -> Result<PathBuf, RenderError> {
    let folder = dir.join(folder_of(group));
    std::fs::create_dir_all(&folder).map_err(|source| RenderError::io(&folder, source))?;
    Ok(folder.join(format!("{stretch}.bed")))
}

/// Where a stretch of the mix is kept.
pub(super) fn sum_path(dir: &Path, stretch: i64) -> PathBuf {
    dir.join(SUMS).join(format!("{stretch}.sum"))
}

/// The folder of kept stretches of the mix.
const SUMS: &str = "mix";

fn folder_of(group: &str) -> String {
    blake3::hash(group.as_bytes()).to_hex().as_str()[..16].to_owned()
}

/// Removes the beds of groups that the arrangement no longer has, so that what is kept is bounded
/// by its groups and the length of the piece. Beds are a cache: what cannot be removed stays.
pub(super) fn tidy(request: &RenderRequest<'_>) {
    let Some(dir) = &request.beds_dir else { return };
    let known: BTreeSet<String> =
        request.arrangement.groups().iter().map(|group| folder_of(&group.name)).collect();
    let Ok(entries) = std::fs::read_dir(dir) else { return };
    for entry in entries.flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        let ours = name.len() == 16 && name.bytes().all(|byte| byte.is_ascii_hexdigit());
        if ours && !known.contains(&name) {
            drop(std::fs::remove_dir_all(entry.path()));
        }
    }
}
