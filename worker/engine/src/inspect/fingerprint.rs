//! The same recording sent twice, the second time re-encoded, trimmed, louder, or at another rate.
//!
//! A fingerprint has two 32-bit words every 46 ms. The first holds the signs of the differences of
//! band energies along frequency and time (J. Haitsma and T. Kalker, "A Highly Robust Audio
//! Fingerprinting System", ISMIR 2002; the bands and rates are our own): by these two recordings
//! of the same music find the shift at which they suit each other. The second holds the signs of
//! four milliseconds of the wave itself. A codec keeps most of them; another take of the same
//! notes, even by the same player on the same instrument, shares none but by chance, since nobody
//! plays a note in the same place to a fraction of a millisecond.

mod differing;
mod low;
mod maker;
mod matcher;

pub use maker::Fingerprinter;
pub use matcher::Matcher;

use crate::finding::{Finding, Severity};

/// Both words are made of sound at this rate, whatever the file's.
const RATE_HZ: f64 = 8_000.0;

/// Samples from word to word.
const HOP: usize = 371;

/// Samples that a word of band energies sees.
const WINDOW: usize = 2_976;

/// Size of the transform of a window, which is filled up with silence: 2 976 has the factor 31 and
/// is slow.
const TRANSFORM: usize = 3_000;

/// First bytes of a kept fingerprint: another way of making it needs another.
const FORM: u32 = u32::from_le_bytes(*b"fp02");

/// The words of a recording.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Fingerprint {
    /// Signs of differences of band energies; 0 where there is silence.
    words: Vec<u32>,
    /// Signs of the wave in the middle of each word's window.
    bursts: Vec<u32>,
    /// Signs of the wave all along, 64 to a number; not kept.
    signs: Vec<u64>,
}

impl Fingerprint {
    /// As bytes, to be kept: the form, the count, then words and bursts, all little-endian.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        let head = [FORM, self.words.len() as u32];
        let all = head.iter().chain(&self.words).chain(&self.bursts);
        all.flat_map(|number| number.to_le_bytes()).collect()
    }

    /// From what [`Fingerprint::to_bytes`] gave; empty if it is something else.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Self {
        let numbers: Vec<u32> =
            bytes.as_chunks::<4>().0.iter().map(|four| u32::from_le_bytes(*four)).collect();
        match numbers.as_slice() {
            [FORM, count, rest @ ..] if (*count as usize).checked_mul(2) == Some(rest.len()) => {
                let (words, bursts) = rest.split_at(*count as usize);
                Self { words: words.to_vec(), bursts: bursts.to_vec(), signs: Vec::new() }
            }
            _ => Self::default(),
        }
    }

    /// The part of it that is kept: enough for a [`Matcher`] of another to know it by, and a
    /// tenth of the size.
    #[must_use]
    pub fn without_wave(mut self) -> Self {
        self.signs = Vec::new();
        self
    }
}

/// How much two recordings have in common where they suit each other best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Likeness {
    /// Share of bits in which the words of band energies differ: near 0.5 for strangers.
    pub bits_apart: f64,
    /// Correlation of the signs of the waves, the median over stretches of the recording: 1 for
    /// the same wave, near 0 for two takes.
    pub wave: f64,
}

/// From this correlation on two recordings are one; `tests/reference/study_checks.py` prints what
/// copies and second takes reach.
const COPY_WAVE: f64 = 0.26;

impl Likeness {
    /// Whether it is one recording, sent in two forms.
    #[must_use]
    pub fn is_copy(&self) -> bool {
        self.wave > COPY_WAVE
    }
}

/// The finding for a recording that is already there in another form.
#[must_use]
pub fn same_recording(other: &str, likeness: &Likeness) -> Finding {
    let says = format!(
        "This is the same recording as {other}, sent once more in another form, so it would be \
         heard twice. If you meant to send another take, send that; otherwise there is nothing to \
         do."
    );
    let finding = Finding::new("same_recording", Severity::Asks, says);
    finding.measuring(likeness.wave * 100.0, "% alike")
}

#[cfg(test)]
mod tests;
