//! Where beds and sums are kept, and what is tidied away.

use super::shares::MAGIC;
use super::{RenderError, RenderRequest};
use ripieno_engine::bed::{
    BedError, Contribution, GroupBed, Key, Refreshed, STRETCH_BLOCKS, Shelf, StepsWriter, recall,
    refresh,
};
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

/// The folder of kept beds of a piece.
pub(super) struct Beds {
    dir: PathBuf,
    /// Where nothing is to be kept, beds lie here for the time of a render.
    _passing: Option<tempfile::TempDir>,
}

/// The folder of kept stretches of the mix.
const SUMS: &str = "mix";

impl Beds {
    /// The folder that a render is to use, made if it is not there.
    pub(super) fn of(request: &RenderRequest<'_>) -> Result<Self, RenderError> {
        let passing = match &request.beds_dir {
            Some(_) => None,
            None => Some(
                tempfile::tempdir_in(&request.out_dir)
                    .map_err(|source| RenderError::io(&request.out_dir, source))?,
            ),
        };
        let dir = match (&request.beds_dir, &passing) {
            (Some(dir), _) => dir.clone(),
            (None, Some(passing)) => passing.path().to_owned(),
            (None, None) => request.out_dir.clone(),
        };
        let sums = dir.join(SUMS);
        std::fs::create_dir_all(&sums).map_err(|source| RenderError::io(&sums, source))?;
        Ok(Self { dir, _passing: passing })
    }

    /// Where a stretch of the mix is kept.
    pub(super) fn sum_path(&self, stretch: i64) -> PathBuf {
        self.dir.join(SUMS).join(format!("{stretch}.sum"))
    }

    /// Where what was measured of it is kept.
    pub(super) fn measures_path(&self, stretch: i64) -> PathBuf {
        self.dir.join(SUMS).join(format!("{stretch}.measures"))
    }

    /// Where the powers of a group are kept; its folder is made.
    pub(super) fn levels_path(&self, group: &str) -> Result<PathBuf, RenderError> {
        let folder = self.dir.join(folder_of(group));
        std::fs::create_dir_all(&folder).map_err(|source| RenderError::io(&folder, source))?;
        Ok(folder.join("levels"))
    }

    fn bed_path(&self, group: &str, stretch: i64) -> PathBuf {
        self.dir.join(folder_of(group)).join(format!("{stretch}.bed"))
    }

    /// One group's bed of one stretch, brought up to date.
    pub(super) fn refresh<'a>(
        &self,
        group: &str,
        stretch: i64,
        wanted: &[Contribution<'a>],
        shelf: &Shelf<'a>,
    ) -> Result<(GroupBed<'a>, Refreshed), BedError> {
        let first_block = stretch * STRETCH_BLOCKS as i64;
        refresh(&self.bed_path(group, stretch), first_block, STRETCH_BLOCKS, wanted, shelf)
    }

    /// One group's bed as it was with these contents, if that can be told from what is kept.
    pub(super) fn recall<'a>(
        &self,
        group: &str,
        stretch: i64,
        contents: &BTreeMap<Key, u32>,
        shelf: &Shelf<'a>,
    ) -> Result<Option<GroupBed<'a>>, BedError> {
        let first_block = stretch * STRETCH_BLOCKS as i64;
        recall(&self.bed_path(group, stretch), first_block, STRETCH_BLOCKS, contents, shelf)
    }

    /// Does some work with the bed of a group; where that turns out damaged as it is read, throws
    /// it away and does it again.
    pub(super) fn whole<T>(
        &self,
        group: &str,
        stretch: i64,
        mut work: impl FnMut() -> Result<T, BedError>,
    ) -> Result<T, RenderError> {
        match work() {
            Err(BedError::Kept { .. }) => {
                remove(&self.bed_path(group, stretch));
                Ok(work()?)
            }
            done => Ok(done?),
        }
    }

    /// Throws away all that is kept of a stretch.
    pub(super) fn forget<'g>(&self, stretch: i64, groups: impl Iterator<Item = &'g str>) {
        remove(&self.sum_path(stretch));
        remove(&self.measures_path(stretch));
        groups.for_each(|group| remove(&self.bed_path(group, stretch)));
    }

    /// A writer for a sum that is to be kept, with its shares. It is a cache: what cannot be
    /// written is not kept.
    pub(super) fn sum_writer(&self, stretch: i64, shares: Vec<u8>) -> Option<StepsWriter> {
        let (path, first_block) = (self.sum_path(stretch), stretch * STRETCH_BLOCKS as i64);
        let created = StepsWriter::create(&path, MAGIC, first_block, STRETCH_BLOCKS, shares);
        created.inspect_err(|error| not_kept(stretch, error)).ok()
    }

    /// Keeps a sum.
    pub(super) fn keep_sum(stretch: i64, sum: StepsWriter) {
        if let Err(error) = sum.save() {
            not_kept(stretch, &error);
        }
    }
}

fn not_kept(stretch: i64, error: &std::io::Error) {
    tracing::debug!(%error, stretch, "the sum of a stretch is not kept");
}

fn remove(path: &Path) {
    if let Err(error) = std::fs::remove_file(path)
        && error.kind() != std::io::ErrorKind::NotFound
    {
        tracing::debug!(%error, path = %path.display(), "a kept file cannot be removed");
    }
}

/// Throws away every kept sum; they are made anew from the beds.
pub(super) fn forget_sums(request: &RenderRequest<'_>) {
    let Some(dir) = &request.beds_dir else { return };
    if let Err(error) = std::fs::remove_dir_all(dir.join(SUMS)) {
        tracing::debug!(%error, "the kept sums cannot be removed");
    }
}

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
