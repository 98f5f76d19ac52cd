//! How a sync mark is made.
//!
//! A mark is two sweeps, one rising and one falling, whose *period* changes linearly with time:
//! `f = 1 / (k·τ)`, where τ is the distance from an instant called the sweep's **pole** (where the
//! frequency would be infinite) and `k` is a pure number, the change of period per second. Played
//! at any speed such a sweep is exactly itself again, scaled about its pole: a clock or tempo error
//! costs a matched filter nothing but a few hertz at the edges of the band, does not move the pole,
//! and shows as a turn of phase, opposite for the rising and the falling sweep. (Linear period
//! modulation: J. J. Kroszczyński, "Pulse compression by means of linear-period modulation",
//! Proc. IEEE 57 (7), 1969; from memory.)
//!
//! What was compared, each over 500–6400 Hz in half a second (a quarter for the linear one):
//!
//! | sweep | loss at 500 / 1 000 / 5 000 / 10 000 ppm | place moved by skew |
//! | --- | --- | --- |
//! | linear frequency | 0.4 / 1.4 / 9.2 / 12.5 dB | yes |
//! | exponential | 0.4 / 1.3 / 6.7 / 9.0 dB | yes |
//! | linear period | 0.00 / 0.00 / 0.00 / 0.00 dB | no |
//!
//! The amplitude grows as √f. With it the energy spectrum falls by 3 dB an octave, as the noise of
//! homes and the level of music do, so every octave is worth the same: three quarters of the
//! energy lie in a telephone's 300–3400 Hz, and the RMS frequency is 2.8 kHz. An amplitude that
//! is constant puts 92 % in the telephone band but halves the RMS frequency (1.8 kHz) and brings
//! sidelobes of −9 dB instead of −16 dB; one that grows as f keeps only half for the telephone and
//! needs 4 dB more peak for the same energy.
//!
//! * The **opening** mark rises, turns at the top and falls.
//! * The **closing** mark falls, turns at the bottom and rises.
//!
//! They also differ in `k` by a quarter, so half of one is never taken for half of the other: the
//! highest correlation between any two of the four sweeps is −25 dB, and only by a tangent in one
//! octave, which [`crate::locate`] does not count as evidence.

use crate::math::sinc;
use std::f64::consts::{PI, TAU};

/// Which of the marks a [`Mark`] is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Rises, then falls; stays in a take.
    Opening,
    /// Falls, then rises; normally taken out of a take.
    Closing,
    /// A sound of the organiser's own, such as a clap or a bell.
    Own,
}

/// A sync mark as samples at one rate.
#[derive(Clone, Debug)]
pub struct Mark {
    /// Mono; the designed marks peak at no more than [`PEAK`].
    pub samples: Vec<f32>,
    /// Rate the samples are made for.
    pub rate_hz: u32,
    /// Position within `samples` of the instant that stands for the mark's place: a whole one.
    pub origin_sample: f64,
    /// Which mark this is.
    pub kind: Kind,
    source: Source,
}

/// Peak of a designed mark: −9 dBFS, a caution for people who wear headphones.
pub const PEAK: f32 = 0.354_813_4;

/// Turning points of a sweep: the middles of the fades at its two ends.
const LOW_HZ: f64 = 500.0;
const HIGH_HZ: f64 = 6_400.0;
/// Width of those fades.
const LOW_FADE_OCTAVES: f64 = 0.5;
const HIGH_FADE_OCTAVES: f64 = 0.25;

/// Change of period per second: half a second from end to end for the opening mark's sweeps …
const OPENING_K: f64 = 0.003_7;
/// … and a fifth more for the closing mark's.
const CLOSING_K: f64 = 0.003_0;

/// What a mark can be made from at any rate.
#[derive(Clone, Debug)]
enum Source {
    Sweeps([Sweep; 2]),
    Recording { samples: Vec<f32>, rate_hz: f64, origin_sample: f64 },
}

/// One linear-period sweep.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sweep {
    /// Rising towards its pole, or falling away from it.
    pub(crate) rising: bool,
    /// Change of period per second.
    pub(crate) k: f64,
    /// Where the pole lies, in seconds after the mark's origin.
    pub(crate) pole_s: f64,
}

impl Sweep {
    /// Value at `t_s` seconds after the origin, for a file of `rate_hz`; at most 1.
    fn at(&self, t_s: f64, rate_hz: f64) -> f64 {
        let tau_s = if self.rising { self.pole_s - t_s } else { t_s - self.pole_s };
        if tau_s <= 0.0 {
            return 0.0;
        }
        let a = amplitude(1.0 / (self.k * tau_s), rate_hz);
        // Phase zero where the sweep passes its lower turning point, so that two sweeps which
        // meet at either turning point meet in phase or nearly so.
        if a > 0.0 { a * (TAU / self.k * (tau_s * self.k * LOW_HZ).ln()).cos() } else { 0.0 }
    }

    /// From when to when the sweep sounds, in seconds after the origin.
    fn span_s(&self) -> (f64, f64) {
        let near = 1.0 / (self.k * HIGH_HZ * 2f64.powf(HIGH_FADE_OCTAVES / 2.0));
        let far = 1.0 / (self.k * LOW_HZ * 2f64.powf(-LOW_FADE_OCTAVES / 2.0));
        if self.rising {
            (self.pole_s - far, self.pole_s - near)
        } else {
            (self.pole_s + near, self.pole_s + far)
        }
    }
}

/// Amplitude of a sweep while it passes `f_hz`.
fn amplitude(f_hz: f64, rate_hz: f64) -> f64 {
    let edge = |x: f64| 0.5 - 0.5 * (PI * x.clamp(0.0, 1.0)).cos();
    let octaves = |a: f64, b: f64| (a / b).log2();
    let low = edge(octaves(f_hz, LOW_HZ) / LOW_FADE_OCTAVES + 0.5);
    let high = edge(octaves(HIGH_HZ, f_hz) / HIGH_FADE_OCTAVES + 0.5);
    // A file of a low rate has room for the lower part of the sweep only.
    let nyquist = edge((0.47 * rate_hz - f_hz) / (0.05 * rate_hz));
    low * high * nyquist * (f_hz / HIGH_HZ).sqrt().min(1.0)
}

/// One piece of a mark that a matched filter can look for by itself.
#[derive(Clone, Debug)]
pub(crate) struct Part {
    pub(crate) samples: Vec<f64>,
    /// Position of the anchor (a sweep's pole) in `samples`; it may lie outside.
    pub(crate) anchor_sample: f64,
    /// Where the anchor lies, in seconds after the mark's origin.
    pub(crate) anchor_s: f64,
    /// The sweep, if it is one.
    pub(crate) sweep: Option<Sweep>,
}

impl Mark {
    /// The mark that stays in a take, for a file of `rate_hz`.
    pub fn opening(rate_hz: u32) -> Mark {
        let turn_s = 1.0 / (OPENING_K * HIGH_HZ);
        let sweep = |rising, pole_s| Sweep { rising, k: OPENING_K, pole_s };
        Mark::designed(Kind::Opening, rate_hz, [sweep(true, turn_s), sweep(false, -turn_s)])
    }

    /// The mark for checking tempo at the end, for a file of `rate_hz`.
    pub fn closing(rate_hz: u32) -> Mark {
        let turn_s = 1.0 / (CLOSING_K * LOW_HZ);
        let sweep = |rising, pole_s| Sweep { rising, k: CLOSING_K, pole_s };
        Mark::designed(Kind::Closing, rate_hz, [sweep(false, -turn_s), sweep(true, turn_s)])
    }

    fn designed(kind: Kind, rate_hz: u32, sweeps: [Sweep; 2]) -> Mark {
        let rate = f64::from(rate_hz);
        let reach_s = sweeps.iter().fold(0.0f64, |r, s| r.max(-s.span_s().0).max(s.span_s().1));
        let origin = (reach_s * rate).ceil() as usize + 1;
        let mut mark = Mark {
            samples: Vec::new(),
            rate_hz,
            origin_sample: origin as f64,
            kind,
            source: Source::Sweeps(sweeps),
        };
        let second = |i: usize| (i as f64 - origin as f64) / rate;
        mark.samples = (0..=2 * origin).map(|i| mark.value_at(second(i)) as f32).collect();
        mark
    }

    /// A mark of the organiser's own, recorded at `rate_hz`, for a file of `file_rate_hz`.
    ///
    /// The silence around it is trimmed, and what is longer than 0.5 s; it is brought to
    /// [`PEAK`]. The origin is its attack: where its loudest event first reaches half of its peak.
    /// Such a mark is found by its likeness alone, so it needs to be clearer in a take than a
    /// designed one, does not measure skew, and is placed less exactly.
    pub fn from_recording(
        samples: &[f32],
        rate_hz: u32,
        file_rate_hz: u32,
    ) -> Result<Mark, MarkError> {
        if rate_hz < 4_000 || file_rate_hz < 4_000 {
            return Err(MarkError::Rate { rate_hz: rate_hz.min(file_rate_hz) });
        }
        if samples.iter().any(|s| !s.is_finite()) {
            return Err(MarkError::NotFinite);
        }
        let (samples, origin_sample) = sounding_part(samples, f64::from(rate_hz))?;
        let rate = f64::from(file_rate_hz);
        let mut source = Source::Recording { samples, rate_hz: f64::from(rate_hz), origin_sample };
        let part = &source.parts(rate)[0];
        let peak = part.samples.iter().fold(0.0f64, |p, s| p.max(s.abs())) as f32;
        if let Source::Recording { samples, .. } = &mut source {
            samples.iter_mut().for_each(|s| *s *= PEAK / peak.max(1e-9));
        }
        let part = &source.parts(rate)[0];
        Ok(Mark {
            samples: part.samples.iter().map(|s| (*s as f32).clamp(-PEAK, PEAK)).collect(),
            rate_hz: file_rate_hz,
            origin_sample: part.anchor_sample,
            kind: Kind::Own,
            source,
        })
    }

    /// Value of a designed mark `t_s` seconds after its origin; 0 for an own mark.
    pub fn value_at(&self, t_s: f64) -> f64 {
        let Source::Sweeps(sweeps) = &self.source else { return 0.0 };
        let rate = f64::from(self.rate_hz);
        sweeps.iter().map(|s| s.at(t_s, rate)).sum::<f64>() * f64::from(PEAK)
    }

    /// How long the mark sounds.
    pub fn duration_s(&self) -> f64 {
        self.samples.len() as f64 / f64::from(self.rate_hz)
    }

    /// From when to when it sounds, in seconds after its origin.
    pub(crate) fn span_s(&self) -> (f64, f64) {
        let rate = f64::from(self.rate_hz);
        let after = self.samples.len() as f64 - self.origin_sample;
        (-self.origin_sample / rate, after / rate)
    }

    /// The mark's parts made for any rate, for filters that run at another one than the file's.
    pub(crate) fn parts(&self, rate_hz: f64) -> Vec<Part> {
        self.source.parts(rate_hz)
    }
}

impl Source {
    fn parts(&self, rate_hz: f64) -> Vec<Part> {
        match self {
            Source::Sweeps(sweeps) => sweeps.iter().map(|s| sweep_part(*s, rate_hz)).collect(),
            Source::Recording { samples, rate_hz: own, origin_sample } => {
                let ratio = own / rate_hz;
                let read = sinc::Reader::new(ratio);
                // A guide is made of whole samples, and so its mark's origin is one at any rate.
                let anchor_sample = (origin_sample / ratio).ceil();
                let first = origin_sample - anchor_sample * ratio;
                let count = ((samples.len() as f64 - first) / ratio).ceil() as usize;
                let at = |i: usize| read.at(samples, first + i as f64 * ratio);
                let samples = (0..count).map(at).collect();
                vec![Part { samples, anchor_sample, anchor_s: 0.0, sweep: None }]
            }
        }
    }
}

fn sweep_part(sweep: Sweep, rate_hz: f64) -> Part {
    let (from_s, to_s) = sweep.span_s();
    let first = (from_s * rate_hz).floor();
    let count = ((to_s - from_s) * rate_hz).ceil() as usize + 2;
    let samples = (0..count).map(|i| sweep.at((first + i as f64) / rate_hz, rate_hz)).collect();
    Part {
        samples,
        anchor_sample: sweep.pole_s * rate_hz - first,
        anchor_s: sweep.pole_s,
        sweep: Some(sweep),
    }
}

/// Longest own mark: over a longer one a clock that is 300 ppm off turns what is at 3 kHz out of
/// phase. And how much of it may lie before its attack.
const LONGEST_S: f64 = 0.5;
const LONGEST_RUN_UP_S: f64 = 0.2;

/// Share of the peak at which a sound begins: −26 dB, above the noise of a home.
const BEGINS: f32 = 0.05;

/// Cuts the silence off a recording and finds the attack of its loudest event.
fn sounding_part(samples: &[f32], rate_hz: f64) -> Result<(Vec<f32>, f64), MarkError> {
    let peak = samples.iter().fold(0.0f32, |p, s| p.max(s.abs()));
    if peak < 1e-4 {
        return Err(MarkError::Silent);
    }
    let at_peak = samples.iter().position(|s| s.abs() == peak).unwrap_or(0);
    // The attack: back from the peak to the last stretch of 3 ms that stays below half of it.
    let quiet = (0.003 * rate_hz) as usize + 1;
    let mut attack = at_peak;
    for i in (0..at_peak).rev() {
        if samples[i].abs() >= 0.5 * peak {
            attack = i;
        } else if attack - i > quiet {
            break;
        }
    }
    let lead = (0.005 * rate_hz) as usize;
    let begins = samples.iter().position(|s| s.abs() >= BEGINS * peak).unwrap_or(0);
    let begins = begins.max(attack.saturating_sub((LONGEST_RUN_UP_S * rate_hz) as usize));
    let first = begins.saturating_sub(lead);
    let longest = (first + (LONGEST_S * rate_hz) as usize).min(samples.len());
    // The end: where what is left holds less than a thousandth of the energy.
    let energy = |r: &[f32]| r.iter().map(|s| f64::from(*s).powi(2)).sum::<f64>();
    let total = energy(&samples[first..longest]);
    let mut end = longest;
    let mut rest = 0.0;
    while end > attack + 1 && rest < 1e-3 * total {
        end -= 1;
        rest += f64::from(samples[end]).powi(2);
    }
    let mut event = samples[first..(end + lead).min(longest)].to_vec();
    if (event.len() as f64) < 0.002 * rate_hz {
        return Err(MarkError::TooShort);
    }
    let (length, fade) = (event.len(), (event.len() / 8).min(lead).max(1));
    for i in 0..fade {
        let gain = (i as f32 + 0.5) / fade as f32;
        event[length - 1 - i] *= gain;
        if i < begins - first {
            event[i] *= gain;
        }
    }
    Ok((event, (attack - first) as f64))
}

/// Why a recording can't serve as a mark.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum MarkError {
    /// Nothing to hear.
    #[error("the mark's recording is silent; record a clap, a click or a bell and send that")]
    Silent,
    /// Less than two milliseconds of sound.
    #[error("the mark's recording holds less than 2 ms of sound; send a longer clap or bell")]
    TooShort,
    /// Not-a-number or infinity among the samples.
    #[error("the mark's recording holds samples that are not numbers; save it again as 24-bit WAV")]
    NotFinite,
    /// A rate at which no mark can be told from another.
    #[error("a mark can't be used at {rate_hz} Hz; use 4000 Hz or more")]
    Rate {
        /// The rate that was asked for.
        rate_hz: u32,
    },
}
