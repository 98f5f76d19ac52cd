//! Makes a fingerprint as sound comes in.

use std::f64::consts::TAU;
use std::sync::Arc;

use ripieno_transform::{Complex, RealToComplex, single};

use super::low::Low;
use super::{Fingerprint, HOP, RATE_HZ, TRANSFORM, WINDOW};
use crate::math::vectors::windowed;

/// 33 bands give 32 differences.
const BANDS: usize = 33;
const LOWEST_HZ: f64 = 300.0;
const HIGHEST_HZ: f64 = 3_000.0;

/// The wave is taken between these: what a telephone passes and every codec keeps.
const WAVE_LOWEST_HZ: f64 = 350.0;
const WAVE_HIGHEST_HZ: f64 = 1_800.0;

/// Signs in a burst.
const BURST: usize = 32;

/// Makes a fingerprint as mono sound comes in.
pub struct Fingerprinter {
    low: Low,
    /// Sound at the fingerprint's rate from the begin of the next window on.
    sound: Vec<f32>,
    band: [Section; 3],
    /// Signs of the wave, and how many there are.
    signs: Vec<u64>,
    signed: usize,
    transform: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    edges: Vec<usize>,
    input: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    last: Option<[f32; BANDS]>,
    words: Vec<u32>,
}

impl Fingerprinter {
    /// A fingerprinter of sound at `rate_hz`.
    #[must_use]
    pub fn new(rate_hz: u32) -> Self {
        let transform = single::forward_of_real(TRANSFORM);
        let edge = |band: usize| {
            let hz = LOWEST_HZ * (HIGHEST_HZ / LOWEST_HZ).powf(band as f64 / BANDS as f64);
            (hz / RATE_HZ * TRANSFORM as f64).round() as usize
        };
        let hann = |n: usize| 0.5 - 0.5 * (TAU * n as f64 / WINDOW as f64).cos();
        Self {
            low: Low::new(rate_hz),
            sound: Vec::new(),
            band: [
                Section::high_pass(WAVE_LOWEST_HZ),
                Section::high_pass(WAVE_LOWEST_HZ),
                Section::low_pass(WAVE_HIGHEST_HZ),
            ],
            signs: Vec::new(),
            signed: 0,
            window: (0..WINDOW).map(|n| hann(n) as f32).collect(),
            edges: (0..=BANDS).map(edge).collect(),
            input: Vec::new(),
            spectrum: transform.make_output_vec(),
            scratch: transform.make_scratch_vec(),
            last: None,
            words: Vec::new(),
            transform,
        }
    }

    /// Takes the next samples.
    pub fn push(&mut self, mono: &[f32]) {
        let had = self.sound.len();
        self.low.push(mono, &mut self.sound);
        // What a filter remembers stays in registers meanwhile.
        let mut band = self.band;
        for sound in &self.sound[had..] {
            let wave = band.iter_mut().fold(*sound, |x, section| section.pass(x));
            if self.signed.is_multiple_of(64) {
                self.signs.push(0);
            }
            if let Some(signs) = self.signs.last_mut() {
                *signs |= u64::from(wave > 0.0) << (self.signed % 64);
            }
            self.signed += 1;
        }
        self.band = band;
        let mut from = 0;
        while from + WINDOW <= self.sound.len() {
            self.word(from);
            from += HOP;
        }
        self.sound.drain(..from.min(self.sound.len()));
    }

    /// The fingerprint of what was pushed.
    #[must_use]
    pub fn finish(self) -> Fingerprint {
        let burst = |word: usize| signs_at(&self.signs, middle(word)).unwrap_or(0);
        let bursts = (0..self.words.len()).map(burst).collect();
        Fingerprint { words: self.words, bursts, signs: self.signs }
    }

    fn word(&mut self, from: usize) {
        self.input.clear();
        let samples = &self.sound[from..from + WINDOW];
        self.input.resize(TRANSFORM, 0.0);
        windowed(samples, &self.window, &mut self.input);
        let done = self.transform.process_with_scratch(
            &mut self.input,
            &mut self.spectrum,
            &mut self.scratch,
        );
        debug_assert!(done.is_ok(), "the lengths are the plan's own");
        let energy: [f32; BANDS] = std::array::from_fn(|band| {
            let bins = self.edges[band]..self.edges[band + 1].max(self.edges[band] + 1);
            self.spectrum[bins].iter().map(|bin| bin.norm_sqr()).sum()
        });
        let last = self.last.replace(energy).unwrap_or(energy);
        let silent = energy.iter().sum::<f32>() < 1e-7;
        let bit = |band: usize| {
            let rise = (energy[band] - energy[band + 1]) - (last[band] - last[band + 1]);
            u32::from(rise > 0.0 && !silent) << band
        };
        self.words.push((0..BANDS - 1).map(bit).fold(0, |word, bit| word | bit));
    }
}

/// The first sign of a word's burst.
pub(super) fn middle(word: usize) -> usize {
    word * HOP + (WINDOW - BURST) / 2
}

/// The 32 signs from `first` on.
pub(super) fn signs_at(signs: &[u64], first: usize) -> Option<u32> {
    let (at, bit) = (first / 64, first % 64);
    let pair = u128::from(*signs.get(at)?) | u128::from(*signs.get(at + 1)?) << 64;
    Some((pair >> bit) as u32)
}

/// A second-order filter with Butterworth's damping (R. Bristow-Johnson's audio EQ cookbook, W3C
/// note).
#[derive(Clone, Copy)]
struct Section {
    b: [f32; 3],
    a: [f32; 2],
    state: [f32; 2],
}

impl Section {
    fn high_pass(hz: f64) -> Self {
        Self::of(hz, |cos| [0.5 * (1.0 + cos), -(1.0 + cos), 0.5 * (1.0 + cos)])
    }

    fn low_pass(hz: f64) -> Self {
        Self::of(hz, |cos| [0.5 * (1.0 - cos), 1.0 - cos, 0.5 * (1.0 - cos)])
    }

    fn of(hz: f64, numerator: impl Fn(f64) -> [f64; 3]) -> Self {
        let (sin, cos) = (TAU * hz / RATE_HZ).sin_cos();
        let alpha = sin * std::f64::consts::FRAC_1_SQRT_2;
        let scaled = |value: f64| (value / (1.0 + alpha)) as f32;
        Self {
            b: numerator(cos).map(scaled),
            a: [scaled(-2.0 * cos), scaled(1.0 - alpha)],
            state: [0.0; 2],
        }
    }

    fn pass(&mut self, x: f32) -> f32 {
        let y = self.b[0] * x + self.state[0];
        self.state[0] = self.b[1] * x - self.a[0] * y + self.state[1];
        self.state[1] = self.b[2] * x - self.a[1] * y;
        y
    }
}
