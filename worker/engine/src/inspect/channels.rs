//! How the channels of a file belong together: alike, dead, in antiphase, or truly stereo.

use super::profile::quantile;
use super::{ChannelProfile, Profile, Take};
use crate::finding::{Finding, Severity};
use std::ops::Range;

/// What to make of a file's channels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ChannelVerdict {
    /// One channel.
    Mono,
    /// Two or more that carry the same sound.
    Alike,
    /// Only this one carries sound.
    OnlyOne(usize),
    /// The second is the first turned upside down, `correlation` near −1: summed, they cancel.
    Antiphase {
        /// Correlation of the two, −1 to 1.
        correlation: f64,
    },
    /// Different sounds in each.
    Stereo {
        /// Correlation of the first two, −1 to 1.
        correlation: f64,
    },
    /// More than two; the first two are the front pair.
    Many,
}

/// A channel so many dB below the loudest is dead: hiss or crosstalk of a cable.
const DEAD_DB: f64 = 50.0;

/// One that never rises is dead from here on: beside short strokes with rests between them hiss
/// is not far down on average. Hiss keeps its quietest tenth within [`STEADY_DB`] of its mean; by
/// the chi-squared distribution a hop of 2 400 samples of white noise strays by 0.13 dB, and one
/// of hum with hiss hardly by more. Nothing that is played to a beat does.
const STEADY_DEAD_DB: f64 = 25.0;
const STEADY_DB: f64 = 1.0;

/// Correlation from which two channels are one sound.
const ALIKE: f64 = 0.999;

/// Correlation below which a sum to mono loses more than 7 dB.
const ANTIPHASE: f64 = -0.6;

/// Judges the channels within `span_s`.
#[must_use]
pub fn judge_channels(profile: &Profile, span_s: (f64, f64)) -> ChannelVerdict {
    let hops = profile.hops_in(span_s);
    let power = |channel: usize| -> f64 {
        let squares = &profile.channels[channel].mean_square[hops.clone()];
        squares.iter().map(|square| f64::from(*square)).sum()
    };
    let powers: Vec<f64> = (0..profile.channels.len()).map(power).collect();
    let Some((loudest, most)) =
        powers.iter().copied().enumerate().max_by(|a, b| a.1.total_cmp(&b.1))
    else {
        return ChannelVerdict::Mono;
    };
    if powers.len() == 1 {
        return ChannelVerdict::Mono;
    }
    let sounds = |(power, channel): (&f64, &ChannelProfile)| {
        let below_db = 10.0 * (most / power.max(1e-30)).log10();
        below_db < STEADY_DEAD_DB || (below_db < DEAD_DB && !is_steady(channel, hops.clone()))
    };
    if most > 0.0 && powers.iter().zip(&profile.channels).filter(|c| sounds(*c)).count() == 1 {
        return ChannelVerdict::OnlyOne(loudest);
    }
    let cross: f64 = profile.cross[hops].iter().map(|product| f64::from(*product)).sum();
    let correlation = cross / (powers[0] * powers[1]).sqrt().max(1e-30);
    let apart_db = 10.0 * (powers[0].max(1e-30) / powers[1].max(1e-30)).log10();
    match powers.len() {
        2 if correlation > ALIKE && apart_db.abs() < 0.5 => ChannelVerdict::Alike,
        2 if correlation < ANTIPHASE => ChannelVerdict::Antiphase { correlation },
        2 => ChannelVerdict::Stereo { correlation },
        _ => ChannelVerdict::Many,
    }
}

/// Whether a channel is as loud in its quiet moments as at all others.
fn is_steady(channel: &ChannelProfile, hops: Range<usize>) -> bool {
    let mut levels: Vec<f64> = channel.mean_square[hops].iter().copied().map(f64::from).collect();
    levels.sort_by(f64::total_cmp);
    let mean = levels.iter().sum::<f64>() / levels.len().max(1) as f64;
    quantile(&levels, 0.1) > mean * 10f64.powf(-STEADY_DB / 10.0)
}

pub(super) fn check(take: &Take) -> Option<Finding> {
    match judge_channels(&take.records.profile, take.span_s()) {
        ChannelVerdict::OnlyOne(_) => {
            let says = "Only one side of this stereo recording has sound. We use that side alone, \
                        so there is nothing to do; recording in mono saves you space.";
            Some(Finding::new("dead_channel", Severity::Info, says))
        }
        ChannelVerdict::Antiphase { correlation } => {
            let says = "The two sides of this recording are upside down to each other, so that \
                        they cancel when played together. We turned one round; please check the \
                        cable or the settings of your recorder before the next take.";
            let finding = Finding::new("antiphase", Severity::Advice, says);
            Some(finding.measuring(correlation, "correlation"))
        }
        _ => None,
    }
}
