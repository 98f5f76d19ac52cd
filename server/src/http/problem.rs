//! Errors as clients see them: RFC 9457 problem documents, one plain sentence each, never an
//! internal cause.

use axum::Json;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use ripieno_score::{Mistake, Mistakes};
use serde::Serialize;
use utoipa::ToSchema;

/// Media type of a problem document (RFC 9457, section 3).
pub const PROBLEM_JSON: &str = "application/problem+json";

/// The answer of a handler that may fail.
pub type Answer<T> = Result<T, Problem>;

/// A failure, ready to be sent. Built by the functions below, then answered as JSON.
#[derive(Debug)]
pub struct Problem {
    status: StatusCode,
    body: Box<ProblemBody>,
    headers: HeaderMap,
}

/// A problem document (RFC 9457).
#[derive(Debug, Serialize, ToSchema)]
pub struct ProblemBody {
    /// A stable name for this kind of problem, as a relative reference.
    #[schema(example = "/problems/not-found")]
    pub r#type: String,
    /// The kind of problem in a few words.
    pub title: &'static str,
    /// The HTTP status, repeated.
    pub status: u16,
    /// What is wrong here, and what to do, in a plain sentence.
    pub detail: String,
    /// Every mistake in what was sent, when there may be several.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub mistakes: Vec<MistakeBody>,
}

/// One mistake in a document or a form.
#[derive(Debug, Serialize, ToSchema)]
pub struct MistakeBody {
    /// The file it is in, or the name of the form field.
    pub file: String,
    /// Line in the file, counted from 1.
    pub line: Option<u32>,
    /// Column in the line, counted from 1.
    pub column: Option<u32>,
    /// Where in a JSON document or a form it is (RFC 6901).
    pub pointer: Option<String>,
    /// What is wrong.
    pub what: String,
    /// What would be right.
    pub instead: String,
}

impl From<Mistake> for MistakeBody {
    fn from(m: Mistake) -> Self {
        let Mistake { file, line, column, pointer, what, instead } = m;
        Self { file, line, column, pointer, what, instead }
    }
}

impl Problem {
    fn new(status: StatusCode, kind: &str, title: &'static str, detail: impl Into<String>) -> Self {
        let body = ProblemBody {
            r#type: format!("/problems/{kind}"),
            title,
            status: status.as_u16(),
            detail: detail.into(),
            mistakes: Vec::new(),
        };
        Self { status, body: Box::new(body), headers: HeaderMap::new() }
    }

    /// 400: the request itself cannot be understood.
    pub fn bad_request(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, "bad-request", "Request not understood", detail)
    }

    /// 401: an organiser's token is needed, or the one given is not right.
    pub fn unauthorised() -> Self {
        let detail = "This needs the organiser's token: send it as `Authorization: Bearer …`, or \
                      sign in at /desk.";
        Self::new(StatusCode::UNAUTHORIZED, "sign-in", "Not signed in", detail)
            .with_header(header::WWW_AUTHENTICATE, "Bearer realm=\"ripieno\"")
    }

    /// 403: understood, and not allowed.
    pub fn forbidden(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::FORBIDDEN, "not-allowed", "Not allowed", detail)
    }

    /// 403: the piece's deadline has passed.
    pub fn closed(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::FORBIDDEN, "closed", "The call is closed", detail)
    }

    /// 404: nothing of that name.
    pub fn not_found(what: impl Into<String>) -> Self {
        Self::new(StatusCode::NOT_FOUND, "not-found", "Not found", what)
    }

    /// 405: the address is right, the method is not.
    pub fn method_not_allowed() -> Self {
        let detail =
            "This address does not take that method; the `Allow` header lists those it does.";
        Self::new(StatusCode::METHOD_NOT_ALLOWED, "method", "Method not allowed", detail)
    }

    /// 409: it clashes with what is there now.
    pub fn conflict(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::CONFLICT, "conflict", "Not possible as things stand", detail)
    }

    /// 410: it was there and has been taken away.
    pub fn gone(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::GONE, "gone", "No longer there", detail)
    }

    /// 412: somebody changed it since it was read.
    pub fn changed_meanwhile(detail: impl Into<String>) -> Self {
        let title = "Changed by someone else";
        Self::new(StatusCode::PRECONDITION_FAILED, "changed-meanwhile", title, detail)
    }

    /// 413: too large.
    pub fn too_large(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::PAYLOAD_TOO_LARGE, "too-large", "Too large", detail)
    }

    /// 415: sent as a kind of content this address does not take.
    pub fn wrong_type(detail: impl Into<String>) -> Self {
        let title = "Wrong kind of content";
        Self::new(StatusCode::UNSUPPORTED_MEDIA_TYPE, "wrong-type", title, detail)
    }

    /// 422: a file without a single byte.
    pub fn empty_file(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, "empty-file", "Empty file", detail)
    }

    /// 422: understood, but with mistakes in it; all of them are listed.
    pub fn mistakes(mistakes: Mistakes) -> Self {
        let count = mistakes.0.len();
        let first = mistakes.0.first().map(ToString::to_string).unwrap_or_default();
        let detail = match count {
            0 | 1 => first,
            n => format!("There are {n} mistakes, all listed here. The first: {first}"),
        };
        let title = "Something in it needs to be put right";
        let mut it = Self::new(StatusCode::UNPROCESSABLE_ENTITY, "mistakes", title, detail);
        it.body.mistakes = mistakes.0.into_iter().map(MistakeBody::from).collect();
        it
    }

    /// 423: somebody is writing it at this moment.
    pub fn locked(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::LOCKED, "locked", "Being written", detail)
            .with_header(header::RETRY_AFTER, "1")
    }

    /// 460: the bytes are not those the sender meant (tus 1.0.0, checksum extension).
    pub fn checksum_mismatch() -> Self {
        let status = StatusCode::from_u16(460).unwrap_or(StatusCode::BAD_REQUEST);
        let detail = "The bytes were damaged on the way; none of them were kept. Send them again.";
        Self::new(status, "checksum", "Checksum mismatch", detail)
    }

    /// 428: send `If-Match`, so that two people cannot overwrite one another.
    pub fn must_name_version(detail: impl Into<String>) -> Self {
        let title = "Say which version you changed";
        Self::new(StatusCode::PRECONDITION_REQUIRED, "name-the-version", title, detail)
    }

    /// 429: too often from one address.
    pub fn too_often(wait_s: u64) -> Self {
        let detail =
            format!("Too many tries from your address. Wait {wait_s} seconds, then go on.");
        Self::new(StatusCode::TOO_MANY_REQUESTS, "too-often", "Too often", detail)
            .with_header(header::RETRY_AFTER, &wait_s.to_string())
    }

    /// 500: our fault; the cause is in the log under the request's id, not here.
    pub fn internal() -> Self {
        let detail = "Something went wrong on our side. Nothing you sent before is lost. Try \
                      again; if it stays, tell the organiser the request id in `x-request-id`.";
        Self::new(StatusCode::INTERNAL_SERVER_ERROR, "our-fault", "Our fault", detail)
    }

    /// 503: not now; come back in a while.
    pub fn not_yet(detail: impl Into<String>, wait_s: u64) -> Self {
        Self::new(StatusCode::SERVICE_UNAVAILABLE, "not-yet", "Not ready yet", detail)
            .with_header(header::RETRY_AFTER, &wait_s.to_string())
    }

    /// 507: no room to keep it.
    pub fn no_room(detail: impl Into<String>) -> Self {
        Self::new(StatusCode::INSUFFICIENT_STORAGE, "no-room", "No room left", detail)
    }

    /// Adds a header to the answer.
    #[must_use]
    pub fn with_header(mut self, name: header::HeaderName, value: &str) -> Self {
        if let Ok(value) = HeaderValue::from_str(value) {
            self.headers.insert(name, value);
        }
        self
    }

    /// The status it will be answered with.
    #[must_use]
    pub fn status(&self) -> StatusCode {
        self.status
    }

    /// The headers it will be answered with, besides those of its content.
    #[must_use]
    pub fn headers(&self) -> &HeaderMap {
        &self.headers
    }

    /// What is wrong, to be shown otherwise.
    #[must_use]
    pub fn into_body(self) -> ProblemBody {
        *self.body
    }

    /// What is wrong, as a page shows it.
    #[must_use]
    pub fn body(&self) -> &ProblemBody {
        &self.body
    }
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let mut response = (self.status, Json(&*self.body)).into_response();
        let headers = response.headers_mut();
        headers.insert(header::CONTENT_TYPE, HeaderValue::from_static(PROBLEM_JSON));
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
        headers.extend(self.headers);
        response
    }
}
