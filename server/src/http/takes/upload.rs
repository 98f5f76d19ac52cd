//! Handing in a take: a form and a recording, in one multipart request or with the recording sent
//! before as a resumable upload.

use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderMap, Request, StatusCode, header};
use axum::response::{IntoResponse, Response};
use futures::StreamExt;
use ripieno_score::{Mistake, Mistakes, TakeForm};
use ripieno_store::{ErrorKind, NewTake, StoredBlob, TakeState, Upload};
use ripieno_worker::jobs::Job;
use serde::Serialize;
use utoipa::ToSchema;

use crate::clock::now_us;
use crate::http::extract::Path;
use crate::http::identity::Client;
use crate::http::multipart::{self, Sent, SentFile};
use crate::http::pieces::LoadedPiece;
use crate::http::problem::{Answer, Problem, ProblemBody};
use crate::http::takes::admission::admit;
use crate::http::takes::kind_of_file::{HEAD, refuse_what_is_no_sound};
use crate::http::{App, AppState, consents, described};

/// What is sent to hand in a take, as `multipart/form-data`.
#[derive(Debug, ToSchema)]
#[allow(dead_code, reason = "describes the form; its fields are read by name")]
pub struct TakeUpload {
    /// Who played. Never public by itself.
    #[schema(example = "Ada Quay")]
    name: String,
    /// The line for the credits, if it is not the name.
    credit: Option<String>,
    /// The instrument, in own words.
    #[schema(example = "two-row melodeon")]
    instrument: String,
    /// Key of the instrument's family; guessed from the instrument if left out.
    family: Option<String>,
    /// `low`, `middle` or `high`; guessed if left out.
    register: Option<String>,
    /// Town or region.
    place: Option<String>,
    /// School, choir, club.
    institution: Option<String>,
    /// How many are heard; 1 if left out.
    players: Option<u32>,
    /// Words to group takes by, by commas.
    tags: Option<String>,
    /// For questions about the take. Never public.
    email: Option<String>,
    /// `on`: the recording may be used as the wording says. Without it nothing is kept.
    consent_recording: String,
    /// `on`: the credit line may be shown.
    consent_credit: Option<String>,
    /// `on` when the player is a minor.
    minor: Option<String>,
    /// The guardian's name, for a minor.
    guardian: Option<String>,
    /// Version of the consent wording that was shown.
    consent_version: String,
    /// The recording.
    #[schema(value_type = Option<Vec<u8>>, format = Binary)]
    recording: Option<String>,
    /// Instead of `recording`: the address (or its last part) of a finished resumable upload.
    upload: Option<String>,
    /// The receipt's token of an earlier take that this one is to replace.
    replaces: Option<String>,
    /// A random text made once for this submission; sending it twice makes one take. The header
    /// `Idempotency-Key` does the same.
    submission: Option<String>,
}

/// A take that was handed in.
#[derive(Debug, Serialize, ToSchema)]
pub struct HandedIn {
    /// The take's id.
    pub take_id: String,
    /// `received`; watch it change under the receipt.
    #[schema(value_type = String, example = "received")]
    pub state: TakeState,
    /// The secret of the receipt's address. Keep it: it is told only now.
    pub receipt_token: String,
    /// The receipt as a page.
    pub receipt_url: String,
    /// Whether an earlier sending of the same submission had made it already.
    pub already_there: bool,
}

/// Hand in a take.
#[utoipa::path(post, path = "/api/v1/pieces/{slug}/takes", tag = "takes",
    operation_id = "handInTake",
    security(()),
    params(
        ("slug" = String, Path, description = "The piece"),
        ("Idempotency-Key" = Option<String>, Header,
            description = "A random text made once for this submission"),
    ),
    request_body(content = TakeUpload, content_type = "multipart/form-data"),
    responses(
        (status = 201, body = HandedIn, description = "Kept safely; it is being conformed"),
        (status = 200, body = HandedIn, description = "It was handed in before"),
        (status = 400, body = ProblemBody, content_type = "application/problem+json",
            description = "The body broke off or is no form"),
        (status = 403, body = ProblemBody, content_type = "application/problem+json",
            description = "The deadline has passed, or the call is closed"),
        described::NotFound, described::Conflict, described::TooLarge,
        (status = 415, body = ProblemBody, content_type = "application/problem+json",
            description = "No form, or a file that is no sound"),
        (status = 422, body = ProblemBody, content_type = "application/problem+json",
            description = "Every mistake in the form"),
        described::TooOften,
        (status = 507, body = ProblemBody, content_type = "application/problem+json",
            description = "The server's disk is full; nothing was kept of this"),
    ))]
pub async fn hand_in(
    State(app): State<AppState>,
    client: Client,
    Path(slug): Path<String>,
    headers: HeaderMap,
    request: Request<Body>,
) -> Answer<Response> {
    let (loaded, sent) = receive(&app, client, &slug, request).await?;
    let key = headers.get("idempotency-key").and_then(|v| v.to_str().ok()).map(str::to_owned);
    let mut made = keep(&app, &loaded, sent, key.as_deref(), false).await?;
    let Some(handed_in) = made.pop() else { return Err(Problem::internal()) };
    let status = match handed_in.already_there {
        true => StatusCode::OK,
        false => StatusCode::CREATED,
    };
    let place = format!("/api/v1/receipts/{}", handed_in.receipt_token);
    Ok((status, [(header::LOCATION, place)], axum::Json(handed_in)).into_response())
}

/// Reads a form that hands in takes, after the checks that need nothing of it.
///
/// # Errors
/// 404, 403, 429, and those of [`multipart::read`].
pub async fn receive(
    app: &App,
    client: Client,
    slug: &str,
    request: Request<Body>,
) -> Answer<(LoadedPiece, Sent)> {
    let loaded = match admit(app, client, slug).await {
        Ok(loaded) => loaded,
        Err(problem) => {
            multipart::drain(request).await;
            return Err(problem);
        }
    };
    let sent = multipart::read(app, request).await?;
    Ok((loaded, sent))
}

/// Keeps the takes of a form that was read: one, or one a file where `several` are allowed.
/// After a refusal nothing of it is left.
///
/// # Errors
/// 422 with every mistake, 409 for a submission used before with another recording.
pub async fn keep(
    app: &App,
    loaded: &LoadedPiece,
    sent: Sent,
    idempotency_key: Option<&str>,
    several: bool,
) -> Answer<Vec<HandedIn>> {
    let files = sent.files.clone();
    let mut made = Vec::new();
    let done = keep_each(app, loaded, &sent, idempotency_key, several, &mut made).await;
    if let Err(problem) = done {
        // Takes that were recorded keep their files; the rest go.
        let rest = Sent { fields: Vec::new(), files: files.into_iter().skip(made.len()).collect() };
        rest.discard(app).await;
        return Err(problem);
    }
    Ok(made)
}

async fn keep_each(
    app: &App,
    loaded: &LoadedPiece,
    sent: &Sent,
    idempotency_key: Option<&str>,
    several: bool,
    made: &mut Vec<HandedIn>,
) -> Answer<()> {
    let fields = sent.fields.iter().map(|(k, v)| (k.as_str(), v.as_str()));
    let mut mistakes = Vec::new();
    let form = TakeForm::from_fields(fields).map_err(|m| mistakes.extend(m.0)).ok();
    let upload = sent.field("upload");
    match (sent.files.len(), upload.is_some()) {
        (0, false) => mistakes.push(form_mistake(
            "recording",
            "there is no recording",
            "choose the file of your recording",
        )),
        (1, false) | (0, true) => {}
        (_, false) if several => {}
        _ => mistakes.push(form_mistake(
            "recording",
            "there is more than one recording",
            "send one recording a request",
        )),
    }
    if let Some(form) = &form
        && consents::wording(app, loaded, &form.consents.version).await?.is_none()
    {
        mistakes.push(form_mistake(
            "consent_version",
            "the wording that was agreed to is none of this piece's",
            "load the form again and send it from there",
        ));
    }
    let (Some(form), true) = (form, mistakes.is_empty()) else {
        return Err(Problem::mistakes(Mistakes(mistakes)));
    };
    let form = serde_json::to_value(&form).map_err(|_| Problem::internal())?;
    let replaces = replaced_take(app, loaded, sent.field("replaces")).await?;
    let key = submission_key(idempotency_key.or(sent.field("submission")))?;
    let uploaded = match upload {
        Some(address) => Some(finished_upload(app, loaded, address).await?),
        None => None,
    };
    let (upload_id, files) = match &uploaded {
        Some((upload, file)) => (Some(upload.id.as_str()), std::slice::from_ref(file)),
        None => (None, sent.files.as_slice()),
    };
    for (index, file) in files.iter().enumerate() {
        let key = key.as_ref().map(|k| format!("{k}.{index}"));
        let take = NewTake {
            piece_id: &loaded.record.id,
            form: &form,
            blob: file.blob.clone(),
            file_name: &file.file_name,
            media_type: &file.media_type,
            replaces: replaces.as_deref(),
            idempotency_key: key.as_deref(),
            upload_id,
        };
        made.push(submit(app, &take).await?);
    }
    Ok(())
}

async fn submit(app: &App, take: &NewTake<'_>) -> Answer<HandedIn> {
    let submitted = app.store.submit_take(take, Job::conform, now_us()).await;
    let submitted = submitted.map_err(|e| match e.kind() {
        ErrorKind::Taken => Problem::conflict(
            "This submission was sent before with another recording. Load the form again to send \
             another take.",
        ),
        ErrorKind::NotNow => Problem::conflict("The take that this one was to replace is gone."),
        _ => Problem::from(e),
    })?;
    let token = submitted.receipt.reveal();
    Ok(HandedIn {
        receipt_url: format!("{}/receipt/{token}", app.config.public_base()),
        receipt_token: token.to_owned(),
        state: TakeState::Received,
        already_there: submitted.already_there,
        take_id: submitted.take_id,
    })
}

/// A key is kept as a hash, so that any text will do as one.
fn submission_key(key: Option<&str>) -> Answer<Option<String>> {
    let Some(key) = key else { return Ok(None) };
    if key.len() > 255 {
        return Err(Problem::bad_request("The idempotency key is longer than 255 characters."));
    }
    Ok(Some(blake3::hash(key.as_bytes()).to_hex().to_string()))
}

async fn replaced_take(
    app: &App,
    loaded: &LoadedPiece,
    receipt: Option<&str>,
) -> Answer<Option<String>> {
    let Some(receipt) = receipt else { return Ok(None) };
    let take = app.store.take_by_receipt(receipt).await?;
    match take.filter(|t| t.piece_id == loaded.record.id && t.state != TakeState::Withdrawn) {
        Some(take) => Ok(Some(take.id.clone())),
        None => Err(Problem::mistakes(Mistakes(vec![form_mistake(
            "replaces",
            "the take that this one is to replace is not there",
            "open the form from that take's receipt, or send it as a new take",
        )]))),
    }
}

/// The resumable upload at an address, as a blob. One that became a take already is given all the
/// same: whether it is the same submission is the store's to see.
async fn finished_upload(
    app: &App,
    loaded: &LoadedPiece,
    address: &str,
) -> Answer<(Upload, SentFile)> {
    let secret = address.trim_end_matches('/').rsplit('/').next().unwrap_or_default();
    let unknown = || {
        Problem::mistakes(Mistakes(vec![form_mistake(
            "upload",
            "the upload is not there, or has expired",
            "send the recording again",
        )]))
    };
    let upload = app.store.find_upload(secret, now_us()).await?.ok_or_else(unknown)?;
    if upload.piece_id != loaded.record.id {
        return Err(unknown());
    }
    let blob: StoredBlob =
        app.store.finish_upload(&upload.id).await.map_err(|e| match e.kind() {
            ErrorKind::NotNow => {
                Problem::conflict("The upload is not complete yet. Go on with it first.")
            }
            _ => Problem::from(e),
        })?;
    let said = |name: &str| upload.metadata[name].as_str().unwrap_or_default().to_owned();
    if upload.take_id.is_none() {
        refuse_what_is_no_sound(&head_of(app, &blob).await?, &said("filename"))?;
    }
    let file = SentFile { file_name: said("filename"), media_type: said("filetype"), blob };
    Ok((upload, file))
}

/// The first bytes of a blob.
async fn head_of(app: &App, blob: &StoredBlob) -> Answer<Vec<u8>> {
    let mut head = Vec::new();
    if blob.bytes > 0 {
        let mut stream = app.store.read_blob_range(&blob.id, 0..HEAD as u64).await?.stream;
        while let Some(chunk) = stream.next().await {
            head.extend_from_slice(&chunk?);
        }
    }
    Ok(head)
}

fn form_mistake(field: &str, what: &str, instead: &str) -> Mistake {
    Mistake {
        file: "form".to_owned(),
        line: None,
        column: None,
        pointer: Some(format!("/{field}")),
        what: what.to_owned(),
        instead: instead.to_owned(),
    }
}
