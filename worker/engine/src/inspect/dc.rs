//! The wave does not swing about zero.

use super::{ChannelProfile, Take};
use crate::finding::{Finding, Severity};

/// A mean beyond this share of full scale (−46 dB) costs headroom and thumps at every cut.
const MOST_MEAN: f64 = 0.005;
/// A sound card shifts silence too: by at least this part of the whole, in the quietest tenth of
/// the file. What comes and goes with the notes is the instrument's, or a sampler's.
const LEAST_IN_SILENCE: f64 = 0.5;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let hops = take.records.profile.hops_in(take.span_s());
    let channels = take.records.profile.channels.iter();
    let means = channels.map(|channel| (mean(&channel.mean[hops.clone()]), channel));
    let (most, channel) = means.max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))?;
    if most.abs() < MOST_MEAN || in_silence(channel) / most < LEAST_IN_SILENCE {
        return None;
    }
    let says = "The wave in this recording is shifted to one side, mostly by a fault of the sound \
                card or its cable. We take the shift out; please have a look at the cable.";
    let finding = Finding::new("dc_offset", Severity::Info, says);
    Some(finding.measuring(most * 100.0, "% of full scale"))
}

fn mean(means: &[f32]) -> f64 {
    means.iter().copied().map(f64::from).sum::<f64>() / means.len().max(1) as f64
}

/// The mean of the quietest tenth of a channel.
fn in_silence(channel: &ChannelProfile) -> f64 {
    let swing = |hop: &usize| channel.mean_square[*hop] - channel.mean[*hop].powi(2);
    let mut hops: Vec<usize> = (0..channel.mean.len()).collect();
    hops.sort_by(|a, b| swing(a).total_cmp(&swing(b)));
    hops.truncate(hops.len().div_ceil(10));
    let quiet: Vec<f32> = hops.into_iter().map(|hop| channel.mean[hop]).collect();
    mean(&quiet)
}
