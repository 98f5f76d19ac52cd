//! The guide left in: how much of the guide track is heard in a stem, by least squares.
//!
//! The stem is modelled as the guide through an unknown filter plus everything else. The filter
//! that leaves the least behind is, at each frequency, H = S_xg / S_gg, and the guide's share of
//! the stem is |S_xg|² / S_gg (Bendat & Piersol, Random Data, ch. 6, single-input model). The
//! spectra are means over overlapping windows along the stem; a player who follows the guide is
//! not coherent with it from window to window, a bleed is.

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::finding::{Finding, Severity};

/// The guide and the stem are compared at a low rate: the guide's clicks and chords have their
/// power there, and a whole guide takes a few megabytes.
const LOW_RATE_HZ: f64 = 12_000.0;

/// Length of a window at the low rate: 0.34 s, so that a bleed that comes some tens of
/// milliseconds late is still within it.
const LENGTH: usize = 4096;

/// A bleed as near as this below the playing is heard in a crowd: 100 takes that carry it add up
/// to one full guide (common practice, no source).
const HEARD_DB: f64 = -40.0;

/// A headphone's leak is over in this time after its first sound; chance is spread over all of
/// the window.
const COMPACT_S: f64 = 0.012;

/// The response must stand so many times above what lies apart from it. The highest of 4 096
/// values of Gaussian noise stands at 4; players who hold the guide's own notes reach 7 and more.
const STANDS_OUT: f64 = 10.0;

/// Bins in which the guide is this much below its mean tell little of the filter.
const REGULAR: f64 = 0.03;

/// Windows needed.
const LEAST_WINDOWS: u32 = 16;

/// A guide track, mono, at a low rate.
#[derive(Debug, Clone)]
pub struct Guide {
    samples: Arc<[f32]>,
    /// Position of the first sample on the low-rate grid.
    first: i64,
    down: usize,
}

impl Guide {
    /// From the guide's samples at the piece's rate, the first of them at `first_sample` of the
    /// master grid.
    #[must_use]
    pub fn new(samples: &[f32], first_sample: i64, rate_hz: u32) -> Self {
        let down = factor(rate_hz);
        let lead = first_sample.rem_euclid(down as i64) as usize;
        let mut low = Lower::new(down, lead);
        let mut out = Vec::with_capacity(samples.len() / down + 1);
        low.push(samples, &mut out);
        Self { samples: out.into(), first: first_sample.div_euclid(down as i64), down }
    }
}

fn factor(rate_hz: u32) -> usize {
    ((f64::from(rate_hz) / LOW_RATE_HZ).round() as usize).max(1)
}

/// Brings a stream down by averaging groups; both sides are treated alike, so what it does to the
/// spectrum cancels.
struct Lower {
    down: usize,
    filled: usize,
    sum: f32,
}

impl Lower {
    fn new(down: usize, filled: usize) -> Self {
        Self { down, filled, sum: 0.0 }
    }

    fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        for sample in samples {
            self.sum += sample;
            self.filled += 1;
            if self.filled == self.down {
                out.push(self.sum / self.down as f32);
                (self.sum, self.filled) = (0.0, 0);
            }
        }
    }
}

/// Measures the bleed in a stem as it is laid.
pub struct BleedMeter {
    guide: Guide,
    rate_hz: u32,
    /// How far the stem was moved ahead of the guide it was recorded against (the lag that was
    /// taken back), in low-rate samples.
    shift: i64,
    lower: Lower,
    low: Vec<f32>,
    /// Low-rate grid position of `low[0]`.
    at: i64,
    transform: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    window: Vec<f32>,
    cross: Vec<Complex<f64>>,
    guide_power: Vec<f64>,
    stem_power: Vec<f64>,
    windows: u32,
}

/// How much of the guide is in a stem.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bleed {
    /// Power of the guide in the stem over all of the stem's, in dB.
    pub depth_db: f64,
    /// When the bleed comes after the guide, in milliseconds.
    pub delay_ms: f64,
}

impl BleedMeter {
    /// A meter for a stem at `rate_hz` that begins at `first_sample` of the grid and was moved
    /// earlier by `moved_s`.
    #[must_use]
    pub fn new(guide: Guide, rate_hz: u32, first_sample: i64, moved_s: f64) -> Self {
        let down = guide.down as i64;
        let mut planner = RealFftPlanner::<f32>::new();
        let hann = |n: usize| 0.5 - 0.5 * (std::f32::consts::TAU * n as f32 / LENGTH as f32).cos();
        Self {
            shift: (moved_s * f64::from(rate_hz) / down as f64).round() as i64,
            lower: Lower::new(guide.down, first_sample.rem_euclid(down) as usize),
            low: Vec::new(),
            at: first_sample.div_euclid(down),
            transform: planner.plan_fft_forward(LENGTH),
            inverse: planner.plan_fft_inverse(LENGTH),
            window: (0..LENGTH).map(hann).collect(),
            cross: vec![Complex::default(); LENGTH / 2 + 1],
            guide_power: vec![0.0; LENGTH / 2 + 1],
            stem_power: vec![0.0; LENGTH / 2 + 1],
            windows: 0,
            rate_hz,
            guide,
        }
    }

    /// Takes the stem's next samples, one channel.
    pub fn push(&mut self, mono: &[f32]) {
        self.lower.push(mono, &mut self.low);
        let mut from = 0;
        while from + LENGTH <= self.low.len() {
            self.window_at(from);
            from += LENGTH / 2;
        }
        self.low.drain(..from);
        self.at += from as i64;
    }

    fn window_at(&mut self, from: usize) {
        let begin = self.at + from as i64 + self.shift - self.guide.first;
        let Ok(begin) = usize::try_from(begin) else { return };
        let Some(guide) = self.guide.samples.get(begin..begin + LENGTH) else { return };
        let (Some(stem), Some(guide)) = (
            spectrum(&*self.transform, &self.low[from..from + LENGTH], &self.window),
            spectrum(&*self.transform, guide, &self.window),
        ) else {
            return;
        };
        // Windows weigh alike, so that one loud chord does not speak for all.
        let size: f64 = stem.iter().map(|bin| f64::from(bin.norm_sqr())).sum();
        if size < 1e-12 {
            return;
        }
        for (bin, (stem, guide)) in stem.iter().zip(&guide).enumerate() {
            let stem = Complex::new(f64::from(stem.re), f64::from(stem.im)) / size.sqrt();
            let guide = Complex::new(f64::from(guide.re), f64::from(guide.im));
            self.cross[bin] += stem * guide.conj();
            self.guide_power[bin] += guide.norm_sqr();
            self.stem_power[bin] += stem.norm_sqr();
        }
        self.windows += 1;
    }

    /// The bleed, if its response stands out from chance.
    #[must_use]
    pub fn finish(self) -> Option<Bleed> {
        if self.windows < LEAST_WINDOWS {
            return None;
        }
        let mean = self.guide_power.iter().sum::<f64>() / self.guide_power.len() as f64;
        let mut filter: Vec<Complex<f32>> = self
            .cross
            .iter()
            .zip(&self.guide_power)
            .map(|(cross, power)| {
                let ratio = cross / (power + REGULAR * mean);
                Complex::new(ratio.re as f32, ratio.im as f32)
            })
            .collect();
        let last = filter.len() - 1;
        (filter[0].im, filter[last].im) = (0.0, 0.0);
        let mut response = self.inverse.make_output_vec();
        self.inverse.process(&mut filter, &mut response).ok()?;
        let low_rate = f64::from(self.rate_hz) / self.guide.down as f64;
        let around = (COMPACT_S * low_rate) as usize;
        let peak = (0..LENGTH).max_by(|a, b| response[*a].abs().total_cmp(&response[*b].abs()))?;
        let apart = |at: usize| {
            let distance = at.abs_diff(peak);
            distance.min(LENGTH - distance)
        };
        let (mut far, mut count) = (0.0, 0u32);
        for (at, value) in response.iter_mut().enumerate() {
            if apart(at) > around {
                far += f64::from(*value).powi(2);
                count += 1;
                *value = 0.0;
            }
        }
        let chance = (far / f64::from(count.max(1))).sqrt();
        if f64::from(response[peak].abs()) < STANDS_OUT * chance {
            return None;
        }
        let bleed = self.power_of(&mut response)?;
        let delay = if peak > LENGTH / 2 { peak as f64 - LENGTH as f64 } else { peak as f64 };
        let stem: f64 = self.stem_power.iter().sum();
        Some(Bleed {
            depth_db: 10.0 * (bleed / stem.max(1e-30)).log10(),
            delay_ms: delay / low_rate * 1e3,
        })
    }

    /// Power of the guide after the compact response.
    fn power_of(&self, response: &mut [f32]) -> Option<f64> {
        let mut filter = self.transform.make_output_vec();
        self.transform.process(response, &mut filter).ok()?;
        let scale = 1.0 / (LENGTH as f64).powi(2);
        let bins = filter.iter().zip(&self.guide_power);
        Some(bins.map(|(bin, power)| f64::from(bin.norm_sqr()) * power * scale).sum())
    }
}

fn spectrum(
    transform: &dyn RealToComplex<f32>,
    samples: &[f32],
    window: &[f32],
) -> Option<Vec<Complex<f32>>> {
    let mut input: Vec<f32> = samples.iter().zip(window).map(|(s, w)| s * w).collect();
    let mut output = transform.make_output_vec();
    transform.process(&mut input, &mut output).ok()?;
    Some(output)
}

/// The finding for a bleed that can be heard.
#[must_use]
pub fn guide_left_in(bleed: &Bleed) -> Option<Finding> {
    if bleed.depth_db < HEARD_DB {
        return None;
    }
    let says = format!(
        "The guide can be heard in your recording, {:.0} dB below your playing. Please use closed \
         headphones, turn the guide down a little, or check that you did not export it together \
         with your track.",
        -bleed.depth_db
    );
    let severity = if bleed.depth_db > -20.0 { Severity::Asks } else { Severity::Advice };
    Some(Finding::new("guide_left_in", severity, says).measuring(bleed.depth_db, "dB"))
}
