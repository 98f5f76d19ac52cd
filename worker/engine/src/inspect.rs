//! The checks on a take, one file each.
//!
//! While a take is decoded, an [`Inspector`] keeps small running records of it; once it is
//! placed, [`Take::findings`] asks every check for what it has to say. A check is one function
//! from those records to at most one finding, so that what it needs stands in its signature.

mod blunders;
mod channels;
mod clipped;
mod closing_mark;
mod crests;
mod cut_short;
mod dc;
mod duplicate;
mod hum;
mod no_mark;
mod own_pulse;
mod noise;
mod silent;
mod speech;
mod squashed;
mod too_loose;
mod too_quiet;
mod too_tight;
mod transposed;
mod tuning;
mod unnormalised;
mod wet;
mod wrong_mode;
mod wrong_section;
mod wrong_tempo;

pub mod bleed;
pub mod fingerprint;

mod harmony;
mod pitch;
mod profile;
mod quiet;
mod room;

pub use blunders::{attack_sd_ms, blunder_limit_ms, is_blunder};
pub use channels::{ChannelVerdict, judge_channels};
pub use clipped::ClippedRun;
pub use crests::Crests;
pub use duplicate::same_file;
pub use own_pulse::from_own_pulse;
pub use profile::{ChannelProfile, Profile};
pub use quiet::QuietWindows;
pub use room::room;
pub use speech::Brightness;
pub use wrong_tempo::{cents_of_ratio, pitch_would_shift};

use crate::finding::Finding;
use crate::fit::{Fit, Grid};
use crate::locate::Arrival;
use crate::onset::Playing;

/// Keeps the running records the checks need, in one pass over the file as decoded.
pub struct Inspector {
    profiler: profile::Profiler,
    clips: clipped::ClipFinder,
    crests: crests::CrestCounter,
    quiet: quiet::QuietKeeper,
    brightness: speech::BrightnessMeter,
}

/// What an [`Inspector`] has kept.
#[derive(Debug, Clone)]
pub struct Records {
    /// Level, peak and mean of every channel along the file.
    pub profile: Profile,
    /// Runs of samples that were cut off at a ceiling.
    pub clips: Vec<ClippedRun>,
    /// Heights of the crests of the first channel, a stretch of two seconds after another.
    pub crests: Vec<Crests>,
    /// The quietest moments, as samples.
    pub quiet: QuietWindows,
    /// Level and middle frequency of the first channel, finely.
    pub brightness: Brightness,
}

/// What the piece expects of this take's playing, as far as that is known.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Expected {
    /// The pitch classes of the piece's mode, C first.
    pub scale: Option<[bool; 12]>,
    /// In which sections this part plays.
    pub sections: Option<Vec<bool>>,
}

impl Inspector {
    /// An inspector of `channels` channels at `rate_hz`.
    #[must_use]
    pub fn new(rate_hz: u32, channels: usize) -> Self {
        Self {
            profiler: profile::Profiler::new(rate_hz, channels),
            clips: clipped::ClipFinder::new(rate_hz, channels),
            crests: crests::CrestCounter::new(rate_hz),
            quiet: quiet::QuietKeeper::new(rate_hz),
            brightness: speech::BrightnessMeter::new(rate_hz),
        }
    }

    /// Takes the next frames: one slice a channel, all of one length.
    pub fn push(&mut self, channels: &[&[f32]]) {
        self.profiler.push(channels);
        self.clips.push(channels);
        self.quiet.push(channels);
        if let Some(first) = channels.first() {
            self.brightness.push(first);
            self.crests.push(first);
        }
    }

    /// What was kept.
    #[must_use]
    pub fn finish(self) -> Records {
        Records {
            profile: self.profiler.finish(),
            clips: self.clips.finish(),
            crests: self.crests.finish(),
            quiet: self.quiet.finish(),
            brightness: self.brightness.finish(),
        }
    }
}

/// What can be said of a recording in which nothing is played.
const OF_NO_PLAYING: [&str; 3] = ["silent", "hum", "dc_offset"];

/// Whether that is among what was found.
#[must_use]
pub fn nothing_is_played(findings: &[Finding]) -> bool {
    findings.iter().any(|finding| finding.code == "silent")
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
    /// What the piece expects.
    pub expected: &'a Expected,
}

impl Take<'_> {
    /// What every check has to say, weightiest first. Of a recording without any playing only what
    /// is wrong with it is said: all else would be read from its noise.
    #[must_use]
    pub fn findings(&self) -> Vec<Finding> {
        let checks = [
            silent::check,
            clipped::check,
            too_quiet::check,
            no_mark::check,
            wrong_tempo::check,
            cut_short::check,
            channels::check,
            unnormalised::check,
            dc::check,
            noise::check,
            hum::check,
            squashed::check,
            wet::check,
            too_tight::check,
            too_loose::check,
            blunders::check,
            tuning::check,
            transposed::check,
            wrong_mode::check,
            wrong_section::check,
            speech::check,
            closing_mark::check,
        ];
        let mut findings: Vec<Finding> = checks.iter().filter_map(|check| check(self)).collect();
        if nothing_is_played(&findings) {
            findings.retain(|finding| OF_NO_PLAYING.contains(&finding.code));
        }
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
