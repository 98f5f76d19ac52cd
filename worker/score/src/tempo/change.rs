//! Metres, tempos, and what can be wrong with a list of them.

use num_rational::BigRational;

use super::MOST_CHANGES;
use crate::exact::{Fraction, big, float};
use crate::position::{LAST_BAR, Position};

/// How a bar is counted: `beats` units of one `unit`th note, such as 5/4.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Metre {
    /// Beats in a bar, 1 to 64.
    pub beats: u32,
    /// The note that has one beat, as the lower number of the metre: 1, 2, 4, … 64.
    pub unit: u32,
}

impl Metre {
    /// A metre, if its numbers are ones music uses: 1–64 beats of a 1st, 2nd, 4th … 64th note.
    pub fn new(beats: u32, unit: u32) -> Option<Metre> {
        let fits = (1..=64).contains(&beats) && unit.is_power_of_two() && unit <= 64;
        fits.then_some(Metre { beats, unit })
    }

    pub(super) fn whole_notes(self) -> Fraction {
        Fraction::new(self.beats.into(), self.unit.into())
    }
}

impl std::fmt::Display for Metre {
    fn fmt(&self, out: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(out, "{}/{}", self.beats, self.unit)
    }
}

/// A metre and the bar it begins at.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MetreChange {
    /// The first bar counted so.
    pub bar: i32,
    /// The metre from there on.
    pub metre: Metre,
}

/// A tempo and the place it begins at.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TempoChange {
    /// Where it begins.
    pub at: Position,
    pub(crate) bpm: Fraction,
    pub(crate) beat_unit: Fraction,
    /// Whether the length of a beat moves in a straight line from here to the next change.
    pub glide: bool,
}

impl TempoChange {
    /// `beats` beats in `minutes` minutes, a beat being a quarter note: exact where a float would
    /// not be. `None` for zeros, parts above a million million, or a tempo outside 5–2 000.
    pub fn new(at: Position, beats: u64, minutes: u64) -> Option<TempoChange> {
        if beats == 0 || minutes == 0 || beats.max(minutes) > 1_000_000_000_000 {
            return None;
        }
        let bpm = Fraction::new(beats.into(), minutes.into());
        TempoChange::exact(at, bpm, Fraction::new(1, 4), false)
    }

    pub(crate) fn exact(
        at: Position,
        bpm: Fraction,
        beat_unit: Fraction,
        glide: bool,
    ) -> Option<TempoChange> {
        let quarters = bpm * beat_unit * Fraction::from_integer(4);
        let fits =
            quarters >= Fraction::from_integer(5) && quarters <= Fraction::from_integer(2_000);
        fits.then_some(TempoChange { at, bpm, beat_unit, glide })
    }

    /// Beats a minute.
    pub fn bpm(&self) -> f64 {
        float(&self.bpm)
    }

    /// The note that has one beat, as a part of a whole note: (1, 4) is a quarter, (3, 8) a dotted
    /// quarter.
    pub fn beat_unit(&self) -> (u32, u32) {
        (*self.beat_unit.numer() as u32, *self.beat_unit.denom() as u32)
    }

    pub(super) fn seconds_per_whole(&self) -> BigRational {
        big(&(Fraction::from_integer(60) / (self.bpm * self.beat_unit)))
    }
}

/// Which entry of a tempo map is at fault, and how.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{what}; {instead}")]
pub struct TempoError {
    /// The entry at fault.
    pub entry: TempoEntry,
    /// What is wrong.
    pub what: String,
    /// What would be right.
    pub instead: String,
}

/// An entry of a tempo map, by its place in the list.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TempoEntry {
    /// The nth tempo change, from 0.
    Tempo(usize),
    /// The nth metre change, from 0.
    Metre(usize),
}

pub(super) fn metre_faults(metres: &[MetreChange]) -> Vec<TempoError> {
    let fault = |index, what: String, instead: &str| TempoError {
        entry: TempoEntry::Metre(index),
        what,
        instead: instead.into(),
    };
    if metres.is_empty() {
        return vec![fault(0, "there is no metre".into(), "give one for bar 1, such as \"5/4\"")];
    }
    let mut faults = Vec::new();
    if metres.len() > MOST_CHANGES {
        let what = format!("there are {} metre changes", metres.len());
        faults.push(fault(0, what, "keep to 20 000"));
    }
    if metres[0].bar != 1 {
        let what = format!("the first metre begins at bar {}", metres[0].bar);
        faults.push(fault(0, what, "begin it at bar 1; the lead-in is counted in it too"));
    }
    for (index, pair) in metres.windows(2).enumerate() {
        if pair[1].bar <= pair[0].bar {
            let what =
                format!("the metre at bar {} follows the one at bar {}", pair[1].bar, pair[0].bar);
            faults.push(fault(index + 1, what, "list metre changes in order, one for a bar"));
        } else if pair[1].bar > LAST_BAR {
            let what = format!("bar {} is beyond any piece", pair[1].bar);
            faults.push(fault(index + 1, what, "keep to 100 000 bars"));
        }
    }
    faults
}

pub(super) fn tempo_faults(tempos: &[TempoChange]) -> Vec<TempoError> {
    let fault = |index, what: String, instead: &str| TempoError {
        entry: TempoEntry::Tempo(index),
        what,
        instead: instead.into(),
    };
    if tempos.is_empty() {
        return vec![fault(0, "there is no tempo".into(), "give one at \"1\", such as bpm = 132")];
    }
    let mut faults = Vec::new();
    if tempos.len() > MOST_CHANGES {
        let what = format!("there are {} tempo changes", tempos.len());
        faults.push(fault(0, what, "keep to 20 000"));
    }
    if tempos[0].at != Position::bar_start(1) {
        let what = format!("the first tempo stands at {}", tempos[0].at);
        faults.push(fault(0, what, "set it at \"1\"; the lead-in has it too"));
    }
    for (index, pair) in tempos.windows(2).enumerate() {
        if pair[1].at <= pair[0].at {
            let what = format!("the tempo at {} follows the one at {}", pair[1].at, pair[0].at);
            faults.push(fault(index + 1, what, "list tempo changes in order, one for a place"));
        }
    }
    let last = tempos.len() - 1;
    if tempos[last].glide {
        let what = "the last tempo glides but there is no next one".to_string();
        faults.push(fault(last, what, "add the tempo to arrive at, or leave 'glide' out"));
    }
    faults
}
