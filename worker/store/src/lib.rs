//! Records, blobs and the queue: the only user of a database.
//!
//! [`Store::open`] gives a store on one data folder; a clone is the same store. Its methods live
//! in one file for each kind of record. Three rules run through them:
//!
//! - every function that needs the time takes `now_us`, microseconds since 1970 (UTC);
//! - what belongs together is written in one transaction: a take with its job, a job's result
//!   with the job's end;
//! - a blob is written before the record that names it and deleted after it.

pub mod error;
mod database;
mod text;

mod ids;
mod blobs;
mod organisers;
mod documents;
mod pieces;
mod piece_files;
mod arrangements;
mod uploads;
mod takes;
mod conforms;
mod fingerprints;
mod stems;
mod succession;
mod renders;
mod rendering;
mod queue;
mod events;
mod leftovers;
#[cfg(test)]
mod tests;

use std::path::{Path, PathBuf};
use std::sync::Arc;

pub use blobs::{BlobFile, BlobReader, StoredBlob};
pub use conforms::{ConformEnd, Conformed, NewStem};
pub use documents::{Document, DocumentFormat, NewDocument, SavedVersion};
pub use error::{ErrorKind, Result, StoreError};
pub use events::Event;
pub use ids::{Secret, hash_secret, new_id};
pub use leftovers::SweptFiles;
pub use organisers::Organiser;
pub use piece_files::{NewFile, PieceFile, Shelf};
pub use pieces::Piece;
pub use queue::{AfterFailure, JobRecord, JobState, LeasedJob, NewJob, QueueDepth};
pub use renders::{NewRender, Render, RenderFile, RenderKind, RenderState, occasion_for_take};
/// Where a take stands; the score's own word for it.
pub use ripieno_score::TakeState;
pub use stems::{PlacedStem, Stem};
pub use takes::{NewTake, StateCount, Submitted, Take, TakeSummary, Which};
pub use text::Json;
pub use uploads::{Appending, Upload};

use database::{Database, Link, Tx};

/// Where the store keeps things.
#[derive(Clone, Debug)]
pub struct Settings {
    /// The SQLite file, made when it is not there.
    pub database_file: PathBuf,
    /// The folder for blobs, uploads, work in progress and beds, made when it is not there.
    pub folder: PathBuf,
}

impl Settings {
    /// Everything in one folder.
    pub fn in_folder(folder: impl Into<PathBuf>) -> Self {
        let folder = folder.into();
        Settings { database_file: folder.join("ripieno.sqlite"), folder }
    }
}

/// The store. Cheap to clone.
#[derive(Clone)]
pub struct Store {
    database: Arc<Database>,
    blobs: Arc<blobs::Blobs>,
    folders: Arc<Folders>,
    queued: Arc<tokio::sync::Notify>,
}

struct Folders {
    uploads: PathBuf,
    work: PathBuf,
    beds: PathBuf,
}

impl Store {
    /// Opens the store, makes what is missing, and brings the database up to date.
    ///
    /// # Errors
    /// `ReadOnly`, `DiskFull`, `Corrupt`, and `NotNow` for a database made by a newer program;
    /// each says in a sentence which file is meant and what to do.
    pub async fn open(settings: &Settings) -> Result<Self> {
        let folders = Folders {
            uploads: settings.folder.join("uploads"),
            work: settings.folder.join("work"),
            beds: settings.folder.join("beds"),
        };
        let parent = settings.database_file.parent().unwrap_or(Path::new("."));
        for folder in [parent, &folders.uploads, &folders.work, &folders.beds] {
            std::fs::create_dir_all(folder).map_err(|error| {
                StoreError::from_source(
                    error,
                    &format!("making {}", folder.display()),
                    error::kind_of,
                )
            })?;
        }
        let blobs = blobs::Blobs::open(&settings.folder.join("blobs"))?;
        let database = Database::open_sqlite(&settings.database_file).await?;
        Ok(Store {
            database: Arc::new(database),
            blobs: Arc::new(blobs),
            folders: Arc::new(folders),
            queued: Arc::default(),
        })
    }

    /// A folder for files that a job writes before they are blobs; on the blobs' file system,
    /// and swept some hours after a crash.
    pub fn work_folder(&self) -> &Path {
        &self.folders.work
    }

    /// The folder for the beds of one piece. They are a cache: deleting them costs only time.
    pub fn beds_folder(&self, piece_id: &str) -> PathBuf {
        self.folders.beds.join(piece_id)
    }

    /// Closes the database; every later call fails. For a graceful stop.
    pub async fn close(&self) {
        self.database.close().await;
    }

    async fn read(&self) -> Result<Link> {
        self.database.read().await
    }

    async fn begin(&self) -> Result<Tx> {
        self.database.begin().await
    }
}
