//! Loudness and true peak, streaming.
//!
//! ITU-R BS.1770-4 loudness (momentary 400 ms, short-term 3 s, gated integrated), EBU Tech 3342
//! loudness range and BS.1770 annex 2 true peak, through the crate `ebur128`, which is checked
//! here and in `tests/reference` against every synthetic case of EBU Tech 3341 and 3342.

mod blocked;
pub mod hops;
mod weighting;

pub(crate) use blocked::KWeighting;

use serde::{Deserialize, Serialize};
use std::collections::VecDeque;

/// What a programme measured.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Loudness {
    /// Gated integrated loudness, LUFS; none if nothing was above the absolute gate of −70 LUFS.
    pub integrated_lufs: Option<f64>,
    /// Loudness range, LU.
    pub range_lu: Option<f64>,
    /// Highest momentary loudness, LUFS.
    pub max_momentary_lufs: Option<f64>,
    /// Highest short-term loudness, LUFS.
    pub max_short_term_lufs: Option<f64>,
    /// Highest true peak of any channel, dBTP; none for digital silence or if not measured.
    pub true_peak_dbtp: Option<f64>,
    /// Short-term loudness at the end of every [`CURVE_STEP_S`], LUFS; −70 stands for silence.
    pub short_term_curve_lufs: Vec<f32>,
}

/// Step of [`Loudness::short_term_curve_lufs`], s.
pub const CURVE_STEP_S: f64 = 0.5;

/// What shall be measured: each costs.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measure {
    /// Integrated loudness only; the cheapest by far.
    Integrated,
    /// Everything but the true peak.
    Levels,
    /// Everything in [`Loudness`].
    All,
}

/// Why a meter cannot be made.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("loudness of {channels} channels at {rate_hz} Hz cannot be measured")]
pub struct NoMeter {
    channels: u32,
    rate_hz: u32,
}

/// Measures a programme pushed block by block.
pub struct Meter {
    inner: ebur128::EbuR128,
    measure: Measure,
    rate_hz: u32,
    /// Frames until the windows are read again.
    until_poll: usize,
    polls: usize,
    energies: VecDeque<f64>,
    max_momentary: f64,
    max_short_term: f64,
    curve: Vec<f32>,
}

/// How often momentary and short-term loudness are read, per second: Tech 3341 cases 13 and 14
/// move their burst by 20 ms and want the maximum within 0.1 LU.
const POLLS_PER_S: u32 = 100;

/// Polls in the 400 ms of momentary loudness (BS.1770-4).
const MOMENTARY_POLLS: usize = 40;

/// Polls in the 3 s of short-term loudness (EBU Tech 3341).
const SHORT_TERM_POLLS: usize = 300;

/// Short-term loudness is looked at every 50 ms: cases 10 and 11 move by 150 ms.
const POLLS_PER_SHORT_TERM: usize = 5;

/// The constant of BS.1770-4, annex 1, equation 2.
const LOUDNESS_OFFSET_LU: f64 = -0.691;

impl Meter {
    /// A meter for `channels` (1 mono, 2 stereo, 5 or 6 surround as BS.1770 weighs it).
    ///
    /// # Errors
    /// [`NoMeter`] for counts or rates out of range.
    pub fn new(rate_hz: u32, channels: u32, measure: Measure) -> Result<Self, NoMeter> {
        let mode = match measure {
            Measure::Integrated => ebur128::Mode::I,
            Measure::Levels => ebur128::Mode::I | ebur128::Mode::S | ebur128::Mode::LRA,
            Measure::All => {
                ebur128::Mode::I | ebur128::Mode::S | ebur128::Mode::LRA | ebur128::Mode::TRUE_PEAK
            }
        };
        let no_meter = NoMeter { channels, rate_hz };
        if rate_hz < POLLS_PER_S {
            return Err(no_meter);
        }
        let mut inner = ebur128::EbuR128::new(channels, rate_hz, mode).map_err(|_| no_meter)?;
        if channels == 5 {
            use ebur128::Channel::{Center, Left, LeftSurround, Right, RightSurround};
            inner
                .set_channel_map(&[Left, Right, Center, LeftSurround, RightSurround])
                .map_err(|_| no_meter)?;
        }
        Ok(Self {
            inner,
            measure,
            rate_hz,
            until_poll: (rate_hz / POLLS_PER_S) as usize,
            polls: 0,
            energies: VecDeque::with_capacity(SHORT_TERM_POLLS),
            max_momentary: f64::NEG_INFINITY,
            max_short_term: f64::NEG_INFINITY,
            curve: Vec::new(),
        })
    }

    /// Takes frames, one slice a channel. Slices of unequal length are ignored.
    pub fn push(&mut self, channels: &[&[f32]]) {
        let frames = channels.first().map_or(0, |first| first.len());
        if self.measure == Measure::Integrated {
            let _ = self.inner.add_frames_planar_f32(channels);
            return;
        }
        let mut from = 0;
        while from < frames {
            let upto = frames.min(from + self.until_poll);
            let part: Vec<&[f32]> =
                channels.iter().map(|channel| channel.get(from..upto).unwrap_or(&[])).collect();
            let _ = self.inner.add_frames_planar_f32(&part);
            self.until_poll -= upto - from;
            if self.until_poll == 0 {
                self.poll();
            }
            from = upto;
        }
    }

    /// Takes the energy of the last 10 ms. Windows are sums of these: reading them from the
    /// library each time would cost a pass over 3 s of sound.
    fn poll(&mut self) {
        self.until_poll = (self.rate_hz / POLLS_PER_S) as usize;
        let lufs = self.inner.loudness_window(1000 / POLLS_PER_S).unwrap_or(f64::NEG_INFINITY);
        if self.energies.len() == SHORT_TERM_POLLS {
            self.energies.pop_front();
        }
        self.energies.push_back(10f64.powf((lufs - LOUDNESS_OFFSET_LU) / 10.0));
        self.polls += 1;
        // A window counts only once it has been filled.
        if self.polls >= MOMENTARY_POLLS {
            self.max_momentary = self.max_momentary.max(self.window_lufs(MOMENTARY_POLLS));
        }
        if self.polls.is_multiple_of(POLLS_PER_SHORT_TERM) {
            let short_term = self.window_lufs(SHORT_TERM_POLLS);
            if self.polls >= SHORT_TERM_POLLS {
                self.max_short_term = self.max_short_term.max(short_term);
            }
            if self.polls.is_multiple_of((CURVE_STEP_S * f64::from(POLLS_PER_S)) as usize) {
                self.curve.push(short_term.max(-70.0) as f32);
            }
        }
    }

    /// Loudness of the last `polls` · 10 ms; what lies before the start is silence.
    fn window_lufs(&self, polls: usize) -> f64 {
        let energy: f64 = self.energies.iter().rev().take(polls).sum();
        LOUDNESS_OFFSET_LU + 10.0 * (energy / polls as f64).log10()
    }

    /// Momentary loudness now, LUFS, to the last whole 10 ms.
    #[must_use]
    pub fn momentary_lufs(&self) -> Option<f64> {
        Some(self.window_lufs(MOMENTARY_POLLS)).filter(|lufs| lufs.is_finite())
    }

    /// Short-term loudness now, LUFS, to the last whole 10 ms.
    #[must_use]
    pub fn short_term_lufs(&self) -> Option<f64> {
        Some(self.window_lufs(SHORT_TERM_POLLS)).filter(|lufs| lufs.is_finite())
    }

    /// Integrated loudness so far, LUFS.
    #[must_use]
    pub fn integrated_lufs(&self) -> Option<f64> {
        self.inner.loudness_global().ok().filter(|lufs| lufs.is_finite())
    }

    /// All that was measured.
    #[must_use]
    pub fn finish(self) -> Loudness {
        let finite = |value: f64| Some(value).filter(|value| value.is_finite());
        let peak = (0..self.inner.channels())
            .filter_map(|channel| self.inner.true_peak(channel).ok())
            .fold(0.0f64, f64::max);
        Loudness {
            integrated_lufs: self.integrated_lufs(),
            range_lu: self.inner.loudness_range().ok(),
            max_momentary_lufs: finite(self.max_momentary),
            max_short_term_lufs: finite(self.max_short_term),
            true_peak_dbtp: finite(20.0 * peak.log10()),
            short_term_curve_lufs: self.curve,
        }
    }
}

#[cfg(test)]
mod tests;
