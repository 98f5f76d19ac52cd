//! The newest preview of a piece, for everybody to hear.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use ripieno_store::Render;
use serde::Deserialize;
use utoipa::IntoParams;

use super::send_file;
use crate::http::extract::{Path, Query};
use crate::http::problem::{Answer, Problem};
use crate::http::{App, AppState, described, pieces};

/// The newest preview of the whole piece that is done, with the name of its sound file.
///
/// # Errors
/// A fault of the store.
pub async fn newest_to_hear(app: &App, piece_id: &str) -> Answer<Option<(Render, String)>> {
    Ok(app.store.newest_to_hear(piece_id).await?)
}

/// Piece time at which a render's files begin, in seconds.
#[must_use]
pub fn starts_at_s(render: &Render) -> f64 {
    let rate = render.result["sample_rate_hz"].as_f64().filter(|r| *r > 0.0).unwrap_or(48_000.0);
    render.result["first_sample"].as_f64().unwrap_or_default() / rate
}

/// Which preview to hear.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct WhichPreview {
    /// The render's id, so that the address changes with the sound; without it, the newest.
    pub of: Option<String>,
}

/// The newest preview of the whole piece, for everybody.
#[utoipa::path(get, path = "/api/v1/pieces/{slug}/preview", tag = "renders",
    operation_id = "newestPreview",
    security(()),
    params(("slug" = String, Path, description = "The piece"), WhichPreview),
    responses(
        (status = 200, description = "The sound, small enough for a phone"),
        (status = 206, description = "The part that was asked for"),
        described::BadRequest, described::NotFound,
        (status = 416, description = "The range lies outside the file"),
    ))]
pub async fn newest(
    State(app): State<AppState>,
    Path(slug): Path<String>,
    Query(which): Query<WhichPreview>,
    headers: HeaderMap,
) -> Answer<Response> {
    let piece = pieces::load(&app, &slug).await?.record;
    let newest = newest_to_hear(&app, &piece.id).await?;
    // An older one that a page still names may be gone or never public: the newest stands in.
    let _ = which.of;
    match newest {
        Some((render, file)) => send_file(&app, &render.id, &file, &headers).await,
        None => Err(Problem::not_found("There is no preview of this piece yet.")),
    }
}
