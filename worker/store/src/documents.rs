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

/// The version of a piece's document that stands in a table of versions, or an earlier one.
macro_rules! document_at {
    ($link:ident, $table:literal, $piece_id:expr, $version:expr) => {
        match $version {
            Some(version) => first!(
                Document,
                $link,
                concat!(
                    "select version, format, document as text, saved_by, note, saved_at from ",
                    $table,
                    " where piece_id = $1 and version = $2"
                ),
                $piece_id,
                version,
            ),
            None => first!(
                Document,
                $link,
                concat!(
                    "select version, format, document as text, saved_by, note, saved_at from ",
                    $table,
                    " where piece_id = $1 order by version desc limit 1"
                ),
                $piece_id,
            ),
        }
    };
}

/// Who saved what when in a table of versions, newest first.
macro_rules! document_history {
    ($link:ident, $table:literal, $piece_id:expr) => {
        all!(
            SavedVersion,
            $link,
            concat!(
                "select version, saved_by, note, saved_at from ",
                $table,
                " where piece_id = $1 order by version desc"
            ),
            $piece_id,
        )
    };
}

/// Adds the version after `$expected` to a table of versions, if that is the last one there;
/// gives how many rows that were.
macro_rules! insert_document {
    ($tx:expr, $table:literal, $piece_id:expr, $expected:expr, $document:expr, $now_us:expr) => {
        run!(
            $tx,
            concat!(
                "insert into ",
                $table,
                " (piece_id, version, format, document, saved_by, note, saved_at)
                 select $1, $2, $3, $4, $5, $6, $7
                 where (select coalesce(max(version), 0) from ",
                $table,
                " where piece_id = $1) = $2 - 1"
            ),
            $piece_id,
            $expected + 1,
            $document.format.as_str(),
            $document.text,
            $document.saved_by,
            $document.note,
            $now_us,
        )
    };
}

pub(crate) use {document_at, document_history, insert_document};

pub(crate) fn conflict(what: &str, current: i64) -> StoreError {
    StoreError::new(
        ErrorKind::VersionConflict { current },
        format!(
            "Somebody else has saved the {what} since you read it; it is at version {current} \
             now. Read it again and make your change there."
        ),
    )
}
