//! A piece and its arrangement as the jobs need them: read from their documents.

use std::fmt::Display;

use ripieno_engine::decode::Recording;
use ripieno_score::{Arrangement, Piece};
use ripieno_store::{Document, DocumentFormat, Shelf, Store};

use super::JobError;
use crate::conform_take::OwnMark;
use crate::run::{Hand, on_a_thread};

/// The piece as it stands, with its version.
pub(crate) async fn load_piece(store: &Store, piece_id: &str) -> Result<(Piece, i64), JobError> {
    let document = store.piece_document(piece_id, None).await?;
    let read = match document.format {
        DocumentFormat::Toml => Piece::from_toml(&document.text, "piece.toml"),
        DocumentFormat::Json => Piece::from_json(&document.text, "piece.json"),
    };
    let piece = read.map_err(|mistakes| unreadable("piece", &document, &mistakes))?;
    Ok((piece, document.version))
}

/// The arrangement that stands, or an earlier version, with its version; 0 when none was saved
/// yet.
pub(super) async fn load_arrangement(
    store: &Store,
    piece_id: &str,
    version: Option<i64>,
    piece: &Piece,
) -> Result<(Arrangement, i64), JobError> {
    let Some(document) = store.arrangement(piece_id, version).await? else {
        return Ok((Arrangement::default(), 0));
    };
    let read = match document.format {
        DocumentFormat::Toml => Arrangement::from_toml(&document.text, "arrangement.toml", piece),
        DocumentFormat::Json => Arrangement::from_json(&document.text, "arrangement.json", piece),
    };
    let arrangement = read.map_err(|mistakes| unreadable("arrangement", &document, &mistakes))?;
    Ok((arrangement, document.version))
}

/// The mark of the organiser's own that the piece names, if it names one.
pub(super) async fn own_mark(
    hand: &Hand,
    piece: &Piece,
    piece_id: &str,
) -> Result<Option<OwnMark>, JobError> {
    let Some(name) = &piece.marks.own_file else { return Ok(None) };
    let file = match hand.store.piece_file(piece_id, Shelf::Own, name).await {
        Ok(file) => hand.store.blob_file(&file.blob).await?,
        Err(error) if error.is_not_found() => {
            return Err(JobError::Refused(format!(
                "The piece names “{name}” as its mark, but there is no such file. Upload it, or \
                 take the name out of the piece."
            )));
        }
        Err(error) => return Err(error.into()),
    };
    let recording = Recording::new(file.path(), hand.settings.limits.clone());
    let mark = on_a_thread(move || OwnMark::read(&recording)).await?;
    mark.map(Some).map_err(|error| JobError::Refused(format!("The piece's own mark: {error}.")))
}

/// Documents are checked before they are saved; yet one may come to name what a newer version of
/// the piece has no more.
fn unreadable(what: &str, document: &Document, mistakes: &dyn Display) -> JobError {
    JobError::Refused(format!(
        "Version {} of the {what} does not hold together any more: {mistakes}",
        document.version
    ))
}
