//! Pieces: made from a document, listed, shown, replaced.

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use ripieno_score::{Mistake, Mistakes};
use ripieno_store::{DocumentFormat, ErrorKind, NewDocument};
use ripieno_worker::jobs::Job;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::extract::{Json, Path};
use super::identity::Organiser;
use super::problem::{Answer, Problem, ProblemBody};
use super::{App, AppState, described, documents, or_not_found};
use crate::clock::{now_us, rfc3339};

/// A piece in a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct PieceBody {
    /// Its name in addresses.
    #[schema(example = "nine-harbours")]
    pub slug: String,
    /// Its title.
    #[schema(example = "Nine Harbours")]
    pub title: String,
    /// The version of its document, from 1.
    pub version: i64,
    /// Whether takes are accepted now: not closed, and before the deadline.
    pub open: bool,
    /// The deadline (RFC 3339), if it has one.
    pub deadline: Option<String>,
    /// When it was made.
    pub created_at: String,
    /// When it was last changed.
    pub updated_at: String,
    /// Its public page.
    pub url: String,
}

/// A piece's record beside what its document says.
pub struct LoadedPiece {
    /// The record.
    pub record: ripieno_store::Piece,
    /// The document, read.
    pub piece: ripieno_score::Piece,
}

impl LoadedPiece {
    /// Whether takes are accepted at `now_us`.
    #[must_use]
    pub fn is_open(&self, now_us: i64) -> bool {
        let over = self.deadline_us().is_some_and(|deadline| deadline <= now_us);
        self.record.closed == 0 && !over
    }

    /// The deadline as an instant.
    #[must_use]
    pub fn deadline_us(&self) -> Option<i64> {
        let text = self.piece.deadline.as_deref()?;
        Some(text.parse::<jiff::Timestamp>().ok()?.as_microsecond())
    }

    fn body(&self, app: &App) -> PieceBody {
        PieceBody {
            slug: self.record.slug.clone(),
            title: self.record.title.clone(),
            version: self.record.version,
            open: self.is_open(now_us()),
            deadline: self.piece.deadline.clone(),
            created_at: rfc3339(self.record.created_at),
            updated_at: rfc3339(self.record.updated_at),
            url: format!("{}/{}", app.config.public_base(), self.record.slug),
        }
    }
}

/// The piece of that slug with its document.
///
/// # Errors
/// 404, or a fault of the store.
pub async fn load(app: &App, slug: &str) -> Answer<LoadedPiece> {
    let missing = or_not_found("There is no piece of that name here. Check the address.");
    let record = app.store.piece_by_slug(slug).await.map_err(missing)?;
    load_record(app, record).await
}

/// The document of a piece's record.
///
/// # Errors
/// A fault of the store.
pub async fn load_record(app: &App, record: ripieno_store::Piece) -> Answer<LoadedPiece> {
    let document = app.store.piece_document(&record.id, None).await?;
    let piece = parse(document.format, &document.text).map_err(|mistakes| {
        // It was checked when it was saved, so this is ours, not the client's.
        tracing::error!(slug = record.slug, %mistakes, "a saved piece can no longer be read");
        Problem::internal()
    })?;
    Ok(LoadedPiece { record, piece })
}

/// Reads a piece's document.
///
/// # Errors
/// Every mistake in it.
pub fn parse(format: DocumentFormat, text: &str) -> Result<ripieno_score::Piece, Mistakes> {
    match format {
        DocumentFormat::Toml => ripieno_score::Piece::from_toml(text, "piece.toml"),
        DocumentFormat::Json => ripieno_score::Piece::from_json(text, "piece.json"),
    }
}

/// All pieces, oldest first.
#[utoipa::path(get, path = "/api/v1/pieces", tag = "pieces", operation_id = "listPieces",
    security(()),
    responses((status = 200, body = Vec<PieceBody>)))]
pub async fn list(State(app): State<AppState>) -> Answer<Json<Vec<PieceBody>>> {
    let mut bodies = Vec::new();
    for record in app.store.list_pieces().await? {
        bodies.push(load_record(&app, record).await?.body(&app));
    }
    Ok(Json(bodies))
}

/// Make a piece. The body is the piece's document, as TOML or as JSON.
#[utoipa::path(post, path = "/api/v1/pieces", tag = "pieces", operation_id = "createPiece",
    security(("organiser" = [])),
    request_body(content(
        (String = "application/toml"),
        (serde_json::Value = "application/json")
    )),
    responses(
        (status = 201, body = PieceBody, description = "Made; its guide pack is being written"),
        described::BadRequest, described::NotSignedIn,
        (status = 409, body = ProblemBody, content_type = "application/problem+json",
            description = "The slug is in use"),
        described::WrongType,
        (status = 422, body = ProblemBody, content_type = "application/problem+json",
            description = "Every mistake in the document, with line, what is wrong, what is right"),
    ))]
pub async fn create(
    State(app): State<AppState>,
    organiser: Organiser,
    headers: HeaderMap,
    body: Bytes,
) -> Answer<Response> {
    let (format, text) = documents::sent(&headers, &body)?;
    let piece = parse(format, &text).map_err(Problem::mistakes)?;
    refuse_reserved(&piece.slug)?;
    let document = NewDocument { format, text: &text, saved_by: &organiser.name, note: "" };
    let made = app.store.create_piece(&piece.slug, &piece.title, &document, now_us()).await;
    let record = made.map_err(|e| slug_problem(e, &piece.slug))?;
    queue_pack(&app, &record.id).await?;
    let loaded = LoadedPiece { record, piece };
    let place = format!("/api/v1/pieces/{}", loaded.record.slug);
    let tag = documents::version_tag(loaded.record.version);
    let headers = [(header::LOCATION, place), (header::ETAG, tag)];
    Ok((StatusCode::CREATED, headers, axum::Json(loaded.body(&app))).into_response())
}

/// A piece's document, as JSON, or as TOML with `Accept: application/toml`. Its `ETag` is what a
/// replacement must name. The address that nightly previews are told to is the organisers' alone:
/// without their token it is left out, and the `ETag` is a weak one, which no replacement may name.
#[utoipa::path(get, path = "/api/v1/pieces/{slug}", tag = "pieces", operation_id = "showPiece",
    security(()),
    params(("slug" = String, Path, description = "The piece")),
    responses(
        (status = 200, content(
            (serde_json::Value = "application/json"),
            (String = "application/toml")
        )),
        described::NotFound,
    ))]
pub async fn show(
    State(app): State<AppState>,
    organiser: Answer<Organiser>,
    Path(slug): Path<String>,
    headers: HeaderMap,
) -> Answer<Response> {
    let loaded = load(&app, &slug).await?;
    let version = loaded.record.version;
    if organiser.is_err() {
        let shown = loaded.piece.without_addresses();
        if shown != loaded.piece {
            let answer = documents::part(documents::wanted(&headers), &shown, version);
            return Ok(documents::by_who_asks(answer));
        }
    }
    let answer = whole(&app, &loaded, documents::wanted(&headers)).await?;
    Ok(documents::by_who_asks(answer))
}

/// All of a piece's document.
async fn whole(app: &App, loaded: &LoadedPiece, wanted: DocumentFormat) -> Answer<Response> {
    let version = loaded.record.version;
    if wanted == DocumentFormat::Json {
        let text = loaded.piece.to_json().to_string();
        return Ok(documents::answer(DocumentFormat::Json, text, version));
    }
    let kept = app.store.piece_document(&loaded.record.id, None).await?;
    let text = match kept.format {
        DocumentFormat::Toml => kept.text,
        DocumentFormat::Json => loaded.piece.to_toml(),
    };
    Ok(documents::answer(DocumentFormat::Toml, text, version))
}

/// Replace a piece's document. Takes stay as they are placed; the guide pack is written anew if
/// something that it tells of has changed.
#[utoipa::path(put, path = "/api/v1/pieces/{slug}", tag = "pieces", operation_id = "replacePiece",
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
        (status = 200, body = PieceBody),
        described::BadRequest, described::NotSignedIn, described::NotFound, described::Conflict,
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
    let before = load(&app, &slug).await?.record;
    let expected = documents::changed_version(&headers, before.version)?;
    let (format, text) = documents::sent(&headers, &body)?;
    let piece = parse(format, &text).map_err(Problem::mistakes)?;
    refuse_reserved(&piece.slug)?;
    let document = NewDocument { format, text: &text, saved_by: &organiser.name, note: "" };
    let saved = app
        .store
        .save_piece(&before.id, expected, &piece.slug, &piece.title, &document, now_us())
        .await;
    let record = saved.map_err(|e| slug_problem(e, &piece.slug))?;
    queue_pack(&app, &record.id).await?;
    let loaded = LoadedPiece { record, piece };
    let tag = documents::version_tag(loaded.record.version);
    Ok(([(header::ETAG, tag)], axum::Json(loaded.body(&app))).into_response())
}

/// Whether a piece accepts takes.
#[derive(Debug, Deserialize, ToSchema)]
pub struct DoorBody {
    /// `false` refuses new takes whatever the deadline says.
    pub open: bool,
}

/// Close a piece for new takes, or open it again.
#[utoipa::path(put, path = "/api/v1/pieces/{slug}/open", tag = "pieces",
    operation_id = "openOrClosePiece",
    security(("organiser" = [])),
    params(("slug" = String, Path, description = "The piece")),
    request_body = DoorBody,
    responses(
        (status = 204, description = "Done"),
        described::BadRequest, described::NotSignedIn, described::NotFound, described::WrongType,
        described::Mistaken,
    ))]
pub async fn open_or_close(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(slug): Path<String>,
    Json(door): Json<DoorBody>,
) -> Answer<StatusCode> {
    let record = load(&app, &slug).await?.record;
    app.store.set_piece_closed(&record.id, !door.open, now_us()).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// Addresses of our own stand beside `/{slug}`, so no piece may take their names.
const RESERVED: &[&str] =
    &["api", "assets", "desk", "healthz", "problems", "receipt", "receipts", "uploads"];

fn refuse_reserved(slug: &str) -> Answer<()> {
    if !RESERVED.contains(&slug) {
        return Ok(());
    }
    Err(Problem::mistakes(Mistakes(vec![Mistake {
        file: "piece".to_owned(),
        line: None,
        column: None,
        pointer: Some("/slug".to_owned()),
        what: format!("the slug '{slug}' is an address of the service itself"),
        instead: "choose another, such as the title in lower case".to_owned(),
    }])))
}

fn slug_problem(error: ripieno_store::StoreError, slug: &str) -> Problem {
    match error.kind() {
        ErrorKind::Taken => Problem::conflict(format!(
            "There is a piece {slug:?} already. Choose another slug, or replace that piece with PUT."
        )),
        _ => Problem::from(error),
    }
}

async fn queue_pack(app: &App, piece_id: &str) -> Answer<()> {
    app.store.queue_job(&Job::pack(piece_id), now_us()).await?;
    Ok(())
}
