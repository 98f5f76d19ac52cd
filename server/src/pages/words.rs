//! Small things said on several pages: states, times, sizes.

use maud::{Markup, html};
use ripieno_score::TakeState;
use ripieno_store::TakeSummary;

use crate::clock::rfc3339;
use crate::http::receipts::left_out;

/// A state as a word with a sign.
#[must_use]
pub fn state(state: TakeState) -> Markup {
    html! { span class={ "state state-" (state.word()) } { (state_word(state)) } }
}

/// Where a take stands: its state, unless a later take stands in for it or the organiser has left
/// it out.
#[must_use]
pub fn standing(take: &TakeSummary) -> Markup {
    let aside = |word: &str| html! { span.state.state-withdrawn { (word) } };
    match take.state {
        TakeState::Withdrawn => state(TakeState::Withdrawn),
        _ if take.replaced_by.is_some() => aside("replaced"),
        TakeState::Unusable if left_out(take) => aside("left out"),
        // What was placed and is corrected is heard as it was until it is laid anew.
        other if other != TakeState::Placed && take.sounds() => html! {
            (state(TakeState::Placed)) " " span.soft { "being laid anew" }
        },
        other => state(other),
    }
}

/// A state in one or two words.
#[must_use]
pub fn state_word(state: TakeState) -> &'static str {
    match state {
        TakeState::Received => "received",
        TakeState::Conforming => "being laid in place",
        TakeState::Placed => "in the mix",
        TakeState::Asks => "has a question",
        TakeState::Unusable => "cannot be used",
        TakeState::Withdrawn => "withdrawn",
    }
}

/// An instant, in UTC until a script puts it into the reader's own time zone.
#[must_use]
pub fn instant(at_us: i64) -> Markup {
    let at = jiff::Timestamp::from_microsecond(at_us).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    let text = at.strftime("%A %-d %B %Y, %H:%M UTC").to_string();
    html! { time datetime=(rfc3339(at_us)) data-local { (text) } }
}

/// An instant where there is little room.
#[must_use]
pub fn instant_short(at_us: i64) -> Markup {
    let at = jiff::Timestamp::from_microsecond(at_us).unwrap_or(jiff::Timestamp::UNIX_EPOCH);
    let text = at.strftime("%-d %b, %H:%M UTC").to_string();
    html! { time datetime=(rfc3339(at_us)) data-local="short" { (text) } }
}

/// A deadline in the organiser's zone, until a script puts it into the reader's.
#[must_use]
pub fn deadline(at_us: i64, zone: Option<&str>) -> Markup {
    let Ok(at) = jiff::Timestamp::from_microsecond(at_us) else { return html! {} };
    let zoned = zone.and_then(|name| at.in_tz(name).ok());
    let text = match &zoned {
        Some(zoned) => zoned.strftime("%A %-d %B %Y, %H:%M %Z").to_string(),
        None => at.strftime("%A %-d %B %Y, %H:%M UTC").to_string(),
    };
    html! { time datetime=(rfc3339(at_us)) data-local { (text) } }
}

/// `3:07`, for places in a recording.
#[must_use]
pub fn minutes(seconds: f64) -> String {
    let whole = seconds.max(0.0).round() as u64;
    format!("{}:{:02}", whole / 60, whole % 60)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_deadline_shows_the_organisers_clock_also_where_summer_time_ends() {
        // 2026-10-25 01:30 UTC is half past one a second time in Lisbon, in winter time.
        let at = "2026-10-25T01:30:00Z".parse::<jiff::Timestamp>().unwrap().as_microsecond();
        let shown = deadline(at, Some("Europe/Lisbon")).into_string();
        assert!(shown.contains("01:30 WET"), "{shown}");
        let before = deadline(at - 3_600_000_000, Some("Europe/Lisbon")).into_string();
        assert!(before.contains("01:30 WEST"), "{before}");
        assert!(deadline(at, Some("Nowhere/None")).into_string().contains("UTC"));
    }

    #[test]
    fn places_in_a_recording_read_like_a_clock() {
        assert_eq!(
            (minutes(187.2), minutes(0.0), minutes(59.6)),
            ("3:07".into(), "0:00".into(), "1:00".into())
        );
    }
}
