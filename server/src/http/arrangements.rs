//! The arrangement map of a piece: read, replaced under guard, its history.

pub mod names;
pub mod versions;

use axum::extract::State;
use axum::http::{HeaderMap, header};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use ripieno_score::{Arrangement, Mistake, Mistakes, Piece};
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
    /// What it is about: the document's own `note`, or which version it restores; may be empty.
    pub note: String,
}

/// The arrangement a render asked for now would be made by.
///
/// # Errors
/// 422 where it was saved against the piece as it was, and fits it no longer.
pub async fn standing_map(app: &App, loaded: &LoadedPiece) -> Answer<Arrangement> {
    map_of(loaded, standing(app, &loaded.record.id).await?.1.as_ref())
}

/// The arrangement of a saved document, or what stands before the first.
///
/// # Errors
/// 422 where it was saved against the piece as it was, and fits it no longer.
pub fn map_of(loaded: &LoadedPiece, document: Option<&Document>) -> Answer<Arrangement> {
    document.map_or_else(|| Ok(Arrangement::default()), |document| read(loaded, document))
}

/// A version read against the piece as it is now; a group or section may be gone since.
fn read(loaded: &LoadedPiece, document: &Document) -> Answer<Arrangement> {
    parse(document.format, &document.text, &loaded.piece).map_err(Problem::mistakes)
}

/// The document that stands and its version: none and 0, every group everywhere at 0 dB, until one
/// is saved.
///
/// # Errors
/// A fault of the store.
pub async fn standing(app: &App, piece_id: &str) -> Answer<(i64, Option<Document>)> {
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
        Some(d) => written(&read(&loaded, &d)?, wanted),
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
    let saved = put(&app, &loaded, expected, format, &text, &organiser.name).await?;
    Ok(answer(saved))
}

/// Saves a new version over the one that is `expected` to stand; the desk's button does the same.
///
/// # Errors
/// 422 with every mistake, 412 if another version stands.
pub async fn put(
    app: &App,
    loaded: &LoadedPiece,
    expected: i64,
    format: DocumentFormat,
    text: &str,
    saved_by: &str,
) -> Answer<SavedBody> {
    let map = parse(format, text, &loaded.piece).map_err(Problem::mistakes)?;
    refuse_unknown_takes(app, loaded, &map).await?;
    let document = NewDocument { format, text, saved_by, note: map.note() };
    save(app, loaded, expected, &document).await
}

/// 422 for an exception that names no take of the piece: it would do nothing, and nobody would
/// know.
async fn refuse_unknown_takes(app: &App, loaded: &LoadedPiece, map: &Arrangement) -> Answer<()> {
    let mut mistakes = Vec::new();
    for (i, stem) in map.stems().iter().enumerate() {
        match app.store.take(&stem.take).await {
            Ok(take) if take.piece_id == loaded.record.id => continue,
            Ok(_) => {}
            Err(error) if error.is_not_found() => {}
            Err(error) => return Err(error.into()),
        }
        mistakes.push(Mistake {
            file: "arrangement".to_owned(),
            line: None,
            column: None,
            pointer: Some(format!("/stems/{i}/take")),
            what: format!("there is no take '{}' in this piece", stem.take),
            instead: "copy the id from the take's page at the desk".to_owned(),
        });
    }
    if mistakes.is_empty() { Ok(()) } else { Err(Problem::mistakes(Mistakes(mistakes))) }
}

/// Saves a version and tells who saved it when.
async fn save(
    app: &App,
    loaded: &LoadedPiece,
    expected: i64,
    document: &NewDocument<'_>,
) -> Answer<SavedBody> {
    let at = now_us();
    let version = app.store.save_arrangement(&loaded.record.id, expected, document, at).await?;
    Ok(SavedBody {
        version,
        saved_by: document.saved_by.to_owned(),
        saved_at: rfc3339(at),
        note: document.note.to_owned(),
    })
}

/// A saved version as an answer, with its `ETag`.
fn answer(saved: SavedBody) -> Response {
    ([(header::ETAG, documents::version_tag(saved.version))], axum::Json(saved)).into_response()
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
        note: v.note,
    };
    Ok(Json(versions.into_iter().map(body).collect()))
}
