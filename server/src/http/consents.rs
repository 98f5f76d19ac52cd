//! What contributors were asked to agree to: the wording of today, and the earlier ones, which stay
//! with the takes that came under them.

use ripieno_score::ConsentWording;

use super::App;
use super::pieces::{self, LoadedPiece};
use super::problem::Answer;

/// The wording of a piece that has this version: the one that stands, or else the newest that had
/// it. None where the piece never had one.
///
/// # Errors
/// A fault of the store.
pub async fn wording(
    app: &App,
    loaded: &LoadedPiece,
    version: &str,
) -> Answer<Option<ConsentWording>> {
    let standing = &loaded.piece.consent_wording;
    if standing.version == version {
        return Ok(Some(standing.clone()));
    }
    for saved in app.store.piece_history(&loaded.record.id).await? {
        let document = app.store.piece_document(&loaded.record.id, Some(saved.version)).await?;
        let Ok(piece) = pieces::parse(document.format, &document.text) else { continue };
        if piece.consent_wording.version == version {
            return Ok(Some(piece.consent_wording));
        }
    }
    Ok(None)
}
