//! The arrangement map of a piece: read, replaced under guard, its history.

pub mod versions;

use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use ripieno_score::{Arrangement, Mistakes, Piece};
use ripieno_store::{Document, DocumentFormat, NewDocument};
use serde::Serialize;
use utoipa::ToSchema;

use super::extract::{Json, Path};
use super::identity::Organiser;
use super::pieces::LoadedPiece;
use super::problem::{Answer, Problem};
use super::{App, AppState, described, documents, pieces};
use crate::clock::{now_us, rfc3339};

/// One saved version of an arrangement map.
#[derive(Debug, Serialize, ToSchema)]
pub struct SavedBody {
    /// The version, from 1.
    pub version: i64,
    /// Who saved it.
    pub saved_by: String,
    /// When.
    pub saved_at: String,
}

/// The arrangement that stands: version 0, every group everywhere at 0 dB, until one is saved.
async fn standing(app: &App, piece_id: &str) -> Answer<(i64, Option<Document>)> {
    let document = app.store.arrangement(piece_id, None).await?;
    Ok((document.as_ref().map_or(0, |d| d.version), document))
}

fn parse(format: DocumentFormat, text: &str, piece: &Piece) -> Result<Arrangement, Mistakes> {
    match format {
        DocumentFormat::Toml => Arrangement::from_toml(text, "arrangement.toml", piece),
        DocumentFormat::Json => Arrangement::from_json(text, "arrangement.json", piece),
    }
}

/// The arrangement map, as JSON, or as TOML with `Accept: application/toml`. Its `ETag` is what a
/// change must name.
#[utoipa::path(get, path = "/api/v1/pieces/{slug}/arrangement", tag = "arrangement",
    operation_id = "showArrangement",
    security(("organiser" = [])),
    params(("slug" = String, Path, description = "The piece")),
    responses(
        (status = 200, content(
            (serde_json::Value = "application/json"),
            (String = "application/toml")
        )),
        described::NotSignedIn, described::NotFound,
    ))]
pub async fn show(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(slug): Path<String>,
    headers: HeaderMap,
) -> Answer<Response> {
    let loaded = pieces::load(&app, &slug).await?;
    let (version, document) = standing(&app, &loaded.record.id).await?;
    let wanted = documents::wanted(&headers);
    let text = match document {
        Some(d) if d.format == wanted => d.text,
        Some(d) => {
            // It was saved against the piece as it was then; a group or section may be gone.
            let arrangement = parse(d.format, &d.text, &loaded.piece).map_err(Problem::mistakes)?;
            written(&arrangement, wanted)
        }
        None => written(&Arrangement::default(), wanted),
    };
    Ok(documents::answer(wanted, text, version))
}

fn written(arrangement: &Arrangement, format: DocumentFormat) -> String {
    match format {
        DocumentFormat::Toml => arrangement.to_toml(),
        DocumentFormat::Json => arrangement.to_json().to_string(),
    }
}

/// Replace the arrangement map, as TOML or JSON, naming in `If-Match` the `ETag` that was read.
#[utoipa::path(put, path = "/api/v1/pieces/{slug}/arrangement", tag = "arrangement",
    operation_id = "replaceArrangement",
    security(("organiser" = [])),
    params(
        ("slug" = String, Path, description = "The piece"),
        ("If-Match" = String, Header, description = "The `ETag` that was read; `*` overwrites"),
    ),
    request_body(content(
        (String = "application/toml"),
        (serde_json::Value = "application/json")
    )),
    responses(
        (status = 200, body = SavedBody),
        described::BadRequest, described::NotSignedIn, described::NotFound,
        described::PreconditionFailed, described::WrongType, described::Mistaken,
        described::NameTheVersion,
    ))]
pub async fn replace(
    State(app): State<AppState>,
    organiser: Organiser,
    Path(slug): Path<String>,
    headers: HeaderMap,
    body: Bytes,
) -> Answer<Response> {
    let loaded = pieces::load(&app, &slug).await?;
    let (version, _) = standing(&app, &loaded.record.id).await?;
    let expected = documents::changed_version(&headers, version)?;
    let (format, text) = documents::sent(&headers, &body)?;
    parse(format, &text, &loaded.piece).map_err(Problem::mistakes)?;
    let document = NewDocument { format, text: &text, saved_by: &organiser.name, note: "" };
    save(&app, &loaded, expected, &document).await
}

/// Saves a version and answers with who saved it when, and its `ETag`.
async fn save(
    app: &App,
    loaded: &LoadedPiece,
    expected: i64,
    document: &NewDocument<'_>,
) -> Answer<Response> {
    let at = now_us();
    let version = app.store.save_arrangement(&loaded.record.id, expected, document, at).await?;
    let saved_by = document.saved_by.to_owned();
    let saved = SavedBody { version, saved_by, saved_at: rfc3339(at) };
    Ok(([(header::ETAG, documents::version_tag(version))], axum::Json(saved)).into_response())
}

/// Who saved the arrangement when, newest first.
#[utoipa::path(get, path = "/api/v1/pieces/{slug}/arrangement/history", tag = "arrangement",
    operation_id = "arrangementHistory",
    security(("organiser" = [])),
    params(("slug" = String, Path, description = "The piece")),
    responses(
        (status = 200, body = Vec<SavedBody>),
        described::NotSignedIn, described::NotFound,
    ))]
pub async fn history(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(slug): Path<String>,
) -> Answer<Json<Vec<SavedBody>>> {
    let piece = pieces::load(&app, &slug).await?.record;
    let versions = app.store.arrangement_history(&piece.id).await?;
    let body = |v: ripieno_store::SavedVersion| SavedBody {
        version: v.version,
        saved_by: v.saved_by,
        saved_at: rfc3339(v.saved_at),
    };
    Ok(Json(versions.into_iter().map(body).collect()))
}
