//! Key and mode.

use std::fmt;
use std::str::FromStr;

/// A note's name: letter and accidental. `G`, `F#`, `Bb`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct NoteName {
    letter: char,
    /// Semitones above the letter: −2 to 2.
    accidental: i8,
}

impl NoteName {
    /// The pitch class: semitones above C, 0 to 11.
    pub fn pitch_class(self) -> u8 {
        (i16::from(letter_pitch(self.letter)) + i16::from(self.accidental)).rem_euclid(12) as u8
    }

    /// Reads a note name from the front of a text and gives the rest.
    pub(crate) fn split_from(text: &str) -> Option<(NoteName, &str)> {
        let letter = text.chars().next().filter(|letter| ('A'..='G').contains(letter))?;
        let mut rest = &text[1..];
        let mut accidental = 0_i8;
        while let Some(sign) = rest.chars().next() {
            let step = match sign {
                '#' | '♯' if accidental >= 0 => 1,
                'b' | '♭' if accidental <= 0 => -1,
                _ => break,
            };
            accidental += step;
            if accidental.abs() > 2 {
                return None;
            }
            rest = &rest[sign.len_utf8()..];
        }
        Some((NoteName { letter, accidental }, rest))
    }

    /// Steps along the circle of fifths from C: F −1, G 1, Bb −2.
    pub(crate) fn fifths(self) -> i32 {
        let natural = match self.letter {
            'F' => -1,
            'C' => 0,
            'G' => 1,
            'D' => 2,
            'A' => 3,
            'E' => 4,
            _ => 5,
        };
        natural + 7 * i32::from(self.accidental)
    }

    /// The note so many steps along the circle of fifths from C; `None` past double accidentals.
    pub(crate) fn from_fifths(fifths: i32) -> Option<NoteName> {
        let letter = ['F', 'C', 'G', 'D', 'A', 'E', 'B'][(fifths + 1).rem_euclid(7) as usize];
        let accidental = (fifths + 1).div_euclid(7);
        let accidental = i8::try_from(accidental).ok().filter(|steps| steps.abs() <= 2)?;
        Some(NoteName { letter, accidental })
    }
}

fn letter_pitch(letter: char) -> u8 {
    match letter {
        'C' => 0,
        'D' => 2,
        'E' => 4,
        'F' => 5,
        'G' => 7,
        'A' => 9,
        _ => 11,
    }
}

impl fmt::Display for NoteName {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        let sign = if self.accidental < 0 { "b" } else { "#" };
        write!(out, "{}{}", self.letter, sign.repeat(self.accidental.unsigned_abs().into()))
    }
}

/// Why a text names no note.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("write a letter from A to G, with # or b where it needs one")]
pub struct NotANote;

impl FromStr for NoteName {
    type Err = NotANote;

    fn from_str(text: &str) -> Result<NoteName, NotANote> {
        let text = text.trim();
        let first = text.chars().next().ok_or(NotANote)?;
        let upper = first.to_ascii_uppercase();
        let text = format!("{upper}{}", &text[first.len_utf8()..]);
        match NoteName::split_from(&text) {
            Some((note, "")) => Ok(note),
            _ => Err(NotANote),
        }
    }
}

/// A mode of the major scale.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Mode {
    /// Major, also called ionian.
    #[default]
    Major,
    /// Minor with a raised sixth.
    Dorian,
    /// Minor with a lowered second.
    Phrygian,
    /// Major with a raised fourth.
    Lydian,
    /// Major with a lowered seventh.
    Mixolydian,
    /// Natural minor, also called aeolian.
    Minor,
    /// Minor with a lowered second and fifth.
    Locrian,
}

impl Mode {
    /// Every mode, by the name documents use.
    pub const NAMES: [(&'static str, Mode); 9] = [
        ("major", Mode::Major),
        ("ionian", Mode::Major),
        ("dorian", Mode::Dorian),
        ("phrygian", Mode::Phrygian),
        ("lydian", Mode::Lydian),
        ("mixolydian", Mode::Mixolydian),
        ("minor", Mode::Minor),
        ("aeolian", Mode::Minor),
        ("locrian", Mode::Locrian),
    ];

    /// The mode of a name, in any case.
    pub fn from_name(name: &str) -> Option<Mode> {
        let fits = |(known, _): &&(&str, Mode)| known.eq_ignore_ascii_case(name.trim());
        Mode::NAMES.iter().find(fits).map(|(_, mode)| *mode)
    }

    /// The name documents use.
    pub fn name(self) -> &'static str {
        Mode::NAMES.iter().find(|(_, mode)| *mode == self).map_or("major", |(name, _)| name)
    }

    /// Fifths from the tonic of the major key with the same signature, to this mode's tonic:
    /// G mixolydian has the signature of C, one fifth below it.
    pub(crate) fn fifths_above_major(self) -> i32 {
        match self {
            Mode::Lydian => -1,
            Mode::Major => 0,
            Mode::Mixolydian => 1,
            Mode::Dorian => 2,
            Mode::Minor => 3,
            Mode::Phrygian => 4,
            Mode::Locrian => 5,
        }
    }
}

/// A key: tonic and mode.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Key {
    /// The home note.
    pub tonic: NoteName,
    /// The scale upon it.
    pub mode: Mode,
}

impl Default for Key {
    /// C major.
    fn default() -> Key {
        Key { tonic: NoteName { letter: 'C', accidental: 0 }, mode: Mode::Major }
    }
}

impl Key {
    /// The seven pitch classes of the scale, upwards from the tonic.
    pub fn pitch_classes(&self) -> [u8; 7] {
        // A mode's scale is the run of seven fifths of its signature, sorted upwards.
        let tonic = i16::from(self.tonic.pitch_class());
        let lowest = -1 - self.mode.fifths_above_major() as i16;
        let mut above: Vec<i16> = (0..7).map(|step| ((lowest + step) * 7).rem_euclid(12)).collect();
        above.sort_unstable();
        std::array::from_fn(|degree| ((tonic + above[degree]) % 12) as u8)
    }

    /// Sharps (above 0) or flats (below 0) of the key signature.
    pub fn signature(&self) -> i32 {
        self.tonic.fifths() - self.mode.fifths_above_major()
    }
}

impl fmt::Display for Key {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(out, "{} {}", self.tonic, self.mode.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn key(tonic: &str, mode: Mode) -> Key {
        Key { tonic: tonic.parse().unwrap(), mode }
    }

    #[test]
    fn scales_match_the_white_keys() {
        // Each mode on its own white key has only white keys: the textbook way to name them.
        let white = [0, 2, 4, 5, 7, 9, 11];
        let modes = [
            ("C", Mode::Major),
            ("D", Mode::Dorian),
            ("E", Mode::Phrygian),
            ("F", Mode::Lydian),
            ("G", Mode::Mixolydian),
            ("A", Mode::Minor),
            ("B", Mode::Locrian),
        ];
        for (tonic, mode) in modes {
            let mut scale = key(tonic, mode).pitch_classes();
            assert_eq!(scale[0], tonic.parse::<NoteName>().unwrap().pitch_class());
            scale.sort_unstable();
            assert_eq!(scale, white, "{tonic} {}", mode.name());
            assert_eq!(key(tonic, mode).signature(), 0);
        }
    }

    #[test]
    fn signatures_match_the_circle_of_fifths() {
        for (tonic, mode, sharps) in [
            ("G", Mode::Major, 1),
            ("F", Mode::Major, -1),
            ("Eb", Mode::Major, -3),
            ("F#", Mode::Minor, 3),
            ("Cb", Mode::Major, -7),
            ("D", Mode::Mixolydian, 1),
        ] {
            assert_eq!(key(tonic, mode).signature(), sharps, "{tonic} {}", mode.name());
        }
    }

    #[test]
    fn note_names_read_back_and_nonsense_is_refused() {
        for name in ["A", "Bb", "F#", "Cbb", "G##"] {
            assert_eq!(name.parse::<NoteName>().unwrap().to_string(), name);
        }
        for name in ["", "H", "A#b", "Abbb", "Ax", "é"] {
            assert!(name.parse::<NoteName>().is_err(), "{name}");
        }
        for fifths in -15..=19 {
            let note = NoteName::from_fifths(fifths).unwrap();
            assert_eq!(note.fifths(), fifths);
            assert_eq!(i32::from(note.pitch_class()), (fifths * 7).rem_euclid(12));
        }
    }
}
