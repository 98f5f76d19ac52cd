//! The close fit: strokes to pulses, and a robust line through them with honest errors.

use super::beats::BeatClock;
use super::events::{Event, median};
use super::pattern::is_playable;
use super::search::Anchor;
use super::track::Track;
use crate::math::drift::{Sample, line_through_drift};

/// Phases of the work grid: the beat in quarters and in thirds. How much each is played is
/// learned from the take.
const PHASES: [f64; 6] = [0.0, 0.25, 1.0 / 3.0, 0.5, 2.0 / 3.0, 0.75];
/// Degrees of freedom of the stroke errors: light tails, so that a clean player loses little.
const FREEDOM: f64 = 6.0;
const ROUNDS: usize = 6;
/// Strays are counted over stretches of this many beats: a free intro is then mistrusted as a
/// whole.
const STRETCH_BEATS: f64 = 8.0;
/// Drift slower than this is the player's, not the note's.
pub(super) const SMOOTH_S: f64 = 3.0;

/// The line, and the strokes as they lie to it.
#[derive(Debug, Clone)]
pub(super) struct Laid {
    pub(super) ratio: f64,
    pub(super) lag_s: f64,
    /// Variance of the lag, covariance, variance of the ratio.
    pub(super) covariance: [f64; 3],
    /// Robust standard deviation of strokes about their pulses and the smoothed drift.
    pub(super) spread_s: f64,
    pub(super) strokes: Vec<Stroke>,
    /// Phases of the beat and how often each is struck.
    pub(super) rhythm: Vec<(f64, f64)>,
}

/// One stroke at the pulse it most likely belongs to.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stroke {
    pub(super) at_s: f64,
    pub(super) pulse_s: f64,
    /// File time minus where the line has the pulse.
    pub(super) residual_s: f64,
    /// Slow part of the residuals around it.
    pub(super) drift_s: f64,
    /// Probability that it belongs to the pulse at all, less for a weak stroke.
    pub(super) trust: f64,
    /// How strong it is beside what is usual in this take; 1 for that and above.
    pub(super) weight: f64,
    sd_s: f64,
}

#[cfg(test)]
impl Stroke {
    /// A trusted stroke so far off its pulse.
    pub(super) fn at(at_s: f64, residual_s: f64) -> Self {
        Self { at_s, pulse_s: at_s, residual_s, drift_s: 0.0, trust: 1.0, weight: 1.0, sd_s: 0.001 }
    }
}

/// Fits from a start (ratio, lag) that is right to within half of the finest pulse played, each
/// stroke's `drift` from that start given. Jumps of the track are taken out first.
pub(super) fn lay(
    beats: &BeatClock,
    events: &[Event],
    anchor: Anchor,
    start: (f64, f64),
    track: &Track,
    mut drift: Vec<f64>,
) -> Option<Laid> {
    let mut grid = WorkGrid::new(beats);
    let (mut ratio, mut lag_s) = start;
    let mut spread_s: f64 = 0.025;
    let mut round = 0;
    loop {
        let mut strokes = Vec::with_capacity(events.len());
        let mut tally = Tally::new(grid.stray.len());
        for (event, &drift_s) in events.iter().zip(&drift) {
            let played_s = event.at_s - track.jumped_by(event.at_s) - lag_s;
            let beat = beats.beat_at(anchor.piece_at(played_s - drift_s, ratio));
            let sd_s = spread_s.hypot(event.sd_s);
            let (pulse_s, trust) = grid.assign(beats, beat, sd_s, event.weight, &mut tally);
            strokes.push(Stroke {
                at_s: event.at_s,
                pulse_s,
                residual_s: played_s - anchor.file_at(pulse_s, ratio),
                drift_s,
                trust: trust * event.weight,
                weight: event.weight,
                sd_s: event.sd_s,
            });
        }
        grid.learn(tally);
        spread_s = spread(&strokes).clamp(0.003, 0.08);
        let line = regress(&strokes, spread_s, anchor.piece_s)?;
        ratio += line.slope;
        lag_s += line.intercept;
        for stroke in &mut strokes {
            stroke.residual_s -= line.intercept + line.slope * (stroke.pulse_s - anchor.piece_s);
        }
        drift = smooth(&strokes, spread_s);
        for (stroke, &drift_s) in strokes.iter_mut().zip(&drift) {
            stroke.drift_s = drift_s;
        }
        round += 1;
        if round == ROUNDS {
            let spread_s = spread(&strokes);
            let rhythm = PHASES.into_iter().zip(grid.shares).collect();
            let covariance = line.covariance;
            return Some(Laid { ratio, lag_s, covariance, spread_s, strokes, rhythm });
        }
    }
}

/// How often each phase of the beat is played, and how much belongs to none.
struct WorkGrid {
    shares: [f64; PHASES.len()],
    /// Parts of a beat that are too short for anyone to play are never counted.
    playable: [bool; PHASES.len()],
    stray: Vec<f64>,
}

/// Strokes counted for the next round's [`WorkGrid`].
struct Tally {
    shares: [f64; PHASES.len()],
    stray: Vec<(f64, f64)>,
}

impl Tally {
    fn new(stretches: usize) -> Self {
        Self { shares: [0.5; PHASES.len()], stray: vec![(0.3, 2.0); stretches] }
    }
}

impl WorkGrid {
    fn new(beats: &BeatClock) -> Self {
        let stretches = (beats.count() as f64 / STRETCH_BEATS) as usize + 2;
        let playable = PHASES.map(|phase| is_playable(phase, beats.beat_s()));
        let mut shares = [0.4, 0.1, 0.08, 0.24, 0.08, 0.1];
        let unplayable = shares.iter_mut().zip(playable).filter(|(_, playable)| !playable);
        unplayable.for_each(|(share, _)| *share = 0.0);
        Self { shares, playable, stray: vec![0.15; stretches] }
    }

    /// The likeliest pulse for a stroke at `beat`, in piece time, and the probability that it is
    /// that one.
    fn assign(
        &self,
        beats: &BeatClock,
        beat: f64,
        sd_s: f64,
        weight: f64,
        tally: &mut Tally,
    ) -> (f64, f64) {
        let whole = beat.floor();
        let stretch = ((beat.max(0.0) / STRETCH_BEATS) as usize).min(self.stray.len() - 1);
        let stray = self.stray[stretch];
        let beat_s = beats.seconds_at(whole + 1.0) - beats.seconds_at(whole);
        let unit = 1.0 / (sd_s * std::f64::consts::TAU.sqrt());
        let mut total = stray / beat_s;
        let mut best = (0.0, whole);
        let mut parts = [0.0; PHASES.len()];
        for (index, at) in
            [(5, -0.25)].into_iter().chain(PHASES.into_iter().enumerate()).chain([(0, 1.0)])
        {
            let off_s = (beat - whole - at) * beat_s;
            let part =
                (1.0 - stray) * self.shares[index] * unit * (-0.5 * (off_s / sd_s).powi(2)).exp();
            total += part;
            parts[index] += part;
            if part > best.0 {
                best = (part, whole + at);
            }
        }
        for (count, part) in tally.shares.iter_mut().zip(parts) {
            *count += weight * part / total;
        }
        tally.stray[stretch].0 += stray / beat_s / total;
        tally.stray[stretch].1 += 1.0;
        (beats.seconds_at(best.1), best.0 / total)
    }

    fn learn(&mut self, tally: Tally) {
        let counts = tally.shares.into_iter().zip(self.playable);
        let counts: Vec<f64> =
            counts.map(|(count, playable)| if playable { count } else { 0.0 }).collect();
        let total: f64 = counts.iter().sum();
        for (share, count) in self.shares.iter_mut().zip(counts) {
            *share = count / total;
        }
        for (share, (lost, all)) in self.stray.iter_mut().zip(tally.stray) {
            *share = (lost / all).clamp(0.02, 0.9);
        }
    }
}

/// Below this a stroke says nothing of the line.
const LEAST_TRUST: f64 = 0.05;

fn regress(strokes: &[Stroke], spread_s: f64, origin_s: f64) -> Option<crate::math::drift::Line> {
    let mut samples: Vec<Sample> = strokes
        .iter()
        .filter(|stroke| stroke.trust > LEAST_TRUST)
        .map(|stroke| {
            let own = 1.0 + (stroke.sd_s / spread_s).powi(2);
            let off = (stroke.residual_s - stroke.drift_s) / spread_s;
            let tail = (FREEDOM + off * off / own) / (FREEDOM + 1.0);
            Sample {
                x: stroke.pulse_s - origin_s,
                y: stroke.residual_s,
                variance: own * tail / stroke.trust,
            }
        })
        .collect();
    samples.sort_by(|a, b| a.x.total_cmp(&b.x));
    let samples = in_company(samples);
    let mut line = line_through_drift(&samples)?;
    let span_s = samples[samples.len() - 1].x - samples[0].x;
    let centre_s = samples.iter().map(|sample| sample.x).sum::<f64>() / samples.len() as f64;
    let hidden = hidden_drift(span_s, samples.len());
    line.covariance[0] += hidden * centre_s * centre_s;
    line.covariance[1] -= hidden * centre_s;
    line.covariance[2] += hidden;
    Some(line)
}

/// A stroke with fewer others so near is a noise in a rest, which far from the playing would pull
/// at the line with a long lever.
const COMPANY: usize = 3;
const COMPANY_S: f64 = 10.0;

/// The strokes that have others about them; all where hardly any has.
fn in_company(samples: Vec<Sample>) -> Vec<Sample> {
    let near = |x: f64| samples.partition_point(|sample| sample.x < x);
    let has_company =
        |sample: &&Sample| near(sample.x + COMPANY_S) - near(sample.x - COMPANY_S) > COMPANY;
    let kept: Vec<Sample> = samples.iter().filter(has_company).copied().collect();
    if 2 * kept.len() > samples.len() { kept } else { samples }
}

/// Everyone drifts by so much within so long (Hennig et al., PLoS ONE 6, 2011, found 1/f noise of
/// some milliseconds in all players they measured).
const DRIFT_S: f64 = 0.008;
const DRIFT_TIME_S: f64 = 8.0;
/// A part of this length shows its own drift well enough, if it has so many strokes; one of fewer
/// has to be as much longer.
const SHOWN_S: f64 = 50.0;
const SHOWN_STROKES: f64 = 100.0;

/// Variance of the slope by a drift that a short or sparse part can't show, since it passes for a
/// slope.
fn hidden_drift(span_s: f64, strokes: usize) -> f64 {
    let span_s = span_s.max(DRIFT_TIME_S);
    let slope = DRIFT_S * DRIFT_S * 12.0 * 2.0 * DRIFT_TIME_S / span_s.powi(3);
    let shown_s = SHOWN_S * (SHOWN_STROKES / strokes as f64).max(1.0);
    slope * (shown_s / span_s).min(1.0).powi(3)
}

/// Robust standard deviation of trusted strokes about the smoothed drift.
fn spread(strokes: &[Stroke]) -> f64 {
    let trusted = strokes.iter().filter(|stroke| stroke.trust > 0.3);
    1.4826 * median(trusted.map(|s| (s.residual_s - s.drift_s).abs()).collect())
}

/// The slow part of the residuals: a local robust mean, drawn towards the line where there
/// are few strokes to say otherwise.
fn smooth(strokes: &[Stroke], spread_s: f64) -> Vec<f64> {
    let reach_s = 2.5 * SMOOTH_S;
    let mut from = 0;
    strokes
        .iter()
        .map(|centre| {
            while strokes[from].at_s < centre.at_s - reach_s {
                from += 1;
            }
            let (mut sum, mut total) = (0.0, 2.0);
            for stroke in strokes[from..].iter().take_while(|s| s.at_s < centre.at_s + reach_s) {
                let near = (-0.5 * ((stroke.at_s - centre.at_s) / SMOOTH_S).powi(2)).exp();
                let off = (stroke.residual_s - stroke.drift_s) / (3.0 * spread_s);
                let weight = near * stroke.trust / (1.0 + off * off);
                sum += weight * stroke.residual_s;
                total += weight;
            }
            sum / total
        })
        .collect()
}
