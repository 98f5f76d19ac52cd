//! What a player plays: the notes of a part, with a human's timing.

use crate::instrument::Instrument;
use crate::rng::Dice;
use crate::sheet::Sheet;

/// How a part goes with the pulse.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Pattern {
    /// A note on every beat.
    Pulse,
    /// A note on every half beat, accents on the bar.
    Halves,
    /// Between the beats only.
    OffBeats,
    /// A tune of chord tones and neighbours in mixed lengths.
    Tune,
    /// Roots and fifths on the first and fourth beat.
    Bass,
    /// One long chord a bar.
    Pad,
    /// A stroke on each bar's first beat, sometimes one more.
    Sparse,
}

impl Pattern {
    /// What suits an instrument.
    pub fn suited_to(instrument: Instrument) -> &'static [Pattern] {
        match instrument {
            Instrument::Squeezebox => &[Pattern::Tune, Pattern::Halves, Pattern::OffBeats],
            Instrument::Whistle => &[Pattern::Tune],
            Instrument::Bell => &[Pattern::Sparse, Pattern::Pulse],
            Instrument::Plucked => &[Pattern::Halves, Pattern::Tune, Pattern::Pulse],
            Instrument::Bowed => &[Pattern::Tune, Pattern::Pad],
            Instrument::LowBrass => &[Pattern::Bass],
            Instrument::Voice => &[Pattern::Pad, Pattern::Tune],
            Instrument::Hands => &[Pattern::Halves, Pattern::Pulse, Pattern::OffBeats],
            Instrument::Found => &[Pattern::Pulse, Pattern::Sparse],
        }
    }
}

/// How loosely somebody plays.
#[derive(Debug, Clone, Copy)]
pub struct Timing {
    /// How late on the average, milliseconds; negative is early.
    pub lag_ms: f64,
    /// Standard deviation from note to note, milliseconds.
    pub jitter_ms: f64,
    /// Standard deviation of the slow wandering about the lag, milliseconds.
    pub wander_ms: f64,
}

/// A note in piece time.
#[derive(Debug, Clone, Copy)]
pub struct Played {
    /// Where the chart puts it, seconds after bar 1 beat 1.
    pub written_s: f64,
    /// Where the player puts it.
    pub played_s: f64,
    /// How long it sounds.
    pub length_s: f64,
    /// MIDI note number (ISO 16: 69 is 440 Hz).
    pub note: f64,
    /// 0 to 1.
    pub velocity: f32,
}

/// Writes the part out: which notes, and when this player would play them.
///
/// `wrong_mode` flattens the third of every chord and raises the seventh: a player who learned
/// the piece in another mode.
pub fn write_part(
    sheet: &Sheet,
    instrument: Instrument,
    pattern: Pattern,
    timing: Timing,
    wrong_mode: bool,
    seed: u64,
) -> Vec<Played> {
    let mut dice = Dice::new(seed, 3);
    let mut notes = Vec::new();
    for beat in 0..sheet.beats.len() {
        strokes(sheet, instrument, pattern, beat, &mut dice, &mut notes);
    }
    if wrong_mode {
        for played in &mut notes {
            played.note = sheet.in_wrong_mode(played.note);
        }
    }
    be_human(&mut notes, timing, seed);
    notes
}

/// The strokes of one beat, in time as written.
fn strokes(
    sheet: &Sheet,
    instrument: Instrument,
    pattern: Pattern,
    beat: usize,
    dice: &mut Dice,
    notes: &mut Vec<Played>,
) {
    let here = &sheet.beats[beat];
    let beat_s = sheet.beat_length_s(beat);
    let loud = sheet.fade_gain(here.at_s) * if here.in_bar == 0 { 1.0 } else { 0.75 };
    let near = |class: u8, octave: i32| near_centre(class, instrument.centre_note() + 12 * octave);
    let mut add = |offset: f64, length: f64, note: i32, velocity: f32| {
        let written_s = here.at_s + offset * beat_s;
        notes.push(Played {
            written_s,
            played_s: written_s,
            length_s: length * beat_s,
            note: f64::from(note),
            velocity: velocity * loud,
        });
    };
    let chord = &here.chord;
    match pattern {
        Pattern::Pulse => add(0.0, 0.8, near(*dice.pick(chord), 0), 0.9),
        Pattern::Halves => {
            add(0.0, 0.45, near(*dice.pick(chord), 0), 0.9);
            add(0.5, 0.4, near(*dice.pick(chord), 0), 0.6);
        }
        Pattern::OffBeats => add(0.5, 0.4, near(*dice.pick(chord), 0), 0.8),
        Pattern::Tune => tune(here.in_bar, chord, sheet, dice, &mut |offset, length, class, v| {
            add(offset, length, near(class, 0), v);
        }),
        Pattern::Bass if here.in_bar == 0 => add(0.0, 2.6, near(chord[0], 0), 1.0),
        Pattern::Bass if here.in_bar == 3 => {
            add(0.0, 1.7, near(chord[2 % chord.len()], 0), 0.8);
        }
        Pattern::Pad if here.in_bar == 0 => {
            for class in chord {
                add(0.0, f64::from(here.bar_beats) * 0.97, near(*class, 0), 0.6);
            }
        }
        Pattern::Sparse if here.in_bar == 0 => add(0.0, 2.0, near(*dice.pick(chord), 0), 1.0),
        Pattern::Sparse if here.in_bar == 3 && dice.chance(0.3) => {
            add(0.0, 1.0, near(*dice.pick(chord), 0), 0.7);
        }
        Pattern::Bass | Pattern::Pad | Pattern::Sparse => {}
    }
}

/// A beat of a tune: one long note, two halves, or a rest.
fn tune(
    in_bar: u32,
    chord: &[u8],
    sheet: &Sheet,
    dice: &mut Dice,
    add: &mut dyn FnMut(f64, f64, u8, f32),
) {
    let draw = dice.between(0.0, 1.0);
    if in_bar == 0 || draw < 0.5 {
        add(0.0, 0.95, *dice.pick(chord), 0.9);
    } else if draw < 0.85 {
        add(0.0, 0.48, *dice.pick(&sheet.scale), 0.8);
        add(0.5, 0.45, *dice.pick(chord), 0.7);
    }
}

/// The note of a pitch class that lies nearest to a centre.
fn near_centre(class: u8, centre: i32) -> i32 {
    let offset = (i32::from(class) - centre).rem_euclid(12);
    if offset <= 6 { centre + offset } else { centre + offset - 12 }
}

/// Moves the notes as a person would: late on the average, wandering slowly, and a little off
/// each time. Notes written at one instant (a chord) move together.
fn be_human(notes: &mut [Played], timing: Timing, seed: u64) {
    let mut dice = Dice::new(seed, 4);
    let mut wander = dice.normal() * timing.wander_ms;
    let (mut last_written, mut deviation_s) = (f64::NEG_INFINITY, 0.0);
    for note in notes {
        if note.written_s > last_written + 1e-6 {
            // A first-order drift with a memory of about ten seconds.
            let gap = (note.written_s - last_written).min(30.0);
            let keep = (-gap / 10.0).exp();
            wander = wander * keep + dice.normal() * timing.wander_ms * (1.0 - keep * keep).sqrt();
            deviation_s = (timing.lag_ms + wander + dice.normal() * timing.jitter_ms) * 1e-3;
            last_written = note.written_s;
        }
        note.played_s = note.written_s + deviation_s;
        note.velocity *= 1.0 + 0.1 * dice.normal().clamp(-2.0, 2.0) as f32;
    }
}
