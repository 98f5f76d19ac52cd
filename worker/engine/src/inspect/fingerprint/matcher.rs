//! Compares one fingerprint with many.

use super::differing::{Spread, differing};
use super::maker::{middle, signs_at};
use super::{Fingerprint, HOP, Likeness};

/// Words that must overlap: 10 s.
const LEAST_WORDS: usize = 215;

/// A first look takes every so manieth word.
const STRIDE: usize = super::differing::STRIDE;

/// Shifts whose words are compared in full, and those of them at which the waves are. Music that
/// repeats suits itself at many.
const SHIFTS: usize = 32;
const COMPARED: usize = 12;

/// Recordings whose words differ more are strangers.
const STRANGERS: f64 = 0.46;

/// The waves may lie so far from where whole words put them, in samples.
const REACH: isize = HOP as isize * 3 / 4;

/// Stretches over which the median is taken.
const STRETCHES: usize = 24;

/// One fingerprint to be compared with many.
pub struct Matcher<'a> {
    own: &'a Fingerprint,
    spread: Spread,
}

/// Where two recordings suit each other: `own[k + shift]` beside `other[k]`, and the waves so
/// many samples from there.
#[derive(Clone, Copy)]
struct Place {
    shift: isize,
    offset: isize,
    /// Sum of the correlations at the words that were looked at.
    sum: f64,
}

impl<'a> Matcher<'a> {
    /// Of `own`, which must be whole as a [`super::Fingerprinter`] gave it: of two that were kept
    /// neither has the wave that the other's bursts are looked for in.
    #[must_use]
    pub fn new(own: &'a Fingerprint) -> Self {
        Self { own, spread: Spread::of(&own.words) }
    }

    /// What both have in common. None when they overlap by less than ten seconds.
    #[must_use]
    pub fn likeness(&self, other: &Fingerprint) -> Option<Likeness> {
        let apart = |shift: isize| self.bits_apart(other, shift).map(|bits| (bits, shift));
        let mut best: Vec<(f64, isize)> =
            self.shifts(other).into_iter().filter_map(apart).collect();
        best.sort_by(|a, b| a.0.total_cmp(&b.0));
        let bits_apart = best.first()?.0;
        best.retain(|(bits, _)| *bits < STRANGERS);
        best.truncate(COMPARED);
        let places = best.iter().filter_map(|(_, shift)| self.place(other, *shift));
        let place = places.max_by(|a, b| a.sum.abs().total_cmp(&b.sum.abs()));
        let wave = place.map_or(0.0, |place| self.wave(other, place));
        Some(Likeness { bits_apart, wave })
    }

    /// The shifts at which the words suit each other better than at those beside, best first.
    fn shifts(&self, other: &Fingerprint) -> Vec<isize> {
        let (mine, theirs) = (self.own.words.len() as isize, other.words.len() as isize);
        let least = LEAST_WORDS as isize;
        // There are thousands of shifts, and hundreds of other takes: this is most of the work.
        let spread = Spread::of(&other.words);
        let look = |shift: isize| {
            let from = |side: isize| side.max(0) as usize;
            let (mine, theirs) = (self.spread.from(from(shift)), spread.from(from(-shift)));
            share(differing(mine, theirs), STRIDE).unwrap_or(1.0)
        };
        let all: Vec<(f64, isize)> =
            (least - theirs..=mine - least).map(|shift| (look(shift), shift)).collect();
        let beside = |at: usize| all.get(at).map_or(1.0, |(bits, _)| *bits);
        let lowest =
            |at: &usize| all[*at].0 <= beside(at.wrapping_sub(1)) && all[*at].0 <= beside(at + 1);
        let mut best: Vec<(f64, isize)> = (0..all.len()).filter(lowest).map(|at| all[at]).collect();
        best.sort_by(|a, b| a.0.total_cmp(&b.0));
        best.truncate(SHIFTS);
        best.into_iter().map(|(_, shift)| shift).collect()
    }

    /// Share of differing bits at a shift.
    fn bits_apart(&self, other: &Fingerprint, shift: isize) -> Option<f64> {
        let mine = self.own.words.get(shift.max(0) as usize..)?;
        let theirs = other.words.get((-shift).max(0) as usize..)?;
        share(differing(mine, theirs), 1)
    }

    /// Correlation of the waves' signs at one word.
    fn at_word(&self, other: &Fingerprint, word: usize, from_middle: isize) -> Option<f64> {
        let first = usize::try_from(middle(word) as isize + from_middle).ok()?;
        let mine = signs_at(&self.own.signs, first)?;
        let apart = (mine ^ *other.bursts.get(word)?).count_ones();
        (other.words[word] != 0).then(|| 1.0 - f64::from(apart) / 16.0)
    }

    /// Where near `shift` the waves suit each other best, by a first look.
    fn place(&self, other: &Fingerprint, shift: isize) -> Option<Place> {
        let sum = |offset: isize| -> f64 {
            let from_middle = shift * HOP as isize + offset;
            let words = (0..other.words.len()).step_by(STRIDE);
            words.filter_map(|word| self.at_word(other, word, from_middle)).sum()
        };
        let places = (-REACH..=REACH).map(|offset| Place { shift, offset, sum: sum(offset) });
        places.max_by(|a, b| a.sum.abs().total_cmp(&b.sum.abs()))
    }

    /// Correlation of the waves' signs at a place, the median over stretches. Turned upside down
    /// a wave is still the same.
    fn wave(&self, other: &Fingerprint, place: Place) -> f64 {
        let from_middle = place.shift * HOP as isize + place.offset;
        let words: Vec<f64> = (0..other.words.len())
            .filter_map(|word| self.at_word(other, word, from_middle))
            .collect();
        if words.len() < LEAST_WORDS {
            return 0.0;
        }
        let stretches = words.chunks(words.len().div_ceil(STRETCHES));
        let mut means: Vec<f64> = stretches
            .map(|part| place.sum.signum() * part.iter().sum::<f64>() / part.len() as f64)
            .collect();
        means.sort_by(f64::total_cmp);
        means[means.len() / 2]
    }
}

/// Share of bits that differ, of those of the words that tell something; none where every
/// `stride`th of them is too little.
fn share((bits, words): (u32, u32), stride: usize) -> Option<f64> {
    (words as usize * stride >= LEAST_WORDS).then(|| f64::from(bits) / (32.0 * f64::from(words)))
}
