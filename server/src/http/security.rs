//! What every answer carries to keep browsers safe, and the check that a form came from our own
//! pages.

use axum::extract::Request;
use axum::http::{HeaderMap, HeaderValue, header};
use axum::middleware::Next;
use axum::response::Response;

/// Pages load only our own scripts, styles and sounds, and nobody may frame them.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; \
                      img-src 'self' data:; media-src 'self' blob:; connect-src 'self'; \
                      form-action 'self'; base-uri 'none'; frame-ancestors 'none'";

/// For documents made elsewhere in the house (reports, charts): styles of their own, no scripts,
/// an origin of their own.
pub const DOCUMENT_POLICY: &str =
    "sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; media-src data:";

/// Adds the headers; an answer that set one itself keeps it.
pub async fn headers(request: Request, next: Next) -> Response {
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    for (name, value) in [
        (header::CONTENT_SECURITY_POLICY, POLICY),
        (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
        (header::REFERRER_POLICY, "no-referrer"),
        (header::X_FRAME_OPTIONS, "DENY"),
        (PERMISSIONS_POLICY, "microphone=(self), camera=(), geolocation=()"),
        (OPENER_POLICY, "same-origin"),
        (RESOURCE_POLICY, "same-origin"),
    ] {
        headers.entry(name).or_insert(HeaderValue::from_static(value));
    }
    response
}

const PERMISSIONS_POLICY: header::HeaderName =
    header::HeaderName::from_static("permissions-policy");
const OPENER_POLICY: header::HeaderName =
    header::HeaderName::from_static("cross-origin-opener-policy");
const RESOURCE_POLICY: header::HeaderName =
    header::HeaderName::from_static("cross-origin-resource-policy");

/// Whether a request that changes something came from a page of ours. Browsers say so in
/// `Sec-Fetch-Site`, older ones in `Origin`; a request with neither is not trusted, because a
/// cookie alone must not be enough.
#[must_use]
pub fn from_our_pages(headers: &HeaderMap) -> bool {
    let text = |name: &str| headers.get(name).and_then(|v| v.to_str().ok());
    if let Some(site) = text("sec-fetch-site") {
        return site == "same-origin";
    }
    let (Some(origin), Some(host)) = (text("origin"), text("host")) else { return false };
    origin.split_once("://").is_some_and(|(_, rest)| rest.eq_ignore_ascii_case(host))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn from(pairs: &[(&'static str, &'static str)]) -> bool {
        let mut headers = HeaderMap::new();
        for (name, value) in pairs {
            headers.insert(*name, HeaderValue::from_static(value));
        }
        from_our_pages(&headers)
    }

    #[test]
    fn only_our_own_pages_may_change_things() {
        assert!(from(&[("sec-fetch-site", "same-origin")]));
        assert!(from(&[("origin", "https://a.example"), ("host", "a.example")]));
        assert!(!from(&[("sec-fetch-site", "cross-site")]));
        assert!(!from(&[("sec-fetch-site", "same-site")]));
        assert!(!from(&[("origin", "https://b.example"), ("host", "a.example")]));
        assert!(!from(&[("origin", "null"), ("host", "a.example")]));
        assert!(!from(&[("host", "a.example")]));
    }
}
