//! The guide pack of a piece: one zip, and its files singly.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use ripieno_store::{ErrorKind, PieceFile, Shelf};

use super::extract::Path;
use super::problem::{Answer, Problem, ProblemBody};
use super::{App, AppState, described, files, pieces, ranges};

/// Name of the zip on the pack's shelf.
pub const PACK_ZIP: &str = "guide-pack.zip";

/// The whole guide pack as a zip: guide, marks, pulse, chord bed, MIDI, chart, instructions, and
/// `marks.json`, which says where the marks lie.
#[utoipa::path(get, path = "/api/v1/pieces/{slug}/pack", tag = "pieces", operation_id = "guidePack",
    security(()),
    params(("slug" = String, Path, description = "The piece")),
    responses(
        (status = 200, content_type = "application/zip", body = Vec<u8>),
        (status = 206, content_type = "application/zip", body = Vec<u8>),
        described::NotFound,
        (status = 416, description = "The range lies outside the file"),
        (status = 503, body = ProblemBody, content_type = "application/problem+json",
            description = "Still being written; come back after `Retry-After` seconds"),
    ))]
pub async fn whole(
    State(app): State<AppState>,
    Path(slug): Path<String>,
    headers: HeaderMap,
) -> Answer<Response> {
    send(&app, &slug, PACK_ZIP, &headers).await
}

/// One file of the guide pack, such as `guide.wav`, `marks.json`, `chart.svg`.
#[utoipa::path(get, path = "/api/v1/pieces/{slug}/pack/{file}", tag = "pieces",
    operation_id = "guidePackFile",
    security(()),
    params(
        ("slug" = String, Path, description = "The piece"),
        ("file" = String, Path, description = "Name of the file", example = "marks.json"),
    ),
    responses(
        (status = 200, description = "The file"),
        (status = 206, description = "The part that was asked for"),
        described::NotFound,
        (status = 416, description = "The range lies outside the file"),
        described::NotYet,
    ))]
pub async fn one_file(
    State(app): State<AppState>,
    Path((slug, file)): Path<(String, String)>,
    headers: HeaderMap,
) -> Answer<Response> {
    send(&app, &slug, &file, &headers).await
}

async fn send(app: &App, slug: &str, name: &str, headers: &HeaderMap) -> Answer<Response> {
    let piece = pieces::load(app, slug).await?.record;
    let file = match app.store.piece_file(&piece.id, Shelf::Pack, name).await {
        Ok(file) => file,
        Err(e) if e.kind() == ErrorKind::NotFound => return Err(missing(app, &piece.id).await?),
        Err(e) => return Err(e.into()),
    };
    let name = match name {
        PACK_ZIP => format!("{slug}-{name}"),
        _ => name.to_owned(),
    };
    let kept = files::Kept {
        blob: &file.blob,
        name: &name,
        media_type: ranges::media_type(&file.name),
        bytes: file.bytes,
        content_hash: &file.content_hash,
        attachment: file.name == PACK_ZIP,
    };
    files::answer(app, headers, &kept).await
}

/// Not there at all, or only not there yet.
async fn missing(app: &App, piece_id: &str) -> Answer<Problem> {
    if !pack_files(app, piece_id).await?.is_empty() {
        return Ok(Problem::not_found("There is no file of that name in the guide pack."));
    }
    Ok(Problem::not_yet("The guide pack is still being written. Try again in a moment.", 2))
}

/// The files of a piece's pack; none while it was never written.
///
/// # Errors
/// A fault of the store.
pub async fn pack_files(app: &App, piece_id: &str) -> Answer<Vec<PieceFile>> {
    Ok(app.store.piece_files(piece_id, Shelf::Pack).await?)
}
