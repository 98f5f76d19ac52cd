//! The arrangement map: who belongs to which group, and how loud each group is, section by section.

mod change;
mod curve;
mod difference;
mod read;
mod tone;
#[cfg(test)]
mod tests;
mod write;

pub use change::{Change, TypedCell, TypedPoint, changed};
pub use curve::{CurvePoint, Shape};
pub use difference::difference;
pub use tone::{BAND_KINDS, Tone, ToneBand, ToneCompressor, ToneRoom};

use crate::mistake::Mistakes;
use crate::piece::Piece;
use crate::position::Position;
use crate::take::TakeFacts;

/// Groups, their levels along the piece, and exceptions for single stems.
#[derive(Clone, Debug, PartialEq)]
pub struct Arrangement {
    note: String,
    step_ms: f64,
    groups: Vec<Group>,
    sections: Vec<SectionGroups>,
    cells: Vec<Cell>,
    stems: Vec<StemException>,
    room: Option<ToneRoom>,
    mix: Tone,
}

/// Stems that move together.
#[derive(Clone, Debug, PartialEq)]
pub struct Group {
    /// Its name.
    pub name: String,
    /// A take belongs to the first group of which one rule fits.
    pub rules: Vec<Rule>,
    /// Whether it takes whatever no rule fits; one group at most.
    pub takes_rest: bool,
    /// Its level all along, on top of its curve.
    pub gain_db: f64,
    /// Where its middle lies: −1 left, 0 middle, 1 right.
    pub pan: f64,
    /// How wide its stems are spread about that: 0 a point, 1 the whole stage; `None` lets the
    /// mixer choose.
    pub spread: Option<f64>,
    /// Whether it is silent all along.
    pub mute: bool,
    /// Its tone.
    pub tone: Tone,
}

impl Default for Group {
    /// Everyone, untouched.
    fn default() -> Group {
        Group {
            name: "Everyone".into(),
            rules: Vec::new(),
            takes_rest: true,
            gain_db: 0.0,
            pan: 0.0,
            spread: None,
            mute: false,
            tone: Tone::default(),
        }
    }
}

/// Conditions on a take, all of which must hold; a list holds if one of its words does, an empty
/// one always. A word is compared without regard to case and may begin or end with `*`.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Rule {
    /// Keys of families.
    pub family: Vec<String>,
    /// Instruments as contributors wrote them.
    pub instrument: Vec<String>,
    /// `low`, `middle`, `high`.
    pub register: Vec<String>,
    /// Tags, one of which the take must carry.
    pub tag: Vec<String>,
    /// Places.
    pub place: Vec<String>,
}

impl Rule {
    /// Whether a take meets it.
    pub fn fits(&self, facts: &TakeFacts) -> bool {
        let tags = self.tag.is_empty() || facts.tags.iter().any(|tag| one_fits(&self.tag, tag));
        let among = |words: &[String], fact: &str| words.is_empty() || one_fits(words, fact);
        tags && among(&self.family, &facts.family)
            && among(&self.instrument, &facts.instrument)
            && among(&self.register, &facts.register)
            && among(&self.place, &facts.place)
    }
}

fn one_fits(words: &[String], fact: &str) -> bool {
    let fact = fact.trim().to_lowercase();
    words.iter().any(|word| {
        let word = word.trim().to_lowercase();
        match (word.strip_prefix('*'), word.strip_suffix('*')) {
            (Some(end), None) => fact.ends_with(end),
            (None, Some(start)) => fact.starts_with(start),
            (Some(_), Some(_)) => fact.contains(word.trim_matches('*')),
            (None, None) => fact == word,
        }
    })
}

/// Which groups a section lets be heard.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct SectionGroups {
    /// The section's name.
    pub section: String,
    /// Only these sound in it.
    pub only: Vec<String>,
}

/// One group in one section. Where there is none, the group plays at 0 dB.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Cell {
    /// The section's name.
    pub section: String,
    /// The group's name.
    pub group: String,
    /// Level all through the section, on top of the curve.
    pub gain_db: f64,
    /// Whether the group is silent in it.
    pub mute: bool,
    /// Silent before this place.
    pub enter: Option<Position>,
    /// Silent from this place on.
    pub exit: Option<Position>,
    /// Points in order; before the first its level holds, after the last too.
    pub curve: Vec<CellPoint>,
}

/// A point of a cell's curve.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CellPoint {
    /// Where it lies.
    pub at: Position,
    /// Its level; −∞ is silence.
    pub db: f64,
    /// How the level goes to the next point.
    pub shape: Shape,
}

/// What is different for one take.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct StemException {
    /// The take's id.
    pub take: String,
    /// Level on top of everything else.
    pub gain_db: f64,
    /// A place of its own instead of the mixer's: −1 left to 1 right.
    pub pan: Option<f64>,
    /// Whether it is left out.
    pub mute: bool,
    /// A group of its own choosing, by name.
    pub group: Option<String>,
    /// Why.
    pub note: String,
}

impl Default for Arrangement {
    /// Every take in one group, everywhere at 0 dB.
    fn default() -> Arrangement {
        Arrangement {
            note: String::new(),
            step_ms: read::DEFAULT_STEP_MS,
            room: None,
            mix: Tone::default(),
            groups: vec![Group::default()],
            sections: Vec::new(),
            cells: Vec::new(),
            stems: Vec::new(),
        }
    }
}

impl Arrangement {
    /// Reads `arrangement.toml` for a piece; else every mistake in it, with its line.
    pub fn from_toml(text: &str, file_name: &str, piece: &Piece) -> Result<Arrangement, Mistakes> {
        read::from_toml(text, file_name, piece)
    }

    /// Reads the JSON form for a piece; mistakes carry RFC 6901 pointers.
    pub fn from_json(text: &str, file_name: &str, piece: &Piece) -> Result<Arrangement, Mistakes> {
        read::from_json(text, file_name, piece)
    }

    /// How long a group takes to come or go where it is let in or shut out.
    pub fn step_ms(&self) -> f64 {
        self.step_ms
    }

    /// The document as TOML; reading it gives the same arrangement. Comments are not kept.
    pub fn to_toml(&self) -> String {
        write::to_toml(self)
    }

    /// The document as JSON, with the same keys as the TOML.
    pub fn to_json(&self) -> serde_json::Value {
        write::to_json(self)
    }

    /// Whether it still fits a piece that has changed since; else what no longer does.
    pub fn check(&self, piece: &Piece) -> Result<(), Mistakes> {
        let text = self.to_json().to_string();
        Arrangement::from_json(&text, "arrangement", piece).map(|_| ())
    }

    /// What its author says of this version.
    pub fn note(&self) -> &str {
        &self.note
    }

    /// The groups, in the order their rules are tried.
    pub fn groups(&self) -> &[Group] {
        &self.groups
    }

    /// Which groups each section is limited to.
    pub fn sections(&self) -> &[SectionGroups] {
        &self.sections
    }

    /// The cells.
    pub fn cells(&self) -> &[Cell] {
        &self.cells
    }

    /// The cell of a section and a group, if one is written.
    pub fn cell(&self, section: &str, group: &str) -> Option<&Cell> {
        self.cells.iter().find(|cell| same(&cell.section, section) && same(&cell.group, group))
    }

    /// Whether a group is let in anywhere in a section: not muted, not shut out by an `only`, and
    /// not silent by its cell all along.
    pub fn plays(&self, section: &str, group: &str) -> bool {
        let Some(known) = self.group_named(group).map(|at| &self.groups[at]) else { return false };
        let shut = self.cell(section, group).is_some_and(|cell| {
            let silent = |point: &CellPoint| point.db == f64::NEG_INFINITY;
            cell.mute || (!cell.curve.is_empty() && cell.curve.iter().all(silent))
        });
        !known.mute && self.lets_in(section, group) && !shut
    }

    /// Whether a section lets a group be heard: it has no `only`, or one with the group's name.
    pub fn lets_in(&self, section: &str, group: &str) -> bool {
        let only = self.sections.iter().find(|limit| same(&limit.section, section));
        only.is_none_or(|limit| limit.only.iter().any(|name| same(name, group)))
    }

    /// What a group does all along, in a few words: `muted`, `-3 dB`.
    pub fn all_along_in_words(group: &Group) -> String {
        if group.mute { "muted".into() } else { difference::db(group.gain_db) }
    }

    /// What a group does in a section, in a few words: `silent`, `0 dB`, `from 17`, its curve.
    pub fn in_words(&self, section: &str, group: &str) -> String {
        if !self.plays(section, group) {
            return "silent".into();
        }
        let Some(cell) = self.cell(section, group) else { return difference::db(0.0) };
        let mut words = Vec::new();
        words.extend(cell.enter.as_ref().map(|at| format!("from {at}")));
        words.extend(cell.exit.as_ref().map(|at| format!("until {at}")));
        if !cell.curve.is_empty() {
            words.push(difference::curve_in_words(&cell.curve));
        }
        if cell.gain_db != 0.0 || words.is_empty() {
            words.push(difference::db(cell.gain_db));
        }
        words.join("; ")
    }

    /// The exceptions.
    pub fn stems(&self) -> &[StemException] {
        &self.stems
    }

    /// The room that groups send to, if it is not the usual one.
    pub fn room(&self) -> Option<&ToneRoom> {
        self.room.as_ref()
    }

    /// Tone of the whole mix, before the master.
    pub fn mix_tone(&self) -> &Tone {
        &self.mix
    }

    /// A group by name, in any case.
    pub fn group_named(&self, name: &str) -> Option<usize> {
        self.groups.iter().position(|group| same(&group.name, name))
    }

    /// The group a take belongs to by its facts: the first of which a rule fits, else the one that
    /// takes the rest, else none (and the take is not heard).
    pub fn group_of(&self, facts: &TakeFacts) -> Option<usize> {
        let fits = |group: &Group| group.rules.iter().any(|rule| rule.fits(facts));
        let by_rule = self.groups.iter().position(fits);
        by_rule.or_else(|| self.groups.iter().position(|group| group.takes_rest))
    }

    /// The group of one take: its exception's own, else [`Arrangement::group_of`] its facts.
    pub fn group_of_take(&self, take_id: &str, facts: &TakeFacts) -> Option<usize> {
        let own = self.exception_for(take_id).and_then(|stem| stem.group.as_deref());
        own.and_then(|name| self.group_named(name)).or_else(|| self.group_of(facts))
    }

    /// What is different for one take.
    pub fn exception_for(&self, take_id: &str) -> Option<&StemException> {
        self.stems.iter().find(|stem| stem.take == take_id)
    }

    /// A group's level along the piece, as points on the master grid in order, the first at the
    /// first section's start. Before the first and after the last point the level holds. The
    /// group's own `gain_db` is not in it; `mute` is. A level never jumps: entries, exits and
    /// borders become ramps of `step_ms` (up: done when the place comes; down: begun there).
    pub fn group_curve(&self, group: usize, piece: &Piece) -> Vec<CurvePoint> {
        curve::group_curve(self, group, piece)
    }
}

fn same(a: &str, b: &str) -> bool {
    a.trim().to_lowercase() == b.trim().to_lowercase()
}
