//! Pieces: a slug, a document in versions, and the files that belong to it.

use serde::Serialize;
use sqlx::FromRow;

use crate::Store;
use crate::database::{all, first, run};
use crate::documents::{
    Document, NewDocument, SavedVersion, conflict, document_at, document_history, insert_document,
};
use crate::error::{ErrorKind, Result, StoreError, is_taken};
use crate::ids::new_id;

/// A piece's record. Its document (tempo map, sections, …) is read by
/// [`piece_document`](Store::piece_document).
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct Piece {
    /// Its id.
    pub id: String,
    /// Its name in addresses.
    pub slug: String,
    /// Its title.
    pub title: String,
    /// The version of its document, from 1.
    pub version: i64,
    /// Whether new takes are refused (1) whatever the deadline says.
    pub closed: i64,
    /// When it was made.
    pub created_at: i64,
    /// When it was last changed.
    pub updated_at: i64,
}

macro_rules! select_piece {
    () => {
        "select id, slug, title, version, closed, created_at, updated_at from pieces"
    };
}

impl Store {
    /// Makes a piece from the first version of its document.
    ///
    /// # Errors
    /// `Taken` when the slug is in use.
    pub async fn create_piece(
        &self,
        slug: &str,
        title: &str,
        document: &NewDocument<'_>,
        now_us: i64,
    ) -> Result<Piece> {
        let id = new_id(now_us)?;
        let mut tx = self.begin().await?;
        let made = run!(
            tx,
            "insert into pieces (id, slug, title, version, created_at, updated_at)
             values ($1, $2, $3, 1, $4, $4)",
            &id,
            slug,
            title,
            now_us,
        );
        match made {
            Err(error) if is_taken(&error) => {
                return Err(StoreError::new(
                    ErrorKind::Taken,
                    format!("There is a piece “{slug}” already. Choose another slug."),
                ));
            }
            other => other?,
        };
        insert_document!(tx, "piece_versions", &id, 0i64, document, now_us)?;
        tx.commit().await?;
        self.piece(&id).await
    }

    /// Saves a new version of a piece's document if `expected_version` is the one that stands
    /// (for `If-Match`), and gives the piece as it is then. A guide pack is of one version: queue
    /// its job anew after this; it does nothing where nothing has changed for the pack.
    ///
    /// # Errors
    /// `NotFound`, `VersionConflict`, `Taken` (the slug).
    pub async fn save_piece(
        &self,
        id: &str,
        expected_version: i64,
        slug: &str,
        title: &str,
        document: &NewDocument<'_>,
        now_us: i64,
    ) -> Result<Piece> {
        let mut tx = self.begin().await?;
        let touched = run!(
            tx,
            "update pieces set version = version + 1, slug = $3, title = $4, updated_at = $5
             where id = $1 and version = $2",
            id,
            expected_version,
            slug,
            title,
            now_us,
        )
        .map_err(|error| match is_taken(&error) {
            true => StoreError::new(
                ErrorKind::Taken,
                format!("There is another piece “{slug}”. Choose another slug."),
            ),
            false => error,
        })?;
        if touched == 0 {
            drop(tx);
            return Err(conflict("piece", self.piece(id).await?.version));
        }
        insert_document!(tx, "piece_versions", id, expected_version, document, now_us)?;
        tx.commit().await?;
        self.piece(id).await
    }

    /// Opens or closes a piece for new takes.
    pub async fn set_piece_closed(&self, id: &str, closed: bool, now_us: i64) -> Result<()> {
        let mut tx = self.begin().await?;
        let touched = run!(
            tx,
            "update pieces set closed = $2, updated_at = $3 where id = $1",
            id,
            i64::from(closed),
            now_us,
        )?;
        tx.commit().await?;
        if touched == 0 { Err(StoreError::not_found("piece", id)) } else { Ok(()) }
    }

    /// The piece with this id.
    pub async fn piece(&self, id: &str) -> Result<Piece> {
        let mut link = self.read().await?;
        first!(Piece, link, concat!(select_piece!(), " where id = $1"), id)?
            .ok_or_else(|| StoreError::not_found("piece", id))
    }

    /// The piece with this slug.
    pub async fn piece_by_slug(&self, slug: &str) -> Result<Piece> {
        let mut link = self.read().await?;
        first!(Piece, link, concat!(select_piece!(), " where slug = $1"), slug)?
            .ok_or_else(|| StoreError::not_found("piece", slug))
    }

    /// All pieces, oldest first.
    pub async fn list_pieces(&self) -> Result<Vec<Piece>> {
        let mut link = self.read().await?;
        all!(Piece, link, concat!(select_piece!(), " order by id"))
    }

    /// A piece's document: the one that stands, or an earlier version.
    pub async fn piece_document(&self, id: &str, version: Option<i64>) -> Result<Document> {
        let mut link = self.read().await?;
        let found = document_at!(link, "piece_versions", id, version);
        found?.ok_or_else(|| StoreError::not_found("version of the piece", id))
    }

    /// Who saved what when, newest first.
    pub async fn piece_history(&self, id: &str) -> Result<Vec<SavedVersion>> {
        let mut link = self.read().await?;
        document_history!(link, "piece_versions", id)
    }
}
