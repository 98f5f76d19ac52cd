//! Documents over HTTP: TOML or JSON by content type, and versions guarded by entity tags.

use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use bytes::Bytes;
use ripieno_score::Piece;
use ripieno_store::DocumentFormat;

use super::problem::{Answer, Problem};

/// The document in a request: its text and how it is written.
///
/// # Errors
/// 415 for another content type, 400 for bytes that are no UTF-8.
pub fn sent(headers: &HeaderMap, body: &Bytes) -> Answer<(DocumentFormat, String)> {
    let format = match media_type(headers, header::CONTENT_TYPE).as_deref() {
        Some("application/toml" | "text/toml" | "text/x-toml") => DocumentFormat::Toml,
        Some("application/json") => DocumentFormat::Json,
        _ => {
            return Err(Problem::wrong_type(
                "Send the document as `Content-Type: application/toml` or `application/json`.",
            )
            .with_header(header::ACCEPT, "application/toml, application/json"));
        }
    };
    let text = std::str::from_utf8(body).map_err(|e| {
        Problem::bad_request(format!(
            "The document is no UTF-8 text: byte {} does not fit. Save it as UTF-8.",
            e.valid_up_to() + 1
        ))
    })?;
    Ok((format, text.to_owned()))
}

/// How the client would rather have a document.
#[must_use]
pub fn wanted(headers: &HeaderMap) -> DocumentFormat {
    match media_type(headers, header::ACCEPT).as_deref() {
        Some("application/toml" | "text/toml" | "text/x-toml") => DocumentFormat::Toml,
        _ => DocumentFormat::Json,
    }
}

fn media_type(headers: &HeaderMap, name: header::HeaderName) -> Option<String> {
    let value = headers.get(name)?.to_str().ok()?;
    let first = value.split([';', ',']).next()?;
    Some(first.trim().to_ascii_lowercase())
}

/// The entity tag of a document's version.
#[must_use]
pub fn version_tag(version: i64) -> String {
    format!("\"v{version}\"")
}

/// Which version the client says it changed, from `If-Match`; `*` names the one that stands.
///
/// # Errors
/// 428 without the header, 412 if it names no version of ours or another one.
pub fn changed_version(headers: &HeaderMap, standing: i64) -> Answer<i64> {
    let Some(value) = headers.get(header::IF_MATCH) else {
        return Err(Problem::must_name_version(format!(
            "Send the `ETag` you read as `If-Match`, so that nobody's change is lost. It stands \
             at {} now.",
            version_tag(standing)
        )));
    };
    let named = value.to_str().unwrap_or_default();
    let tag = version_tag(standing);
    match named.split(',').map(str::trim).any(|t| t == "*" || t == tag) {
        true => Ok(standing),
        false => Err(someone_was_faster(standing)),
    }
}

/// 412 with the version that stands.
#[must_use]
pub fn someone_was_faster(standing: i64) -> Problem {
    let tag = version_tag(standing);
    Problem::changed_meanwhile(format!(
        "Somebody else has saved it since you read it; it stands at {tag} now. Read it again and \
         make your change there."
    ))
    .with_header(header::ETAG, &tag)
}

/// What everybody may see of a piece's document that says more, as an answer. Nobody can put it in
/// the whole one's place: its tag is weak.
#[must_use]
pub fn part(format: DocumentFormat, shown: &Piece, version: i64) -> Response {
    let text = match format {
        DocumentFormat::Toml => shown.to_toml(),
        DocumentFormat::Json => shown.to_json().to_string(),
    };
    let mut response = answer(format, text, version);
    if let Ok(tag) = HeaderValue::from_str(&format!("W/{}", version_tag(version))) {
        response.headers_mut().insert(header::ETAG, tag);
    }
    response
}

/// A document as an answer.
#[must_use]
pub fn answer(format: DocumentFormat, text: String, version: i64) -> Response {
    let media_type = match format {
        DocumentFormat::Toml => "application/toml; charset=utf-8",
        DocumentFormat::Json => "application/json",
    };
    let mut response = (StatusCode::OK, text).into_response();
    let headers = response.headers_mut();
    headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(media_type));
    headers.insert(header::VARY, HeaderValue::from_static("accept"));
    if let Ok(tag) = HeaderValue::from_str(&version_tag(version)) {
        headers.insert(header::ETAG, tag);
    }
    response
}

/// An answer that an organiser gets more of than others: no store between may give it to anybody
/// who asks with another token or cookie.
#[must_use]
pub fn by_who_asks(mut answer: Response) -> Response {
    let vary = HeaderValue::from_static("accept, authorization, cookie");
    answer.headers_mut().insert(header::VARY, vary);
    answer
}

#[cfg(test)]
mod tests {
    use super::*;

    fn if_match(value: &'static str) -> Answer<i64> {
        let headers = HeaderMap::from_iter([(header::IF_MATCH, HeaderValue::from_static(value))]);
        changed_version(&headers, 3)
    }

    #[test]
    fn a_change_must_name_the_version_that_stands() {
        assert_eq!(if_match("\"v3\"").unwrap(), 3);
        assert_eq!(if_match("\"v1\", \"v3\"").unwrap(), 3);
        assert_eq!(if_match("*").unwrap(), 3);
        assert_eq!(if_match("\"v2\"").unwrap_err().status(), 412);
        assert_eq!(if_match("W/\"v3\"").unwrap_err().status(), 412, "weak tags never match");
        assert_eq!(changed_version(&HeaderMap::new(), 3).unwrap_err().status(), 428);
    }

    #[test]
    fn other_content_types_are_refused() {
        let body = Bytes::from_static(b"a = 1");
        let typed = |t: &'static str| {
            HeaderMap::from_iter([(header::CONTENT_TYPE, HeaderValue::from_static(t))])
        };
        assert!(sent(&typed("application/toml; charset=utf-8"), &body).is_ok());
        assert_eq!(sent(&typed("text/csv"), &body).unwrap_err().status(), 415);
        assert_eq!(sent(&HeaderMap::new(), &body).unwrap_err().status(), 415);
        let bad = Bytes::from_static(b"a\xff");
        assert_eq!(sent(&typed("application/json"), &bad).unwrap_err().status(), 400);
    }
}
