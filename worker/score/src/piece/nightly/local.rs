//! The clock of a time zone, as croner asks for it.

use std::cmp::Ordering;

use croner::errors::CronError;
use croner::{CivilDate, CivilDateTime, CivilTime, CronDateTime, Resolution, Weekday};
use jiff::civil::DateTime;
use jiff::tz::AmbiguousOffset;
use jiff::{SignedDuration, ZonedDateTime};

/// An instant on the clock of a time zone.
#[derive(Clone)]
pub(super) struct Local(pub(super) ZonedDateTime);

fn civil(civil: CivilDateTime) -> Result<DateTime, CronError> {
    let part = |number: u32| i8::try_from(number).map_err(|_| CronError::InvalidDate);
    DateTime::new(
        i16::try_from(civil.year()).map_err(|_| CronError::InvalidDate)?,
        part(civil.month())?,
        part(civil.day())?,
        part(civil.hour())?,
        part(civil.minute())?,
        part(civil.second())?,
        0,
    )
    .map_err(|_| CronError::InvalidDate)
}

impl CronDateTime for Local {
    fn to_civil(&self) -> CivilDateTime {
        let at = self.0.datetime();
        CivilDateTime::new(
            CivilDate::from_parts_unchecked(at.year().into(), at.month() as u32, at.day() as u32),
            CivilTime::from_parts_unchecked(
                at.hour() as u32,
                at.minute() as u32,
                at.second() as u32,
            ),
        )
    }

    fn civil_weekday(&self) -> Weekday {
        Weekday::from_days_from_sunday(self.0.weekday().to_sunday_zero_offset() as u32)
    }

    fn resolve_civil(&self, at: CivilDateTime) -> Result<Resolution<Self>, CronError> {
        let wrong = |_| CronError::InvalidTime;
        let ambiguous = self.0.time_zone().to_ambiguous_zoned_datetime(civil(at)?);
        Ok(match ambiguous.offset() {
            AmbiguousOffset::Unambiguous { .. } => {
                Resolution::Single(Local(ambiguous.unambiguous().map_err(wrong)?))
            }
            AmbiguousOffset::Fold { .. } => Resolution::Ambiguous(
                Local(ambiguous.clone().earlier().map_err(wrong)?),
                Local(ambiguous.later().map_err(wrong)?),
            ),
            AmbiguousOffset::Gap { .. } => Resolution::Gap,
        })
    }

    fn checked_add_seconds(&self, seconds: i64) -> Option<Self> {
        self.0.checked_add(SignedDuration::from_secs(seconds)).ok().map(Local)
    }

    fn cmp_instant(&self, other: &Self) -> Ordering {
        self.0.timestamp().cmp(&other.0.timestamp())
    }
}
