//! Cut off at a ceiling.
//!
//! A clipped crest is flat: a run of samples at one height, from which the wave falls away
//! steeply at both ends. A natural crest is a parabola: where it stays within a hair of its
//! height for three samples, it has fallen by little just outside. So a run counts when the
//! fall outside it is many times what the same parabola would give.
//!
//! A lossy codec bends the flat tops again, but leaves the crests nearly as high as one another:
//! at the ceiling they pile up, and there are hardly any higher ones. Of a player's crests there
//! are fewer and fewer the higher they are.

use super::Take;
use super::crests::{BANDS, Crests, STRETCH_S, bands_of_ratio};
use crate::finding::{Finding, Severity};
use crate::math::vectors::peak;

/// One run of clipped samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ClippedRun {
    /// File time of its first sample.
    pub at_s: f64,
    /// Its length in samples.
    pub samples: u32,
    /// The height it was cut at, positive.
    pub level: f32,
}

/// Within this share of its height a run is flat to the bit (four steps of 16 bits at full
/// scale); a natural crest of three such samples falls by 0.1 % just outside.
const FLAT: f32 = 1.2e-4;
const FALL_FROM_FLAT: f32 = 0.01;
/// Of a file of few bits every crest is flat: a parabola that leaves one step of its bits at the
/// ends of a run has fallen by four of them at twice the distance.
const FALLS_IN_STEPS: f32 = 6.0;

/// Runs lower than this share of the file's highest sample are no ceiling.
const NEAR_TOP: f32 = 0.7;

/// Below this nobody clips.
const LEAST_LEVEL: f32 = 0.1;

/// Runs kept: enough to count and to show; more of them are counted only.
const MOST_RUNS: usize = 20_000;

pub(super) struct ClipFinder {
    rate_hz: f64,
    channels: Vec<Channel>,
}

#[derive(Clone, Default)]
struct Channel {
    /// Samples of earlier blocks that a run may still need to look back on.
    kept: Vec<f32>,
    first_frame: u64,
    highest: f32,
    /// Smallest difference of neighbours where it was loud: the step of the file's bits, or less.
    step: Option<f32>,
    runs: Vec<ClippedRun>,
}

/// Samples looked at outside a run, at most.
const REACH: usize = 64;

/// Longer runs are counted in pieces.
const LONGEST_RUN: usize = 2 * REACH;

impl ClipFinder {
    pub(super) fn new(rate_hz: u32, channels: usize) -> Self {
        Self { rate_hz: f64::from(rate_hz.max(1)), channels: vec![Channel::default(); channels] }
    }

    pub(super) fn push(&mut self, channels: &[&[f32]]) {
        for (channel, samples) in self.channels.iter_mut().zip(channels) {
            channel.push(samples, self.rate_hz);
        }
    }

    pub(super) fn finish(self) -> Vec<ClippedRun> {
        let highest = self.channels.iter().fold(0.0f32, |most, channel| most.max(channel.highest));
        let all = self.channels.into_iter().flat_map(|channel| channel.runs);
        let mut runs: Vec<ClippedRun> = all.filter(|run| run.level >= NEAR_TOP * highest).collect();
        runs.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        runs
    }
}

impl Channel {
    fn push(&mut self, samples: &[f32], rate_hz: f64) {
        self.kept.extend_from_slice(samples);
        let end = self.kept.len().saturating_sub(2 * REACH);
        let mut at = REACH.min(end);
        if peak(&self.kept[at..end]) < LEAST_LEVEL.max(NEAR_TOP * self.highest) {
            at = end;
        }
        // Most of a file is nowhere near its top: skip it in strides.
        while at < end {
            let stride = 64.min(end - at);
            let peak = peak(&self.kept[at..at + stride]);
            self.highest = self.highest.max(peak);
            if peak < LEAST_LEVEL.max(NEAR_TOP * self.highest) {
                at += stride;
                continue;
            }
            at = self.scan(at, at + stride, rate_hz);
        }
        let drop = at.saturating_sub(REACH).min(self.kept.len());
        self.kept.drain(..drop);
        self.first_frame += drop as u64;
    }

    /// Looks for runs that begin in `from..upto`; gives where to go on.
    fn scan(&mut self, from: usize, upto: usize, rate_hz: f64) -> usize {
        let differences = self.kept[from..upto].windows(2).map(|pair| (pair[1] - pair[0]).abs());
        let smallest = differences.filter(|difference| *difference > 0.0).chain(self.step);
        self.step = smallest.min_by(f32::total_cmp);
        let least = LEAST_LEVEL.max(NEAR_TOP * self.highest);
        let mut at = from;
        while at < upto {
            let level = self.kept[at];
            if level.abs() < least {
                at += 1;
                continue;
            }
            let length = self.run_at(at, FLAT);
            if length >= 3 && self.falls_away(at, length, FALL_FROM_FLAT) {
                if self.runs.len() < MOST_RUNS {
                    self.runs.push(ClippedRun {
                        at_s: (self.first_frame + at as u64) as f64 / rate_hz,
                        samples: length as u32,
                        level: level.abs(),
                    });
                }
                at += length;
            } else {
                at += length.max(1);
            }
        }
        at
    }

    /// How many samples from `at` on lie within `tolerance` of the first, relative to it.
    fn run_at(&self, at: usize, tolerance: f32) -> usize {
        let level = self.kept[at];
        let within = |sample: &&f32| (**sample - level).abs() <= tolerance * level.abs();
        self.kept[at..].iter().take(LONGEST_RUN).take_while(within).count()
    }

    /// Whether the wave falls by more than `share` of its height, and by more than its bits' steps
    /// explain, on both sides of a run, at a distance of half the run.
    fn falls_away(&self, at: usize, length: usize, share: f32) -> bool {
        let distance = (length / 2).clamp(2, REACH);
        let level = self.kept[at];
        let least = (share * level.abs()).max(FALLS_IN_STEPS * self.step.unwrap_or(0.0));
        let fallen = |sample: Option<&f32>| {
            sample.is_none_or(|sample| (level - sample) * level.signum() > least)
        };
        fallen(at.checked_sub(distance).and_then(|before| self.kept.get(before)))
            && fallen(self.kept.get(at + length - 1 + distance))
    }
}

/// Clipped runs that make a finding: a handful can't be heard.
const FEW_RUNS: usize = 8;

/// Share of the playing time that is clipped, above which it can be heard all along.
const HEAVY_SHARE: f64 = 2e-3;

/// Places listed at most.
const MOST_PLACES: usize = 100;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let span = take.span_s();
    let runs: Vec<&ClippedRun> =
        take.records.clips.iter().filter(|run| run.at_s >= span.0 && run.at_s <= span.1).collect();
    if at_one_ceiling(&runs) < FEW_RUNS {
        return piled_up(take, span);
    }
    let rate_hz = take.records.profile.hop_frames as f64 / take.records.profile.hop_s;
    let clipped: f64 = runs.iter().map(|run| f64::from(run.samples)).sum::<f64>() / rate_hz;
    let share = clipped / (span.1 - span.0).max(1.0);
    let places = places(&runs);
    let says = if share > HEAVY_SHARE {
        "The recording is overdriven: the loud moments are cut off and sound harsh. Please turn \
         the microphone's level down, or move away from it, and record again."
            .to_owned()
    } else {
        format!(
            "Some loud moments are cut off ({} short places). If you can hear it, please record \
             again at a lower level.",
            runs.len()
        )
    };
    let finding = Finding::new("clipped", Severity::Advice, says);
    Some(finding.measuring(share * 100.0, "% of the time").at(places))
}

/// Crests near the ceiling over those from half of it on up to there. Players reach 0.35; 4 dB of
/// overdrive, through a codec at 24 kbit/s, give 0.55 and more.
const PILED_UP: f64 = 0.45;

/// And where they are most there are more of them than a little lower: of a player's there are
/// at most 0.9 times as many.
const MORE_THAN_BELOW: f64 = 1.1;

/// Of the crests near the ceiling so few may be higher.
const HIGHER: f64 = 2e-3;

/// A cut crest spends as much of its time in its top as a lower, whole one; where those are as
/// round as a sine's (0.35), clearly more: pure tones of one level pile up too.
const ROUND: f64 = 0.3;
const WIDER_THAN_ROUND: f64 = 0.03;
const NARROWER: f64 = 0.03;

/// Unvarying pulses, as of a reed, pile up as well, and are all of one shape; they are slim: 0.12 of
/// their time. Of 24 overdriven takes through codecs the slimmest had 0.23.
const SLIMMEST: f64 = 0.18;

/// Whole crests needed to compare with.
const LEAST_WHOLE: u32 = 100;

/// Crests needed near the ceiling.
const LEAST_CRESTS: u32 = 400;

/// Clipping after which a codec bent the tops.
fn piled_up(take: &Take, span: (f64, f64)) -> Option<Finding> {
    let stretch = |s: f64| ((s / STRETCH_S) as usize).min(take.records.crests.len());
    let inside = stretch(span.0)..stretch(span.1);
    let mut all = Crests::default();
    take.records.crests[inside.clone()].iter().for_each(|crests| all.add(crests));
    let ceiling = ceiling(&all)?;
    let from = |ratio: f64| ceiling.saturating_sub(bands_of_ratio(1.0 / ratio));
    let (near, upto) = (from(0.8), (ceiling + bands_of_ratio(1.1)).min(BANDS));
    let count = |crests: &Crests, from: usize, upto: usize| -> u32 {
        crests.count[from.min(upto)..upto].iter().sum()
    };
    let top = |from: usize, upto: usize| {
        let share: f32 = all.in_top[from..upto].iter().sum();
        f64::from(share) / f64::from(count(&all, from, upto).max(1))
    };
    let at_ceiling = count(&all, near, upto);
    let higher = count(&all, (ceiling + bands_of_ratio(1.25)).min(BANDS), BANDS);
    let steps = [(0.8, 0.9), (0.9, 1.0)].map(|(low, high)| count(&all, from(low), from(high)));
    let most = steps.into_iter().max().unwrap_or(0).max(count(&all, ceiling, upto));
    let piled_up = f64::from(at_ceiling) > PILED_UP * f64::from(count(&all, from(0.5), near))
        && f64::from(most) > MORE_THAN_BELOW * f64::from(count(&all, from(0.7), near));
    let whole = top(from(0.3), from(0.6));
    let wider = if whole > ROUND { WIDER_THAN_ROUND } else { -NARROWER };
    let cut = top(from(0.85), upto);
    let wide =
        cut > SLIMMEST.max(whole + wider) && count(&all, from(0.3), from(0.6)) >= LEAST_WHOLE;
    if !piled_up
        || !wide
        || at_ceiling < LEAST_CRESTS
        || f64::from(higher) > HIGHER * f64::from(at_ceiling)
    {
        return None;
    }
    let share = f64::from(at_ceiling) / f64::from(count(&all, from(0.1), upto).max(1));
    let places = inside
        .filter(|at| count(&take.records.crests[*at], from(0.9), upto) > 20)
        .map(|at| (at as f64 * STRETCH_S, (at + 1) as f64 * STRETCH_S))
        .take(MOST_PLACES)
        .collect();
    let says = "The recording seems overdriven: its loud moments all reach one height and no \
                further, as when a microphone is set too high. Please turn its level down, or move \
                away from it, and record again.";
    let finding = Finding::new("clipped", Severity::Advice, says);
    Some(finding.measuring(share * 100.0, "% of the crests").at(places))
}

/// The height that 98 % of the loud crests stay below.
fn ceiling(all: &Crests) -> Option<usize> {
    let highest = all.count.iter().rposition(|count| *count > 0)?;
    let loud = highest.saturating_sub(bands_of_ratio(1.0 / 0.3));
    let total: u32 = all.count[loud..].iter().sum();
    let mut below = 0;
    (loud..BANDS).find(|band| {
        below += all.count[*band];
        f64::from(below) >= 0.98 * f64::from(total)
    })
}

/// Heights this near to one another, as a ratio, may be one ceiling.
const ONE_CEILING: f32 = 1.06;

/// How many runs lie at the height where most of them do. A ceiling cuts at one height; crests
/// of noisy attacks that happen to be flat lie anywhere.
fn at_one_ceiling(runs: &[&ClippedRun]) -> usize {
    let mut levels: Vec<f32> = runs.iter().map(|run| run.level).collect();
    levels.sort_by(f32::total_cmp);
    let upto = |from: usize| levels.partition_point(|level| *level <= levels[from] * ONE_CEILING);
    (0..levels.len()).map(|from| upto(from) - from).max().unwrap_or(0)
}

/// Stretches with clipping, joined where they are less than a quarter of a second apart.
fn places(runs: &[&ClippedRun]) -> Vec<(f64, f64)> {
    let mut places: Vec<(f64, f64)> = Vec::new();
    for run in runs {
        match places.last_mut() {
            Some(last) if run.at_s - last.1 < 0.25 => last.1 = run.at_s + 0.001,
            _ => places.push((run.at_s, run.at_s + 0.001)),
        }
    }
    places.truncate(MOST_PLACES);
    places
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Runs found in a tone of 8 bits, overdriven so many times.
    fn runs_of(gain: f64) -> usize {
        let tone = |frame: u32| (std::f64::consts::TAU * 311.0 * f64::from(frame) / 48e3).sin();
        let cut = |frame: u32| (gain * tone(frame)).clamp(-1.0, 1.0) * 0.8;
        let samples: Vec<f32> =
            (0..48_000).map(|frame| ((cut(frame) * 128.0).round() / 128.0) as f32).collect();
        let mut finder = ClipFinder::new(48_000, 1);
        samples.chunks(4_096).for_each(|block| finder.push(&[block]));
        finder.finish().len()
    }

    #[test]
    fn crests_that_are_flat_for_want_of_bits_are_not_clipped() {
        assert_eq!(runs_of(1.0), 0);
        assert!(runs_of(4.0) > 500, "{}", runs_of(4.0));
    }
}
