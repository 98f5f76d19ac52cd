//! Takes as the organiser sees them, and the door through which they come in.

pub mod admission;
pub mod correction;
pub mod kind_of_file;
pub mod list;
pub mod upload;

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;
use ripieno_score::TakeForm;
use ripieno_store::{Take, TakeState, TakeSummary};
use serde::{Deserialize, Serialize};
use serde_json::Value;
use utoipa::ToSchema;

use super::extract::{Json, Path};
use super::identity::Organiser;
use super::problem::{Answer, Problem, ProblemBody};
use super::{App, AppState, described, files, or_not_found, pieces, ranges};
use crate::clock::{now_us, rfc3339};
use correction::CorrectionBody;

/// A take in a list.
#[derive(Debug, Serialize, ToSchema)]
pub struct TakeBody {
    /// Its id; sorts by time of arrival.
    pub id: String,
    /// `received`, `conforming`, `placed`, `asks`, `unusable` or `withdrawn`.
    #[schema(value_type = String, example = "placed")]
    pub state: TakeState,
    /// The form as it was checked; empty once withdrawn.
    pub form: Value,
    /// The file's name on the contributor's device.
    pub file_name: String,
    /// Its length in bytes.
    pub bytes: i64,
    /// BLAKE3 of the file, in hex; none once withdrawn.
    pub blake3: Option<String>,
    /// What was found, most important first: objects with `code`, `severity`, `value`, `unit`,
    /// `says`, `at_s`.
    pub findings: Value,
    /// What a person decided about its place.
    pub corrections: Value,
    /// The take it was sent to replace.
    pub replaces: Option<String>,
    /// The take that has taken its place.
    pub replaced_by: Option<String>,
    /// When it came.
    pub received_at: String,
    /// When its record last changed.
    pub updated_at: String,
}

impl From<TakeSummary> for TakeBody {
    fn from(take: TakeSummary) -> Self {
        Self {
            id: take.id,
            state: take.state,
            form: take.form.0,
            file_name: take.file_name,
            bytes: take.bytes,
            blake3: take.content_hash,
            findings: take.findings.0,
            corrections: take.corrections.0,
            replaces: take.replaces,
            replaced_by: take.replaced_by,
            received_at: rfc3339(take.created_at),
            updated_at: rfc3339(take.updated_at),
        }
    }
}

/// A take with everything that is known of it.
#[derive(Debug, Serialize, ToSchema)]
pub struct TakeDetail {
    /// What a list shows.
    #[serde(flatten)]
    pub take: TakeBody,
    /// Place, ratio, lag, marks, candidates, as `ripieno examine --json` gives them; null before
    /// it was conformed.
    pub outcome: Value,
    /// Waveform and spectrum to draw; null before.
    pub plots: Value,
    /// When and by whom it was withdrawn; null otherwise.
    pub tombstone: Value,
}

impl From<Take> for TakeDetail {
    fn from(take: Take) -> Self {
        Self {
            outcome: take.outcome.0,
            plots: take.plots.0,
            tombstone: take.tombstone.0,
            take: take.summary.into(),
        }
    }
}

/// The take of that id.
///
/// # Errors
/// 404.
pub async fn load(app: &App, id: &str) -> Answer<Take> {
    app.store.take(id).await.map_err(or_not_found("There is no take of that id."))
}

/// Check a form before anything is uploaded: all its mistakes at once, or nothing. Fields as for
/// handing in a take, as a JSON object of texts.
#[utoipa::path(post, path = "/api/v1/pieces/{slug}/form", tag = "takes",
    operation_id = "checkForm",
    security(()),
    params(("slug" = String, Path, description = "The piece")),
    request_body = std::collections::BTreeMap<String, String>,
    responses(
        (status = 204, description = "The form is in order, and the call is open"),
        described::BadRequest, described::Forbidden, described::NotFound,
        (status = 409, body = ProblemBody, content_type = "application/problem+json",
            description = "The call holds as many recordings as it can"),
        described::WrongType, described::Mistaken,
    ))]
pub async fn check_form(
    State(app): State<AppState>,
    Path(slug): Path<String>,
    Json(fields): Json<std::collections::BTreeMap<String, String>>,
) -> Answer<StatusCode> {
    let loaded = pieces::load(&app, &slug).await?;
    admission::refuse_if_closed(&loaded)?;
    admission::refuse_if_full(&app, &loaded).await?;
    TakeForm::from_fields(fields.iter().map(|(k, v)| (k.as_str(), v.as_str())))
        .map_err(Problem::mistakes)?;
    Ok(StatusCode::NO_CONTENT)
}

/// A take with everything.
#[utoipa::path(get, path = "/api/v1/takes/{id}", tag = "takes", operation_id = "showTake",
    security(("organiser" = [])),
    params(("id" = String, Path, description = "The take")),
    responses(
        (status = 200, body = TakeDetail),
        described::NotSignedIn, described::NotFound,
    ))]
pub async fn show(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(id): Path<String>,
) -> Answer<Json<TakeDetail>> {
    Ok(Json(load(&app, &id).await?.into()))
}

/// Answer what a take asks: choose one of its candidate places, nudge it, or decide its state.
#[utoipa::path(patch, path = "/api/v1/takes/{id}", tag = "takes", operation_id = "correctTake",
    security(("organiser" = [])),
    params(("id" = String, Path, description = "The take")),
    request_body = CorrectionBody,
    responses(
        (status = 202, body = TakeDetail, description = "It is being conformed anew"),
        described::BadRequest, described::NotSignedIn, described::NotFound, described::Conflict,
        described::WrongType, described::Mistaken,
    ))]
pub async fn correct(
    State(app): State<AppState>,
    organiser: Organiser,
    Path(id): Path<String>,
    Json(wish): Json<CorrectionBody>,
) -> Answer<(StatusCode, Json<TakeDetail>)> {
    let take = load(&app, &id).await?;
    correction::apply(&app, &take, &wish, Some(&organiser.name)).await?;
    Ok((StatusCode::ACCEPTED, Json(load(&app, &id).await?.into())))
}

/// Withdraw a take: its sound leaves the next render to the last bit, its file is deleted, and a
/// tombstone stays.
#[utoipa::path(delete, path = "/api/v1/takes/{id}", tag = "takes", operation_id = "withdrawTake",
    security(("organiser" = [])),
    params(("id" = String, Path, description = "The take")),
    responses(
        (status = 204, description = "Withdrawn"),
        described::NotSignedIn, described::NotFound,
    ))]
pub async fn withdraw(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(id): Path<String>,
) -> Answer<StatusCode> {
    load(&app, &id).await?;
    app.store.withdraw_take(&id, "organiser", now_us()).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// The recording as it was sent, whole or in ranges, under the name that the offset lists know it
/// by: the family and the take's id.
#[utoipa::path(get, path = "/api/v1/takes/{id}/recording", tag = "takes",
    operation_id = "takeRecording",
    security(("organiser" = [])),
    params(("id" = String, Path, description = "The take")),
    responses(
        (status = 200, description = "The file"),
        (status = 206, description = "The part that was asked for"),
        described::NotSignedIn, described::NotFound,
        (status = 410, body = ProblemBody, content_type = "application/problem+json",
            description = "The take was withdrawn"),
        (status = 416, description = "The range lies outside the file"),
    ))]
pub async fn recording(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(id): Path<String>,
    headers: HeaderMap,
) -> Answer<Response> {
    let take = load(&app, &id).await?;
    let form = TakeForm::deserialize(&take.form.0).unwrap_or_default();
    let name = form.recording_name(&take.id, &take.file_name);
    send_recording(&app, &take, &name, &headers).await
}

/// Answers with a take's recording under a name for saving it; whether the client may have it is
/// the caller's to know.
///
/// # Errors
/// 410 once withdrawn.
pub async fn send_recording(
    app: &App,
    take: &Take,
    name: &str,
    headers: &HeaderMap,
) -> Answer<Response> {
    let (Some(blob), Some(content_hash)) = (&take.blob, &take.content_hash) else {
        return Err(Problem::gone("The take was withdrawn, and its recording was deleted."));
    };
    let kept = files::Kept {
        blob,
        name,
        media_type: ranges::sound_type(&take.file_name),
        bytes: take.bytes,
        content_hash,
        attachment: false,
    };
    files::answer(app, headers, &kept).await
}
