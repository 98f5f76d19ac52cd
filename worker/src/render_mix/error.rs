//! Why a render could not be made.

use ripieno_engine::bed::BedError;
use std::io;
use std::path::{Path, PathBuf};

/// Each ends as one plain sentence to the organiser.
#[derive(Debug, thiserror::Error)]
pub enum RenderError {
    /// There is nothing to mix.
    #[error(
        "there is no stem to mix yet: as soon as one take is placed and its group is not muted, \
         a render can be made"
    )]
    NoStems,
    /// A section that the piece does not have.
    #[error("the piece has no section '{name}'; it has {known}")]
    UnknownSection {
        /// As asked for.
        name: String,
        /// The sections there are.
        known: String,
    },
    /// A group that the arrangement does not have.
    #[error("the arrangement has no group '{name}'; it has {known}")]
    UnknownGroup {
        /// As asked for.
        name: String,
        /// The groups there are.
        known: String,
    },
    /// A take to be made louder that is not among the stems.
    #[error("take {take_id} is not among the stems of this render, so it cannot be made louder")]
    UnknownTake {
        /// As asked for.
        take_id: String,
    },
    /// A stem that does not fit the piece.
    #[error(
        "the stem of take {take_id} is at {stem_hz} Hz and the piece at {piece_hz} Hz: \
         conform the take again"
    )]
    WrongRate {
        /// Whose.
        take_id: String,
        /// The stem's.
        stem_hz: u32,
        /// The piece's.
        piece_hz: u32,
    },
    /// A stem that cannot be read.
    #[error("the stem of take {take_id} cannot be read ({source}): conform the take again")]
    Stem {
        /// Whose.
        take_id: String,
        /// Why.
        source: ripieno_engine::stem::StemError,
    },
    /// A stem that could not be summed.
    #[error("a sum could not be made: {0}")]
    Bed(#[source] BedError),
    /// There is no room left.
    #[error(
        "the disk is full at {path}: free some space and render again; nothing half-made is left"
    )]
    DiskFull {
        /// What was being written.
        path: PathBuf,
    },
    /// Something else with a file.
    #[error("{path} could not be written or read: {source}")]
    Io {
        /// What was being written or read.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// A request that cannot be met.
    #[error("this render cannot be made: {0}")]
    Impossible(String),
}

impl RenderError {
    /// Names the file an input or output error is about, and knows a full disk.
    pub(crate) fn io(path: &Path, source: io::Error) -> Self {
        let full = matches!(
            source.kind(),
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded | io::ErrorKind::FileTooLarge
        );
        let path = path.to_owned();
        if full { Self::DiskFull { path } } else { Self::Io { path, source } }
    }

    /// Whether the same render may succeed later without anybody changing anything.
    #[must_use]
    pub fn retryable(&self) -> bool {
        matches!(self, Self::DiskFull { .. } | Self::Io { .. } | Self::Bed(_))
    }
}

impl From<BedError> for RenderError {
    fn from(error: BedError) -> Self {
        match error {
            BedError::Keep { path, source } => Self::io(&path, source),
            other => Self::Bed(other),
        }
    }
}
