//! A contributor's own view of a take, behind an address that only they have.

pub mod louder;

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use ripieno_store::{Take, TakeState, TakeSummary};
use serde::Serialize;
use serde_json::{Value, json};
use utoipa::ToSchema;

use super::extract::{Json, Path};
use super::problem::{Answer, Problem};
use super::takes::correction::{self, CorrectionBody};
use super::{App, AppState, consents, described, pieces, takes};
use crate::clock::{now_us, rfc3339};

/// A take as its contributor sees it.
#[derive(Debug, Serialize, ToSchema)]
pub struct ReceiptBody {
    /// Slug of the piece.
    pub piece: String,
    /// `received`, `conforming`, `placed`, `asks`, `unusable` or `withdrawn`.
    #[schema(value_type = String, example = "placed")]
    pub state: TakeState,
    /// The state in a plain sentence.
    pub says: &'static str,
    /// What was found, most important first.
    pub findings: Vec<FindingBody>,
    /// Where the take may lie, when that is for a person to choose by ear; empty otherwise.
    pub candidates: Vec<CandidateBody>,
    /// How far it is nudged by hand, in milliseconds.
    pub nudge_ms: f64,
    /// The file's name.
    pub file_name: String,
    /// When it came.
    pub received_at: String,
    /// When it last changed.
    pub updated_at: String,
}

/// Something found in a take.
#[derive(Debug, Serialize, ToSchema)]
pub struct FindingBody {
    /// A stable name.
    pub code: String,
    /// `info`, `advice`, `asks` or `unusable`.
    pub severity: String,
    /// What it is and what to do, in plain sentences.
    pub says: String,
}

/// A place where the take may lie.
#[derive(Debug, Serialize, ToSchema)]
pub struct CandidateBody {
    /// Its number, to choose it by.
    pub number: usize,
    /// Where bar 1 beat 1 would lie in the file, in seconds.
    pub bar1_beat1_s: f64,
    /// How much slower than the guide it would run there, in parts per million.
    pub ratio_ppm: f64,
    /// How likely the analysis holds it, from 0 to 1.
    pub odds: f64,
}

/// The take behind a receipt's token.
///
/// # Errors
/// 404 for a token that is none, or none any more.
pub async fn load(app: &App, token: &str) -> Answer<Take> {
    app.store.take_by_receipt(token).await?.ok_or_else(|| {
        Problem::not_found(
            "There is no receipt at this address. Check that the link is whole; a link sent by \
             mail is sometimes cut at the end of a line.",
        )
    })
}

/// Whether a take is out of the mix by the organiser's word alone: nothing that was found keeps
/// it out.
#[must_use]
pub fn left_out(take: &TakeSummary) -> bool {
    let found = take.findings.as_array().map_or(&[][..], Vec::as_slice);
    take.state == TakeState::Unusable && found.iter().all(|f| f["severity"] != "unusable")
}

/// How a take stands, in words for its contributor.
#[must_use]
pub fn in_words(take: &TakeSummary) -> &'static str {
    match take.state {
        TakeState::Withdrawn => {
            "This take was withdrawn. The recording is deleted, and the next mix is without it."
        }
        _ if take.replaced_by.is_some() => {
            "A newer recording of yours has taken this one's place in the mix."
        }
        TakeState::Received | TakeState::Conforming if take.sounds() => {
            "Your recording is being laid anew. Until that is done it stays in the mix as it was."
        }
        TakeState::Received => "Your recording has arrived whole and is safe. It is next in line.",
        TakeState::Conforming => "Your recording is being listened to and laid beside the others.",
        TakeState::Placed => "Your take is in the mix. Thank you.",
        TakeState::Asks => "Your take is nearly there: there is a question to answer below.",
        TakeState::Unusable if left_out(take) => {
            "The organiser has listened to this recording and left it out of the mix. Ask them if \
             you wonder why; another recording is welcome."
        }
        TakeState::Unusable => {
            "This recording cannot be used as it is. Below is why, and what helps."
        }
    }
}

/// What was found, as the contributor reads it.
#[must_use]
pub fn findings(take: &Take) -> Vec<FindingBody> {
    let all = take.findings.as_array().map_or(&[][..], Vec::as_slice);
    let text = |f: &Value, name: &str| f[name].as_str().unwrap_or_default().to_owned();
    all.iter()
        .map(|f| FindingBody {
            code: text(f, "code"),
            severity: text(f, "severity"),
            says: text(f, "says"),
        })
        .collect()
}

/// Questions that are about something else than where the take lies.
const NOT_ABOUT_ITS_PLACE: [&str; 7] = [
    "sent_before",
    "duplicate",
    "same_recording",
    "transposed",
    "guide_left_in",
    "pitch_would_shift",
    "not_examined",
];

/// Whether what the take asks is where it lies.
#[must_use]
pub fn asks_for_its_place(take: &Take) -> bool {
    let findings = findings(take);
    let mut asks = findings.iter().filter(|f| f.severity == "asks");
    asks.any(|f| !NOT_ABOUT_ITS_PLACE.contains(&f.code.as_str()))
}

/// The places to choose from by ear, most likely first; none while there is nothing to choose.
#[must_use]
pub fn candidates(take: &Take) -> Vec<CandidateBody> {
    if take.state != TakeState::Asks || !asks_for_its_place(take) {
        return Vec::new();
    }
    let all = take.outcome["candidates"].as_array().map_or(&[][..], Vec::as_slice);
    all.iter()
        .enumerate()
        .filter_map(|(number, c)| {
            Some(CandidateBody {
                number,
                bar1_beat1_s: c["bar1_beat1_s"].as_f64()?,
                ratio_ppm: c["ratio_ppm"].as_f64().unwrap_or_default(),
                odds: c["odds"].as_f64().unwrap_or_default(),
            })
        })
        .collect()
}

/// How a take stands, for its contributor.
#[utoipa::path(get, path = "/api/v1/receipts/{token}", tag = "receipts",
    operation_id = "showReceipt",
    security(()),
    params(("token" = String, Path, description = "The receipt's token")),
    responses(
        (status = 200, body = ReceiptBody),
        described::NotFound,
    ))]
pub async fn show(
    State(app): State<AppState>,
    Path(token): Path<String>,
) -> Answer<Json<ReceiptBody>> {
    let take = load(&app, &token).await?;
    Ok(Json(body(&app, take).await?))
}

async fn body(app: &App, take: Take) -> Answer<ReceiptBody> {
    let piece = app.store.piece(&take.piece_id).await?;
    Ok(ReceiptBody {
        piece: piece.slug,
        state: take.state,
        says: in_words(&take),
        findings: findings(&take),
        candidates: candidates(&take),
        nudge_ms: take.corrections["nudge_ms"].as_f64().unwrap_or_default(),
        file_name: take.file_name.clone(),
        received_at: rfc3339(take.created_at),
        updated_at: rfc3339(take.updated_at),
    })
}

/// Answer what the take asks: choose a place by ear, or nudge it.
#[utoipa::path(patch, path = "/api/v1/receipts/{token}", tag = "receipts",
    operation_id = "correctByReceipt",
    security(()),
    params(("token" = String, Path, description = "The receipt's token")),
    request_body = CorrectionBody,
    responses(
        (status = 202, body = ReceiptBody, description = "It is being conformed anew"),
        described::BadRequest, described::Forbidden, described::NotFound, described::Conflict,
        described::WrongType, described::Mistaken,
    ))]
pub async fn correct(
    State(app): State<AppState>,
    Path(token): Path<String>,
    Json(wish): Json<CorrectionBody>,
) -> Answer<(StatusCode, Json<ReceiptBody>)> {
    let take = load(&app, &token).await?;
    correction::apply(&app, &take, &wish, None).await?;
    let take = load(&app, &token).await?;
    Ok((StatusCode::ACCEPTED, Json(body(&app, take).await?)))
}

/// Withdraw one's take: it leaves the next render to the last bit, and its file is deleted.
#[utoipa::path(delete, path = "/api/v1/receipts/{token}", tag = "receipts",
    operation_id = "withdrawByReceipt",
    security(()),
    params(("token" = String, Path, description = "The receipt's token")),
    responses(
        (status = 204, description = "Withdrawn; a tombstone without personal data stays"),
        described::NotFound,
    ))]
pub async fn withdraw(
    State(app): State<AppState>,
    Path(token): Path<String>,
) -> Answer<StatusCode> {
    let take = load(&app, &token).await?;
    app.store.withdraw_take(&take.id, "contributor", now_us()).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// One's own recording as it was sent, whole or in ranges.
#[utoipa::path(get, path = "/api/v1/receipts/{token}/recording", tag = "receipts",
    operation_id = "recordingByReceipt",
    security(()),
    params(("token" = String, Path, description = "The receipt's token")),
    responses(
        (status = 200, description = "The file"),
        (status = 206, description = "The part that was asked for"),
        described::NotFound, described::Gone,
        (status = 416, description = "The range lies outside the file"),
    ))]
pub async fn recording(
    State(app): State<AppState>,
    Path(token): Path<String>,
    headers: HeaderMap,
) -> Answer<Response> {
    let take = load(&app, &token).await?;
    takes::send_recording(&app, &take, &take.file_name, &headers).await
}

/// Everything that is kept about one's take, as JSON for saving.
#[utoipa::path(get, path = "/api/v1/receipts/{token}/data", tag = "receipts",
    operation_id = "ownData",
    security(()),
    params(("token" = String, Path, description = "The receipt's token")),
    responses(
        (status = 200, body = serde_json::Value),
        described::NotFound,
    ))]
pub async fn own_data(State(app): State<AppState>, Path(token): Path<String>) -> Answer<Response> {
    let take = load(&app, &token).await?;
    let piece = app.store.piece(&take.piece_id).await?;
    let loaded = pieces::load_record(&app, piece).await?;
    let agreed = take.form["consents"]["version"].as_str().unwrap_or_default();
    let wording = consents::wording(&app, &loaded, agreed).await?.map(|wording| {
        json!({
            "version": wording.version,
            "recording": wording.recording,
            "credit": wording.credit,
            "guardian": wording.guardian,
        })
    });
    let data = json!({
        "piece": { "slug": loaded.record.slug, "title": loaded.record.title },
        "form": take.form.0,
        "consent_wording": wording,
        "recording": {
            "file_name": take.file_name,
            "media_type": take.media_type,
            "bytes": take.bytes,
            "blake3": take.content_hash,
        },
        "state": take.state,
        "findings": take.findings.0,
        "analysis": take.outcome.0,
        "corrections": take.corrections.0,
        "withdrawn": take.tombstone.0,
        "received_at": rfc3339(take.created_at),
        "updated_at": rfc3339(take.updated_at),
    });
    let headers = [
        (header::CONTENT_DISPOSITION, "attachment; filename=\"my-take.json\""),
        (header::CACHE_CONTROL, "no-store"),
    ];
    Ok((headers, axum::Json(data)).into_response())
}
