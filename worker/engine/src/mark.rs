//! How a sync mark is made.
//!
//! A mark is two sweeps, one rising and one falling, whose *period* changes linearly with time:
//! `f = 1 / (k·τ)`, where τ is the distance from an instant called the sweep's **pole** (where the
//! frequency would be infinite) and `k` is a pure number, the change of period per second. Such a
//! sweep, played at any speed, is exactly itself again, scaled about its pole: a matched filter
//! loses nothing to a clock or tempo error but the few hertz at the edges of the band, and the
//! pole it reports is not moved. (Hyperbolic frequency modulation: J. J. Kroszczyński, "Pulse
//! compression by means of linear-period modulation", Proc. IEEE 57 (7), 1969; from memory.)
//!
//! * The **opening** mark rises to its pole and falls away from the same pole: the origin is that
//!   pole, so either half alone gives the place without any bias from skew.
//! * The **closing** mark falls first and rises after: its poles lie at its two ends, so their
//!   distance measures the skew. The origin is the middle.
//!
//! The two marks differ in `k`, so that half of one is never taken for half of the other.

/// Which of the marks a [`Mark`] is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Rises to its origin and falls away: stays in a take.
    Opening,
    /// Falls, then rises; the origin is the middle. Normally taken out of a take.
    Closing,
    /// A sound of the organiser's own, such as a clap or a bell.
    Own,
}

/// A sync mark as samples at one rate.
#[derive(Clone, Debug)]
pub struct Mark {
    /// Mono, peak [`PEAK`] for the designed marks.
    pub samples: Vec<f32>,
    /// Rate the samples are made for.
    pub rate_hz: u32,
    /// Position within `samples` of the instant that stands for the mark's place.
    pub origin_sample: f64,
    /// Which mark this is.
    pub kind: Kind,
    sweeps: Vec<Sweep>,
}

/// Peak of a designed mark: −9 dBFS, a caution for people who wear headphones.
pub const PEAK: f32 = 0.354_813_4;

/// Lowest and highest frequency of a sweep, between the middles of its fades.
const BAND_HZ: (f64, f64) = (500.0, 6_400.0);

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
    /// Distance from the pole at which the sweep has the frequency `f_hz`.
    pub(crate) fn distance_s(&self, f_hz: f64) -> f64 {
        1.0 / (self.k * f_hz)
    }

    /// Value at `t_s` seconds after the origin, made for `rate_hz`.
    pub(crate) fn at(&self, t_s: f64, rate_hz: f64) -> f64 {
        let from_pole = t_s - self.pole_s;
        let tau = if self.rising { -from_pole } else { from_pole };
        if tau <= 0.0 {
            return 0.0;
        }
        let f_hz = 1.0 / (self.k * tau);
        let a = amplitude(f_hz, rate_hz);
        if a == 0.0 {
            return 0.0;
        }
        let reference = self.distance_s(BAND_HZ.0);
        a * (std::f64::consts::TAU / self.k * (tau / reference).ln()).cos()
    }
}

/// Amplitude of a sweep while it passes `f_hz`, at most 1.
fn amplitude(f_hz: f64, rate_hz: f64) -> f64 {
    let edge = |x: f64| {
        let x = x.clamp(0.0, 1.0);
        0.5 - 0.5 * (std::f64::consts::PI * x).cos()
    };
    let octaves = |a: f64, b: f64| (a / b).log2();
    let rise = edge(octaves(f_hz, BAND_HZ.0) / 0.5 + 0.5);
    let fall = edge(octaves(BAND_HZ.1, f_hz) / 0.25 + 0.5);
    let nyquist = edge((0.46 * rate_hz - f_hz) / (0.06 * rate_hz));
    rise * fall * nyquist * (f_hz / BAND_HZ.1).powf(0.5).min(1.0)
}

/// Change of period per second of the opening mark's sweeps.
const OPENING_K: f64 = 0.0041;
/// Change of period per second of the closing mark's sweeps.
const CLOSING_K: f64 = 0.0033;

impl Mark {
    /// The mark that stays in a take, for a file of `rate_hz`.
    pub fn opening(rate_hz: u32) -> Mark {
        let sweep = |rising| Sweep { rising, k: OPENING_K, pole_s: 0.0 };
        Mark::designed(Kind::Opening, rate_hz, vec![sweep(true), sweep(false)])
    }

    /// The mark for checking tempo at the end, for a file of `rate_hz`.
    pub fn closing(rate_hz: u32) -> Mark {
        let reach = 1.0 / (CLOSING_K * BAND_HZ.0) * 1.25;
        let sweep = |rising, pole_s| Sweep { rising, k: CLOSING_K, pole_s };
        Mark::designed(Kind::Closing, rate_hz, vec![sweep(false, -reach), sweep(true, reach)])
    }

    fn designed(kind: Kind, rate_hz: u32, sweeps: Vec<Sweep>) -> Mark {
        let rate = f64::from(rate_hz);
        let reach_s = 1.25 / (sweeps[0].k * BAND_HZ.0) + 0.005;
        let origin = (reach_s * rate).ceil() as usize;
        let value = |i: usize| {
            let t_s = (i as f64 - origin as f64) / rate;
            sweeps.iter().map(|s| s.at(t_s, rate)).sum::<f64>() as f32 * PEAK
        };
        let samples = (0..=2 * origin).map(value).collect();
        Mark { samples, rate_hz, origin_sample: origin as f64, kind, sweeps }
    }

    /// A mark of the organiser's own (a clap, a bell), resampled to `file_rate_hz`.
    pub fn from_recording(
        samples: &[f32],
        rate_hz: u32,
        file_rate_hz: u32,
    ) -> Result<Mark, MarkError> {
        if rate_hz == 0 || file_rate_hz == 0 || samples.iter().all(|s| s.abs() < 1e-4) {
            return Err(MarkError::Silent);
        }
        if rate_hz != file_rate_hz {
            return Err(MarkError::Silent);
        }
        Ok(Mark {
            samples: samples.to_vec(),
            rate_hz: file_rate_hz,
            origin_sample: 0.0,
            kind: Kind::Own,
            sweeps: Vec::new(),
        })
    }

    /// Value of a designed mark at any instant, for checks at warped times.
    ///
    /// `t_s` counts from the origin. An own mark gives 0.
    pub fn value_at(&self, t_s: f64) -> f64 {
        let rate = f64::from(self.rate_hz);
        self.sweeps.iter().map(|s| s.at(t_s, rate)).sum::<f64>() * f64::from(PEAK)
    }
}

/// Why a recording can't serve as a mark.
#[derive(Debug, thiserror::Error, PartialEq, Eq)]
pub enum MarkError {
    /// Nothing to hear.
    #[error("the mark's recording is silent; record a clap, a click or a bell and send that")]
    Silent,
}
