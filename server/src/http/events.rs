//! What happened to a piece lately, for scripts and the morning's look.

use axum::extract::State;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::extract::{Json, Path, Query};
use super::identity::Organiser;
use super::pieces;
use super::problem::{Answer, Problem};
use super::{AppState, described};
use crate::clock::rfc3339;

/// Something that happened.
#[derive(Debug, Serialize, ToSchema)]
pub struct EventBody {
    /// What: `take.received`, `take.placed`, `take.asks`, `take.unusable`, `take.withdrawn`,
    /// `render.done`, `render.failed`, …
    pub kind: String,
    /// The id of the take or render.
    pub subject: String,
    /// More about it.
    pub data: serde_json::Value,
    /// When.
    pub at: String,
}

/// Which events to list.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Since {
    /// Only what happened at or after this instant (RFC 3339).
    #[param(example = "2026-11-25T06:00:00Z")]
    pub since: Option<String>,
}

/// What happened, oldest first; at most 1 000 events.
#[utoipa::path(get, path = "/api/v1/pieces/{slug}/events", tag = "pieces",
    operation_id = "listEvents",
    security(("organiser" = [])),
    params(("slug" = String, Path, description = "The piece"), Since),
    responses(
        (status = 200, body = Vec<EventBody>),
        described::BadRequest, described::NotSignedIn, described::NotFound,
    ))]
pub async fn list(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(slug): Path<String>,
    Query(since): Query<Since>,
) -> Answer<Json<Vec<EventBody>>> {
    let piece = pieces::load(&app, &slug).await?.record;
    let since_us = match since.since.as_deref() {
        None => 0,
        Some(text) => {
            text.parse::<jiff::Timestamp>().map(|t| t.as_microsecond()).map_err(|_| {
                Problem::bad_request("`since` must be an instant such as 2026-11-25T06:00:00Z.")
            })?
        }
    };
    let events = app.store.events_since(&piece.id, since_us, 1000).await?;
    let body = |e: ripieno_store::Event| EventBody {
        kind: e.kind,
        subject: e.subject,
        data: e.data.0,
        at: rfc3339(e.at),
    };
    Ok(Json(events.into_iter().map(body).collect()))
}
