//! Cut off at a ceiling.
//!
//! A clipped crest is flat: a run of samples at one height, from which the wave falls away
//! steeply at both ends. A natural crest is a parabola: where it stays within a hair of its
//! height for three samples, it has fallen by little just outside. So a run counts when the
//! fall outside it is many times what the same parabola would give.

use super::Take;
use crate::finding::{Finding, Severity};

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

/// The same for crests that a lossy codec has bent again: a sine of three samples within
/// 0.5 % falls by at most 4.5 % there.
const BENT: f32 = 5e-3;
const FALL_FROM_BENT: f32 = 0.06;

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
        // Most of a file is nowhere near its top: skip it in strides.
        while at < end {
            let stride = 64.min(end - at);
            let peak = self.kept[at..at + stride].iter().fold(0.0f32, |most, s| most.max(s.abs()));
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
        let least = LEAST_LEVEL.max(NEAR_TOP * self.highest);
        let mut at = from;
        while at < upto {
            let level = self.kept[at];
            if level.abs() < least {
                at += 1;
                continue;
            }
            let exact = self.run_at(at, FLAT);
            let bent = self.run_at(at, BENT);
            let found = [(exact, FALL_FROM_FLAT), (bent, FALL_FROM_BENT)]
                .into_iter()
                .find(|(length, fall)| *length >= 3 && self.falls_away(at, *length, *fall));
            if let Some((length, _)) = found {
                if self.runs.len() < MOST_RUNS {
                    self.runs.push(ClippedRun {
                        at_s: (self.first_frame + at as u64) as f64 / rate_hz,
                        samples: length as u32,
                        level: level.abs(),
                    });
                }
                at += length;
            } else {
                at += exact.max(1);
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

    /// Whether the wave falls by more than `share` of its height on both sides of a run, at a
    /// distance of half the run.
    fn falls_away(&self, at: usize, length: usize, share: f32) -> bool {
        let distance = (length / 2).clamp(2, REACH);
        let level = self.kept[at];
        let fallen = |sample: Option<&f32>| {
            sample.is_none_or(|sample| (level - sample) * level.signum() > share * level.abs())
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
        return None;
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

/// Heights this near to one another, as a ratio, may be one ceiling, bent by a codec.
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
