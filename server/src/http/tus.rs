//! Resumable uploads by tus 1.0.0 (<https://tus.io/protocols/resumable-upload>): core protocol,
//! creation, termination, checksum, expiration. A finished upload becomes a take when it is handed
//! in with a form.

mod body;
mod metadata;

use axum::Router;
use axum::body::Body;
use axum::extract::{DefaultBodyLimit, Request, State};
use axum::http::{HeaderMap, HeaderName, HeaderValue, Method, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{any, post};
use ripieno_store::{ErrorKind, Upload};
use serde_json::json;

use super::extract::Path;
use super::identity::Client;
use super::multipart::over_limit;
use super::problem::{Answer, Problem};
use super::takes::upload::admit;
use super::{App, AppState};
use crate::clock::now_us;

const VERSION: &str = "1.0.0";
const EXTENSIONS: &str = "creation,termination,checksum,expiration";
/// The one that the protocol asks every server to know.
const CHECKSUMS: &str = "sha1";

const TUS_RESUMABLE: HeaderName = HeaderName::from_static("tus-resumable");
const UPLOAD_OFFSET: HeaderName = HeaderName::from_static("upload-offset");
const UPLOAD_LENGTH: HeaderName = HeaderName::from_static("upload-length");
const UPLOAD_METADATA: HeaderName = HeaderName::from_static("upload-metadata");
const UPLOAD_EXPIRES: HeaderName = HeaderName::from_static("upload-expires");
const UPLOAD_CHECKSUM: HeaderName = HeaderName::from_static("upload-checksum");

/// The routes under `/uploads`.
pub fn routes() -> Router<AppState> {
    Router::new()
        .route("/uploads", post(create).options(capabilities))
        .route("/uploads/{token}", any(one_upload))
        .layer(DefaultBodyLimit::disable())
        .layer(middleware::from_fn(speak_tus))
}

/// Refuses other versions of the protocol, and names ours on every answer.
async fn speak_tus(mut request: Request, next: Next) -> Response {
    // A client behind a proxy that lets no PATCH or DELETE through names its method in a header.
    let named = text(request.headers(), &HeaderName::from_static("x-http-method-override"));
    if let Some(method) = named.and_then(|m| m.parse::<Method>().ok()) {
        *request.method_mut() = method;
    }
    let version = text(request.headers(), &TUS_RESUMABLE);
    let mut response = match version {
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

/// `OPTIONS`: what this server knows.
async fn capabilities(State(app): State<AppState>) -> Response {
    let headers = [
        ("tus-version", VERSION.to_owned()),
        ("tus-extension", EXTENSIONS.to_owned()),
        ("tus-checksum-algorithm", CHECKSUMS.to_owned()),
        ("tus-max-size", app.config.max_upload_bytes.to_string()),
    ];
    (StatusCode::NO_CONTENT, headers).into_response()
}

/// `POST`: begins an upload. The metadata names the `piece`, and may name `filename` and
/// `filetype`.
async fn create(
    State(app): State<AppState>,
    client: Client,
    headers: HeaderMap,
) -> Answer<Response> {
    let Some(length) = text(&headers, &UPLOAD_LENGTH) else {
        return Err(Problem::bad_request("Say how long the file is, as `Upload-Length`."));
    };
    let length: u64 = length
        .parse()
        .map_err(|_| Problem::bad_request("`Upload-Length` must be a number of bytes."))?;
    let said = metadata::read(text(&headers, &UPLOAD_METADATA).unwrap_or_default())?;
    let named = |key: &str| said.get(key).map(String::as_str).unwrap_or_default();
    if named("piece").is_empty() {
        return Err(Problem::bad_request(
            "Name the piece in `Upload-Metadata`, as `piece` and its slug in Base64.",
        ));
    }
    let loaded = admit(&app, client, named("piece")).await?;
    if length > app.config.max_upload_bytes {
        return Err(over_limit(app.config.max_upload_bytes));
    }
    if length == 0 {
        return Err(Problem::empty_file("The file is empty. Choose the recording again."));
    }
    let kept = json!({ "filename": named("filename"), "filetype": named("filetype") });
    let now = now_us();
    let life_us = i64::try_from(app.config.upload_expires_h.max(1)).unwrap_or(24 * 365);
    let expires = now.saturating_add(life_us.saturating_mul(3_600_000_000));
    let (upload, secret) =
        app.store.create_upload(&loaded.record.id, Some(length), &kept, expires, now).await?;
    let place = format!("{}/uploads/{}", app.config.public_base(), secret.reveal());
    let headers = [(header::LOCATION, place), (UPLOAD_EXPIRES, http_date(upload.expires_at))];
    Ok((StatusCode::CREATED, headers).into_response())
}

/// Everything that is done to one upload.
async fn one_upload(
    State(app): State<AppState>,
    Path(token): Path<String>,
    method: Method,
    headers: HeaderMap,
    body: Body,
) -> Answer<Response> {
    match method.as_str() {
        "OPTIONS" => Ok(capabilities(State(app)).await),
        "HEAD" => {
            let upload = find(&app, &token).await?;
            Ok((StatusCode::OK, stands(&upload)).into_response())
        }
        "PATCH" => {
            let upload = find(&app, &token).await?;
            let upload = append(&app, &upload, &headers, body).await?;
            Ok((StatusCode::NO_CONTENT, stands(&upload)).into_response())
        }
        "DELETE" => {
            let upload = find(&app, &token).await?;
            app.store.delete_upload(&upload.id).await?;
            Ok(StatusCode::NO_CONTENT.into_response())
        }
        _ => Err(Problem::method_not_allowed()
            .with_header(header::ALLOW, "OPTIONS, HEAD, PATCH, DELETE")),
    }
}

async fn find(app: &App, token: &str) -> Answer<Upload> {
    app.store.find_upload(token, now_us()).await?.ok_or_else(|| {
        Problem::not_found(
            "There is no upload at this address, or it has expired. Begin a new one.",
        )
    })
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

async fn append(app: &App, upload: &Upload, headers: &HeaderMap, body: Body) -> Answer<Upload> {
    if text(headers, &header::CONTENT_TYPE) != Some("application/offset+octet-stream") {
        return Err(Problem::wrong_type(
            "Send the bytes as `Content-Type: application/offset+octet-stream`.",
        ));
    }
    let offset = text(headers, &UPLOAD_OFFSET).and_then(|o| o.parse::<u64>().ok());
    let offset = offset
        .ok_or_else(|| Problem::bad_request("Say where the bytes belong, as `Upload-Offset`."))?;
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
