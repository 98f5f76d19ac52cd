//! Files that belong to a piece: its guide pack, and what the organiser brought.

use serde::Serialize;
use sqlx::FromRow;

use crate::Store;
use crate::blobs::StoredBlob;
use crate::database::{Tx, all, first, run};
use crate::error::{Result, StoreError};
use crate::queue::{LeasedJob, close_leased};
use crate::text::text_enum;

text_enum! {
    /// Where a piece's file came from.
    Shelf {
        /// Written by the pack job, replaced as a whole.
        Pack = "pack",
        /// Brought by the organiser: a mark of theirs, a room's impulse response.
        Own = "own",
    }
}

/// A file of a piece.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct PieceFile {
    /// Its name, unique on its shelf.
    pub name: String,
    /// The version of the piece's document it was made of.
    pub piece_version: i64,
    /// Its media type.
    pub media_type: String,
    /// Its blob.
    pub blob: String,
    /// Its length.
    pub bytes: i64,
    /// BLAKE3 in hex.
    pub content_hash: String,
    /// When it came.
    pub created_at: i64,
}

/// A file to be named by a record: a piece's or a render's.
#[derive(Clone, Debug)]
pub struct NewFile {
    /// Its name.
    pub name: String,
    /// Its media type.
    pub media_type: String,
    /// Where its bytes are.
    pub blob: StoredBlob,
}

impl Store {
    /// The files of one shelf, by name. The pack is fresh when their `piece_version` is the
    /// piece's version; empty while it was never made.
    pub async fn piece_files(&self, piece_id: &str, shelf: Shelf) -> Result<Vec<PieceFile>> {
        let mut link = self.read().await?;
        all!(
            PieceFile,
            link,
            "select name, piece_version, media_type, blob, bytes, content_hash, created_at
             from piece_files where piece_id = $1 and shelf = $2 order by name",
            piece_id,
            shelf.as_str(),
        )
    }

    /// One file of a shelf.
    pub async fn piece_file(&self, piece_id: &str, shelf: Shelf, name: &str) -> Result<PieceFile> {
        let mut link = self.read().await?;
        first!(
            PieceFile,
            link,
            "select name, piece_version, media_type, blob, bytes, content_hash, created_at
             from piece_files where piece_id = $1 and shelf = $2 and name = $3",
            piece_id,
            shelf.as_str(),
            name,
        )?
        .ok_or_else(|| StoreError::not_found("file", name))
    }

    /// Keeps a file of the organiser's, in place of one of the same name.
    pub async fn keep_own_file(
        &self,
        piece_id: &str,
        file: &NewFile,
        now_us: i64,
    ) -> Result<PieceFile> {
        let version = self.piece(piece_id).await?.version;
        let mut tx = self.begin().await?;
        run!(
            tx,
            "delete from piece_files where piece_id = $1 and shelf = 'own' and name = $2",
            piece_id,
            &file.name,
        )?;
        insert_file(&mut tx, piece_id, Shelf::Own, version, file, now_us).await?;
        tx.commit().await?;
        self.piece_file(piece_id, Shelf::Own, &file.name).await
    }

    /// Ends a pack job without a new pack if the one that is there was made of the same
    /// (`made_of`, a hash): it is that of this version of the piece, too. Gives false, and leaves
    /// all as it was, if there is no such pack.
    ///
    /// # Errors
    /// `LeaseLost`: then nothing was changed.
    pub async fn keep_pack(
        &self,
        job: &LeasedJob,
        piece_id: &str,
        piece_version: i64,
        made_of: &str,
        now_us: i64,
    ) -> Result<bool> {
        let mut tx = self.begin().await?;
        let files = run!(
            tx,
            "update piece_files set piece_version = $2
             where piece_id = $1 and shelf = 'pack' and made_of = $3",
            piece_id,
            piece_version,
            made_of,
        )?;
        if files > 0 {
            close_leased(&mut tx, job, now_us).await?;
            tx.commit().await?;
        }
        Ok(files > 0)
    }

    /// Ends a pack job: its files take the place of the former pack, all at once, and `made_of`
    /// says by a hash what they were made of.
    ///
    /// # Errors
    /// `LeaseLost`: then nothing was changed.
    pub async fn finish_pack(
        &self,
        job: &LeasedJob,
        piece_id: &str,
        piece_version: i64,
        made_of: &str,
        files: &[NewFile],
        now_us: i64,
    ) -> Result<()> {
        let mut tx = self.begin().await?;
        close_leased(&mut tx, job, now_us).await?;
        run!(tx, "delete from piece_files where piece_id = $1 and shelf = 'pack'", piece_id)?;
        for file in files {
            insert_file(&mut tx, piece_id, Shelf::Pack, piece_version, file, now_us).await?;
        }
        run!(
            tx,
            "update piece_files set made_of = $2 where piece_id = $1 and shelf = 'pack'",
            piece_id,
            made_of,
        )?;
        tx.commit().await
    }
}

async fn insert_file(
    tx: &mut Tx,
    piece_id: &str,
    shelf: Shelf,
    piece_version: i64,
    file: &NewFile,
    now_us: i64,
) -> Result<()> {
    run!(
        tx,
        "insert into piece_files
         (piece_id, shelf, name, piece_version, media_type, blob, bytes, content_hash, created_at)
         values ($1, $2, $3, $4, $5, $6, $7, $8, $9)",
        piece_id,
        shelf.as_str(),
        &file.name,
        piece_version,
        &file.media_type,
        &file.blob.id,
        file.blob.bytes as i64,
        &file.blob.content_hash,
        now_us,
    )
    .map(drop)
}
