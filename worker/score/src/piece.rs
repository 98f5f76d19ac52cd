//! A piece: what all take part in.

mod grid;
mod nightly;
mod read;
#[cfg(test)]
mod tests;
mod write;

pub use grid::PieceGrid;
pub use nightly::{Due, Nightly};

use crate::chart::Chart;
use crate::key::Key;
use crate::mistake::Mistakes;
use crate::tempo::TempoMap;

/// The most bars a piece may have.
pub const MOST_BARS: i32 = 10_000;

/// The composition and everything said about it in `piece.toml`.
#[derive(Clone, Debug, PartialEq)]
pub struct Piece {
    /// Short name for addresses and files: lower-case letters, digits and hyphens.
    pub slug: String,
    /// Its title.
    pub title: String,
    /// What it is, in a few paragraphs of plain text.
    pub about: String,
    /// Whom to name as its composer.
    pub composer_credit: String,
    /// Rate of the master grid.
    pub sample_rate_hz: u32,
    /// Tempo and metre.
    pub tempo: TempoMap,
    /// Key and mode.
    pub key: Key,
    /// Its sections in order, none overlapping.
    pub sections: Vec<Section>,
    /// The sync marks of the guide.
    pub marks: Marks,
    /// The chords.
    pub chart: Chart,
    /// The last bar of the music.
    pub last_bar: i32,
    /// Until when takes are wanted: RFC 3339, with its offset.
    pub deadline: Option<String>,
    /// IANA name of the zone the organiser lives by.
    pub time_zone: Option<String>,
    /// When a preview is made by itself.
    pub nightly: Option<Nightly>,
    /// What a final is to be.
    pub delivery: Delivery,
    /// How takes are corrected.
    pub conform: ConformPolicy,
    /// What is wanted now, a line each.
    pub wanted: Vec<String>,
    /// What contributors consent to.
    pub consent_wording: ConsentWording,
}

/// A run of bars with a name.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Section {
    /// Its name.
    pub name: String,
    /// Its first bar.
    pub first_bar: i32,
    /// Its last bar, included.
    pub last_bar: i32,
    /// Whether the players themselves fade here, so that no fader must move.
    pub played_fade: bool,
    /// Its chord pattern as written, if it has one (see [`crate::ChartRun`]).
    pub chords: Option<String>,
}

impl Section {
    /// How many bars it has.
    pub fn bars(&self) -> i32 {
        self.last_bar - self.first_bar + 1
    }
}

/// A sync sound of the guide. Its origin lies on the first beat of its bar.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Mark {
    /// The bar whose first beat it stands for.
    pub bar: i32,
}

/// The marks of a guide.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Marks {
    /// In the lead-in: bar 0 or below.
    pub opening: Mark,
    /// After the last bar, if there is one.
    pub closing: Option<Mark>,
    /// A recording of the organiser's to use instead of the designed mark, beside `piece.toml`.
    pub own_file: Option<String>,
}

impl Default for Marks {
    /// An opening mark two bars before the music, and no closing one.
    fn default() -> Marks {
        Marks { opening: Mark { bar: -1 }, closing: None, own_file: None }
    }
}

/// What a final is to be.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Delivery {
    /// Gated loudness in LUFS. −16 is what AES TD1008 (2021) asks of a music track.
    pub target_lufs: f64,
    /// Highest true peak in dBTP. −1 is the limit of EBU R 128.
    pub max_dbtp: f64,
    /// Bits of a delivered sample: 16, 24, or 32 for floating point.
    pub bits: u16,
}

impl Default for Delivery {
    fn default() -> Delivery {
        Delivery { target_lufs: -16.0, max_dbtp: -1.0, bits: 24 }
    }
}

/// How takes are corrected.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ConformPolicy {
    /// A tempo error up to so many cents is corrected by resampling alone, which moves the pitch by
    /// as much; 5 cents is about what a listener can notice.
    pub resample_limit_cents: f64,
    /// How far every onset is drawn to its pulse, 0 to 0.5. 0 leaves the playing alone.
    pub easing_strength: f64,
    /// Whether blunders alone are eased.
    pub ease_blunders: bool,
    /// How late the ensemble plays as a whole, where a constant lateness is corrected to; `None`
    /// where the piece does not say.
    pub ensemble_lag_ms: Option<f64>,
}

impl Default for ConformPolicy {
    fn default() -> ConformPolicy {
        ConformPolicy {
            resample_limit_cents: 5.0,
            easing_strength: 0.0,
            ease_blunders: false,
            ensemble_lag_ms: None,
        }
    }
}

/// What contributors are asked to agree to, word by word. It is kept with each take by version, so
/// a changed wording needs a new version. Local law comes first: have it read by somebody who
/// knows the law where the contributors live.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConsentWording {
    /// Name of this wording.
    pub version: String,
    /// To the use of the recording. Without it there is no take.
    pub recording: String,
    /// To being named in the credits.
    pub credit: String,
    /// A guardian's, when the player is a minor.
    pub guardian: String,
}

impl Default for ConsentWording {
    fn default() -> ConsentWording {
        ConsentWording {
            version: "1".into(),
            recording: "I played this myself, or lead those who did, and I agree that the \
                        organiser mixes the recording into this piece and publishes the piece. I \
                        can withdraw it later, and it then leaves every new mix."
                .into(),
            credit: "Name me in the credits as I wrote above.".into(),
            guardian: "The player is a minor. I am their parent or guardian and agree for them."
                .into(),
        }
    }
}

impl Default for Piece {
    /// Eight bars of 4/4 at 120 in C major, one section, an opening mark two bars ahead.
    fn default() -> Piece {
        Piece {
            slug: "untitled".into(),
            title: "Untitled".into(),
            about: String::new(),
            composer_credit: String::new(),
            sample_rate_hz: 48_000,
            tempo: TempoMap::default(),
            key: Key::default(),
            sections: vec![Section {
                name: "All".into(),
                first_bar: 1,
                last_bar: 8,
                ..Section::default()
            }],
            marks: Marks::default(),
            chart: Chart::default(),
            last_bar: 8,
            deadline: None,
            time_zone: None,
            nightly: None,
            delivery: Delivery::default(),
            conform: ConformPolicy::default(),
            wanted: Vec::new(),
            consent_wording: ConsentWording::default(),
        }
    }
}

impl Piece {
    /// Reads `piece.toml`; else every mistake in it, with its line.
    pub fn from_toml(text: &str, file_name: &str) -> Result<Piece, Mistakes> {
        read::from_toml(text, file_name)
    }

    /// Reads the JSON form; mistakes carry RFC 6901 pointers.
    pub fn from_json(text: &str, file_name: &str) -> Result<Piece, Mistakes> {
        read::from_json(text, file_name)
    }

    /// The document as TOML; reading it gives the same piece. Comments are not kept.
    pub fn to_toml(&self) -> String {
        write::to_toml(self)
    }

    /// The document as JSON, with the same keys as the TOML.
    pub fn to_json(&self) -> serde_json::Value {
        write::to_json(self)
    }

    /// The piece without the address that nightly previews are told to: it may hold a secret, and
    /// neither the public nor who gets the files of a mix has any use for it.
    pub fn without_addresses(&self) -> Piece {
        let mut piece = self.clone();
        if let Some(nightly) = &mut piece.nightly {
            nightly.webhook = None;
        }
        piece
    }

    /// The section a bar belongs to.
    pub fn section_at(&self, bar: i32) -> Option<usize> {
        self.sections
            .iter()
            .position(|section| (section.first_bar..=section.last_bar).contains(&bar))
    }

    /// A section by name, in any case.
    pub fn section_named(&self, name: &str) -> Option<usize> {
        let name = name.trim().to_lowercase();
        self.sections.iter().position(|section| section.name.to_lowercase() == name)
    }
}
