//! Files the organiser brings to a piece: a mark of their own, a room's impulse response.

use axum::body::Body;
use axum::extract::State;
use axum::http::{Request, StatusCode};
use futures::StreamExt;
use ripieno_store::{ErrorKind, NewFile, PieceFile, Shelf};
use ripieno_worker::jobs::Job;
use serde::Serialize;
use utoipa::ToSchema;

use super::extract::{Json, Path};
use super::identity::Organiser;
use super::multipart::{drain, over_limit};
use super::problem::{Answer, Problem};
use super::{AppState, described, pieces, ranges};
use crate::clock::{now_us, rfc3339};

/// Largest file of this kind: a mark or a room is seconds long.
const MOST_BYTES: u64 = 64 << 20;

/// A file of the organiser's.
#[derive(Debug, Serialize, ToSchema)]
pub struct OwnFileBody {
    /// Its name, as the piece's document may name it.
    #[schema(example = "bell.wav")]
    pub name: String,
    /// Its length in bytes.
    pub bytes: i64,
    /// BLAKE3 of its bytes, in hex.
    pub blake3: String,
    /// When it came.
    pub created_at: String,
}

impl From<PieceFile> for OwnFileBody {
    fn from(file: PieceFile) -> Self {
        Self {
            name: file.name,
            bytes: file.bytes,
            blake3: file.content_hash,
            created_at: rfc3339(file.created_at),
        }
    }
}

/// The organiser's own files of a piece.
#[utoipa::path(get, path = "/api/v1/pieces/{slug}/files", tag = "pieces",
    operation_id = "listOwnFiles",
    security(("organiser" = [])),
    params(("slug" = String, Path, description = "The piece")),
    responses(
        (status = 200, body = Vec<OwnFileBody>),
        described::NotSignedIn, described::NotFound,
    ))]
pub async fn list(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(slug): Path<String>,
) -> Answer<Json<Vec<OwnFileBody>>> {
    let piece = pieces::load(&app, &slug).await?.record;
    let files = app.store.piece_files(&piece.id, Shelf::Own).await?;
    Ok(Json(files.into_iter().map(OwnFileBody::from).collect()))
}

/// Bring a file, in place of one of the same name. The body is the file. The guide pack is
/// written anew, since it may carry it.
#[utoipa::path(put, path = "/api/v1/pieces/{slug}/files/{file}", tag = "pieces",
    operation_id = "bringOwnFile",
    security(("organiser" = [])),
    params(
        ("slug" = String, Path, description = "The piece"),
        ("file" = String, Path, description = "Name of the file", example = "bell.wav"),
    ),
    request_body(content = Vec<u8>, content_type = "application/octet-stream"),
    responses(
        (status = 200, body = OwnFileBody),
        described::BadRequest, described::NotSignedIn, described::NotFound, described::TooLarge,
        described::NoRoom,
    ))]
pub async fn bring(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path((slug, name)): Path<(String, String)>,
    request: Request<Body>,
) -> Answer<(StatusCode, Json<OwnFileBody>)> {
    let piece = match pieces::load(&app, &slug).await {
        Ok(loaded) => loaded.record,
        Err(problem) => {
            drain(request).await;
            return Err(problem);
        }
    };
    if name != ranges::safe_name(&name) {
        drain(request).await;
        return Err(Problem::bad_request(
            "A file's name here has only letters, digits, dots, hyphens and underscores.",
        ));
    }
    let mut stream = request.into_body().into_data_stream();
    let kept = app.store.put_blob(stream.by_ref(), Some(MOST_BYTES), now_us()).await;
    let blob = kept.map_err(|e| match e.kind() {
        ErrorKind::TooLarge => over_limit(MOST_BYTES),
        _ => Problem::from(e),
    })?;
    let file = NewFile { media_type: ranges::media_type(&name).to_owned(), name, blob };
    let kept = app.store.keep_own_file(&piece.id, &file, now_us()).await?;
    app.store.queue_job(&Job::pack(&piece.id), now_us()).await?;
    Ok((StatusCode::OK, Json(kept.into())))
}
