//! Talk during the playing.
//!
//! Speech changes several times a second between voiced sounds, whose power lies low, and hisses
//! (s, f, sh), whose power lies high and which are softer; music of one instrument does not. The
//! cue is the zero-crossing statistic of J. Saunders, "Real-time discrimination of broadcast
//! speech/music", ICASSP 1996, here as the ratio of the power of the wave's difference to that
//! of the wave.

use std::ops::{Range, RangeInclusive};

use super::Take;
use crate::finding::{Finding, Severity};
use crate::math::vectors::{LANES, in_vectors};

/// Frames a second.
const FRAMES_PER_S: f64 = 50.0;

/// A window that is judged, and from one to the next.
const WINDOW_FRAMES: usize = 100;
const STEP_FRAMES: usize = 50;

/// Middle frequency, by the ratio, above which a frame hisses and below which it is voiced.
const HISS_HZ: f64 = 3_200.0;
const VOICED_HZ: f64 = 1_600.0;

/// A hiss lasts so many frames: 60–260 ms.
const HISS_FRAMES: RangeInclusive<usize> = 3..=13;

/// Hisses in two seconds of talk.
const LEAST_HISSES: usize = 2;

/// An instrument hisses by itself, or noise does between its notes, where more than this share of
/// the other windows have a hiss.
const MOST_ELSEWHERE: f64 = 0.1;

/// Frames this far below the window's loudest are silence.
const ACTIVE_DB: f64 = 35.0;

/// A hiss is softer than the voice by at least this and at most so much.
const SOFTER_DB: Range<f64> = 4.0..32.0;

/// Talk must go on for so many windows in a row.
const LEAST_WINDOWS: usize = 3;

/// Level and brightness of one channel, fifty frames a second.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Brightness {
    /// Level of each frame in dB.
    pub level_db: Vec<f32>,
    /// Middle frequency of each frame in Hz.
    pub middle_hz: Vec<f32>,
}

pub(super) struct BrightnessMeter {
    rate_hz: f64,
    frame: usize,
    filled: usize,
    last: f32,
    square: f64,
    difference: f64,
    found: Brightness,
}

impl BrightnessMeter {
    pub(super) fn new(rate_hz: u32) -> Self {
        Self {
            rate_hz: f64::from(rate_hz),
            frame: ((f64::from(rate_hz) / FRAMES_PER_S) as usize).max(1),
            filled: 0,
            last: 0.0,
            square: 0.0,
            difference: 0.0,
            found: Brightness::default(),
        }
    }

    pub(super) fn push(&mut self, mono: &[f32]) {
        let mut from = 0;
        while from < mono.len() {
            let upto = mono.len().min(from + self.frame - self.filled);
            self.add(&mono[from..upto]);
            self.filled += upto - from;
            from = upto;
            if self.filled == self.frame {
                self.end_frame();
            }
        }
    }

    pub(super) fn finish(self) -> Brightness {
        self.found
    }

    fn add(&mut self, samples: &[f32]) {
        let Some(last) = samples.last() else { return };
        let [square, difference] = squares(samples, self.last);
        self.square += square;
        self.difference += difference;
        self.last = *last;
    }

    /// The power of the difference over that of the wave is 4·sin²(πf/fs) for one tone.
    fn end_frame(&mut self) {
        let mean = self.square / self.frame as f64;
        let ratio = self.difference / self.square.max(1e-12);
        let middle = self.rate_hz / std::f64::consts::PI * (ratio.min(4.0).sqrt() / 2.0).asin();
        self.found.level_db.push((10.0 * mean.max(1e-14).log10()) as f32);
        self.found.middle_hz.push(middle as f32);
        (self.square, self.difference, self.filled) = (0.0, 0.0, 0);
    }
}

in_vectors! {
    /// Sums of the squares of the samples, one at least, and of the steps to them, the first from
    /// `before`.
    fn squares(samples: &[f32], before: f32) -> [f64; 2] {
        let (mut square, mut difference) = ([0.0f32; LANES], [0.0f32; LANES]);
        difference[0] = (samples[0] - before) * (samples[0] - before);
        let (earlier, later) = (&samples[..samples.len() - 1], &samples[1..]);
        let (e, e_rest) = earlier.as_chunks::<LANES>();
        let (l, l_rest) = later.as_chunks::<LANES>();
        for (e, l) in e.iter().zip(l) {
            for lane in 0..LANES {
                let step = l[lane] - e[lane];
                difference[lane] += step * step;
                square[lane] += l[lane] * l[lane];
            }
        }
        for (e, l) in e_rest.iter().zip(l_rest) {
            difference[0] += (l - e) * (l - e);
            square[0] += l * l;
        }
        square[0] += samples[0] * samples[0];
        [square, difference].map(|lanes| lanes.iter().map(|lane| f64::from(*lane)).sum())
    }
}

pub(super) fn check(take: &Take) -> Option<Finding> {
    let places = places(take);
    if places.is_empty() {
        return None;
    }
    let seconds: f64 = places.iter().map(|place| place.1 - place.0).sum();
    let says = "We think that somebody speaks during the piece, in the marked places. If so, \
                please record again, or tell us which part to leave out.";
    Some(Finding::new("speech", Severity::Advice, says).measuring(seconds, "s").at(places))
}

/// Where somebody speaks, from and to, in seconds of the file.
pub(super) fn places(take: &Take) -> Vec<(f64, f64)> {
    let brightness = &take.records.brightness;
    let span = take.span_s();
    let frames = brightness.level_db.len();
    let at = |s: f64| ((s * FRAMES_PER_S) as usize).min(frames);
    let first = at(span.0);
    let starts = (first..at(span.1).saturating_sub(WINDOW_FRAMES)).step_by(STEP_FRAMES);
    let hisses: Vec<usize> =
        starts.map(|start| hisses(brightness, start..start + WINDOW_FRAMES)).collect();
    let second = |frame: usize| (first + frame) as f64 / FRAMES_PER_S;
    let place = |run: &Range<usize>| {
        let last = (run.end - 1) * STEP_FRAMES + WINDOW_FRAMES;
        (second(run.start * STEP_FRAMES), second(last))
    };
    talks(&hisses).iter().map(place).collect()
}

/// The runs of windows in which somebody talks, by the hisses of each; none where hisses are the
/// instrument's own.
fn talks(hisses: &[usize]) -> Vec<Range<usize>> {
    let (mut runs, mut elsewhere, mut others) = (Vec::new(), 0, 0);
    let mut first = 0;
    for run in hisses.chunk_by(|a, b| (*a >= LEAST_HISSES) == (*b >= LEAST_HISSES)) {
        if run[0] >= LEAST_HISSES && run.len() >= LEAST_WINDOWS {
            runs.push(first..first + run.len());
        } else {
            elsewhere += run.iter().filter(|hisses| **hisses > 0).count();
            others += run.len();
        }
        first += run.len();
    }
    let own = elsewhere as f64 > MOST_ELSEWHERE * others as f64 || 2 * others < hisses.len();
    if own { Vec::new() } else { runs }
}

/// How often it hisses in a window as a speaker does.
fn hisses(brightness: &Brightness, window: Range<usize>) -> usize {
    let levels = &brightness.level_db[window.clone()];
    let middles = &brightness.middle_hz[window];
    let loudest = levels.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let active = |at: usize| f64::from(levels[at]) > f64::from(loudest) - ACTIVE_DB;
    let voiced = |at: usize| active(at) && f64::from(middles[at]) < VOICED_HZ;
    let voices: Vec<f64> =
        (0..levels.len()).filter(|at| voiced(*at)).map(|at| f64::from(levels[at])).collect();
    if voices.len() < levels.len() / 5 {
        return 0;
    }
    let voice = super::profile::quantile(
        &{
            let mut sorted = voices;
            sorted.sort_by(f64::total_cmp);
            sorted
        },
        0.7,
    );
    let hissing = |at: usize| {
        active(at)
            && f64::from(middles[at]) > HISS_HZ
            && SOFTER_DB.contains(&(voice - f64::from(levels[at])))
    };
    let (mut hisses, mut length) = (0, 0);
    for at in 0..=levels.len() {
        if at < levels.len() && hissing(at) {
            length += 1;
        } else {
            hisses += usize::from(HISS_FRAMES.contains(&length));
            length = 0;
        }
    }
    hisses
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A minute without a hiss, but for these windows.
    fn minute(hissing: &[(usize, usize)]) -> Vec<usize> {
        let mut hisses = vec![0; 60];
        hissing.iter().for_each(|(at, count)| hisses[*at] = *count);
        hisses
    }

    #[test]
    fn talk_hisses_for_some_seconds_on_end() {
        assert_eq!(talks(&minute(&[(20, 2), (21, 4), (22, 3)])), vec![20..23]);
        let twice = minute(&[(3, 2), (4, 2), (5, 2), (57, 2), (58, 5), (59, 3)]);
        assert_eq!(talks(&twice), vec![3..6, 57..60]);
        assert!(talks(&minute(&[(20, 2), (21, 4)])).is_empty(), "too short");
        assert!(talks(&minute(&[(20, 1), (21, 1), (22, 1), (23, 1)])).is_empty(), "too few");
        assert!(talks(&[]).is_empty());
    }

    #[test]
    fn an_instrument_that_hisses_all_the_time_does_not_talk() {
        let strummed: Vec<usize> = (0..60).map(|at| [2, 2, 3, 1, 0, 1][at % 6]).collect();
        assert!(talks(&strummed).is_empty());
        assert!(talks(&[3; 60]).is_empty());
    }

    #[test]
    fn what_hisses_lies_high_is_soft_and_short() {
        let syllables = |hiss_hz: f32, softer_db: f32, frames: usize| {
            let hiss = |at: usize| at % 25 < frames;
            let level_db = (0..100).map(|at| if hiss(at) { -20.0 - softer_db } else { -20.0 });
            let middle_hz = (0..100).map(|at| if hiss(at) { hiss_hz } else { 500.0 });
            let brightness =
                Brightness { level_db: level_db.collect(), middle_hz: middle_hz.collect() };
            hisses(&brightness, 0..100)
        };
        assert_eq!(syllables(5_000.0, 12.0, 6), 4);
        assert_eq!(syllables(2_500.0, 12.0, 6), 0, "a vowel");
        assert_eq!(syllables(5_000.0, 1.0, 6), 0, "a cymbal");
        assert_eq!(syllables(5_000.0, 12.0, 2), 0, "a click");
        assert_eq!(syllables(5_000.0, 12.0, 16), 0, "a breath");
    }
}
