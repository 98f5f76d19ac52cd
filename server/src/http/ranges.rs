//! Files over HTTP with ranges, revalidation and names: RFC 9110, sections 13 and 14.

use axum::body::Body;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::Response;

/// What of a file a request is to be given.
#[derive(Clone, Copy, Debug, Eq, PartialEq)]
pub enum Wanted {
    /// All of it: 200.
    Whole,
    /// The bytes from `start` up to, not including, `end`: 206.
    Part {
        /// First byte.
        start: u64,
        /// One past the last byte.
        end: u64,
    },
    /// The range lies outside the file: 416.
    Outside,
    /// The client's copy is still right: 304.
    NotModified,
}

/// A file as it is offered: how it is called, what it is, and which version.
#[derive(Clone, Debug)]
pub struct FileHead<'a> {
    /// Name for saving; only letters, digits and `.-_` are kept.
    pub name: &'a str,
    /// Media type.
    pub media_type: &'static str,
    /// Length in bytes.
    pub len: u64,
    /// A text that changes with the content; becomes a strong entity tag.
    pub version: &'a str,
    /// Offer for saving instead of showing.
    pub attachment: bool,
}

/// Reads `If-None-Match`, `Range` and `If-Range` (RFC 9110, 13.1.2, 14.2, 13.1.5). Several ranges
/// at once are answered with the whole file, as 14.2 allows.
#[must_use]
pub fn wanted(headers: &HeaderMap, len: u64, version: &str) -> Wanted {
    let tag = entity_tag(version);
    let text = |name| headers.get(name).and_then(|v: &HeaderValue| v.to_str().ok());
    if let Some(known) = text(header::IF_NONE_MATCH)
        && known.split(',').any(|t| matches!(t.trim(), "*") || weakly_equal(t.trim(), &tag))
    {
        return Wanted::NotModified;
    }
    let Some(range) = text(header::RANGE) else { return Wanted::Whole };
    // A date or a weak tag in If-Range never matches here: the whole file is always right.
    if text(header::IF_RANGE).is_some_and(|condition| condition != tag) {
        return Wanted::Whole;
    }
    parse_range(range, len)
}

fn weakly_equal(a: &str, b: &str) -> bool {
    a.strip_prefix("W/").unwrap_or(a) == b
}

/// One `bytes=` range against a length. What is no valid range at all is ignored.
fn parse_range(text: &str, len: u64) -> Wanted {
    let Some(spec) = text.strip_prefix("bytes=") else { return Wanted::Whole };
    let Some((first, last)) = spec.trim().split_once('-') else { return Wanted::Whole };
    let number = |digits: &str| {
        let digits = digits.trim();
        let all_digits = !digits.is_empty() && digits.bytes().all(|b| b.is_ascii_digit());
        // A number past u64 lies past any file's end, so saturating keeps its meaning.
        all_digits.then(|| digits.parse::<u64>().unwrap_or(u64::MAX))
    };
    match (first.trim().is_empty(), number(first), last.trim().is_empty(), number(last)) {
        (true, _, false, Some(0)) => Wanted::Outside,
        (true, _, false, Some(_)) if len == 0 => Wanted::Outside,
        (true, _, false, Some(suffix)) => {
            Wanted::Part { start: len.saturating_sub(suffix), end: len }
        }
        (false, Some(start), true, _) if start < len => Wanted::Part { start, end: len },
        (false, Some(start), false, Some(last)) if start <= last && start < len => {
            Wanted::Part { start, end: last.saturating_add(1).min(len) }
        }
        (false, Some(start), false, Some(last)) if start > last => Wanted::Whole,
        (false, Some(_), true, _) | (false, Some(_), false, Some(_)) => Wanted::Outside,
        _ => Wanted::Whole,
    }
}

/// The strong entity tag of a version.
#[must_use]
pub fn entity_tag(version: &str) -> String {
    format!("\"{version}\"")
}

/// The answer for `wanted`; `body` must hold exactly those bytes (it is dropped for 304 and 416).
#[must_use]
pub fn respond(head: &FileHead<'_>, wanted: Wanted, body: Body) -> Response {
    let (status, len, body) = match wanted {
        Wanted::Whole => (StatusCode::OK, Some(head.len), body),
        Wanted::Part { start, end } => (StatusCode::PARTIAL_CONTENT, Some(end - start), body),
        Wanted::Outside => (StatusCode::RANGE_NOT_SATISFIABLE, None, Body::empty()),
        Wanted::NotModified => (StatusCode::NOT_MODIFIED, None, Body::empty()),
    };
    let mut response = Response::new(body);
    *response.status_mut() = status;
    let headers = response.headers_mut();
    let mut set = |name, value: &str| {
        if let Ok(value) = HeaderValue::from_str(value) {
            headers.insert(name, value);
        }
    };
    set(header::ETAG, &entity_tag(head.version));
    set(header::ACCEPT_RANGES, "bytes");
    set(header::CACHE_CONTROL, "private, no-cache");
    match wanted {
        Wanted::Part { start, end } => {
            set(header::CONTENT_RANGE, &format!("bytes {start}-{}/{}", end - 1, head.len));
        }
        Wanted::Outside => set(header::CONTENT_RANGE, &format!("bytes */{}", head.len)),
        Wanted::Whole | Wanted::NotModified => {}
    }
    if let Some(len) = len {
        set(header::CONTENT_LENGTH, &len.to_string());
        set(header::CONTENT_TYPE, head.media_type);
        let how = if head.attachment { "attachment" } else { "inline" };
        let name = safe_name(head.name);
        set(header::CONTENT_DISPOSITION, &format!("{how}; filename=\"{name}\""));
    }
    response
}

/// A file name that needs no quoting anywhere.
#[must_use]
pub fn safe_name(name: &str) -> String {
    let kept: String = name
        .chars()
        .map(|c| if c.is_ascii_alphanumeric() || matches!(c, '.' | '-' | '_') { c } else { '-' })
        .take(100)
        .collect();
    let kept = kept.trim_matches(['.', '-']);
    if kept.is_empty() { "file".to_owned() } else { kept.to_owned() }
}

/// The media type to serve a file as, by the end of its name. What is not known is bytes: the
/// browser is told not to guess.
#[must_use]
pub fn media_type(name: &str) -> &'static str {
    let ending = name.rsplit_once('.').map_or("", |(_, ending)| ending);
    match ending.to_ascii_lowercase().as_str() {
        "wav" | "rf64" => "audio/wav",
        "flac" => "audio/flac",
        "mp3" => "audio/mpeg",
        "m4a" | "mp4" | "mov" => "audio/mp4",
        "aac" => "audio/aac",
        "ogg" | "oga" | "opus" => "audio/ogg",
        "webm" | "weba" => "audio/webm",
        "aif" | "aiff" | "aifc" => "audio/aiff",
        "caf" => "audio/x-caf",
        "mka" | "mkv" => "audio/x-matroska",
        "mid" => "audio/midi",
        "zip" => "application/zip",
        "json" => "application/json",
        "txt" | "csv" | "edl" | "toml" => "text/plain; charset=utf-8",
        "html" => "text/html; charset=utf-8",
        "svg" => "image/svg+xml",
        "png" => "image/png",
        _ => "application/octet-stream",
    }
}

/// The media type to serve a contributor's file as: a sound type or plain bytes, whatever its
/// name pretends.
#[must_use]
pub fn sound_type(name: &str) -> &'static str {
    match media_type(name) {
        sound if sound.starts_with("audio/") => sound,
        _ => "application/octet-stream",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ask(range: &str, len: u64) -> Wanted {
        let mut headers = HeaderMap::new();
        headers.insert(header::RANGE, range.parse().unwrap());
        wanted(&headers, len, "v")
    }

    #[test]
    fn the_examples_of_rfc_9110_section_14_1_2_on_ten_thousand_bytes() {
        assert_eq!(ask("bytes=0-499", 10_000), Wanted::Part { start: 0, end: 500 });
        assert_eq!(ask("bytes=500-999", 10_000), Wanted::Part { start: 500, end: 1000 });
        assert_eq!(ask("bytes=-500", 10_000), Wanted::Part { start: 9500, end: 10_000 });
        assert_eq!(ask("bytes=9500-", 10_000), Wanted::Part { start: 9500, end: 10_000 });
    }

    #[test]
    fn ranges_outside_are_416_and_nonsense_is_ignored() {
        assert_eq!(ask("bytes=10-", 10), Wanted::Outside);
        assert_eq!(ask("bytes=10-20", 10), Wanted::Outside);
        assert_eq!(ask("bytes=-0", 10), Wanted::Outside);
        assert_eq!(ask("bytes=-5", 0), Wanted::Outside);
        assert_eq!(ask("bytes=0-", 0), Wanted::Outside);
        for text in ["bytes=5-2", "lines=0-1", "bytes=a-b", "bytes=-", "bytes=0-1,4-5", "bytes="] {
            assert_eq!(ask(text, 10), Wanted::Whole, "{text}");
        }
    }

    #[test]
    fn ends_past_the_file_and_past_u64_are_clipped() {
        assert_eq!(ask("bytes=2-99999999999999999999999", 10), Wanted::Part { start: 2, end: 10 });
        assert_eq!(ask("bytes=-99999999999999999999999", 10), Wanted::Part { start: 0, end: 10 });
        assert_eq!(ask("bytes=99999999999999999999999-", 10), Wanted::Outside);
    }

    #[test]
    fn if_range_with_another_version_gives_the_whole_file() {
        let mut headers = HeaderMap::new();
        headers.insert(header::RANGE, "bytes=0-1".parse().unwrap());
        headers.insert(header::IF_RANGE, "\"old\"".parse().unwrap());
        assert_eq!(wanted(&headers, 10, "new"), Wanted::Whole);
        headers.insert(header::IF_RANGE, "\"new\"".parse().unwrap());
        assert_eq!(wanted(&headers, 10, "new"), Wanted::Part { start: 0, end: 2 });
    }

    #[test]
    fn a_known_version_is_not_sent_again() {
        let mut headers = HeaderMap::new();
        headers.insert(header::IF_NONE_MATCH, "\"a\", W/\"v\"".parse().unwrap());
        assert_eq!(wanted(&headers, 10, "v"), Wanted::NotModified);
    }

    #[test]
    fn names_cannot_leave_their_quotes() {
        assert_eq!(safe_name("a\"; x=\"\r\n../b.wav"), "a---x----..-b.wav");
        assert_eq!(safe_name("…"), "file");
    }
}
