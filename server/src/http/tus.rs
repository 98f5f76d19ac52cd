//! Resumable uploads by tus 1.0.0 (<https://tus.io/protocols/resumable-upload>): core protocol,
//! creation, creation with upload, termination, checksum, expiration. A finished upload becomes a
//! take when it is handed in with a form.

mod body;
mod metadata;

use axum::body::Body;
use axum::extract::{DefaultBodyLimit, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use ripieno_store::{ErrorKind, Upload};
use serde_json::json;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

use super::extract::Path;
use super::identity::Client;
use super::multipart::over_limit;
use super::problem::{Answer, Problem, ProblemBody};
use super::takes::admission::admit;
use super::{App, AppState, described};
use crate::clock::now_us;

const VERSION: &str = "1.0.0";
const EXTENSIONS: &str = "creation,creation-with-upload,termination,checksum,expiration";
/// The one that the protocol asks every server to know.
const CHECKSUMS: &str = "sha1";
/// What the bytes of an upload are sent as.
const BYTES: &str = "application/offset+octet-stream";

const TUS_RESUMABLE: HeaderName = HeaderName::from_static("tus-resumable");
const UPLOAD_OFFSET: HeaderName = HeaderName::from_static("upload-offset");
const UPLOAD_LENGTH: HeaderName = HeaderName::from_static("upload-length");
const UPLOAD_METADATA: HeaderName = HeaderName::from_static("upload-metadata");
const UPLOAD_EXPIRES: HeaderName = HeaderName::from_static("upload-expires");
const UPLOAD_CHECKSUM: HeaderName = HeaderName::from_static("upload-checksum");
const METHOD_OVERRIDE: HeaderName = HeaderName::from_static("x-http-method-override");

/// The routes under `/uploads`.
pub fn routes() -> OpenApiRouter<AppState> {
    OpenApiRouter::new()
        .routes(routes!(capabilities, create))
        .routes(routes!(one_s_capabilities, stand, append, terminate, by_another_name))
        .layer(DefaultBodyLimit::disable())
        .layer(middleware::from_fn(speak_tus))
}

/// Refuses other versions of the protocol, and names ours on every answer.
async fn speak_tus(request: Request, next: Next) -> Response {
    let mut response = match text(request.headers(), &TUS_RESUMABLE) {
        Some(VERSION) => next.run(request).await,
        _ if request.method() == Method::OPTIONS => next.run(request).await,
        _ => {
            Problem::changed_meanwhile("This server speaks tus 1.0.0: send `Tus-Resumable: 1.0.0`.")
                .with_header(HeaderName::from_static("tus-version"), VERSION)
                .into_response()
        }
    };
    let headers = response.headers_mut();
    headers.insert(TUS_RESUMABLE, HeaderValue::from_static(VERSION));
    headers.entry(header::CACHE_CONTROL).or_insert(HeaderValue::from_static("no-store"));
    response
}

/// What this server knows of tus: version, extensions, largest upload, checksums.
#[utoipa::path(options, path = "/uploads", tag = "uploads", operation_id = "uploadCapabilities",
    security(()),
    responses(
        (status = 204, description = "In the headers", headers(
            ("Tus-Version" = String), ("Tus-Extension" = String), ("Tus-Max-Size" = u64),
            ("Tus-Checksum-Algorithm" = String),
        )),
    ))]
async fn capabilities(State(app): State<AppState>) -> Response {
    let headers = [
        ("tus-version", VERSION.to_owned()),
        ("tus-extension", EXTENSIONS.to_owned()),
        ("tus-checksum-algorithm", CHECKSUMS.to_owned()),
        ("tus-max-size", app.config.max_upload_bytes.to_string()),
    ];
    (StatusCode::NO_CONTENT, headers).into_response()
}

/// The same, asked of one upload.
#[utoipa::path(options, path = "/uploads/{token}", tag = "uploads",
    operation_id = "oneUploadCapabilities",
    security(()),
    params(("token" = String, Path, description = "The upload's token")),
    responses((status = 204, description = "In the headers, as for `/uploads`")))]
async fn one_s_capabilities(state: State<AppState>) -> Response {
    capabilities(state).await
}

/// Begin an upload. Bytes that come along are its first.
#[utoipa::path(post, path = "/uploads", tag = "uploads", operation_id = "beginUpload",
    security(()),
    params(
        ("Tus-Resumable" = String, Header, description = "`1.0.0`", example = "1.0.0"),
        ("Upload-Length" = u64, Header, description = "How long the file is, in bytes"),
        ("Upload-Metadata" = String, Header, description = "`piece` (its slug), and if known \
            `filename` and `filetype`: key, space, value in Base64, joined by commas",
            example = "piece bmluZS1oYXJib3Vycw==,filename dGFrZS53YXY="),
        ("Upload-Checksum" = Option<String>, Header, description = "`sha1` and the sum of the \
            bytes that come along, in Base64"),
    ),
    request_body(content = Option<Vec<u8>>, content_type = "application/offset+octet-stream"),
    responses(
        (status = 201, description = "Begun; go on at `Location`", headers(
            ("Location" = String), ("Upload-Expires" = String), ("Upload-Offset" = u64),
        )),
        described::BadRequest,
        (status = 403, body = ProblemBody, content_type = "application/problem+json",
            description = "The deadline has passed, or the call is closed"),
        described::NotFound,
        (status = 409, body = ProblemBody, content_type = "application/problem+json",
            description = "The call holds as many recordings as it can"),
        (status = 412, body = ProblemBody, content_type = "application/problem+json",
            description = "Another version of tus"),
        described::TooLarge,
        (status = 415, body = ProblemBody, content_type = "application/problem+json",
            description = "The first bytes are of something that is no sound"),
        (status = 422, body = ProblemBody, content_type = "application/problem+json",
            description = "The file is empty"),
        described::TooOften,
        (status = 460, body = ProblemBody, content_type = "application/problem+json",
            description = "The bytes do not have the checksum"),
        described::NoRoom,
    ))]
async fn create(
    State(app): State<AppState>,
    client: Client,
    headers: HeaderMap,
    body: Body,
) -> Answer<Response> {
    let length = length_of(&app, &headers)?;
    let said = metadata::read(text(&headers, &UPLOAD_METADATA).unwrap_or_default())?;
    let named = |key: &str| said.get(key).map(String::as_str).unwrap_or_default();
    if named("piece").is_empty() {
        return Err(Problem::bad_request(
            "Name the piece in `Upload-Metadata`, as `piece` and its slug in Base64.",
        ));
    }
    let loaded = admit(&app, client, named("piece")).await?;
    let kept = json!({ "filename": named("filename"), "filetype": named("filetype") });
    let now = now_us();
    let life_us = i64::try_from(app.config.upload_expires_h.max(1)).unwrap_or(24 * 365);
    let expires = now.saturating_add(life_us.saturating_mul(3_600_000_000));
    let (mut upload, secret) =
        app.store.create_upload(&loaded.record.id, Some(length), &kept, expires, now).await?;
    if text(&headers, &header::CONTENT_TYPE) == Some(BYTES) {
        match write(&app, &upload, 0, &headers, body).await {
            Ok(begun) => upload = begun,
            Err(problem) => {
                // Its address was never told, so nobody could go on with it.
                app.store.delete_upload(&upload.id).await?;
                return Err(problem);
            }
        }
    }
    let place = format!("{}/uploads/{}", app.config.public_base(), secret.reveal());
    let mut response = (StatusCode::CREATED, stands(&upload)).into_response();
    if let Ok(place) = place.parse() {
        response.headers_mut().insert(header::LOCATION, place);
    }
    Ok(response)
}

/// The announced length, if this server takes files of it.
fn length_of(app: &App, headers: &HeaderMap) -> Answer<u64> {
    let Some(length) = text(headers, &UPLOAD_LENGTH) else {
        return Err(Problem::bad_request("Say how long the file is, as `Upload-Length`."));
    };
    let length: u64 = length
        .parse()
        .map_err(|_| Problem::bad_request("`Upload-Length` must be a number of bytes."))?;
    match length {
        0 => Err(Problem::empty_file("The file is empty. Choose the recording again.")),
        _ if length > app.config.max_upload_bytes => Err(over_limit(app.config.max_upload_bytes)),
        _ => Ok(length),
    }
}

/// Ask how far an upload is.
#[utoipa::path(head, path = "/uploads/{token}", tag = "uploads", operation_id = "uploadOffset",
    security(()),
    params(
        ("token" = String, Path, description = "The upload's token"),
        ("Tus-Resumable" = String, Header, description = "`1.0.0`", example = "1.0.0"),
    ),
    responses(
        (status = 200, description = "Go on from `Upload-Offset`", headers(
            ("Upload-Offset" = u64), ("Upload-Length" = u64), ("Upload-Expires" = String),
        )),
        (status = 404, description = "There is none"),
        (status = 410, description = "It has expired"),
        (status = 412, description = "Another version of tus"),
    ))]
async fn stand(State(app): State<AppState>, Path(token): Path<String>) -> Answer<Response> {
    let upload = find(&app, &token).await?;
    Ok((StatusCode::OK, stands(&upload)).into_response())
}

/// Send the next bytes of an upload.
#[utoipa::path(patch, path = "/uploads/{token}", tag = "uploads", operation_id = "goOnWithUpload",
    security(()),
    params(
        ("token" = String, Path, description = "The upload's token"),
        ("Tus-Resumable" = String, Header, description = "`1.0.0`", example = "1.0.0"),
        ("Upload-Offset" = u64, Header, description = "Where these bytes belong"),
        ("Upload-Checksum" = Option<String>, Header, description = "`sha1` and the sum of these \
            bytes, in Base64"),
    ),
    request_body(content = Vec<u8>, content_type = "application/offset+octet-stream"),
    responses(
        (status = 204, description = "They count; `Upload-Offset` is where to go on", headers(
            ("Upload-Offset" = u64), ("Upload-Expires" = String),
        )),
        described::BadRequest, described::NotFound,
        (status = 409, body = ProblemBody, content_type = "application/problem+json",
            description = "The bytes belong elsewhere, or all are here"),
        (status = 410, body = ProblemBody, content_type = "application/problem+json",
            description = "It has expired"),
        described::PreconditionFailed,
        (status = 413, body = ProblemBody, content_type = "application/problem+json",
            description = "More bytes than `Upload-Length` announced"),
        described::WrongType,
        (status = 423, body = ProblemBody, content_type = "application/problem+json",
            description = "The bytes before these are still being written"),
        (status = 460, body = ProblemBody, content_type = "application/problem+json",
            description = "The bytes do not have the checksum; none of them count"),
        described::NoRoom,
    ))]
async fn append(
    State(app): State<AppState>,
    Path(token): Path<String>,
    headers: HeaderMap,
    body: Body,
) -> Answer<Response> {
    let upload = find(&app, &token).await?;
    if text(&headers, &header::CONTENT_TYPE) != Some(BYTES) {
        return Err(Problem::wrong_type(format!("Send the bytes as `Content-Type: {BYTES}`.")));
    }
    let offset = text(&headers, &UPLOAD_OFFSET).and_then(|o| o.parse::<u64>().ok());
    let offset = offset
        .ok_or_else(|| Problem::bad_request("Say where the bytes belong, as `Upload-Offset`."))?;
    let upload = write(&app, &upload, offset, &headers, body).await?;
    Ok((StatusCode::NO_CONTENT, stands(&upload)).into_response())
}

/// Give an upload up: what came of it is deleted.
#[utoipa::path(delete, path = "/uploads/{token}", tag = "uploads", operation_id = "giveUploadUp",
    security(()),
    params(
        ("token" = String, Path, description = "The upload's token"),
        ("Tus-Resumable" = String, Header, description = "`1.0.0`", example = "1.0.0"),
    ),
    responses(
        (status = 204, description = "Gone"),
        described::NotFound, described::Gone, described::PreconditionFailed,
    ))]
async fn terminate(State(app): State<AppState>, Path(token): Path<String>) -> Answer<StatusCode> {
    let upload = find(&app, &token).await?;
    app.store.delete_upload(&upload.id).await?;
    Ok(StatusCode::NO_CONTENT)
}

/// For a client behind a proxy that lets no PATCH, HEAD or DELETE through: it names the method in
/// `X-HTTP-Method-Override`, and is answered as that method would be.
#[utoipa::path(post, path = "/uploads/{token}", tag = "uploads", operation_id = "uploadByPost",
    security(()),
    params(
        ("token" = String, Path, description = "The upload's token"),
        ("Tus-Resumable" = String, Header, description = "`1.0.0`", example = "1.0.0"),
        ("X-HTTP-Method-Override" = String, Header, description = "`PATCH`, `HEAD` or `DELETE`",
            example = "PATCH"),
        ("Upload-Offset" = Option<u64>, Header, description = "As for PATCH"),
        ("Upload-Checksum" = Option<String>, Header, description = "As for PATCH"),
    ),
    request_body(content = Option<Vec<u8>>, content_type = "application/offset+octet-stream"),
    responses(
        (status = 200, description = "As for HEAD"),
        (status = 204, description = "As for PATCH or DELETE"),
        described::BadRequest, described::NotFound,
        (status = 405, body = ProblemBody, content_type = "application/problem+json",
            description = "No such method is named"),
        described::Conflict, described::Gone, described::PreconditionFailed, described::TooLarge,
        described::WrongType, described::Locked, described::WrongChecksum, described::NoRoom,
    ))]
async fn by_another_name(
    state: State<AppState>,
    path: Path<String>,
    headers: HeaderMap,
    body: Body,
) -> Answer<Response> {
    match text(&headers, &METHOD_OVERRIDE) {
        Some("PATCH") => append(state, path, headers, body).await,
        Some("HEAD") => stand(state, path).await,
        Some("DELETE") => terminate(state, path).await.map(IntoResponse::into_response),
        _ => Err(Problem::method_not_allowed()
            .with_header(header::ALLOW, "OPTIONS, HEAD, PATCH, DELETE")),
    }
}

async fn find(app: &App, token: &str) -> Answer<Upload> {
    let now = now_us();
    if let Some(upload) = app.store.find_upload(token, now).await? {
        return Ok(upload);
    }
    if app.store.upload_has_expired(token, now).await? {
        return Err(Problem::gone("This upload was left for too long. Begin a new one."));
    }
    Err(Problem::not_found("There is no upload at this address. Begin a new one."))
}

/// How far an upload is, as headers.
fn stands(upload: &Upload) -> HeaderMap {
    let pairs = [
        (UPLOAD_OFFSET, upload.received.to_string()),
        (UPLOAD_LENGTH, upload.length.unwrap_or_default().to_string()),
        (UPLOAD_EXPIRES, http_date(upload.expires_at)),
    ];
    let value = |(name, text): (HeaderName, String)| Some((name, text.parse().ok()?));
    pairs.into_iter().filter_map(value).collect()
}

/// Writes a request's bytes at `offset` and gives the upload as it stands then.
async fn write(
    app: &App,
    upload: &Upload,
    offset: u64,
    headers: &HeaderMap,
    body: Body,
) -> Answer<Upload> {
    let checksum = text(headers, &UPLOAD_CHECKSUM).map(body::Checksum::parse).transpose()?;
    let appending =
        app.store.append_upload(&upload.id, offset).await.map_err(|e| match e.kind() {
            ErrorKind::OffsetConflict { current } => {
                Problem::conflict(format!("The upload has {current} bytes; go on from there."))
            }
            ErrorKind::Busy => Problem::locked("The bytes before these are still being written."),
            ErrorKind::NotNow => Problem::conflict("The upload is finished."),
            _ => Problem::from(e),
        })?;
    body::pour(app, upload, appending, body, offset, checksum).await?;
    Ok(app.store.upload(&upload.id).await?)
}

fn text<'a>(headers: &'a HeaderMap, name: &HeaderName) -> Option<&'a str> {
    headers.get(name)?.to_str().ok()
}

/// An instant as RFC 9110, section 5.6.7, writes it.
fn http_date(at_us: i64) -> String {
    let at = jiff::Timestamp::from_microsecond(at_us).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    at.strftime("%a, %d %b %Y %H:%M:%S GMT").to_string()
}

#[cfg(test)]
mod tests {
    #[test]
    fn the_example_date_of_rfc_9110_section_5_6_7() {
        assert_eq!(super::http_date(784_111_777_000_000), "Sun, 06 Nov 1994 08:49:37 GMT");
    }
}
