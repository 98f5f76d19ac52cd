//! A blob as an answer: whole, or the range that was asked for.

use axum::body::Body;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::response::Response;

use super::App;
use super::problem::Answer;
use super::ranges::{FileHead, Wanted, respond, wanted};
use super::security::DOCUMENT_POLICY;

/// A file as its record knows it.
pub struct Kept<'a> {
    /// Its blob.
    pub blob: &'a str,
    /// Name for saving.
    pub name: &'a str,
    /// Media type, one of [`super::ranges::media_type`].
    pub media_type: &'static str,
    /// Length in bytes.
    pub bytes: i64,
    /// Hash of the content: its version.
    pub content_hash: &'a str,
    /// Offer for saving instead of showing.
    pub attachment: bool,
}

/// Answers with the file, or the part of it that `headers` ask for.
///
/// # Errors
/// The blob is not there, or the store fails before the first byte.
pub async fn answer(app: &App, headers: &HeaderMap, file: &Kept<'_>) -> Answer<Response> {
    let len = u64::try_from(file.bytes).unwrap_or_default();
    let head = FileHead {
        name: file.name,
        media_type: file.media_type,
        len,
        version: file.content_hash,
        attachment: file.attachment,
    };
    let wanted = wanted(headers, len, file.content_hash);
    let body = match wanted {
        Wanted::Whole => Body::from_stream(app.store.read_blob(file.blob).await?.stream),
        Wanted::Part { start, end } => {
            Body::from_stream(app.store.read_blob_range(file.blob, start..end).await?.stream)
        }
        Wanted::Outside | Wanted::NotModified => Body::empty(),
    };
    let mut response = respond(&head, wanted, body);
    if file.media_type.starts_with("text/html") || file.media_type == "image/svg+xml" {
        let policy = HeaderValue::from_static(DOCUMENT_POLICY);
        response.headers_mut().insert(header::CONTENT_SECURITY_POLICY, policy);
    }
    Ok(response)
}
