//! Where something stands in a piece: a bar, and a beat in it.

use std::fmt;
use std::str::FromStr;

use crate::exact::{Fraction, float, fraction_text, parse_fraction};

/// The first and last bar a document may speak of.
pub(crate) const FIRST_BAR: i32 = -10_000;
/// The last bar a document may speak of.
pub(crate) const LAST_BAR: i32 = 100_000;

/// A place in a piece: bar and beat, both counted from 1.
///
/// The bars of the lead-in are 0, −1, … A beat is one unit of the metre's lower number and may
/// have a fraction. As text: `12` (the bar's first beat), `12.3`, `12.3+1/2` (half a beat after
/// beat 3).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Position {
    bar: i32,
    beat: Fraction,
}

impl Position {
    /// The first beat of a bar.
    pub fn bar_start(bar: i32) -> Position {
        Position::beat_start(bar, 1)
    }

    /// A beat of a bar, both counted from 1.
    pub fn beat_start(bar: i32, beat: u32) -> Position {
        Position { bar: bar.clamp(FIRST_BAR, LAST_BAR), beat: Fraction::from_integer(beat.into()) }
    }

    /// A beat and a fraction of it: `with_fraction(12, 3, 1, 2)` is half a beat after beat 3 of
    /// bar 12. `None` if the divisor is 0 or a part is above a million.
    pub fn with_fraction(bar: i32, beat: u32, above: u32, below: u32) -> Option<Position> {
        let parts = [beat, above, below];
        if below == 0 || parts.iter().any(|part| *part > 1_000_000) {
            return None;
        }
        let rest = Fraction::new(above.into(), below.into());
        Position::new(bar, Fraction::from_integer(beat.into()) + rest)
    }

    pub(crate) fn new(bar: i32, beat: Fraction) -> Option<Position> {
        let small = *beat.numer() <= 1_000_000_000_000 && *beat.denom() <= 1_000_000;
        let fits = (FIRST_BAR..=LAST_BAR).contains(&bar) && beat >= Fraction::from_integer(1);
        (small && fits).then_some(Position { bar, beat })
    }

    /// The bar; 1 is the first of the music, 0 and below are the lead-in.
    pub fn bar(&self) -> i32 {
        self.bar
    }

    /// The beat in the bar, from 1, with its fraction.
    pub fn beat(&self) -> f64 {
        float(&self.beat)
    }

    pub(crate) fn exact_beat(&self) -> Fraction {
        self.beat
    }
}

impl fmt::Display for Position {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let whole = self.beat.floor();
        let rest = self.beat - whole;
        match (*whole.numer(), *rest.numer()) {
            (1, 0) => write!(out, "{}", self.bar),
            (beat, 0) => write!(out, "{}.{beat}", self.bar),
            (beat, _) => write!(out, "{}.{beat}+{}", self.bar, fraction_text(&rest)),
        }
    }
}

/// Why a text is not a position; its message says what one looks like.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("write a bar such as \"12\", a beat such as \"12.3\", or a part of one, \"12.3+1/2\"")]
pub struct NotAPosition;

impl FromStr for Position {
    type Err = NotAPosition;

    fn from_str(text: &str) -> Result<Position, NotAPosition> {
        let text = text.trim();
        let (place, rest) = match text.split_once('+') {
            Some((place, rest)) => (
                place.trim(),
                parse_fraction(rest)
                    .filter(|part| rest.contains('/') && *part.numer() >= 0)
                    .ok_or(NotAPosition)?,
            ),
            None => (text, Fraction::from_integer(0)),
        };
        if rest >= Fraction::from_integer(1) {
            return Err(NotAPosition);
        }
        let (bar, beat) = place.split_once('.').unwrap_or((place, "1"));
        let bar: i32 = bar.parse().map_err(|_| NotAPosition)?;
        if beat.is_empty() || beat.len() > 6 || !beat.bytes().all(|b| b.is_ascii_digit()) {
            return Err(NotAPosition);
        }
        let beat: i128 = beat.parse().map_err(|_| NotAPosition)?;
        Position::new(bar, Fraction::from_integer(beat) + rest).ok_or(NotAPosition)
    }
}

impl serde::Serialize for Position {
    fn serialize<S: serde::Serializer>(&self, out: S) -> Result<S::Ok, S::Error> {
        out.collect_str(self)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_form_of_a_position_is_read_and_written_alike() {
        for text in ["12", "12.3", "12.3+1/2", "-1", "-1.4", "0", "1.1+2/3", "100000"] {
            assert_eq!(text.parse::<Position>().map(|p| p.to_string()), Ok(text.to_string()));
        }
        assert_eq!("12.1".parse::<Position>(), Ok(Position::bar_start(12)));
        assert_eq!("12.10".parse(), Ok(Position::beat_start(12, 10)));
    }

    #[test]
    fn what_is_no_position_is_refused() {
        for text in [
            "",
            "x",
            "1.",
            "1.0",
            "1.2.3",
            "1.2+3/2",
            "1.2+1",
            "1.2+-1/2",
            "1.+1/2",
            "100001",
            "1,2",
            "9999999999",
        ] {
            assert_eq!(text.parse::<Position>(), Err(NotAPosition), "{text}");
        }
    }

    #[test]
    fn positions_are_ordered_as_they_sound() {
        let at = |text: &str| text.parse::<Position>().unwrap();
        assert!(at("-1.5") < at("0") && at("3.2+1/3") < at("3.2+1/2") && at("3.5") < at("4"));
    }
}
