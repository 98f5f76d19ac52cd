//! The same recording sent twice, the second time re-encoded, louder, or at another rate.
//!
//! A fingerprint is one 32-bit word every 46 ms: the signs of the differences of band energies
//! along frequency and time. Source: J. Haitsma and T. Kalker, "A Highly Robust Audio
//! Fingerprinting System", ISMIR 2002; the bands and rates are our own.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{RealFftPlanner, RealToComplex};

use crate::finding::{Finding, Severity};

/// Words a second, and what a word sees.
const HOP_S: f64 = 0.046_4;
const WINDOW_S: f64 = 0.37;

/// 33 bands give 32 differences.
const BANDS: usize = 33;
const LOWEST_HZ: f64 = 300.0;
const HIGHEST_HZ: f64 = 3_000.0;

/// Rate the sound is brought down to, about.
const LOW_RATE_HZ: f64 = 8_000.0;

/// Shift between two files that is searched, in words either way: 60 s.
const MOST_SHIFT: isize = 1_300;

/// Words that must overlap: 10 s.
const LEAST_WORDS: usize = 215;

/// Bit errors between two versions of one recording stay below this; two takes of one part by
/// one player lie above (`examples/inspect_study.rs` prints both).
pub const SAME_RECORDING: f64 = 0.15;

/// The words of a recording, in order.
#[derive(Debug, Clone, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Fingerprint {
    words: Vec<u32>,
}

impl Fingerprint {
    /// The words as bytes, little-endian, to be kept.
    #[must_use]
    pub fn to_bytes(&self) -> Vec<u8> {
        self.words.iter().flat_map(|word| word.to_le_bytes()).collect()
    }

    /// From what [`Fingerprint::to_bytes`] gave; bytes left over are dropped.
    #[must_use]
    pub fn from_bytes(bytes: &[u8]) -> Self {
        let words = bytes.as_chunks::<4>().0;
        Self { words: words.iter().map(|four| u32::from_le_bytes(*four)).collect() }
    }

    /// Share of bits in which two recordings differ at the shift that suits them best: near 0.5
    /// for strangers, below [`SAME_RECORDING`] for one recording. None when they overlap by less
    /// than ten seconds.
    #[must_use]
    pub fn distance(&self, other: &Fingerprint) -> Option<f64> {
        // Every fourth word is enough to find the shift.
        let coarse = (-MOST_SHIFT..=MOST_SHIFT)
            .filter_map(|shift| self.at_shift(other, shift, 4).map(|distance| (distance, shift)))
            .min_by(|a, b| a.0.total_cmp(&b.0))?;
        self.at_shift(other, coarse.1, 1)
    }

    fn at_shift(&self, other: &Fingerprint, shift: isize, stride: usize) -> Option<f64> {
        let mine = self.words.get(shift.max(0) as usize..)?;
        let theirs = other.words.get((-shift).max(0) as usize..)?;
        let overlap = mine.len().min(theirs.len());
        if overlap < LEAST_WORDS {
            return None;
        }
        let pairs = mine[..overlap].iter().zip(&theirs[..overlap]).step_by(stride);
        let (mut bits, mut words) = (0u64, 0u64);
        for (mine, theirs) in pairs {
            // Silence on both sides agrees in everything and tells nothing.
            if (*mine, *theirs) != (0, 0) {
                bits += u64::from((mine ^ theirs).count_ones());
                words += 1;
            }
        }
        let enough = words * stride as u64 >= LEAST_WORDS as u64 / 2;
        enough.then(|| bits as f64 / (32 * words) as f64)
    }
}

/// The finding for a recording that is already there in another form.
#[must_use]
pub fn same_recording(other: &str, distance: f64) -> Finding {
    let says = format!(
        "This sounds like the same recording as {other}, sent once more in another form. If it is \
         another take, tell us so; otherwise we use only one of the two."
    );
    let finding = Finding::new("same_recording", Severity::Asks, says);
    finding.measuring(distance * 100.0, "% of bits differ")
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

    /// The words.
    #[must_use]
    pub fn finish(self) -> Fingerprint {
        Fingerprint { words: self.words }
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
        let silent = energy.iter().sum::<f32>() < 1e-6;
        let bit = |band: usize| {
            let rise = (energy[band] - energy[band + 1]) - (last[band] - last[band + 1]);
            u32::from(rise > 0.0 && !silent) << band
        };
        self.words.push((0..BANDS - 1).map(bit).fold(0, |word, bit| word | bit));
    }
}
