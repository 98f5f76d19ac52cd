//! The pack job: a piece's guide pack, as single files and as one zip; unless the one that is
//! there is made of the very same.

use std::path::Path;
use std::sync::Arc;

use ripieno_score::Piece;
use ripieno_store::{ErrorKind, Shelf};

use super::JobError;
use super::files::{delete_blobs, keep_files};
use super::piece::{load_piece, own_mark};
use crate::conform_take::OwnMark;
use crate::guide_pack::{
    OwnRecording, PackError, made_of, write_pack, write_pack_with_own_mark, zip_pack,
};
use crate::run::{Hand, now_us, on_a_thread};

/// The whole pack in one file.
const PACK_ZIP: &str = "guide-pack.zip";

pub(crate) async fn run(hand: &Arc<Hand>, piece_id: &str) -> Result<(), JobError> {
    let (piece, version) = load_piece(&hand.store, piece_id).await?;
    let mark = own_mark(hand, &piece, piece_id).await?;
    let mark_hash = match &piece.marks.own_file {
        Some(name) => Some(hand.store.piece_file(piece_id, Shelf::Own, name).await?.content_hash),
        None => None,
    };
    let made_of = made_of(&piece, mark_hash.as_deref());
    if hand.store.keep_pack(&hand.job, piece_id, version, &made_of, now_us()).await? {
        return Ok(());
    }
    let folder = tempfile::tempdir_in(hand.store.work_folder())?;
    let path = folder.path().to_owned();
    let written = on_a_thread(move || write(&piece, mark.as_ref(), &path)).await?;
    written.map_err(|error| match error {
        PackError::Mark(_) => JobError::Refused(format!("The piece's own mark: {error}.")),
        other => JobError::Fault(format!("The guide pack: {other}.")),
    })?;
    let files = keep_files(&hand.store, folder.path(), &|_| {}).await?;
    let finished =
        hand.store.finish_pack(&hand.job, piece_id, version, &made_of, &files, now_us()).await;
    if finished.as_ref().is_err_and(|error| error.kind() == ErrorKind::LeaseLost) {
        delete_blobs(&hand.store, &files).await?;
    }
    Ok(finished?)
}

fn write(piece: &Piece, mark: Option<&OwnMark>, folder: &Path) -> Result<(), PackError> {
    match mark {
        None => write_pack(piece, folder)?,
        Some(mark) => {
            let own = OwnRecording { samples: mark.samples(), rate_hz: mark.rate_hz() };
            write_pack_with_own_mark(piece, own, folder)?
        }
    };
    zip_pack(folder, &piece.slug, &folder.join(PACK_ZIP))
}
