//! The arrangement map of a piece, in versions.

use crate::Store;
use crate::database::{all, first, run};
use crate::documents::{
    Document, NewDocument, SavedVersion, conflict, document_at, document_history, insert_document,
};
use crate::error::{Result, StoreError, is_taken};

impl Store {
    /// The arrangement that stands, or an earlier version. `None` when none was saved yet (or
    /// there is no such version): then every group plays everywhere at 0 dB.
    pub async fn arrangement(
        &self,
        piece_id: &str,
        version: Option<i64>,
    ) -> Result<Option<Document>> {
        let mut link = self.read().await?;
        document_at!(link, "arrangement_versions", piece_id, version)
    }

    /// Saves a new version if `expected_version` is the one that stands (0: none yet), and gives
    /// its number. To restore an old version, save its text anew.
    ///
    /// # Errors
    /// `VersionConflict` when somebody else saved in between; `NotFound` for the piece.
    pub async fn save_arrangement(
        &self,
        piece_id: &str,
        expected_version: i64,
        document: &NewDocument<'_>,
        now_us: i64,
    ) -> Result<i64> {
        let mut tx = self.begin().await?;
        let piece = first!((String,), tx, "select id from pieces where id = $1", piece_id)?;
        piece.ok_or_else(|| StoreError::not_found("piece", piece_id))?;
        let saved = insert_document!(
            tx,
            "arrangement_versions",
            piece_id,
            expected_version,
            document,
            now_us
        );
        match saved {
            Ok(1) => {
                tx.commit().await?;
                Ok(expected_version + 1)
            }
            Err(error) if !is_taken(&error) => Err(error),
            _ => {
                drop(tx);
                let stands = self.arrangement(piece_id, None).await?;
                Err(conflict("arrangement", stands.map_or(0, |document| document.version)))
            }
        }
    }

    /// Who saved what when, newest first.
    pub async fn arrangement_history(&self, piece_id: &str) -> Result<Vec<SavedVersion>> {
        let mut link = self.read().await?;
        document_history!(link, "arrangement_versions", piece_id)
    }
}
