//! What can go wrong in the store: a kind to act on, a sentence to show, a source to log.

use std::error::Error;
use std::fmt;
use std::io;

/// The result of every store function.
pub type Result<T> = std::result::Result<T, StoreError>;

/// What a caller can do about it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ErrorKind {
    /// No such record or blob.
    NotFound,
    /// A name or key that must be unique is in use.
    Taken,
    /// The record is at another version than the one the caller had read.
    VersionConflict {
        /// The version that stands.
        current: i64,
    },
    /// An upload has received another number of bytes than the caller says.
    OffsetConflict {
        /// The bytes received so far.
        current: u64,
    },
    /// What was asked does not fit the record's state (a withdrawn take, a finished render).
    NotNow,
    /// The job belongs to another worker by now; everything in this call was rolled back.
    LeaseLost,
    /// More bytes came than were announced or are allowed.
    TooLarge,
    /// Somebody else is writing; try again.
    Busy,
    /// No space is left on the disk.
    DiskFull,
    /// The data folder or the database may not be written.
    ReadOnly,
    /// The database file is damaged or is no database.
    Corrupt,
    /// The sender of a stream stopped or failed; nothing was kept.
    BrokenStream,
    /// Anything else the machine did.
    Machine,
}

/// A failure of the store. `Display` is one plain sentence for the organiser or the log; it
/// never goes to a contributor as it stands.
#[derive(Debug)]
pub struct StoreError {
    kind: ErrorKind,
    says: String,
    source: Option<Box<dyn Error + Send + Sync>>,
}

impl StoreError {
    pub(crate) fn new(kind: ErrorKind, says: impl Into<String>) -> Self {
        StoreError { kind, says: says.into(), source: None }
    }

    pub(crate) fn not_found(what: &str, id: &str) -> Self {
        Self::new(ErrorKind::NotFound, format!("There is no {what} “{id}”."))
    }

    pub(crate) fn from_source(
        source: impl Error + Send + Sync + 'static,
        doing: &str,
        hint: impl Fn(&(dyn Error + 'static)) -> Option<ErrorKind>,
    ) -> Self {
        let kind = chain(&source).find_map(hint).unwrap_or(ErrorKind::Machine);
        let says = match kind {
            ErrorKind::DiskFull => {
                format!("The disk is full ({doing}). Free some space; nothing was half written.")
            }
            ErrorKind::ReadOnly => format!(
                "The data folder cannot be written ({doing}). Check its owner and permissions."
            ),
            ErrorKind::Corrupt => format!(
                "The database file is damaged or is not a database ({doing}). Restore it from a \
                 backup, or point the setting at the right file."
            ),
            ErrorKind::Busy => format!("The database is busy ({doing}). Try again."),
            ErrorKind::NotFound => format!("The file is not there ({doing})."),
            _ => format!("The store failed ({doing}): {}.", last_words(&source)),
        };
        StoreError { kind, says, source: Some(Box::new(source)) }
    }

    /// What kind of failure this is.
    pub fn kind(&self) -> ErrorKind {
        self.kind
    }

    /// Whether the same call may work later with nothing changed by a person: a job that met
    /// such an error is tried again.
    pub fn retryable(&self) -> bool {
        matches!(
            self.kind,
            ErrorKind::Busy
                | ErrorKind::DiskFull
                | ErrorKind::ReadOnly
                | ErrorKind::Machine
                | ErrorKind::NotFound
        )
    }

    /// Whether this is [`ErrorKind::NotFound`].
    pub fn is_not_found(&self) -> bool {
        self.kind == ErrorKind::NotFound
    }
}

impl fmt::Display for StoreError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.says)
    }
}

impl Error for StoreError {
    fn source(&self) -> Option<&(dyn Error + 'static)> {
        self.source.as_deref().map(|e| e as &(dyn Error + 'static))
    }
}

impl From<sqlx::Error> for StoreError {
    fn from(error: sqlx::Error) -> Self {
        Self::from_source(error, "reading or writing records", kind_of)
    }
}

impl From<io::Error> for StoreError {
    fn from(error: io::Error) -> Self {
        Self::from_source(error, "reading or writing a file", kind_of)
    }
}

impl From<object_store::Error> for StoreError {
    fn from(error: object_store::Error) -> Self {
        Self::from_source(error, "reading or writing a blob", kind_of)
    }
}

impl From<sqlx::migrate::MigrateError> for StoreError {
    fn from(error: sqlx::migrate::MigrateError) -> Self {
        Self::from_source(error, "bringing the database up to date", kind_of)
    }
}

/// The kind that one link of an error's chain tells, if it tells one.
pub(crate) fn kind_of(error: &(dyn Error + 'static)) -> Option<ErrorKind> {
    if let Some(io) = error.downcast_ref::<io::Error>() {
        return match io.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Some(ErrorKind::DiskFull),
            io::ErrorKind::ReadOnlyFilesystem | io::ErrorKind::PermissionDenied => {
                Some(ErrorKind::ReadOnly)
            }
            io::ErrorKind::NotFound => Some(ErrorKind::NotFound),
            _ => None,
        };
    }
    if let Some(object_store::Error::NotFound { .. }) = error.downcast_ref() {
        return Some(ErrorKind::NotFound);
    }
    match error.downcast_ref::<sqlx::Error>() {
        Some(sqlx::Error::Database(database)) => {
            database.try_downcast_ref::<sqlx::sqlite::SqliteError>().and_then(kind_of_sqlite)
        }
        Some(sqlx::Error::PoolTimedOut) => Some(ErrorKind::Busy),
        _ => None,
    }
}

/// Result codes of SQLite, the low byte being the primary one
/// (<https://www.sqlite.org/rescode.html>).
fn kind_of_sqlite(error: &sqlx::sqlite::SqliteError) -> Option<ErrorKind> {
    use sqlx::error::DatabaseError;
    let code: i32 = error.code()?.parse().ok()?;
    match code & 0xff {
        5 | 6 => Some(ErrorKind::Busy),
        8 | 14 => Some(ErrorKind::ReadOnly),
        11 | 26 => Some(ErrorKind::Corrupt),
        13 => Some(ErrorKind::DiskFull),
        _ => None,
    }
}

/// Whether the statement failed because a value that must be unique is in use.
pub(crate) fn is_taken(error: &StoreError) -> bool {
    chain(error).any(|link| match link.downcast_ref::<sqlx::Error>() {
        Some(sqlx::Error::Database(database)) => database.is_unique_violation(),
        _ => false,
    })
}

fn chain<'a>(
    error: &'a (dyn Error + 'static),
) -> impl Iterator<Item = &'a (dyn Error + 'static)> + 'a {
    std::iter::successors(Some(error), |link: &&'a (dyn Error + 'static)| (*link).source())
}

fn last_words(error: &(dyn Error + 'static)) -> String {
    chain(error).last().map(|e| e.to_string()).unwrap_or_default()
}
