//! What nothing refers to any more: found here, by the worker's sweep.

use std::collections::HashMap;
use std::path::PathBuf;
use std::time::Duration;

use sqlx::FromRow;

use crate::Store;
use crate::blobs::{before, blocking};
use crate::database::{all, first, run};
use crate::error::Result;
use crate::renders::hears_everybody;
use crate::text::Json;

/// What a sweep of the folders took away.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct SweptFiles {
    /// Blobs that no record named.
    pub blobs: u64,
    /// Staging files that a crash had left.
    pub staging: u64,
    /// Upload files without a record.
    pub uploads: u64,
    /// Files and folders of jobs that are long over.
    pub work: u64,
}

impl Store {
    /// Deletes files that nothing refers to and that were last written more than `grace` ago. A
    /// blob is written before the record that names it, so `grace` must be longer than any
    /// upload or job takes between the two: some hours.
    pub async fn sweep_files(&self, grace: Duration, now_us: i64) -> Result<SweptFiles> {
        let limit = before(now_us, grace);
        let mut swept = SweptFiles::default();
        let mut tx = self.begin().await?;
        let oldest_us = now_us - grace.as_micros() as i64;
        run!(tx, "delete from retired_stems where retired_at < $1", oldest_us)?;
        tx.commit().await?;
        let old = self.old_blob_files(limit).await?;
        for id in &old.blob_ids {
            if !self.is_referenced(id).await? {
                self.delete_blob(id).await?;
                swept.blobs += 1;
            }
        }
        swept.staging = remove_all(old.staging).await?;
        let mut orphans = Vec::new();
        for path in old_entries(self.folders.uploads.clone(), limit).await? {
            let id = path.file_name().map(|name| name.to_string_lossy().into_owned());
            let known = match id {
                Some(id) => {
                    let mut link = self.read().await?;
                    first!((String,), link, "select id from uploads where id = $1", id)?.is_some()
                }
                None => false,
            };
            if !known {
                orphans.push(path);
            }
        }
        swept.uploads = remove_all(orphans).await?;
        swept.work = remove_all(old_entries(self.folders.work.clone(), limit).await?).await?;
        Ok(swept)
    }

    /// An upload's blob has the upload's id, and is kept though its record may not yet say that
    /// the upload has become one.
    async fn is_referenced(&self, blob: &str) -> Result<bool> {
        let mut link = self.read().await?;
        let found = first!(
            (i64,),
            link,
            "select 1 from takes where blob = $1
             union all select 1 from stems where blob = $1
             union all select 1 from render_files where blob = $1
             union all select 1 from piece_files where blob = $1
             union all select 1 from uploads where blob = $1
             union all select 1 from uploads where id = $1
             union all select 1 from retired_stems where blob = $1
             limit 1",
            blob,
        )?;
        Ok(found.is_some())
    }

    /// Deletes previews (of any outcome) that are over and older than the newest `keep` finished
    /// ones of their kind in their piece; gives how many. Those of the whole count apart from
    /// those of some sections or groups, so that a day of trying things out leaves the one that
    /// everybody hears; of those made for one contributor each, eight times as many stay. Nightly
    /// ones have a rule of their own ([`Store::thin_nightly`]).
    pub async fn thin_previews(&self, keep: i64) -> Result<u64> {
        let all = {
            let mut link = self.read().await?;
            all!(
                Preview,
                link,
                "select r.id, r.piece_id, r.occasion, r.request, r.state from renders r
                 where r.kind = 'preview' and r.state in ('done', 'failed', 'cancelled')
                   and (r.occasion is null or r.occasion not like 'nightly %')
                 order by r.id desc",
            )?
        };
        let mut finished = HashMap::new();
        let mut thinned = 0;
        for preview in all {
            let sort = preview.sort();
            let most = keep.max(1) * if sort == PreviewSort::Contributor { 8 } else { 1 };
            let newer = finished.entry((preview.piece_id, sort)).or_insert(0);
            if *newer >= most {
                self.delete_render(&preview.id).await?;
                thinned += 1;
            } else if preview.state == "done" {
                *newer += 1;
            }
        }
        Ok(thinned)
    }
}

/// A preview that is over.
#[derive(FromRow)]
struct Preview {
    id: String,
    piece_id: String,
    occasion: Option<String>,
    #[sqlx(try_from = "String")]
    request: Json,
    state: String,
}

/// What previews count with.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
enum PreviewSort {
    Contributor,
    Whole,
    Part,
}

impl Preview {
    fn sort(&self) -> PreviewSort {
        match &self.occasion {
            Some(occasion) if occasion.starts_with("take:") => PreviewSort::Contributor,
            _ if hears_everybody(&self.request.0) => PreviewSort::Whole,
            _ => PreviewSort::Part,
        }
    }
}

async fn old_entries(folder: PathBuf, limit: std::time::SystemTime) -> Result<Vec<PathBuf>> {
    blocking(move || {
        let mut old = Vec::new();
        for entry in std::fs::read_dir(folder)? {
            let entry = entry?;
            let written = entry.metadata().and_then(|m| m.modified());
            if written.is_ok_and(|at| at < limit) {
                old.push(entry.path());
            }
        }
        Ok(old)
    })
    .await
}

async fn remove_all(paths: Vec<PathBuf>) -> Result<u64> {
    blocking(move || {
        let mut removed = 0;
        for path in paths {
            let gone = match path.is_dir() {
                true => std::fs::remove_dir_all(&path),
                false => std::fs::remove_file(&path),
            };
            match gone {
                Ok(()) => removed += 1,
                Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
                Err(error) => return Err(error.into()),
            }
        }
        Ok(removed)
    })
    .await
}
