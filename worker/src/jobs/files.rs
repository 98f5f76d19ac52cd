//! The files that a job leaves in a folder.

use std::io;
use std::path::{Path, PathBuf};

use ripieno_store::{NewFile, Result, Store};

use crate::run::now_us;

/// Every file below `folder`, by its path from there with `/` between the parts, in order of name.
pub(super) fn files_below(folder: &Path) -> io::Result<Vec<(String, PathBuf)>> {
    let mut files = Vec::new();
    let mut folders = vec![(String::new(), folder.to_owned())];
    while let Some((prefix, folder)) = folders.pop() {
        for entry in std::fs::read_dir(folder)? {
            let entry = entry?;
            let name = format!("{prefix}{}", entry.file_name().to_string_lossy());
            match entry.file_type()?.is_dir() {
                true => folders.push((format!("{name}/"), entry.path())),
                false => files.push((name, entry.path())),
            }
        }
    }
    files.sort();
    Ok(files)
}

/// Makes every file below `folder` into a blob, to be named by a record. `told` is told the share
/// of all bytes that are kept, file by file.
pub(super) async fn keep_files(
    store: &Store,
    folder: &Path,
    told: &(dyn Fn(f64) + Sync),
) -> Result<Vec<NewFile>> {
    let files = files_below(folder)?;
    let bytes = |path: &Path| std::fs::metadata(path).map_or(0, |file| file.len()) as f64;
    let whole = files.iter().map(|(_, path)| bytes(path)).sum::<f64>().max(1.0);
    let (mut kept, mut done) = (Vec::new(), 0.0);
    for (name, path) in files {
        let media_type = media_type(&name).to_owned();
        done += bytes(&path);
        let blob = store.adopt_file(path, now_us()).await?;
        kept.push(NewFile { name, media_type, blob });
        told(done / whole);
    }
    Ok(kept)
}

/// Deletes the blobs of files that no record will name.
pub(super) async fn delete_blobs(store: &Store, files: &[NewFile]) -> Result<()> {
    for file in files {
        store.delete_blob(&file.blob.id).await?;
    }
    Ok(())
}

/// The media type that goes with a file's name (IANA's registry).
pub(super) fn media_type(name: &str) -> &'static str {
    let extension = name.rsplit('.').next().unwrap_or_default();
    match extension.to_ascii_lowercase().as_str() {
        "wav" => "audio/wav",
        "flac" => "audio/flac",
        "ogg" | "opus" => "audio/ogg",
        "mid" => "audio/midi",
        "json" | "otio" => "application/json",
        "txt" | "edl" | "md" => "text/plain; charset=utf-8",
        "csv" => "text/csv; charset=utf-8",
        "html" => "text/html; charset=utf-8",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        "pdf" => "application/pdf",
        "zip" => "application/zip",
        _ => "application/octet-stream",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn files_are_named_from_the_folder_down() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir_all(folder.path().join("groups/low")).unwrap();
        for name in ["mix.wav", "groups/all.wav", "groups/low/brass.wav"] {
            std::fs::write(folder.path().join(name), name).unwrap();
        }
        let names: Vec<String> =
            files_below(folder.path()).unwrap().into_iter().map(|(name, _)| name).collect();
        assert_eq!(names, ["groups/all.wav", "groups/low/brass.wav", "mix.wav"]);
        assert_eq!(media_type("groups/All.WAV"), "audio/wav");
    }

    #[tokio::test]
    async fn what_is_kept_is_told_by_bytes() {
        let home = tempfile::tempdir().unwrap();
        let store = Store::open(&ripieno_store::Settings::in_folder(home.path())).await.unwrap();
        let folder = tempfile::tempdir_in(store.work_folder()).unwrap();
        for (name, bytes) in [("a", 100), ("b", 300), ("c", 0), ("d", 600)] {
            std::fs::write(folder.path().join(name), vec![7; bytes]).unwrap();
        }
        let told = std::sync::Mutex::new(Vec::new());
        let tell = |share| told.lock().unwrap().push(share);
        let kept = keep_files(&store, folder.path(), &tell).await.unwrap();
        assert_eq!(kept.len(), 4);
        assert_eq!(told.into_inner().unwrap(), [0.1, 0.4, 0.4, 1.0]);
    }
}
