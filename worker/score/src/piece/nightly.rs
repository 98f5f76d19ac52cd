//! When a preview is made by itself, and who is told.

mod local;

use std::str::FromStr;

use croner::Cron;
use jiff::Timestamp;
use jiff::tz::TimeZone;

use local::Local;

/// A preview that is made by the clock.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Nightly {
    /// When, as a cron expression of five fields, on the clock of the piece's time zone (UTC
    /// without one). Where clocks are set forward, a time that is skipped counts as the moment of
    /// the change; where they are set back, a time that comes twice counts once.
    pub at: String,
    /// Whom to tell: an address that a signed note is posted to.
    pub webhook: Option<String>,
    /// How many previews of this kind are kept; the number of all previews is a matter of the
    /// service's settings.
    pub keep: Option<u32>,
}

/// A nightly preview that has fallen due.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Due {
    /// When, in microseconds since 1970.
    pub at_us: i64,
    /// What tells this night from all others: the local time with its offset.
    pub occasion: String,
}

impl Nightly {
    /// Whether a cron expression can be read; else what is wrong with it.
    ///
    /// # Errors
    /// The reason, as half a sentence.
    pub fn check(at: &str) -> Result<(), String> {
        Cron::from_str(at).map(drop).map_err(|error| error.to_string())
    }

    /// The latest time that fell due after `after_us` and not after `upto_us`.
    pub fn latest_due(&self, zone: Option<&str>, after_us: i64, upto_us: i64) -> Option<Due> {
        let cron = Cron::from_str(&self.at).ok()?;
        let zone = zone.map_or(Ok(TimeZone::UTC), |name| jiff::tz::db().get(name)).ok()?;
        let upto = Timestamp::from_microsecond(upto_us).ok()?;
        let after = Timestamp::from_microsecond(after_us).ok()?;
        let mut at = Local(after.to_zoned_datetime(zone));
        let mut latest = None;
        while let Ok(next) = cron.find_next_occurrence(&at, false) {
            // A search that does not move on would never end.
            if next.0.timestamp() > upto || next.0.timestamp() <= at.0.timestamp() {
                break;
            }
            at = next;
            latest = Some(at.0.clone());
        }
        let latest = latest?;
        Some(Due {
            at_us: latest.timestamp().as_microsecond(),
            occasion: latest.strftime("nightly %Y-%m-%d %H:%M%:z").to_string(),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn us(text: &str) -> i64 {
        text.parse::<Timestamp>().map_or(0, Timestamp::as_microsecond)
    }

    fn due(at: &str, zone: &str, after: &str, upto: &str) -> Option<String> {
        let nightly = Nightly { at: at.into(), webhook: None, keep: None };
        nightly.latest_due(Some(zone), us(after), us(upto)).map(|due| due.occasion)
    }

    #[test]
    fn a_time_is_due_once_it_has_come() {
        let at = |upto| due("0 5 * * *", "Europe/Lisbon", "2026-11-24T12:00:00Z", upto);
        assert_eq!(at("2026-11-25T04:59:59Z"), None);
        assert_eq!(at("2026-11-25T05:00:00Z").as_deref(), Some("nightly 2026-11-25 05:00+00:00"));
        assert_eq!(at("2026-11-26T07:00:00Z").as_deref(), Some("nightly 2026-11-26 05:00+00:00"));
        assert_eq!(due("0 5 31 2 *", "UTC", "2026-01-01T00:00:00Z", "2026-12-31T00:00:00Z"), None);
    }

    /// Europe/Berlin goes from 02:00 to 03:00 on 2027-03-28 and from 03:00 back to 02:00 on
    /// 2026-10-25 (IANA time zone database).
    #[test]
    fn summer_time_neither_skips_nor_doubles_a_night() {
        let nights = |from: &str, upto: &str| {
            let nightly = Nightly { at: "30 2 * * *".into(), webhook: None, keep: None };
            let mut seen = Vec::new();
            let (mut at, upto) = (us(from), us(upto));
            while at < upto {
                let step = at + 60_000_000;
                seen.extend(nightly.latest_due(Some("Europe/Berlin"), at, step));
                at = step;
            }
            seen.iter().map(|due| due.occasion.clone()).collect::<Vec<_>>()
        };
        let spring = nights("2027-03-27T12:00:00Z", "2027-03-28T12:00:00Z");
        assert_eq!(spring.len(), 1, "{spring:?}");
        assert!(spring[0].starts_with("nightly 2027-03-28 03:"), "{spring:?}");
        let autumn = nights("2026-10-24T12:00:00Z", "2026-10-25T12:00:00Z");
        assert_eq!(autumn, ["nightly 2026-10-25 02:30+02:00"]);
    }

    /// Who looks back some hours, and again and again, sees the same nights, by whatever hour and
    /// zone: London's clocks change at 01:00 UTC, Lord Howe's by half an hour (IANA time zone
    /// database).
    #[test]
    fn a_long_look_back_over_a_change_of_clocks_finds_each_night_once() {
        let changes = [
            ("Europe/Berlin", "2026-10-25", "2027-03-28"),
            ("Europe/London", "2026-10-25", "2027-03-28"),
            ("Australia/Lord_Howe", "2027-04-04", "2026-10-04"),
        ];
        for (zone, back, forward) in changes {
            for day in [back, forward] {
                for at in ["30 0", "0 1", "30 1", "45 1", "0 2", "15 2", "30 2", "0 3"] {
                    let nightly = Nightly { at: format!("{at} * * *"), webhook: None, keep: None };
                    let midnight = us(&format!("{day}T00:00:00Z"));
                    let mut seen = std::collections::BTreeSet::new();
                    for minute in (-20 * 60..20 * 60).step_by(10) {
                        let now = midnight + minute * 60_000_000;
                        let due = nightly.latest_due(Some(zone), now - 6 * 3600 * 1_000_000, now);
                        seen.extend(due.map(|due| due.occasion));
                    }
                    let of_day = seen.iter().filter(|night| night.contains(day)).count();
                    assert_eq!(of_day, 1, "{zone} {at}: {seen:?}");
                }
            }
        }
    }
}
