//! Talk during the playing.
//!
//! Speech changes several times a second between voiced sounds, whose power lies low, and hisses
//! (s, f, sh), whose power lies high and which are softer; music of one instrument does not. The
//! cue is the zero-crossing statistic of J. Saunders, "Real-time discrimination of broadcast
//! speech/music", ICASSP 1996, here as the ratio of the power of the wave's difference to that
//! of the wave.

use super::Take;
use crate::finding::{Finding, Severity};

/// Frames a second.
const FRAMES_PER_S: f64 = 50.0;

/// A window that is judged.
const WINDOW_FRAMES: usize = 100;

/// Middle frequency, by the ratio, above which a frame hisses and below which it is voiced.
const HISS_HZ: f64 = 3_200.0;
const VOICED_HZ: f64 = 1_600.0;

/// A hiss lasts so many frames: 60–260 ms.
const HISS_FRAMES: std::ops::RangeInclusive<usize> = 3..=13;

/// Hisses in two seconds of talk.
const LEAST_HISSES: usize = 3;

/// Frames this far below the window's loudest are silence.
const ACTIVE_DB: f64 = 35.0;

/// A hiss is softer than the voice by at least this and at most so much.
const SOFTER_DB: std::ops::Range<f64> = 4.0..32.0;

/// Talk must go on for so many windows in a row (they overlap by half).
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
        const LANES: usize = 16;
        let Some(first) = samples.first() else { return };
        let step = first - self.last;
        let (mut square, mut difference) = ([0.0f32; LANES], [0.0f32; LANES]);
        difference[0] = step * step;
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
        square[0] += first * first;
        self.square += square.iter().map(|lane| f64::from(*lane)).sum::<f64>();
        self.difference += difference.iter().map(|lane| f64::from(*lane)).sum::<f64>();
        self.last = samples[samples.len() - 1];
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

pub(super) fn check(take: &Take) -> Option<Finding> {
    let brightness = &take.records.brightness;
    let span = take.span_s();
    let frames = brightness.level_db.len();
    let at = |s: f64| ((s * FRAMES_PER_S) as usize).min(frames);
    let starts = (at(span.0)..at(span.1).saturating_sub(WINDOW_FRAMES)).step_by(WINDOW_FRAMES / 2);
    let mut places: Vec<(f64, f64)> = Vec::new();
    let mut run: Vec<usize> = Vec::new();
    for start in starts.chain([usize::MAX]) {
        if start != usize::MAX && is_talk(brightness, start..start + WINDOW_FRAMES) {
            run.push(start);
            continue;
        }
        if let (Some(first), Some(last)) = (run.first(), run.last())
            && run.len() >= LEAST_WINDOWS
        {
            let end = (last + WINDOW_FRAMES) as f64;
            places.push((*first as f64 / FRAMES_PER_S, end / FRAMES_PER_S));
        }
        run.clear();
    }
    if places.is_empty() {
        return None;
    }
    let seconds: f64 = places.iter().map(|place| place.1 - place.0).sum();
    let says = "We think that somebody speaks during the piece, in the marked places. If so, \
                please record again, or tell us which part to leave out.";
    Some(Finding::new("speech", Severity::Advice, says).measuring(seconds, "s").at(places))
}

fn is_talk(brightness: &Brightness, window: std::ops::Range<usize>) -> bool {
    let levels = &brightness.level_db[window.clone()];
    let middles = &brightness.middle_hz[window];
    let loudest = levels.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let active = |at: usize| f64::from(levels[at]) > f64::from(loudest) - ACTIVE_DB;
    let voiced = |at: usize| active(at) && f64::from(middles[at]) < VOICED_HZ;
    let voices: Vec<f64> =
        (0..levels.len()).filter(|at| voiced(*at)).map(|at| f64::from(levels[at])).collect();
    if voices.len() < levels.len() / 5 {
        return false;
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
    hisses >= LEAST_HISSES
}
