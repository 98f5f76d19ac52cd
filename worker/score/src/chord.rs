//! Chord symbols, as lead sheets write them, read to pitch classes.

use std::fmt;
use std::str::FromStr;

use crate::key::NoteName;

/// A chord: its symbol and the notes it asks for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Chord {
    symbol: String,
    root: NoteName,
    bass: Option<NoteName>,
    notes: u16,
}

impl Chord {
    /// The symbol as written.
    pub fn symbol(&self) -> &str {
        &self.symbol
    }

    /// The root's pitch class.
    pub fn root(&self) -> u8 {
        self.root.pitch_class()
    }

    /// The lowest note's pitch class: the one after the slash, else the root.
    pub fn bass(&self) -> u8 {
        self.bass.unwrap_or(self.root).pitch_class()
    }

    /// The pitch classes, upwards from the root.
    pub fn pitch_classes(&self) -> Vec<u8> {
        let upwards = (0..12).map(|step| (self.root() + step) % 12);
        upwards.filter(|class| self.notes & (1 << class) != 0).collect()
    }

    /// Whether a pitch class belongs to it.
    pub fn has(&self, pitch_class: u8) -> bool {
        pitch_class < 12 && self.notes & (1 << pitch_class) != 0
    }
}

impl fmt::Display for Chord {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(&self.symbol)
    }
}

/// Why a text is no chord symbol.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("write a root and a quality, such as G, F#m7, Bbmaj7, Dsus4 or C/E; N.C. for none")]
pub struct NotAChord;

impl FromStr for Chord {
    type Err = NotAChord;

    fn from_str(symbol: &str) -> Result<Chord, NotAChord> {
        if symbol.len() > 32 {
            return Err(NotAChord);
        }
        let (root, rest) = NoteName::split_from(symbol).ok_or(NotAChord)?;
        // The slash of 6/9 is part of the quality; a bass note begins with a letter.
        let (quality, bass) = match rest.rsplit_once('/') {
            Some((quality, bass)) if bass != "9" => {
                (quality, Some(bass.parse::<NoteName>().map_err(|_| NotAChord)?))
            }
            _ => (rest, None),
        };
        let steps = steps_of(quality).ok_or(NotAChord)?;
        let mut notes = 0_u16;
        for step in (0..12).filter(|step| steps & (1 << step) != 0) {
            notes |= 1 << ((root.pitch_class() + step) % 12);
        }
        if let Some(bass) = bass {
            notes |= 1 << bass.pitch_class();
        }
        Ok(Chord { symbol: symbol.to_string(), root, bass, notes })
    }
}

const THIRD: [u8; 2] = [3, 4];
const FIFTH: [u8; 3] = [6, 7, 8];

/// A chord while its symbol is read: semitones above the root, one bit each.
struct Steps(u16);

impl Steps {
    fn add(&mut self, step: u8) {
        self.0 |= 1 << (step % 12);
    }

    fn replace(&mut self, old: &[u8], new: u8) {
        old.iter().for_each(|step| self.0 &= !(1 << step));
        self.add(new);
    }
}

/// Common practice of lead sheets, no source: a plain root is the major triad, `m` or `-` lowers
/// the third, a number names the highest third stacked, with a lowered seventh unless `maj`.
fn steps_of(quality: &str) -> Option<u16> {
    let plain: String = quality.chars().filter(|c| !"(), ".contains(*c)).collect();
    let (mut steps, mut rest, diminished) = triad(&plain);
    let mut seventh = if diminished { 9 } else { 10 };
    if quality.starts_with('ø') {
        seventh = 10;
        steps.add(10);
    }
    for major in ["maj", "Maj", "M", "Δ", "^"] {
        if let Some(after) = rest.strip_prefix(major) {
            seventh = 11;
            rest = after;
            if major == "Δ" || major == "^" {
                steps.add(11);
            }
            break;
        }
    }
    if let Some((number, after)) = stacked(rest) {
        rest = after;
        stack(&mut steps, number, seventh);
    }
    alterations(&mut steps, rest)?;
    Some(steps.0)
}

fn triad(quality: &str) -> (Steps, &str, bool) {
    const TRIADS: [(&str, [u8; 3], bool); 10] = [
        ("dim", [0, 3, 6], true),
        ("°", [0, 3, 6], true),
        ("o", [0, 3, 6], true),
        ("ø", [0, 3, 6], false),
        ("aug", [0, 4, 8], false),
        ("+", [0, 4, 8], false),
        ("min", [0, 3, 7], false),
        ("mi", [0, 3, 7], false),
        ("-", [0, 3, 7], false),
        ("m", [0, 3, 7], false),
    ];
    let is_minor_m = |name: &str| name != "m" || !quality.starts_with("maj");
    for (name, notes, diminished) in TRIADS {
        if let Some(rest) = quality.strip_prefix(name).filter(|_| is_minor_m(name)) {
            let mut steps = Steps(0);
            notes.iter().for_each(|step| steps.add(*step));
            return (steps, rest, diminished);
        }
    }
    let mut steps = Steps(0);
    [0, 4, 7].iter().for_each(|step| steps.add(*step));
    (steps, quality, false)
}

fn stacked(rest: &str) -> Option<(&'static str, &str)> {
    let numbers = ["13", "11", "9", "7", "6/9", "69", "6", "5"];
    numbers.into_iter().find_map(|number| rest.strip_prefix(number).map(|after| (number, after)))
}

fn stack(steps: &mut Steps, number: &str, seventh: u8) {
    let added: &[u8] = match number {
        "5" => {
            THIRD.iter().for_each(|step| steps.0 &= !(1 << step));
            &[]
        }
        "6" => &[9],
        "6/9" | "69" => &[9, 2],
        "7" => &[],
        "9" => &[2],
        "11" => &[2, 5],
        // The eleventh is left out under a thirteenth, as players do.
        _ => &[2, 9],
    };
    if matches!(number, "7" | "9" | "11" | "13") {
        steps.add(seventh);
    }
    added.iter().for_each(|step| steps.add(*step));
}

fn alterations(steps: &mut Steps, mut rest: &str) -> Option<()> {
    while !rest.is_empty() {
        let (what, after) = ALTERATIONS
            .iter()
            .find_map(|(name, what)| rest.strip_prefix(name).map(|after| (what, after)))?;
        rest = after;
        match what {
            Alter::Add(step) => steps.add(*step),
            Alter::Third(step) => steps.replace(&THIRD, *step),
            Alter::Fifth(step) => steps.replace(&FIFTH, *step),
            Alter::Ninth(step) => steps.replace(&[2], *step),
            Alter::Without(gone) => gone.iter().for_each(|step| steps.0 &= !(1 << step)),
        }
    }
    Some(())
}

enum Alter {
    Add(u8),
    Third(u8),
    Fifth(u8),
    Ninth(u8),
    Without(&'static [u8]),
}

const ALTERATIONS: [(&str, Alter); 25] = [
    ("sus2", Alter::Third(2)),
    ("sus4", Alter::Third(5)),
    ("sus", Alter::Third(5)),
    ("add2", Alter::Add(2)),
    ("add9", Alter::Add(2)),
    ("add4", Alter::Add(5)),
    ("add11", Alter::Add(5)),
    ("add6", Alter::Add(9)),
    ("add13", Alter::Add(9)),
    ("maj7", Alter::Add(11)),
    ("M7", Alter::Add(11)),
    ("no3", Alter::Without(&THIRD)),
    ("no5", Alter::Without(&FIFTH)),
    ("b5", Alter::Fifth(6)),
    ("♭5", Alter::Fifth(6)),
    ("#5", Alter::Fifth(8)),
    ("♯5", Alter::Fifth(8)),
    ("b9", Alter::Ninth(1)),
    ("♭9", Alter::Ninth(1)),
    ("#9", Alter::Ninth(3)),
    ("♯9", Alter::Ninth(3)),
    ("#11", Alter::Add(6)),
    ("♯11", Alter::Add(6)),
    ("b13", Alter::Add(8)),
    ("♭13", Alter::Add(8)),
];

#[cfg(test)]
mod tests {
    use super::*;

    fn classes(symbol: &str) -> Vec<u8> {
        symbol.parse::<Chord>().unwrap_or_else(|_| panic!("{symbol}")).pitch_classes()
    }

    #[test]
    fn triads_and_sevenths_are_the_textbook_ones() {
        for (symbol, notes) in [
            ("C", vec![0, 4, 7]),
            ("Cm", vec![0, 3, 7]),
            ("C-", vec![0, 3, 7]),
            ("Cmaj", vec![0, 4, 7]),
            ("Cdim", vec![0, 3, 6]),
            ("C+", vec![0, 4, 8]),
            ("G7", vec![7, 11, 2, 5]),
            ("Cmaj7", vec![0, 4, 7, 11]),
            ("CΔ", vec![0, 4, 7, 11]),
            ("Am7", vec![9, 0, 4, 7]),
            ("Bm7b5", vec![11, 2, 5, 9]),
            ("Bø", vec![11, 2, 5, 9]),
            ("Bdim7", vec![11, 2, 5, 8]),
            ("CmM7", vec![0, 3, 7, 11]),
            ("Cm(maj7)", vec![0, 3, 7, 11]),
        ] {
            assert_eq!(classes(symbol), notes, "{symbol}");
        }
    }

    #[test]
    fn suspensions_additions_and_alterations_are_heard() {
        for (symbol, notes) in [
            ("Dsus4", vec![2, 7, 9]),
            ("Dsus2", vec![2, 4, 9]),
            ("D7sus4", vec![2, 7, 9, 0]),
            ("C5", vec![0, 7]),
            ("C6/9", vec![0, 2, 4, 7, 9]),
            ("Cadd9", vec![0, 2, 4, 7]),
            ("C7b9", vec![0, 1, 4, 7, 10]),
            ("C7#5", vec![0, 4, 8, 10]),
            ("C9", vec![0, 2, 4, 7, 10]),
            ("C13", vec![0, 2, 4, 7, 9, 10]),
            ("Cmaj9", vec![0, 2, 4, 7, 11]),
        ] {
            assert_eq!(classes(symbol), notes, "{symbol}");
        }
    }

    #[test]
    fn a_slash_names_the_lowest_note() {
        let chord: Chord = "F/G".parse().unwrap();
        assert_eq!((chord.root(), chord.bass()), (5, 7));
        assert!(chord.has(7) && chord.has(5) && chord.has(9) && chord.has(0));
        let plain: Chord = "Bb".parse().unwrap();
        assert_eq!(plain.bass(), 10);
    }

    #[test]
    fn what_is_no_chord_is_refused() {
        for symbol in ["", "H", "Gq", "g", "C/", "C/H", "Cm8", "Csusx", "🎵", "C///"] {
            assert!(symbol.parse::<Chord>().is_err(), "{symbol}");
        }
    }
}
