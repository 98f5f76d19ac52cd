//! How the channels of a file belong together: alike, dead, in antiphase, or truly stereo.

use super::{Profile, Take};
use crate::finding::{Finding, Severity};

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
    let dead = most * 10f64.powf(-DEAD_DB / 10.0);
    if most > 0.0 && powers.iter().filter(|power| **power > dead).count() == 1 {
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
