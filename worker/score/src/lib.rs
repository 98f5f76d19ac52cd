//! The nouns of a piece and their rules: tempo map, sections, arrangement, takes.
//!
//! Here music time becomes samples, exactly. The crate knows no sound, no store and no network; it
//! reads and writes the documents people edit and says every mistake in them at once.

mod exact;
mod document;
mod position;
mod tempo;
mod key;
mod chord;
mod chart;
mod piece;
mod family;
mod take;
mod arrangement;
mod csv;
mod credits;
mod offsets;
pub mod midi;
mod demo;
mod mistake;

pub use arrangement::{
    Arrangement, BAND_KINDS, Cell, CellPoint, Change, CurvePoint, Group, Rule, SectionGroups,
    Shape, StemException, Tone, ToneBand, ToneCompressor, ToneRoom, TypedCell, TypedPoint, changed,
    difference,
};
pub use chart::{Chart, ChartError, ChartRun, ChordChange};
pub use chord::{Chord, NotAChord};
pub use credits::{Credit, Credits, credits};
pub use demo::{ARRANGEMENT_TOML, PIECE_TOML, nine_harbours};
pub use family::{Family, Suggestion, families, family_keyed, suggest};
pub use key::{Key, Mode, NotANote, NoteName};
pub use mistake::{Mistake, Mistakes, nearest};
pub use offsets::{EDL_EVENTS, EdlFile, FrameRate, NotAFrameRate, OffsetList, TakeOffset};
pub use piece::{
    ConformPolicy, ConsentWording, Delivery, Due, MOST_BARS, Mark, Marks, Nightly, Piece,
    PieceGrid, Section,
};
pub use position::{NotAPosition, Position};
pub use take::{Consents, NotAState, TakeFacts, TakeForm, TakeState};
pub use tempo::{
    Beat, MOST_CHANGES, Metre, MetreChange, PlaceInMusic, TempoChange, TempoEntry, TempoError,
    TempoMap,
};
