//! The one place where the service reads the time; everything below it is told.

use std::time::{SystemTime, UNIX_EPOCH};

/// Microseconds since 1970 (UTC).
#[must_use]
pub fn now_us() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH).unwrap_or_default();
    i64::try_from(since.as_micros()).unwrap_or(i64::MAX)
}

/// An instant as RFC 3339 text in UTC, to the millisecond; the wire's form of every time.
#[must_use]
pub fn rfc3339(at_us: i64) -> String {
    let at = jiff::Timestamp::from_microsecond(at_us).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    format!("{at:.3}")
}

#[cfg(test)]
mod tests {
    #[test]
    fn an_instant_is_written_in_utc() {
        assert_eq!(super::rfc3339(1_764_056_651_123_456), "2025-11-25T07:44:11.123Z");
    }
}
