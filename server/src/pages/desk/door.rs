//! Whether the call takes recordings, and the organiser's word on it.

use axum::Form;
use axum::extract::State;
use maud::{Markup, html};
use serde::Deserialize;

use crate::clock::now_us;
use crate::http::AppState;
use crate::http::extract::Path;
use crate::http::identity::Organiser;
use crate::http::pieces::{self, LoadedPiece};
use crate::pages::layout::{PageAnswer, go_to};
use crate::pages::words;

/// What the button sends.
#[derive(Debug, Deserialize)]
pub struct Door {
    open: bool,
}

/// Closes the call, or opens it again.
pub async fn set(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(slug): Path<String>,
    Form(door): Form<Door>,
) -> PageAnswer {
    let record = pieces::load(&app, &slug).await?.record;
    app.store.set_piece_closed(&record.id, !door.open, now_us()).await?;
    Ok(go_to(&format!("/desk/{slug}")))
}

/// How the door stands, with the button to the other way.
#[must_use]
pub fn show(loaded: &LoadedPiece) -> Markup {
    let shut_by_hand = loaded.record.closed != 0;
    let deadline =
        loaded.deadline_us().map(|at_us| words::deadline(at_us, loaded.piece.time_zone.as_deref()));
    html! {
        form.row method="post" action={ "/desk/" (loaded.record.slug) "/door" } {
            input type="hidden" name="open" value=(shut_by_hand);
            @if shut_by_hand {
                span { "The call is closed by your word." }
                button.quiet type="submit" { "Open the call again" }
            } @else if loaded.is_open(now_us()) {
                span { "The call is open"
                    @if let Some(deadline) = deadline { " until " (deadline) } "." }
                button.quiet type="submit" { "Close the call now" }
            } @else {
                span { "The deadline has passed"
                    @if let Some(deadline) = deadline { ": " (deadline) }
                    ". To take more, change " code { "deadline" } " in the piece’s document." }
            }
        }
    }
}
