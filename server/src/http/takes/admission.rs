//! Whether a piece takes recordings now: open, not full, and not from one address too fast.

use ripieno_score::TakeState;

use crate::clock::now_us;
use crate::http::App;
use crate::http::identity::Client;
use crate::http::pieces::{self, LoadedPiece};
use crate::http::problem::{Answer, Problem};

/// Whether a recording for this piece may begin to arrive now.
///
/// # Errors
/// 404 for an unknown piece, 403 when it is closed, 409 when it is full, 429.
pub async fn admit(app: &App, client: Client, slug: &str) -> Answer<LoadedPiece> {
    let loaded = pieces::load(app, slug).await?;
    refuse_if_closed(&loaded)?;
    app.upload_starts.check(client.0)?;
    refuse_if_full(app, &loaded).await?;
    Ok(loaded)
}

/// 409 when a piece has as many takes, or bytes of them, as it may.
///
/// # Errors
/// That, or a fault of the store.
pub async fn refuse_if_full(app: &App, loaded: &LoadedPiece) -> Answer<()> {
    let counts = app.store.count_takes(&loaded.record.id).await?;
    // The tombstones of withdrawn takes fill no room.
    let held = counts.iter().filter(|c| c.state != TakeState::Withdrawn);
    let (takes, bytes) = held.fold((0, 0), |(takes, bytes), c| (takes + c.takes, bytes + c.bytes));
    let full = takes.unsigned_abs() >= app.config.max_takes_per_piece
        || bytes.unsigned_abs() >= app.config.max_bytes_per_piece;
    match full {
        true => Err(Problem::conflict(
            "This call holds as many recordings as it can. Tell the organiser, who can make room.",
        )),
        false => Ok(()),
    }
}

/// 403 when a piece accepts no takes.
///
/// # Errors
/// The deadline has passed, or the organiser closed the call.
pub fn refuse_if_closed(loaded: &LoadedPiece) -> Answer<()> {
    let now = now_us();
    if loaded.is_open(now) {
        return Ok(());
    }
    Err(Problem::closed(match loaded.deadline_us() {
        Some(deadline) if deadline <= now => format!(
            "The deadline for {} has passed. Write to the organiser if you are late by a little.",
            loaded.record.title
        ),
        _ => format!("The organiser has closed the call for {}.", loaded.record.title),
    }))
}
