//! A pack as one file to download.

use super::PackError;
use std::fs::File;
use std::io::{self, BufReader, BufWriter};
use std::path::Path;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipWriter};

/// Puts the files of the folder `pack` into the zip `out`, streaming; the same files give the
/// same zip. The folder in the zip has the name `folder`.
///
/// # Errors
/// When a file can't be read or the zip can't be written.
pub fn zip_pack(pack: &Path, folder: &str, out: &Path) -> Result<(), PackError> {
    let failed = |path: &Path| {
        let path = path.to_path_buf();
        move |source: io::Error| PackError::Write { path, source }
    };
    let file = File::create(out).map_err(failed(out))?;
    let mut zip = ZipWriter::new(BufWriter::new(file));
    // No clock: the date is the format's first.
    let options = SimpleFileOptions::default()
        .compression_method(CompressionMethod::Deflated)
        .last_modified_time(DateTime::default());
    let mut paths = Vec::new();
    for entry in std::fs::read_dir(pack).map_err(failed(pack))? {
        paths.push(entry.map_err(failed(pack))?.path());
    }
    paths.sort();
    for path in paths.iter().filter(|p| p.is_file() && p.as_path() != out) {
        let Some(name) = path.file_name().and_then(|n| n.to_str()) else { continue };
        zip.start_file(format!("{folder}/{name}"), options)?;
        let mut source = BufReader::new(File::open(path).map_err(failed(path))?);
        io::copy(&mut source, &mut zip).map_err(failed(path))?;
    }
    let mut file = zip.finish()?;
    io::Write::flush(&mut file).map_err(failed(out))
}
