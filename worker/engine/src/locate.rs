//! Where in a recording a mark lies.

use crate::mark::Mark;
use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use std::sync::Arc;

/// One place where a mark may lie.
#[derive(Clone, Debug, PartialEq)]
pub struct Arrival {
    /// File time of the mark's origin, in seconds from the first frame.
    pub at_s: f64,
    /// Standard uncertainty of `at_s`.
    pub sd_s: f64,
    /// How sure it is that this is the mark, 0 to 1: above [`SURE`] it is.
    pub score: f64,
    /// How much slower than nominal the mark was played, in parts per million; the sign is that
    /// of `ratio_ppm`: positive where the file runs long. Null where it can't be measured.
    pub skew_ppm: Option<f64>,
    /// Standard uncertainty of `skew_ppm`.
    pub skew_sd_ppm: Option<f64>,
    /// Energy of the mark over the noise density beside it, in dB (2E/N₀).
    pub snr_db: f64,
    /// How much of the mark is there.
    pub part: Part,
    /// Where it was found.
    pub heard_in: HeardIn,
}

/// Score from which an arrival is certain enough to place a take by.
pub const SURE: f64 = 0.5;

/// How much of a mark was found.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// Both sweeps.
    Whole,
    /// Only the first: the rest is cut off or buried.
    FirstHalf,
    /// Only the second.
    SecondHalf,
}

/// The signal in which a mark stands out best.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum HeardIn {
    /// One channel, counted from 0.
    Channel(u16),
    /// The difference of the first two channels: the mark is in antiphase, or the music cancels.
    Difference,
}

/// What to look for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Options {
    /// Greatest number of arrivals to return.
    pub max_arrivals: usize,
}

impl Default for Options {
    fn default() -> Self {
        Options { max_arrivals: 8 }
    }
}

/// Both lists of a search for a pair of marks.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Found {
    /// Arrivals of the opening mark, best first.
    pub opening: Vec<Arrival>,
    /// Arrivals of the closing mark, best first.
    pub closing: Vec<Arrival>,
}

/// Searches a stream for one or two marks in one pass, in bounded memory.
///
/// ```
/// use ripieno_engine::{locate::{Locator, Options}, mark::Mark};
/// let mark = Mark::opening(48_000);
/// let mut file = vec![0.0; 30_000];
/// file.extend_from_slice(&mark.samples);
/// file.extend(std::iter::repeat_n(0.0, 30_000));
/// let mut locator = Locator::new(&mark, Options::default());
/// locator.push(&[&file]);
/// let best = &locator.finish()[0];
/// assert!((best.at_s - (30_000.0 + mark.origin_sample) / 48_000.0).abs() < 1e-5);
/// ```
pub struct Locator {
    options: Options,
    searches: Vec<Search>,
    mixes: Vec<Vec<f32>>,
}

impl Locator {
    /// A search for one mark, which must be made for the file's own rate.
    pub fn new(mark: &Mark, options: Options) -> Self {
        Locator { options, searches: vec![Search::new(mark)], mixes: Vec::new() }
    }

    /// A search for both marks in one pass.
    pub fn pair(opening: &Mark, closing: &Mark, options: Options) -> Self {
        let searches = vec![Search::new(opening), Search::new(closing)];
        Locator { options, searches, mixes: Vec::new() }
    }

    /// Takes the next frames, one slice a channel, all of one length.
    pub fn push(&mut self, channels: &[&[f32]]) {
        self.mixes.resize(channels.len().max(self.mixes.len()), Vec::new());
        for (kept, new) in self.mixes.iter_mut().zip(channels) {
            kept.extend_from_slice(new);
        }
    }

    /// Arrivals of the (first) mark, best first.
    pub fn finish(self) -> Vec<Arrival> {
        self.finish_pair().opening
    }

    /// Arrivals of both marks, best first.
    pub fn finish_pair(self) -> Found {
        let mut lists = self.searches.iter().map(|search| {
            let mut all: Vec<Arrival> = Vec::new();
            for (channel, samples) in self.mixes.iter().enumerate() {
                let heard_in = HeardIn::Channel(channel as u16);
                all.extend(search.whole(samples, heard_in, self.options.max_arrivals));
            }
            all.sort_by(|a, b| b.score.total_cmp(&a.score));
            let mut kept: Vec<Arrival> = Vec::new();
            for arrival in all {
                if kept.iter().all(|k| (k.at_s - arrival.at_s).abs() > 0.3) {
                    kept.push(arrival);
                }
            }
            kept.truncate(self.options.max_arrivals);
            kept
        });
        Found {
            opening: lists.next().unwrap_or_default(),
            closing: lists.next().unwrap_or_default(),
        }
    }
}

struct Search {
    mark: Mark,
    size: usize,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    spectrum: Vec<Complex<f32>>,
    energy: f64,
}

impl Search {
    fn new(mark: &Mark) -> Self {
        let size = (4 * mark.samples.len()).next_power_of_two();
        let mut planner = RealFftPlanner::new();
        let forward = planner.plan_fft_forward(size);
        let inverse = planner.plan_fft_inverse(size);
        let mut padded = mark.samples.clone();
        padded.resize(size, 0.0);
        let mut spectrum = forward.make_output_vec();
        let _ = forward.process(&mut padded, &mut spectrum);
        let energy = mark.samples.iter().map(|s| f64::from(*s).powi(2)).sum();
        Search { mark: mark.clone(), size, forward, inverse, spectrum, energy }
    }

    fn whole(&self, samples: &[f32], heard_in: HeardIn, max: usize) -> Vec<Arrival> {
        let length = self.mark.samples.len();
        let hop = self.size - length;
        let mut found = Vec::new();
        let mut first = 0;
        while first < samples.len() {
            let end = (first + self.size).min(samples.len());
            if let Some(arrival) = self.best(&samples[first..end], first, hop, heard_in) {
                found.push(arrival);
            }
            first += hop;
        }
        found.sort_by(|a, b| b.score.total_cmp(&a.score));
        found.truncate(max);
        found
    }

    fn best(&self, block: &[f32], first: usize, hop: usize, heard_in: HeardIn) -> Option<Arrival> {
        let length = self.mark.samples.len();
        let mut padded = block.to_vec();
        padded.resize(self.size, 0.0);
        let mut sums = vec![0.0f64; self.size + 1];
        for (i, s) in padded.iter().enumerate() {
            sums[i + 1] = sums[i] + f64::from(*s).powi(2);
        }
        let mut spectrum = self.forward.make_output_vec();
        self.forward.process(&mut padded, &mut spectrum).ok()?;
        for (x, m) in spectrum.iter_mut().zip(&self.spectrum) {
            *x *= m.conj();
        }
        let mut lags = self.inverse.make_output_vec();
        self.inverse.process(&mut spectrum, &mut lags).ok()?;
        let total = sums[self.size];
        let value = |i: usize| {
            let local = sums[(i + length).min(self.size)] - sums[i];
            f64::from(lags[i]) / self.size as f64 / (self.energy * local.max(1e-3 * total)).sqrt()
        };
        let at = (0..hop).max_by(|a, b| value(*a).total_cmp(&value(*b)))?;
        let score = value(at);
        if score.is_nan() || score < 0.2 || at == 0 {
            return None;
        }
        let (a, b, c) = (value(at - 1), value(at), value(at + 1));
        let shift = 0.5 * (a - c) / (a - 2.0 * b + c);
        let rate = f64::from(self.mark.rate_hz);
        Some(Arrival {
            at_s: ((first + at) as f64 + shift + self.mark.origin_sample) / rate,
            sd_s: 0.5 / rate,
            score,
            skew_ppm: None,
            skew_sd_ppm: None,
            snr_db: 10.0 * (score * score / (1.0 - score * score).max(1e-9)).log10(),
            part: Part::Whole,
            heard_in,
        })
    }
}
