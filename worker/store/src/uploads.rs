//! Resumable uploads: recordings that come in stretches, over lost networks and restarts.
//!
//! The bytes lie in a file beside the blobs until the upload is finished. How many of them count
//! is what the record says: it is moved on only after the bytes are on disk, and whatever lies
//! past it in the file (a stretch cut off by a crash, or refused by its checksum) is cut away
//! before the next stretch is written.

use std::path::PathBuf;

use serde::Serialize;
use serde_json::Value;
use sqlx::FromRow;
use tokio::io::{AsyncSeekExt, AsyncWriteExt};

use crate::Store;
use crate::blobs::{StoredBlob, blocking, sync_folder, too_large};
use crate::database::{all, first, run};
use crate::error::{ErrorKind, Result, StoreError};
use crate::ids::{Secret, hash_secret, new_id};
use crate::text::Json;

/// An upload's record.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct Upload {
    /// Its id; not secret, not for addresses.
    pub id: String,
    /// The piece it is for.
    pub piece_id: String,
    /// How long it will be, if that was said.
    pub length: Option<i64>,
    /// How many bytes are safely here.
    pub received: i64,
    /// What the sender said about it.
    #[sqlx(try_from = "String")]
    pub metadata: Json,
    /// The blob it became.
    pub blob: Option<String>,
    /// BLAKE3 of the whole, once finished.
    pub content_hash: Option<String>,
    /// The take it became.
    pub take_id: Option<String>,
    /// When it was begun.
    pub created_at: i64,
    /// When it is swept away, unless it became a take.
    pub expires_at: i64,
}

macro_rules! select_upload {
    ($rest:literal) => {
        concat!(
            "select id, piece_id, length, received, metadata, blob, content_hash, take_id, \
             created_at, expires_at from uploads ",
            $rest
        )
    };
}

/// A stretch of an upload being written. Nothing of it counts before [`keep`](Self::keep) or
/// [`checkpoint`](Self::checkpoint); dropping it forgets what came since.
pub struct Appending {
    store: Store,
    upload: Upload,
    file: tokio::fs::File,
    // Holds the lock on the file until the stretch is over.
    _lock: std::fs::File,
    written: u64,
}

impl Store {
    /// Begins an upload, and gives the secret of its address.
    pub async fn create_upload(
        &self,
        piece_id: &str,
        length: Option<u64>,
        metadata: &Value,
        expires_at_us: i64,
        now_us: i64,
    ) -> Result<(Upload, Secret)> {
        self.piece(piece_id).await?;
        let (id, secret) = (new_id(now_us)?, Secret::new()?);
        let file = self.upload_file(&id);
        blocking(move || {
            std::fs::File::create_new(&file)?.sync_all()?;
            file.parent().map_or(Ok(()), sync_folder)
        })
        .await?;
        let mut tx = self.begin().await?;
        run!(
            tx,
            "insert into uploads
             (id, token_hash, piece_id, length, received, metadata, created_at, expires_at)
             values ($1, $2, $3, $4, 0, $5, $6, $7)",
            &id,
            secret.hash(),
            piece_id,
            length.map(|bytes| bytes as i64),
            metadata.to_string(),
            now_us,
            expires_at_us,
        )?;
        tx.commit().await?;
        Ok((self.upload(&id).await?, secret))
    }

    /// The upload whose address has this secret, unless it has expired.
    pub async fn find_upload(&self, secret: &str, now_us: i64) -> Result<Option<Upload>> {
        let mut link = self.read().await?;
        first!(
            Upload,
            link,
            select_upload!("where token_hash = $1 and expires_at > $2"),
            hash_secret(secret),
            now_us,
        )
    }

    /// Whether this secret was of an upload that has expired and is not swept away yet.
    pub async fn upload_has_expired(&self, secret: &str, now_us: i64) -> Result<bool> {
        let mut link = self.read().await?;
        let found = first!(
            (String,),
            link,
            "select id from uploads where token_hash = $1 and expires_at <= $2",
            hash_secret(secret),
            now_us,
        )?;
        Ok(found.is_some())
    }

    /// The upload with this id.
    pub async fn upload(&self, id: &str) -> Result<Upload> {
        let mut link = self.read().await?;
        first!(Upload, link, select_upload!("where id = $1"), id)?
            .ok_or_else(|| StoreError::not_found("upload", id))
    }

    /// Says how long an upload will be that was begun without a length. `NotNow` when a length
    /// was given before, or more has come already.
    pub async fn set_upload_length(&self, id: &str, length: u64) -> Result<()> {
        let mut tx = self.begin().await?;
        let touched = run!(
            tx,
            "update uploads set length = $2
             where id = $1 and received <= $2 and (length is null or length = $2)",
            id,
            length as i64,
        )?;
        tx.commit().await?;
        if touched == 1 {
            return Ok(());
        }
        self.upload(id).await?;
        Err(StoreError::new(ErrorKind::NotNow, "The upload has another length already."))
    }

    /// Begins a stretch at `offset`, which must be the number of bytes received so far.
    ///
    /// # Errors
    /// `OffsetConflict`; `Busy` while another stretch of the same upload is being written;
    /// `NotNow` when all its bytes are here.
    pub async fn append_upload(&self, id: &str, offset: u64) -> Result<Appending> {
        let path = self.upload_file(id);
        let opened = blocking(move || lock_for_writing(path)).await;
        // Read after the lock is held: the stretch before us may just have ended.
        let upload = self.upload(id).await?;
        if upload.blob.is_some() || upload.length == Some(upload.received) {
            return Err(StoreError::new(ErrorKind::NotNow, "All bytes of the upload are here."));
        }
        let (lock, mut file) = opened?;
        let received = upload.received as u64;
        if offset != received {
            return Err(StoreError::new(
                ErrorKind::OffsetConflict { current: received },
                format!("The upload has {received} bytes; go on from there."),
            ));
        }
        file.set_len(received).await?;
        file.seek(std::io::SeekFrom::Start(received)).await?;
        Ok(Appending { store: self.clone(), upload, file, _lock: lock, written: received })
    }

    /// Ends an upload whose bytes are all here: it becomes a blob. Doing it again gives the same
    /// blob. Until a take names it, the upload's record keeps it, up to its expiry.
    ///
    /// # Errors
    /// `NotNow` when bytes are missing.
    pub async fn finish_upload(&self, id: &str) -> Result<StoredBlob> {
        let upload = self.upload(id).await?;
        if let (Some(blob), Some(content_hash)) = (upload.blob, upload.content_hash) {
            return Ok(StoredBlob { id: blob, bytes: upload.received as u64, content_hash });
        }
        if upload.length != Some(upload.received) {
            return Err(StoreError::new(
                ErrorKind::NotNow,
                format!("The upload is not complete: {} bytes are here.", upload.received),
            ));
        }
        // The blob has the upload's own id, so a crash after the rename is made good here.
        let file = self.upload_file(id);
        let blob = match tokio::fs::try_exists(&file).await? {
            true => {
                let (received, path) = (upload.received as u64, file.clone());
                blocking(move || {
                    let (_lock, file) = lock_std(&path)?;
                    Ok(file.set_len(received)?)
                })
                .await?;
                self.adopt_file_as(id.to_owned(), file).await?
            }
            false => self.hash_blob(id).await?,
        };
        let mut tx = self.begin().await?;
        run!(
            tx,
            "update uploads set blob = $2, content_hash = $3 where id = $1",
            id,
            &blob.id,
            &blob.content_hash,
        )?;
        tx.commit().await?;
        Ok(blob)
    }

    async fn hash_blob(&self, id: &str) -> Result<StoredBlob> {
        let file = self.blob_file(id).await?;
        let (bytes, content_hash) = blocking(move || {
            let mut hasher = blake3::Hasher::new();
            let bytes = std::io::copy(&mut std::fs::File::open(file.path())?, &mut hasher)?;
            Ok((bytes, hasher.finalize().to_hex().to_string()))
        })
        .await?;
        Ok(StoredBlob { id: id.to_owned(), bytes, content_hash })
    }

    /// Gives an upload up and deletes what came of it. One that became a take is only forgotten.
    pub async fn delete_upload(&self, id: &str) -> Result<()> {
        let mut tx = self.begin().await?;
        let gone = first!(
            (Option<String>, Option<String>),
            tx,
            "delete from uploads where id = $1 returning blob, take_id",
            id,
        )?;
        tx.commit().await?;
        let (blob, take) = gone.ok_or_else(|| StoreError::not_found("upload", id))?;
        match tokio::fs::remove_file(self.upload_file(id)).await {
            Err(error) if error.kind() != std::io::ErrorKind::NotFound => return Err(error.into()),
            _ => {}
        }
        match (blob, take) {
            (Some(blob), None) => self.delete_blob(&blob).await,
            _ => Ok(()),
        }
    }

    /// Deletes uploads that have expired; gives how many.
    pub async fn sweep_uploads(&self, now_us: i64) -> Result<u64> {
        let expired = {
            let mut link = self.read().await?;
            all!((String,), link, "select id from uploads where expires_at <= $1", now_us)?
        };
        for (id,) in &expired {
            match self.delete_upload(id).await {
                Err(error) if !error.is_not_found() => return Err(error),
                _ => {}
            }
        }
        Ok(expired.len() as u64)
    }

    pub(crate) fn upload_file(&self, id: &str) -> PathBuf {
        self.folders.uploads.join(id)
    }
}

impl Appending {
    /// Writes the next bytes.
    ///
    /// # Errors
    /// `TooLarge` past the announced length, `DiskFull`, …: nothing since the last checkpoint
    /// counts.
    pub async fn write(&mut self, bytes: &[u8]) -> Result<()> {
        let end = self.written + bytes.len() as u64;
        if let Some(length) = self.upload.length.filter(|length| end > *length as u64) {
            return Err(too_large(length as u64));
        }
        let wrote = match self.file.write_all(bytes).await {
            Ok(()) => self.file.flush().await,
            failed => failed,
        };
        if let Err(error) = wrote {
            // Gives the space back at once.
            let _ = self.file.set_len(self.upload.received as u64).await;
            return Err(error.into());
        }
        self.written = end;
        Ok(())
    }

    /// How many bytes the upload has, with those of this stretch.
    pub fn written(&self) -> u64 {
        self.written
    }

    /// Makes what came so far count, and goes on: a crash later costs only what follows. For
    /// stretches without a checksum, every few MiB.
    pub async fn checkpoint(&mut self) -> Result<()> {
        self.file.sync_data().await?;
        let mut tx = self.store.begin().await?;
        let touched = run!(
            tx,
            "update uploads set received = $2 where id = $1 and received = $3 and blob is null",
            &self.upload.id,
            self.written as i64,
            self.upload.received,
        )?;
        if touched == 0 {
            return Err(StoreError::not_found("upload", &self.upload.id));
        }
        tx.commit().await?;
        self.upload.received = self.written as i64;
        Ok(())
    }

    /// Makes the stretch count and ends it; gives the bytes received in all.
    pub async fn keep(mut self) -> Result<u64> {
        self.checkpoint().await?;
        Ok(self.written)
    }
}

fn lock_for_writing(path: PathBuf) -> Result<(std::fs::File, tokio::fs::File)> {
    let (lock, file) = lock_std(&path)?;
    Ok((lock, tokio::fs::File::from_std(file)))
}

fn lock_std(path: &std::path::Path) -> Result<(std::fs::File, std::fs::File)> {
    let lock = std::fs::OpenOptions::new().write(true).open(path)?;
    match lock.try_lock() {
        Ok(()) => {}
        Err(std::fs::TryLockError::WouldBlock) => {
            return Err(StoreError::new(
                ErrorKind::Busy,
                "Another stretch of this upload is still being written. Try again in a moment.",
            ));
        }
        Err(std::fs::TryLockError::Error(error)) => return Err(error.into()),
    }
    let file = std::fs::OpenOptions::new().write(true).open(path)?;
    Ok((lock, file))
}
