//! Blobs: sound, packs and renders as files, named by an id of their own.
//!
//! A blob is whole or not there: its bytes go to a staging file, which is synced and renamed,
//! and then its folder is synced, before the call returns. Write the blob first, then the record
//! that names it; delete the record first, then the blob. What a crash leaves between the two is
//! an unreferenced blob, which the sweep takes after a while.

use std::error::Error;
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, SystemTime};

use bytes::{Bytes, BytesMut};
use futures::stream::BoxStream;
use futures::{Stream, StreamExt};
use object_store::local::LocalFileSystem;
use object_store::{GetOptions, GetRange, MultipartUpload, ObjectStore, ObjectStoreExt};

use crate::Store;
use crate::error::{ErrorKind, Result, StoreError, kind_of};
use crate::ids::new_id;

/// Bytes gathered before they are written out; the most of a stream that is ever in memory.
const WRITE_BYTES: usize = 1 << 20;

/// A blob that is safely on disk, ready to be named by a record.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StoredBlob {
    /// Its name, for the record.
    pub id: String,
    /// Its length.
    pub bytes: u64,
    /// BLAKE3 of its bytes, in hex.
    pub content_hash: String,
}

/// A blob being read.
pub struct BlobReader {
    /// The length of the whole blob.
    pub total_bytes: u64,
    /// The stretch this stream gives.
    pub range: Range<u64>,
    /// Its bytes, in pieces.
    pub stream: BoxStream<'static, Result<Bytes>>,
}

/// A blob as a local file, for readers that need to seek or map it.
#[derive(Clone, Debug)]
pub struct BlobFile {
    path: PathBuf,
}

impl BlobFile {
    /// Where it lies. Read only: the file is the blob itself.
    pub fn path(&self) -> &Path {
        &self.path
    }
}

impl AsRef<Path> for BlobFile {
    fn as_ref(&self) -> &Path {
        &self.path
    }
}

/// The folder that holds the blobs. Another kind of place becomes an enum here.
pub(crate) struct Blobs {
    folder: PathBuf,
    files: Arc<LocalFileSystem>,
}

impl Blobs {
    pub(crate) fn open(folder: &Path) -> Result<Self> {
        std::fs::create_dir_all(folder).map_err(|error| {
            StoreError::from_source(error, &format!("making {}", folder.display()), kind_of)
        })?;
        let files = Arc::new(LocalFileSystem::new_with_prefix(folder)?.with_fsync(true));
        Ok(Blobs { folder: folder.to_owned(), files })
    }

    /// Ids that are made together spread over folders by their random end.
    fn place(id: &str) -> Result<object_store::path::Path> {
        let plain = id.len() > 2 && id.bytes().all(|b| b.is_ascii_alphanumeric());
        if !plain {
            return Err(StoreError::not_found("blob", id));
        }
        Ok(object_store::path::Path::from_iter([&id[id.len() - 2..], id]))
    }

    pub(crate) fn file(&self, id: &str) -> Result<PathBuf> {
        Ok(self.folder.join(Self::place(id)?.as_ref()))
    }
}

impl Store {
    /// Writes a stream to a new blob, hashing as it goes; at most about 1 MiB of it is in memory.
    ///
    /// # Errors
    /// `TooLarge` past `max_bytes`, `BrokenStream` if the stream ends in an error, `DiskFull`,
    /// `ReadOnly`. Nothing is left behind in any of these.
    pub async fn put_blob<E>(
        &self,
        stream: impl Stream<Item = std::result::Result<Bytes, E>> + Send,
        max_bytes: Option<u64>,
        now_us: i64,
    ) -> Result<StoredBlob>
    where
        E: Error + Send + Sync + 'static,
    {
        let id = new_id(now_us)?;
        let place = Blobs::place(&id)?;
        let mut upload = self.blobs.files.put_multipart(&place).await?;
        match pour(upload.as_mut(), stream, max_bytes).await {
            Ok((bytes, content_hash)) => Ok(StoredBlob { id, bytes, content_hash }),
            Err(error) => {
                if let Err(left) = upload.abort().await {
                    tracing::warn!(error = &left as &dyn Error, "a staging file stays behind");
                }
                Err(error)
            }
        }
    }

    /// [`put_blob`](Self::put_blob) for bytes already in memory.
    pub async fn put_blob_bytes(&self, bytes: impl Into<Bytes>, now_us: i64) -> Result<StoredBlob> {
        let bytes: Bytes = bytes.into();
        let once = futures::stream::once(async move { Ok::<_, std::io::Error>(bytes) });
        self.put_blob(once, None, now_us).await
    }

    /// Makes a finished file into a blob and takes the file away. A file in
    /// [`work_folder`](Store::work_folder) is only hashed, synced and renamed.
    pub async fn adopt_file(&self, file: PathBuf, now_us: i64) -> Result<StoredBlob> {
        let id = new_id(now_us)?;
        self.adopt_file_as(id, file).await
    }

    pub(crate) async fn adopt_file_as(&self, id: String, file: PathBuf) -> Result<StoredBlob> {
        let target = self.blobs.file(&id)?;
        let (bytes, content_hash) = blocking(move || move_into_place(&file, &target)).await?;
        Ok(StoredBlob { id, bytes, content_hash })
    }

    /// Reads a whole blob as a stream.
    pub async fn read_blob(&self, id: &str) -> Result<BlobReader> {
        self.open_blob(id, None).await
    }

    /// Reads `range` of a blob; an end past the blob's is cut to it.
    ///
    /// # Errors
    /// `NotFound`; `NotNow` when the range starts at or past the end.
    pub async fn read_blob_range(&self, id: &str, range: Range<u64>) -> Result<BlobReader> {
        self.open_blob(id, Some(range)).await
    }

    async fn open_blob(&self, id: &str, range: Option<Range<u64>>) -> Result<BlobReader> {
        let place = Blobs::place(id)?;
        if let Some(range) = &range {
            let total = self.blobs.files.head(&place).await?.size;
            if range.start >= total || range.start >= range.end {
                return Err(StoreError::new(
                    ErrorKind::NotNow,
                    format!("The range starts past the end of the file, which has {total} bytes."),
                ));
            }
        }
        let options = GetOptions::new().with_range(range.map(GetRange::Bounded));
        let result = self.blobs.files.get_opts(&place, options).await?;
        Ok(BlobReader {
            total_bytes: result.meta.size,
            range: result.range.clone(),
            stream: result.into_stream().map(|part| part.map_err(StoreError::from)).boxed(),
        })
    }

    /// A blob as a file on this machine, for the engine.
    pub async fn blob_file(&self, id: &str) -> Result<BlobFile> {
        let path = self.blobs.file(id)?;
        match tokio::fs::try_exists(&path).await? {
            true => Ok(BlobFile { path }),
            false => Err(StoreError::not_found("blob", id)),
        }
    }

    /// Deletes a blob; one that is gone already is fine.
    pub async fn delete_blob(&self, id: &str) -> Result<()> {
        match self.blobs.files.delete(&Blobs::place(id)?).await {
            Ok(()) | Err(object_store::Error::NotFound { .. }) => Ok(()),
            Err(error) => Err(error.into()),
        }
    }

    /// Every file in the blob folder that was last written before `older_than`: the ids of
    /// blobs, and the staging files that a crash left. For the sweep.
    pub(crate) async fn old_blob_files(&self, older_than: SystemTime) -> Result<OldFiles> {
        let folder = self.blobs.folder.clone();
        blocking(move || list_old_files(&folder, older_than)).await
    }
}

pub(crate) struct OldFiles {
    pub(crate) blob_ids: Vec<String>,
    pub(crate) staging: Vec<PathBuf>,
}

async fn pour<E>(
    upload: &mut dyn MultipartUpload,
    stream: impl Stream<Item = std::result::Result<Bytes, E>> + Send,
    max_bytes: Option<u64>,
) -> Result<(u64, String)>
where
    E: Error + Send + Sync + 'static,
{
    let mut stream = std::pin::pin!(stream);
    let mut hasher = blake3::Hasher::new();
    let mut total = 0u64;
    let mut gathered = BytesMut::new();
    while let Some(piece) = stream.next().await {
        let piece = piece.map_err(|error| {
            StoreError::from_source(error, "the sender's stream broke off", |_| {
                Some(ErrorKind::BrokenStream)
            })
        })?;
        total += piece.len() as u64;
        if max_bytes.is_some_and(|max| total > max) {
            return Err(too_large(max_bytes.unwrap_or_default()));
        }
        hasher.update(&piece);
        gathered.extend_from_slice(&piece);
        if gathered.len() >= WRITE_BYTES {
            upload.put_part(gathered.split().freeze().into()).await?;
        }
    }
    if !gathered.is_empty() || total == 0 {
        upload.put_part(gathered.freeze().into()).await?;
    }
    upload.complete().await?;
    Ok((total, hasher.finalize().to_hex().to_string()))
}

pub(crate) fn too_large(max_bytes: u64) -> StoreError {
    StoreError::new(
        ErrorKind::TooLarge,
        format!("The file is larger than the {max_bytes} bytes that are allowed."),
    )
}

fn move_into_place(file: &Path, target: &Path) -> Result<(u64, String)> {
    let mut hasher = blake3::Hasher::new();
    let mut opened = std::fs::File::open(file)?;
    let bytes = std::io::copy(&mut opened, &mut hasher)?;
    // A resumed upload may be days old; as a blob it is new, and the sweep goes by that.
    opened.set_modified(SystemTime::now())?;
    opened.sync_all()?;
    let parent = target.parent().unwrap_or(Path::new("."));
    if !parent.exists() {
        std::fs::create_dir_all(parent)?;
        sync_folder(parent.parent().unwrap_or(parent))?;
    }
    if std::fs::rename(file, target).is_err() {
        // Another file system: copy beside the target under a staging name, then rename.
        let staging = target.with_extension("part");
        let copied = std::fs::copy(file, &staging)
            .and_then(|_| std::fs::File::open(&staging)?.sync_all())
            .and_then(|()| std::fs::rename(&staging, target));
        if let Err(error) = copied {
            let _ = std::fs::remove_file(&staging);
            return Err(error.into());
        }
        std::fs::remove_file(file)?;
    }
    sync_folder(parent)?;
    Ok((bytes, hasher.finalize().to_hex().to_string()))
}

/// Makes a rename in `folder` durable.
pub(crate) fn sync_folder(folder: &Path) -> Result<()> {
    Ok(std::fs::File::open(folder)?.sync_all()?)
}

fn list_old_files(folder: &Path, older_than: SystemTime) -> Result<OldFiles> {
    let mut old = OldFiles { blob_ids: Vec::new(), staging: Vec::new() };
    for shard in std::fs::read_dir(folder)? {
        let shard = shard?.path();
        if !shard.is_dir() {
            continue;
        }
        for file in std::fs::read_dir(&shard)? {
            let file = file?;
            // A file may be renamed or deleted while we look.
            let Ok(written) = file.metadata().and_then(|m| m.modified()) else { continue };
            if written >= older_than {
                continue;
            }
            match file.file_name().into_string() {
                Ok(name) if Blobs::place(&name).is_ok() => old.blob_ids.push(name),
                _ => old.staging.push(file.path()),
            }
        }
    }
    Ok(old)
}

/// Runs file work off the async threads.
pub(crate) async fn blocking<T: Send + 'static>(
    work: impl FnOnce() -> Result<T> + Send + 'static,
) -> Result<T> {
    match tokio::task::spawn_blocking(work).await {
        Ok(result) => result,
        Err(stopped) => Err(StoreError::from_source(stopped, "file work stopped", |_| None)),
    }
}

pub(crate) fn before(now_us: i64, age: Duration) -> SystemTime {
    let now = SystemTime::UNIX_EPOCH + Duration::from_micros(now_us.max(0) as u64);
    now.checked_sub(age).unwrap_or(SystemTime::UNIX_EPOCH)
}
