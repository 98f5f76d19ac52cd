//! A look-ahead limiter for true peaks.
//!
//! The gain a sample needs comes from its four-times oversampled peak. It is held over the
//! look-ahead and a little after, so that the halves of a low wave get one gain and are not bent;
//! let go slowly; and smoothed by a window as long as the look-ahead. Since the smoothed gain is
//! a mean of values none of which exceeds what any sample in reach needs, no sample passes above
//! the ceiling. Four times oversampling can under-read by 20·log₁₀cos(π·0.45/4) = 0.55 dB at
//! 0.45 of the sample rate, so the ceiling inside lies [`GUARD_DB`] below the one asked for.
//!
//! Gains are smoothed in integers: the result does not depend on how the signal is cut into
//! calls. Where nothing needs limiting the signal passes unchanged to the bit.

mod lines;
mod oversample;
mod screen;

pub use oversample::{
    BOUND_FRAMES, BOUND_LAG, OwnPeak, PEAK_REACH, PeakFinder, Peaks, TruePeak, peaks_from,
    peaks_of, peaks_within,
};

use std::collections::VecDeque;

/// How far below the asked ceiling the limiter works, dB.
pub const GUARD_DB: f64 = 0.6;

/// Time by which the gain moves before a peak.
const LOOK_AHEAD_S: f64 = 0.005;

/// Time for which it stays after: half a wave of 17 Hz.
const HOLD_S: f64 = 0.03;

/// Time constant of letting go.
const RELEASE_S: f64 = 0.15;

/// Unity gain in the integer smoother.
const UNITY: u64 = 1 << 30;

/// Limits a programme pushed block by block; what comes out is as long as what went in and not
/// late against it.
pub struct Limiter {
    ceiling: f32,
    finder: PeakFinder,
    /// Input not yet put out, one queue a channel.
    waiting: Vec<VecDeque<f32>>,
    /// Candidates for the least gain in the window: (position, gain), gains rising.
    least: VecDeque<(u64, u64)>,
    /// Gains needed have been taken up to this position.
    needed_upto: u64,
    look_ahead: u64,
    hold: u64,
    release: f64,
    released: f64,
    smooth: [Box_; 2],
    peaks: Vec<f32>,
    out: Vec<Vec<f32>>,
    /// Where in `out` frames that were changed follow on some that were not, or the reverse.
    turns: Vec<usize>,
    /// Whether the last of `out` was changed.
    changing: bool,
    least_gain: u64,
}

/// What takes limited frames, and whether they were changed: all of a call or none.
pub type LimitedSink<'a> = dyn FnMut(bool, &[&[f32]]) + 'a;

impl Limiter {
    /// A limiter to `ceiling_dbtp` for some channels, which share one gain.
    #[must_use]
    pub fn new(rate_hz: u32, channels: usize, ceiling_dbtp: f64) -> Self {
        let frames = |seconds: f64| (seconds * f64::from(rate_hz)).round().max(2.0) as u64;
        let look_ahead = frames(LOOK_AHEAD_S) / 2 * 2;
        let half = look_ahead as usize / 2 + 1;
        let ceiling = 10f64.powf((ceiling_dbtp - GUARD_DB) / 20.0) as f32;
        let mut limiter = Self {
            ceiling,
            finder: PeakFinder::new(channels, ceiling),
            waiting: vec![VecDeque::new(); channels],
            least: VecDeque::new(),
            needed_upto: 0,
            look_ahead,
            hold: frames(HOLD_S),
            release: 1.0 - (-1.0 / (RELEASE_S * f64::from(rate_hz))).exp(),
            released: 1.0,
            smooth: [Box_::new(half, UNITY), Box_::new(half, UNITY * half as u64)],
            peaks: Vec::new(),
            out: vec![Vec::new(); channels],
            turns: Vec::new(),
            changing: false,
            least_gain: UNITY,
        };
        // Silence before the start lets the gain be down when the first sample comes.
        for _ in 0..look_ahead {
            limiter.take(UNITY);
        }
        limiter
    }

    /// A limiter for what follows `before`, at rest: nothing in reach before it needs limiting.
    #[must_use]
    pub fn after(rate_hz: u32, before: &[&[f32]], ceiling_dbtp: f64) -> Self {
        let mut limiter = Self::new(rate_hz, before.len(), ceiling_dbtp);
        limiter.finder = PeakFinder::after(before, limiter.ceiling);
        limiter
    }

    /// Frames that come out later than they went in, at most.
    #[must_use]
    pub fn reach_frames(rate_hz: u32) -> usize {
        (LOOK_AHEAD_S * f64::from(rate_hz)).ceil() as usize + BOUND_LAG + 2
    }

    /// Whether what it holds will pass unchanged, unless what is between the last samples needs
    /// limiting, which is not known yet.
    #[must_use]
    pub fn at_rest(&self) -> bool {
        let idle = |box_: &Box_, full: u64| box_.sum == full * box_.len() as u64;
        let [first, second] = &self.smooth;
        self.released == 1.0
            && self.least.iter().all(|&(_, gain)| gain == UNITY)
            && idle(first, UNITY)
            && idle(second, UNITY * first.len() as u64)
    }

    /// Hands on what a limiter at rest holds, unchanged. Gives the most that it took away, dB.
    pub fn release(mut self, sink: &mut LimitedSink<'_>) -> f64 {
        let held: Vec<&[f32]> =
            self.waiting.iter_mut().map(|waiting| &*waiting.make_contiguous()).collect();
        if held.first().is_some_and(|first| !first.is_empty()) {
            sink(false, &held);
        }
        limited_db(self.least_gain)
    }

    /// Takes frames, one slice a channel, and hands on those that are ready.
    pub fn push(&mut self, channels: &[&[f32]], sink: &mut LimitedSink<'_>) {
        for (waiting, channel) in self.waiting.iter_mut().zip(channels) {
            waiting.extend(channel.iter());
        }
        let mut peaks = std::mem::take(&mut self.peaks);
        peaks.clear();
        self.finder.push(channels, &mut peaks);
        self.advance(&peaks, sink);
        self.peaks = peaks;
    }

    /// Hands on the rest. Gives the most that was taken away, dB.
    pub fn finish(mut self, sink: &mut LimitedSink<'_>) -> f64 {
        let mut peaks = Vec::new();
        self.finder.finish(&mut peaks);
        self.advance(&peaks, sink);
        self.advance(&vec![0.0; self.look_ahead as usize], sink);
        limited_db(self.least_gain)
    }

    fn advance(&mut self, peaks: &[f32], sink: &mut LimitedSink<'_>) {
        self.out.iter_mut().for_each(Vec::clear);
        self.turns.clear();
        let mut changed = self.changing;
        for &peak in peaks {
            let needed = if peak > self.ceiling {
                (UNITY as f64 * f64::from(self.ceiling / peak)) as u64
            } else {
                UNITY
            };
            self.take(needed);
        }
        let frames = self.out.first().map_or(0, Vec::len);
        let mut from = 0;
        for upto in self.turns.iter().copied().chain([frames]) {
            if from < upto {
                let views: Vec<&[f32]> = self.out.iter().map(|out| &out[from..upto]).collect();
                sink(changed, &views);
            }
            (from, changed) = (upto, !changed);
        }
    }

    /// Takes the gain one more sample needs and puts out the one a look-ahead earlier.
    fn take(&mut self, needed: u64) {
        while self.least.back().is_some_and(|&(_, gain)| gain >= needed) {
            self.least.pop_back();
        }
        self.least.push_back((self.needed_upto, needed));
        self.needed_upto += 1;
        let Some(at) = self.needed_upto.checked_sub(self.look_ahead + 1) else { return };
        while self.least.front().is_some_and(|&(position, _)| position + self.hold < at) {
            self.least.pop_front();
        }
        let least = self.least.front().map_or(UNITY, |&(_, gain)| gain);
        let held = least as f64 / UNITY as f64;
        self.released = held.min(self.released + (1.0 - self.released) * self.release);
        // Close enough to unity is unity, so that what follows passes unchanged.
        if self.released > 1.0 - 1e-7 && least == UNITY {
            self.released = 1.0;
        }
        let [first, second] = &mut self.smooth;
        let sum = second.push(first.push((self.released * UNITY as f64) as u64));
        let full = UNITY * (first.len() * second.len()) as u64;
        let gain = sum as f64 / full as f64;
        self.least_gain = self.least_gain.min((gain * UNITY as f64) as u64);
        if at < self.look_ahead {
            return;
        }
        if self.changing == (sum == full) {
            self.turns.push(self.out.first().map_or(0, Vec::len));
            self.changing = sum != full;
        }
        for (waiting, out) in self.waiting.iter_mut().zip(&mut self.out) {
            let sample = waiting.pop_front().unwrap_or(0.0);
            out.push(if sum == full { sample } else { (f64::from(sample) * gain) as f32 });
        }
    }
}

/// What a least gain took away, dB: 0 where it is unity, never a negative nothing.
fn limited_db(least_gain: u64) -> f64 {
    (20.0 * (UNITY as f64 / least_gain as f64).log10()).max(0.0)
}

/// An exact running sum over a window.
struct Box_ {
    window: VecDeque<u64>,
    sum: u64,
}

impl Box_ {
    fn new(length: usize, fill: u64) -> Self {
        Self { window: VecDeque::from(vec![fill; length]), sum: fill * length as u64 }
    }

    fn len(&self) -> usize {
        self.window.len()
    }

    fn push(&mut self, value: u64) -> u64 {
        let oldest = self.window.pop_front().unwrap_or(0);
        self.window.push_back(value);
        self.sum = self.sum - oldest + value;
        self.sum
    }
}

#[cfg(test)]
mod tests;
