//! The same recording sent twice, the second time re-encoded, louder, or at another rate.
//!
//! A fingerprint is one 32-bit word every 46 ms: the signs of the differences of band energies
//! along frequency and time. Source: J. Haitsma and T. Kalker, "A Highly Robust Audio
//! Fingerprinting System", ISMIR 2002; the bands and rates are our own.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use crate::finding::{Finding, Severity};
use crate::onset::Onset;

/// Words a second, and what a word sees.
const HOP_S: f64 = 0.046_4;
const WINDOW_S: f64 = 0.37;

/// 33 bands give 32 differences.
const BANDS: usize = 33;
const LOWEST_HZ: f64 = 300.0;
const HIGHEST_HZ: f64 = 3_000.0;

/// Rate the sound is brought down to, about.
const LOW_RATE_HZ: f64 = 8_000.0;

/// Words that must overlap: 10 s.
const LEAST_WORDS: usize = 215;

/// The words of a recording, and its attacks.
///
/// The words find the shift at which two recordings would be one; the attacks then tell whether
/// they are. Two takes of one part by one player sound alike but differ by the player's spread at
/// every note; a copy has every note in its place to the millisecond, whatever a codec did to it.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Fingerprint {
    words: Vec<u32>,
    /// File times in tenths of a millisecond.
    attacks: Vec<u32>,
}

impl Fingerprint {
    /// As bytes, to be kept: both counts, then words and attacks, all little-endian.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        let counts = [self.words.len() as u32, self.attacks.len() as u32];
        let all = counts.iter().chain(&self.words).chain(&self.attacks);
        all.flat_map(|number| number.to_le_bytes()).collect()
    }

    /// From what [`Fingerprint::to_bytes`] gave; empty if it is something else.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Self {
        let numbers: Vec<u32> =
            bytes.as_chunks::<4>().0.iter().map(|four| u32::from_le_bytes(*four)).collect();
        match numbers.as_slice() {
            [words, attacks, rest @ ..]
                if (*words as usize).checked_add(*attacks as usize) == Some(rest.len()) =>
            {
                let (words, attacks) = rest.split_at(*words as usize);
                Self { words: words.to_vec(), attacks: attacks.to_vec() }
            }
            _ => Self::default(),
        }
    }
}

/// How much two recordings have in common where they suit each other best.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Likeness {
    /// Share of bits in which the words differ: near 0.5 for strangers.
    pub bits_apart: f64,
    /// Attacks that both have, as a share of those of the one that has fewer there.
    pub attacks_shared: f64,
    /// How many those are.
    pub attacks: usize,
    /// How far those lie apart: a robust standard deviation about their mean, in milliseconds.
    pub attacks_apart_ms: f64,
}

/// Limits within which two recordings are one; `examples/inspect_study` and
/// `tests/reference/study_checks.py` print what copies and second takes reach.
const COPY_BITS: f64 = 0.36;
const COPY_SHARED: f64 = 0.6;
const COPY_APART_MS: f64 = 3.5;

/// With fewer attacks to compare than this the words alone must say so, and clearly.
const FEW_ATTACKS: usize = 16;
const CLEAR_BITS: f64 = 0.1;

impl Likeness {
    /// Whether it is one recording, sent in two forms.
    #[must_use]
    pub fn is_copy(&self) -> bool {
        if self.attacks < FEW_ATTACKS {
            return self.bits_apart < CLEAR_BITS;
        }
        self.bits_apart < COPY_BITS
            && self.attacks_shared > COPY_SHARED
            && self.attacks_apart_ms < COPY_APART_MS
    }
}

/// One fingerprint made ready to be compared with many.
pub struct Matcher<'a> {
    own: &'a Fingerprint,
    /// Where each half of a word occurs: (half, which half, position), sorted.
    halves: Vec<(u16, u32)>,
}

/// Halves of words that occur more often than this (a held note) tell little of the shift.
const COMMON: usize = 24;

/// Shifts that are looked at closely.
const SHIFTS: usize = 4;

/// How far attacks may lie from where a shift of whole words puts them.
const WORD_SLACK_MS: f64 = 60.0;

/// Attacks further apart are not the same note.
const SAME_NOTE_MS: f64 = 40.0;

impl<'a> Matcher<'a> {
    /// Of `own`.
    #[must_use]
    pub fn new(own: &'a Fingerprint) -> Self {
        let lower = own.words.iter().enumerate().map(|(at, word)| (*word as u16, at as u32));
        let mut halves: Vec<(u16, u32)> = lower.filter(|(half, _)| *half != 0).collect();
        halves.sort_unstable();
        Self { own, halves }
    }

    /// What both have in common. None when they overlap by less than ten seconds.
    #[must_use]
    pub fn likeness(&self, other: &Fingerprint) -> Option<Likeness> {
        let best = self
            .shifts(other)
            .into_iter()
            .filter_map(|shift| self.bits_apart(other, shift).map(|bits| (bits, shift)))
            .min_by(|a, b| a.0.total_cmp(&b.0))?;
        let (attacks, fewer, apart_ms) = self.attacks(other, best.1);
        Some(Likeness {
            bits_apart: best.0,
            attacks_shared: attacks as f64 / fewer.max(1) as f64,
            attacks,
            attacks_apart_ms: apart_ms,
        })
    }

    /// The shifts at which most halves of words agree: `own[k + shift]` beside `other[k]`.
    fn shifts(&self, other: &Fingerprint) -> Vec<isize> {
        let mut votes = vec![0u32; self.own.words.len() + other.words.len() + 1];
        for (at, word) in other.words.iter().enumerate() {
            let half = *word as u16;
            let from = self.halves.partition_point(|entry| entry.0 < half);
            let same = self.halves[from..].iter().take(COMMON + 1);
            let same: Vec<u32> = same.take_while(|e| e.0 == half).map(|e| e.1).collect();
            if half != 0 && same.len() <= COMMON {
                for own in same {
                    votes[own as usize + other.words.len() - at] += 1;
                }
            }
        }
        let mut best: Vec<usize> = (1..votes.len().saturating_sub(1)).collect();
        let around = |at: &usize| votes[at - 1] + 2 * votes[*at] + votes[at + 1];
        let last = best.len().min(SHIFTS);
        if last > 0 && last < best.len() {
            best.select_nth_unstable_by_key(last, |at| std::cmp::Reverse(around(at)));
        }
        best.truncate(last);
        best.iter().map(|at| *at as isize - other.words.len() as isize).collect()
    }

    fn bits_apart(&self, other: &Fingerprint, shift: isize) -> Option<f64> {
        let mine = self.own.words.get(shift.max(0) as usize..)?;
        let theirs = other.words.get((-shift).max(0) as usize..)?;
        let (mut bits, mut words) = (0u64, 0usize);
        for (mine, theirs) in mine.iter().zip(theirs) {
            // Silence on both sides agrees in everything and tells nothing.
            if (*mine, *theirs) != (0, 0) {
                bits += u64::from((mine ^ theirs).count_ones());
                words += 1;
            }
        }
        (words >= LEAST_WORDS).then(|| bits as f64 / (32 * words) as f64)
    }

    /// Attacks in common, how many of the one with fewer could be, and how far apart they lie.
    fn attacks(&self, other: &Fingerprint, shift: isize) -> (usize, usize, f64) {
        let ms = |attack: &u32| f64::from(*attack) * 0.1;
        let shift_ms = shift as f64 * HOP_S * 1e3;
        let mine: Vec<f64> = self.own.attacks.iter().map(ms).collect();
        let theirs: Vec<f64> = other.attacks.iter().map(|a| ms(a) + shift_ms).collect();
        let exact_ms = best_offset_ms(&mine, &theirs);
        let moved: Vec<f64> = theirs.iter().map(|at| at + exact_ms).collect();
        let inside = |list: &[f64], of: &[f64]| {
            let (Some(first), Some(last)) = (of.first(), of.last()) else { return 0 };
            list.iter().filter(|at| (*first..=*last).contains(at)).count()
        };
        let fewer = inside(&mine, &moved).min(inside(&moved, &mine));
        let mut off: Vec<f64> = moved
            .iter()
            .filter_map(|at| nearest(&mine, *at))
            .filter(|off| off.abs() < SAME_NOTE_MS)
            .collect();
        let middle = median(&mut off);
        let mut from_middle: Vec<f64> = off.iter().map(|off| (off - middle).abs()).collect();
        (off.len().min(fewer), fewer, 1.4826 * median(&mut from_middle))
    }
}

/// The offset, within what a shift by whole words leaves open, at which most attacks agree.
fn best_offset_ms(mine: &[f64], theirs: &[f64]) -> f64 {
    let mut offsets: Vec<f64> = Vec::new();
    for at in theirs {
        let from = mine.partition_point(|own| *own < at - WORD_SLACK_MS);
        let near = mine[from..].iter().take_while(|own| **own <= at + WORD_SLACK_MS);
        offsets.extend(near.map(|own| own - at));
    }
    offsets.sort_by(f64::total_cmp);
    const WIDTH_MS: f64 = 8.0;
    let within = |from: usize| offsets.partition_point(|o| *o <= offsets[from] + WIDTH_MS) - from;
    let best = (0..offsets.len()).max_by_key(|from| within(*from));
    best.map_or(0.0, |from| offsets[from + within(from) / 2])
}

fn nearest(sorted: &[f64], at: f64) -> Option<f64> {
    let after = sorted.partition_point(|other| *other < at);
    let beside = [after.checked_sub(1), Some(after)].into_iter().flatten();
    let off = beside.filter_map(|i| sorted.get(i)).map(|other| at - other);
    off.min_by(|a, b| a.abs().total_cmp(&b.abs()))
}

fn median(values: &mut [f64]) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::INFINITY)
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
    finding.measuring(likeness.bits_apart * 100.0, "% of bits differ")
}

/// Makes a fingerprint as mono sound comes in.
pub struct Fingerprinter {
    /// Frames averaged to one.
    down: usize,
    hop: usize,
    transform: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    edges: Vec<usize>,
    pending: Vec<f32>,
    low: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    input: Vec<f32>,
    last: Option<[f32; BANDS]>,
    words: Vec<u32>,
}

impl Fingerprinter {
    /// A fingerprinter of sound at `rate_hz`.
    #[must_use]
    pub fn new(rate_hz: u32) -> Self {
        let rate = f64::from(rate_hz.max(4_000));
        let down = ((rate / LOW_RATE_HZ) as usize).max(1);
        let low_rate = rate / down as f64;
        let size = ((WINDOW_S * low_rate / 32.0).round() as usize) * 32;
        let transform = RealFftPlanner::<f32>::new().plan_fft_forward(size);
        let highest = HIGHEST_HZ.min(low_rate * 0.4);
        let edge = |band: usize| {
            let hz = LOWEST_HZ * (highest / LOWEST_HZ).powf(band as f64 / BANDS as f64);
            (hz / low_rate * size as f64).round() as usize
        };
        let hann = |n: usize| 0.5 - 0.5 * (std::f32::consts::TAU * n as f32 / size as f32).cos();
        Self {
            down,
            hop: (HOP_S * low_rate).round() as usize,
            window: (0..size).map(hann).collect(),
            edges: (0..=BANDS).map(edge).collect(),
            pending: Vec::new(),
            low: Vec::new(),
            spectrum: transform.make_output_vec(),
            scratch: transform.make_scratch_vec(),
            input: Vec::new(),
            last: None,
            words: Vec::new(),
            transform,
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, mono: &[f32]) {
        self.pending.extend_from_slice(mono);
        let whole = self.pending.len() / self.down * self.down;
        let share = 1.0 / self.down as f32;
        let groups = self.pending[..whole].chunks_exact(self.down);
        self.low.extend(groups.map(|group| group.iter().sum::<f32>() * share));
        self.pending.drain(..whole);
        let mut from = 0;
        while from + self.window.len() <= self.low.len() {
            self.word(from);
            from += self.hop;
        }
        self.low.drain(..from.min(self.low.len()));
    }

    /// The fingerprint of a recording in which these attacks were heard.
    #[must_use]
    pub fn finish(self, onsets: &[Onset]) -> Fingerprint {
        let tenths = |onset: &Onset| (onset.at_s * 1e4).round().max(0.0) as u32;
        Fingerprint { words: self.words, attacks: onsets.iter().map(tenths).collect() }
    }

    fn word(&mut self, from: usize) {
        self.input.clear();
        let samples = &self.low[from..from + self.window.len()];
        self.input.extend(samples.iter().zip(&self.window).map(|(sample, w)| sample * w));
        let done = self.transform.process_with_scratch(
            &mut self.input,
            &mut self.spectrum,
            &mut self.scratch,
        );
        if done.is_err() {
            return;
        }
        let energy: [f32; BANDS] = std::array::from_fn(|band| {
            let bins = self.edges[band]..self.edges[band + 1].max(self.edges[band] + 1);
            self.spectrum[bins].iter().map(|bin| bin.norm_sqr()).sum()
        });
        let Some(last) = self.last.replace(energy) else { return };
        let silent = energy.iter().sum::<f32>() < 1e-10;
        let bit = |band: usize| {
            let rise = (energy[band] - energy[band + 1]) - (last[band] - last[band + 1]);
            u32::from(rise > 0.0 && !silent) << band
        };
        self.words.push((0..BANDS - 1).map(bit).fold(0, |word, bit| word | bit));
    }
}
