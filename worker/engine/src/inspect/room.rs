//! What a room makes of the mark.
//!
//! The mark is known, so the take divided by it is the room's impulse response in the mark's band,
//! and how that falls is the reverberation itself: heard alike under an instrument that rings by
//! its own, a drum that never does, and a part without rests. A mark that was mixed in later, or
//! played far from the microphone, tells nothing or of the wrong room; the notes' own decays
//! (`wet`) are heeded first.

use super::profile::quantile;
use super::wet::{WET_S, rings_on};
use crate::decode::{DecodeError, Recording};
use crate::finding::Finding;
use crate::locate::{Arrival, HeardIn, Part};
use crate::mark::{Kind, Mark};
use ripieno_transform::{Complex, single};

/// Sound heard before the mark, for the noise, and after it, for the decay.
const BEFORE_S: f64 = 0.3;
const AFTER_S: f64 = 1.6;
/// The mark's band, and how softly it is cut.
const BAND_HZ: (f64, f64) = (430.0, 6_900.0);
const EDGES_HZ: (f64, f64) = (300.0, 1_500.0);
/// Where the mark has less than this share of its power, the take is not divided by it.
const LEAST_POWER: f32 = 1e-4;
/// The direct sound and what belongs to it: a table, a wall (common practice, no source).
const DIRECT_S: (f64, f64) = (0.004, 0.008);
/// The energy of the decay is read in steps of this length: some hundred free samples each.
const STEP_S: f64 = 0.02;
/// Like T20 of ISO 3382-1 the line is fitted over a part of the decay; it ends this far above
/// what else is heard.
const FITTED_DB: f64 = 22.0;
const ABOVE_NOISE: f64 = 3.0;
const LEAST_RANGE_DB: f64 = 8.0;
/// A straight decay: of noise each step is within half a decibel, an echo's steps are far off.
const STRAIGHT_DB: f64 = 2.0;
/// What rises so much above what has fallen is another sound.
const RISES: f64 = 4.0;
/// What else sounds must lie so far below the first of the decay, as power.
const CLEAR: f64 = 0.25;
/// The longest that is believed: of a cathedral.
const LONGEST_S: f64 = 9.0;
/// A take is wet where the direct sound is less than this above the room's: at 0 dB the
/// microphone stands as far off as the room's critical distance. Of 32 made takes in rooms of 0.3
/// to 1.2 s, with the microphone within half of that, the lowest was read at 5 dB.
const DIRECT_ABOVE_DB: f64 = 3.0;

/// What there is to say of the room in which `mark` was heard at `arrival`.
///
/// # Errors
/// Those of the decoder.
pub fn room(
    recording: &Recording,
    mark: &Mark,
    arrival: &Arrival,
) -> Result<Option<Finding>, DecodeError> {
    if mark.kind == Kind::Own || arrival.part != Part::Whole {
        return Ok(None);
    }
    let rate = f64::from(mark.rate_hz);
    let begins = (arrival.at_s * rate - mark.origin_sample).round() as i64;
    let ends = begins + mark.samples.len() as i64;
    let first = begins - (BEFORE_S * rate) as i64;
    let last = ends + (AFTER_S * rate) as i64;
    let samples = stretch(recording, arrival.heard_in, first..last)?;
    let decay = Response::of(&samples, mark).and_then(|response| response.decay());
    let wet = decay.filter(|decay| {
        (WET_S..LONGEST_S).contains(&decay.seconds) && decay.direct_above_db < DIRECT_ABOVE_DB
    });
    Ok(wet.map(|decay| rings_on(decay.seconds)))
}

/// Frames of the signal in which a mark was heard; silence where the file has none.
fn stretch(
    recording: &Recording,
    heard_in: HeardIn,
    frames: std::ops::Range<i64>,
) -> Result<Vec<f32>, DecodeError> {
    let mut samples = vec![0.0; (frames.end - frames.start) as usize];
    let mut stream = recording.open()?;
    while let Some(block) = stream.next_block()? {
        let first = block.first_frame as i64;
        if first >= frames.end {
            break;
        }
        let channel = |index: usize| block.channels.get(index).map_or(&[][..], Vec::as_slice);
        let length = channel(0).len() as i64;
        for frame in frames.start.max(first)..frames.end.min(first + length) {
            let value = |index| channel(index).get((frame - first) as usize).copied();
            samples[(frame - frames.start) as usize] = match heard_in {
                HeardIn::Channel(index) => value(usize::from(index)).unwrap_or(0.0),
                HeardIn::Difference => value(0).unwrap_or(0.0) - value(1).unwrap_or(0.0),
            };
        }
    }
    Ok(samples)
}

/// The energy of an impulse response along time.
struct Response {
    direct: f64,
    /// Mean of a step before the direct sound.
    before: f64,
    /// Of each step after it.
    steps: Vec<f64>,
}

/// How a response falls.
struct Decay {
    /// Time to −60 dB.
    seconds: f64,
    direct_above_db: f64,
}

impl Response {
    /// Of samples that begin [`BEFORE_S`] before the mark; none where they are no numbers.
    fn of(samples: &[f32], mark: &Mark) -> Option<Self> {
        let rate = f64::from(mark.rate_hz);
        let size = (samples.len() + mark.samples.len()).next_power_of_two();
        let forward = single::forward_of_real(size);
        let spectrum = |samples: &[f32]| {
            let mut padded = samples.to_vec();
            padded.resize(size, 0.0);
            let mut bins = forward.make_output_vec();
            forward.process(&mut padded, &mut bins).ok().map(|()| bins)
        };
        let (heard, known) = (spectrum(samples)?, spectrum(&mark.samples)?);
        let bin_hz = rate / size as f64;
        let top_hz = BAND_HZ.1.min(0.47 * rate);
        let bins = (BAND_HZ.0 / bin_hz).ceil() as usize..(top_hz / bin_hz) as usize;
        let least = LEAST_POWER * known.iter().map(Complex::norm_sqr).fold(0.0, f32::max);
        let rise = |x: f64| (std::f64::consts::FRAC_PI_2 * x.clamp(0.0, 1.0)).sin().powi(2);
        let divided = bins.clone().map(|bin| {
            let hz = bin as f64 * bin_hz;
            let share = rise((hz - BAND_HZ.0) / EDGES_HZ.0) * rise((top_hz - hz) / EDGES_HZ.1);
            heard[bin] * known[bin].conj() * (share as f32 / (known[bin].norm_sqr() + least))
        });
        let mut signal: Vec<Complex<f32>> = divided.collect();
        signal.resize(bins.len().next_power_of_two(), Complex::default());
        single::inverse(signal.len()).process(&mut signal);
        let index = |s: f64| (s * rate * signal.len() as f64 / size as f64).round() as usize;
        let energy = |from_s: f64, to_s: f64| -> f64 {
            let part = &signal[index(from_s)..index(to_s).min(signal.len())];
            part.iter().map(|value| f64::from(value.norm_sqr())).sum()
        };
        let begin_s = BEFORE_S + DIRECT_S.1;
        let end_s = (samples.len() - mark.samples.len()) as f64 / rate;
        let count = ((end_s - begin_s) / STEP_S) as usize;
        let step = |k: usize| begin_s + k as f64 * STEP_S;
        let quiet_s = BEFORE_S - DIRECT_S.0 - STEP_S;
        let response = Self {
            direct: energy(BEFORE_S - DIRECT_S.0, begin_s),
            before: energy(0.0, quiet_s) * STEP_S / quiet_s,
            steps: (0..count).map(|k| energy(step(k), step(k + 1))).collect(),
        };
        (response.direct > 0.0 && response.direct.is_finite()).then_some(response)
    }

    /// The straight line through the first part of the decay, where that is one.
    fn decay(&self) -> Option<Decay> {
        // The first step still has early echoes in it.
        let falling = self.steps.get(1..)?;
        let top = falling.get(..3)?.iter().sum::<f64>() / 3.0;
        let mut last = self.steps[self.steps.len() * 4 / 5..].to_vec();
        last.sort_by(f64::total_cmp);
        let noise = quantile(&last, 0.5).min(self.before);
        let least = (ABOVE_NOISE * noise).max(top * 10f64.powf(-0.1 * FITTED_DB));
        let mut low = f64::INFINITY;
        let over = |energy: &f64| {
            low = low.min(*energy);
            *energy < least || *energy > RISES * low
        };
        let fitted = &falling[..falling.iter().position(over).unwrap_or(falling.len())];
        if fitted.len() < 5 || self.before > CLEAR * top {
            return None;
        }
        let levels: Vec<f64> = fitted.iter().map(|e| 10.0 * e.log10()).collect();
        let line = Line::through(&levels);
        let range_db = -line.slope * levels.len() as f64;
        if range_db < LEAST_RANGE_DB || line.spread > STRAIGHT_DB {
            return None;
        }
        let seconds = -60.0 * STEP_S / line.slope;
        // All of a decay by 60 dB in T is what its first moment would give in T / ln 10⁶.
        let room = 10f64.powf(0.1 * (line.start - line.slope)) * seconds / STEP_S / 1e6f64.ln();
        Some(Decay { seconds, direct_above_db: 10.0 * (self.direct / room).log10() })
    }
}

/// The straight line of least squares through values at 0, 1, 2 …
struct Line {
    start: f64,
    slope: f64,
    /// Standard deviation about it.
    spread: f64,
}

impl Line {
    fn through(values: &[f64]) -> Self {
        let count = values.len() as f64;
        let middle = 0.5 * (count - 1.0);
        let mean = values.iter().sum::<f64>() / count;
        let off = |k: usize| k as f64 - middle;
        let across: f64 = (0..values.len()).map(|k| off(k).powi(2)).sum();
        let along: f64 = values.iter().enumerate().map(|(k, value)| off(k) * (value - mean)).sum();
        let slope = along / across;
        let rest = |(k, value): (usize, &f64)| (value - mean - slope * off(k)).powi(2);
        let spread = (values.iter().enumerate().map(rest).sum::<f64>() / count).sqrt();
        Self { start: mean - slope * middle, slope, spread }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE: u32 = 48_000;

    /// A mark in a room of this reverberation time, whose sound is so loud against the direct one:
    /// two thousand echoes a second at random times, of random sign, falling.
    fn in_a_room(mark: &Mark, seconds: f64, room_db: f64) -> Vec<f32> {
        let mut random = fastrand::Rng::with_seed(fastrand::u64(..));
        let rate = f64::from(RATE);
        let length = ((BEFORE_S + AFTER_S) * rate) as usize + mark.samples.len();
        let mut samples: Vec<f32> = (0..length).map(|_| 1e-4 * (random.f32() - 0.5)).collect();
        let echoes: Vec<(f64, f64)> = (0..(2_400.0 * seconds) as usize)
            .map(|_| {
                let late_s = 1.2 * seconds * random.f64();
                let sign = if random.bool() { 1.0 } else { -1.0 };
                (late_s, sign * 10f64.powf(-3.0 * late_s / seconds))
            })
            .collect();
        let energy: f64 = echoes.iter().map(|(_, size)| size * size).sum();
        let gain = 10f64.powf(0.05 * room_db) / energy.sqrt();
        let direct = std::iter::once((0.0, 1.0));
        for (late_s, size) in
            direct.chain(echoes.iter().map(|(late_s, size)| (*late_s, gain * size)))
        {
            let at = ((BEFORE_S + late_s) * rate) as usize;
            let heard = samples.iter_mut().skip(at).zip(&mark.samples);
            heard.for_each(|(out, sample)| *out += size as f32 * sample);
        }
        samples
    }

    #[test]
    fn the_reverberation_of_a_room_is_that_of_its_making() {
        let mark = Mark::opening(RATE);
        for seconds in [1.2, 2.0, 3.5] {
            let decay =
                Response::of(&in_a_room(&mark, seconds, 2.0), &mark).unwrap().decay().unwrap();
            assert!((decay.seconds / seconds - 1.0).abs() < 0.25, "{} {seconds}", decay.seconds);
            assert!((decay.direct_above_db + 2.0).abs() < 2.5, "{}", decay.direct_above_db);
        }
    }

    #[test]
    fn a_note_after_the_mark_ends_what_is_timed() {
        let mark = Mark::opening(RATE);
        let mut samples = in_a_room(&mark, 2.0, 2.0);
        let from = ((BEFORE_S + 0.7) * f64::from(RATE)) as usize + mark.samples.len();
        for (k, sample) in samples[from..].iter_mut().enumerate() {
            *sample += 0.8 * (0.06 * k as f32).sin();
        }
        let decay = Response::of(&samples, &mark).unwrap().decay().unwrap();
        assert!((decay.seconds / 2.0 - 1.0).abs() < 0.3, "{}", decay.seconds);
    }

    #[test]
    fn a_mark_without_a_room_has_no_decay_to_time() {
        let mark = Mark::opening(RATE);
        let decay = Response::of(&in_a_room(&mark, 0.3, -60.0), &mark).unwrap().decay();
        assert!(decay.is_none_or(|decay| decay.direct_above_db > 20.0));
    }
}
