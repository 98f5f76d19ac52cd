//! A piece as a Standard MIDI File.

use midly::{
    Format, Header, MetaMessage, MidiMessage, Smf, Timing, Track, TrackEvent, TrackEventKind,
};
use num_rational::BigRational;
use num_traits::ToPrimitive;

use super::{BAR_1, CLOSING, END, KEY, OPENING, PLAYED_FADE};
use crate::chord::Chord;
use crate::exact::{Fraction, big};
use crate::piece::Piece;
use crate::position::Position;
use crate::tempo::TempoMap;

/// Ticks of a quarter note in exported files: halves, thirds, fifths and their likes are whole.
pub const TICKS_PER_QUARTER: u16 = 960;

/// Something at a tick, and its rank among those at the same tick.
struct At<'p> {
    tick: u64,
    rank: u8,
    kind: TrackEventKind<'p>,
}

/// The bar an exported file begins at: the opening mark's.
pub fn first_bar(piece: &Piece) -> i32 {
    piece.marks.opening.bar.min(1)
}

/// Writes the piece as format 1 with two tracks: the first has tempo, metre, key and markers for
/// sections and marks; the second the chords as notes, with their symbols as texts. Tick 0 is the
/// first beat of the opening mark's bar. Tempos are rounded to the nearest µs a quarter note, which
/// errs by BPM/120 ppm at most; a glide is written beat by beat.
pub fn export(piece: &Piece) -> Vec<u8> {
    let texts = Texts::of(piece);
    let map = track(map_events(piece, &texts));
    let chords = track(chord_events(piece));
    let timing = Timing::Metrical(TICKS_PER_QUARTER.into());
    let smf = Smf { header: Header::new(Format::Parallel, timing), tracks: vec![map, chords] };
    let mut bytes = Vec::new();
    // Writing to memory cannot fail, and every event was built in range.
    let _ = smf.write_std(&mut bytes);
    bytes
}

/// The texts the events borrow.
struct Texts {
    key: String,
    sections: Vec<String>,
}

impl Texts {
    fn of(piece: &Piece) -> Texts {
        let fade = |fade: bool| if fade { PLAYED_FADE } else { "" };
        let sections = piece.sections.iter();
        Texts {
            key: format!("{KEY}{}", piece.key),
            sections: sections.map(|s| format!("{}{}", s.name, fade(s.played_fade))).collect(),
        }
    }
}

fn map_events<'p>(piece: &'p Piece, texts: &'p Texts) -> Vec<At<'p>> {
    let clock = Clock { piece, origin: origin(piece) };
    let meta = |at, rank, message| At { tick: at, rank, kind: TrackEventKind::Meta(message) };
    let marker = |bar, rank, text: &'p str| {
        meta(clock.tick(&Position::bar_start(bar)), rank, MetaMessage::Marker(text.as_bytes()))
    };
    let mut events = vec![
        meta(0, 0, MetaMessage::TrackName(piece.title.as_bytes())),
        meta(0, 1, MetaMessage::Text(texts.key.as_bytes())),
        marker(1, 5, BAR_1),
        marker(piece.marks.opening.bar, 6, OPENING),
        marker(piece.last_bar + 1, 8, END),
    ];
    let signature = piece.key.signature();
    if signature.abs() <= 7 {
        // The flag is for a minor third above the tonic, which is as near as two words come.
        let third = (piece.key.pitch_classes()[2] + 12 - piece.key.tonic.pitch_class()) % 12;
        events.push(meta(0, 2, MetaMessage::KeySignature(signature as i8, third == 3)));
    }
    events.extend(piece.marks.closing.map(|closing| marker(closing.bar, 9, CLOSING)));
    let sections = piece.sections.iter().zip(&texts.sections);
    events.extend(sections.map(|(section, name)| marker(section.first_bar, 7, name)));
    for change in piece.tempo.metres() {
        let tick = if change.bar == 1 { 0 } else { clock.tick(&Position::bar_start(change.bar)) };
        let unit = change.metre.unit;
        // MIDI clocks of a beat: 24 to the quarter note.
        let clocks = (96 / unit).max(1) as u8;
        let power = unit.trailing_zeros() as u8;
        let beats = change.metre.beats as u8;
        events.push(meta(tick, 3, MetaMessage::TimeSignature(beats, power, clocks, 8)));
    }
    for (tick, us) in tempo_events(&piece.tempo, &clock, piece.last_bar) {
        events.push(meta(tick, 4, MetaMessage::Tempo(us.into())));
    }
    events
}

/// Tick and µs a quarter note, of every tempo written.
fn tempo_events(tempo: &TempoMap, clock: &Clock<'_>, last_bar: i32) -> Vec<(u64, u32)> {
    let mut written = Vec::new();
    for (index, change) in tempo.tempos().iter().enumerate() {
        let end = tempo.tempos().get(index + 1).map(|next| next.at);
        let steps = match end.filter(|_| change.glide) {
            Some(end) => glide_steps(tempo, change.at, end, last_bar),
            None => vec![change.at],
        };
        for (step, from) in steps.iter().enumerate() {
            let to = steps.get(step + 1).copied().or(end.filter(|_| change.glide));
            let us = us_per_quarter(tempo, *from, to);
            let tick = if index + step == 0 { 0 } else { clock.tick(from) };
            written.push((tick, us));
        }
    }
    written
}

/// A glide's start, and every beat inside it.
fn glide_steps(tempo: &TempoMap, from: Position, to: Position, last_bar: i32) -> Vec<Position> {
    let beats = tempo.beats(from.bar(), to.bar().min(last_bar + 64));
    let inside = beats.iter().map(|beat| beat.position).filter(|at| *at > from && *at < to);
    std::iter::once(from).chain(inside).collect()
}

/// µs of a quarter note from a place on: between two places their mean, else that of the tempo.
fn us_per_quarter(tempo: &TempoMap, from: Position, to: Option<Position>) -> u32 {
    let to = to.unwrap_or_else(|| Position::bar_start(from.bar() + 1));
    let seconds = tempo.exact_seconds_at(&to) - tempo.exact_seconds_at(&from);
    let quarters =
        (tempo.whole_notes_at(&to) - tempo.whole_notes_at(&from)) * Fraction::from_integer(4);
    let us = seconds * BigRational::from_integer(1_000_000.into()) / big(&quarters);
    // Three bytes hold it: the slowest tempo, 5 a minute, is 12 000 000 µs.
    us.round().to_integer().to_u32().unwrap_or(500_000).clamp(1, 0xFF_FFFF)
}

struct Clock<'p> {
    piece: &'p Piece,
    origin: Fraction,
}

impl Clock<'_> {
    fn tick(&self, position: &Position) -> u64 {
        let whole_notes = self.piece.tempo.whole_notes_at(position) - self.origin;
        let ticks = whole_notes * Fraction::from_integer(4 * i128::from(TICKS_PER_QUARTER));
        ticks.round().to_integer().max(0) as u64
    }
}

fn origin(piece: &Piece) -> Fraction {
    piece.tempo.whole_notes_at(&Position::bar_start(first_bar(piece)))
}

fn chord_events(piece: &Piece) -> Vec<At<'_>> {
    let clock = Clock { piece, origin: origin(piece) };
    let mut events = vec![At {
        tick: 0,
        rank: 0,
        kind: TrackEventKind::Meta(MetaMessage::TrackName(b"Chords")),
    }];
    let changes = piece.chart.changes();
    let end = clock.tick(&Position::bar_start(piece.last_bar + 1));
    for (index, change) in changes.iter().enumerate() {
        let Some(chord) = &change.chord else { continue };
        let from = clock.tick(&change.position);
        let to = changes.get(index + 1).map_or(end, |next| clock.tick(&next.position));
        let symbol = MetaMessage::Text(chord.symbol().as_bytes());
        events.push(At { tick: from, rank: 2, kind: TrackEventKind::Meta(symbol) });
        for key in voicing(chord) {
            let note = |velocity: u8| TrackEventKind::Midi {
                channel: 0.into(),
                message: match velocity {
                    0 => MidiMessage::NoteOff { key: key.into(), vel: 0.into() },
                    _ => MidiMessage::NoteOn { key: key.into(), vel: velocity.into() },
                },
            };
            events.push(At { tick: from, rank: 3, kind: note(72) });
            // Notes end before those of the same tick begin.
            events.push(At { tick: to, rank: 1, kind: note(0) });
        }
    }
    events
}

/// MIDI keys of a chord: its bass from E2 (40) up, its notes in close position from G3 (55) up.
fn voicing(chord: &Chord) -> Vec<u8> {
    let from = |lowest: u8, class: u8| lowest + (class + 12 - lowest % 12) % 12;
    let upper = chord.pitch_classes().into_iter().map(|class| from(55, class));
    let mut keys: Vec<u8> = std::iter::once(from(40, chord.bass())).chain(upper).collect();
    keys.sort_unstable();
    keys.dedup();
    keys
}

fn track(mut events: Vec<At<'_>>) -> Track<'_> {
    const LONGEST_DELTA: u64 = (1 << 28) - 1;
    events.sort_by_key(|event| (event.tick, event.rank));
    let mut track = Track::new();
    let mut now = 0;
    let mut push = |delta: u64, kind| {
        track.push(TrackEvent { delta: (delta as u32).into(), kind });
    };
    for event in events {
        while event.tick - now > LONGEST_DELTA {
            push(LONGEST_DELTA, TrackEventKind::Meta(MetaMessage::Text(b"")));
            now += LONGEST_DELTA;
        }
        push(event.tick - now, event.kind);
        now = event.tick;
    }
    push(0, TrackEventKind::Meta(MetaMessage::EndOfTrack));
    track
}
