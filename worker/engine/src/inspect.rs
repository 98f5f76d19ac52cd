//! The checks on a take, one file each.
//!
//! While a take is decoded, an [`Inspector`] keeps small running records of it; once it is
//! placed, [`Take::findings`] asks every check for what it has to say. A check is one function
//! from those records to at most one finding, so that what it needs stands in its signature.

mod channels;
mod clipped;
mod cut_short;
mod duplicate;
mod no_mark;
mod profile;
mod silent;
mod too_quiet;
mod wrong_tempo;

pub use channels::{ChannelVerdict, judge_channels};
pub use clipped::ClippedRun;
pub use duplicate::{same_file, same_file_code};
pub use profile::{ChannelProfile, Profile};
pub use wrong_tempo::{cents_of_ratio, pitch_would_shift};

use crate::finding::Finding;
use crate::fit::{Fit, Grid};
use crate::locate::Arrival;
use crate::onset::Playing;

/// Keeps the running records the checks need, in one pass over the file as decoded.
pub struct Inspector {
    profiler: profile::Profiler,
    clips: clipped::ClipFinder,
}

/// What an [`Inspector`] has kept.
#[derive(Debug, Clone)]
pub struct Records {
    /// Level, peak and mean of every channel along the file.
    pub profile: Profile,
    /// Runs of samples that were cut off at a ceiling.
    pub clips: Vec<ClippedRun>,
}

impl Inspector {
    /// An inspector of `channels` channels at `rate_hz`.
    #[must_use]
    pub fn new(rate_hz: u32, channels: usize) -> Self {
        Self {
            profiler: profile::Profiler::new(rate_hz, channels),
            clips: clipped::ClipFinder::new(rate_hz, channels),
        }
    }

    /// Takes the next frames: one slice a channel, all of one length.
    pub fn push(&mut self, channels: &[&[f32]]) {
        self.profiler.push(channels);
        self.clips.push(channels);
    }

    /// What was kept.
    #[must_use]
    pub fn finish(self) -> Records {
        Records { profile: self.profiler.finish(), clips: self.clips.finish() }
    }
}

/// All that is known of a take once it was heard and, if it could be, placed.
#[derive(Debug, Clone, Copy)]
pub struct Take<'a> {
    /// The records kept while decoding.
    pub records: &'a Records,
    /// Attacks, level and harmony.
    pub playing: &'a Playing,
    /// Where the opening mark may be, best first.
    pub opening: &'a [Arrival],
    /// Where the closing mark may be, best first.
    pub closing: &'a [Arrival],
    /// The piece.
    pub grid: &'a Grid,
    /// Where the take lies, if that is known.
    pub fit: Option<&'a Fit>,
}

impl Take<'_> {
    /// What every check has to say, weightiest first.
    #[must_use]
    pub fn findings(&self) -> Vec<Finding> {
        let checks = [
            silent::check(self),
            clipped::check(self),
            too_quiet::check(self),
            no_mark::check(self),
            wrong_tempo::check(self),
            cut_short::check(self),
            channels::check(self),
        ];
        let mut findings: Vec<Finding> = checks.into_iter().flatten().collect();
        findings.sort_by_key(|finding| std::cmp::Reverse(finding.severity));
        findings
    }

    /// File time of `piece_s`, if the take is placed.
    #[must_use]
    pub fn file_time_s(&self, piece_s: f64) -> Option<f64> {
        let fit = self.fit?;
        Some(fit.bar1_beat1_s + piece_s * (1.0 + fit.ratio_ppm * 1e-6))
    }

    /// The stretch of the file in which the piece is played: bar 1 to the end if the take is
    /// placed, else all of it; within the file in either case.
    #[must_use]
    pub fn span_s(&self) -> (f64, f64) {
        let whole = (0.0, self.playing.duration_s);
        let last = self.grid.beats_s.last().copied();
        let Some((begin, end)) = self.file_time_s(0.0).zip(last.and_then(|s| self.file_time_s(s)))
        else {
            return whole;
        };
        let span = (begin.max(0.0), end.min(whole.1));
        if span.1 > span.0 { span } else { whole }
    }
}

#[cfg(test)]
mod tests;
