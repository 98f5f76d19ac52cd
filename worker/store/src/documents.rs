//! Documents in versions: what a piece and an arrangement map have in common.

use serde::Serialize;
use sqlx::FromRow;

use crate::error::{ErrorKind, StoreError};
use crate::text::text_enum;

text_enum! {
    /// How a document is written. It is kept as its author wrote it, comments and all.
    DocumentFormat {
        /// TOML, the text a person edits.
        Toml = "toml",
        /// JSON, as it comes over HTTP.
        Json = "json",
    }
}

/// A document to be saved. The store does not read it: have it checked before.
#[derive(Clone, Copy, Debug)]
pub struct NewDocument<'a> {
    /// How it is written.
    pub format: DocumentFormat,
    /// The document.
    pub text: &'a str,
    /// Whose edit this is, for the history.
    pub saved_by: &'a str,
    /// What was done, in words; may be empty.
    pub note: &'a str,
}

/// One version of a document.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct Document {
    /// The version, from 1.
    pub version: i64,
    /// How it is written.
    #[sqlx(try_from = "String")]
    pub format: DocumentFormat,
    /// The document.
    pub text: String,
    /// Who saved it.
    pub saved_by: String,
    /// What was done, in their words.
    pub note: String,
    /// When.
    pub saved_at: i64,
}

/// A line of a document's history.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct SavedVersion {
    /// The version, from 1.
    pub version: i64,
    /// Who saved it.
    pub saved_by: String,
    /// What was done, in their words.
    pub note: String,
    /// When.
    pub saved_at: i64,
}

pub(crate) fn conflict(what: &str, current: i64) -> StoreError {
    StoreError::new(
        ErrorKind::VersionConflict { current },
        format!(
            "Somebody else has saved the {what} since you read it; it is at version {current} \
             now. Read it again and make your change there."
        ),
    )
}
