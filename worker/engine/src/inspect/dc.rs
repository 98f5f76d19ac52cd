//! The wave does not swing about zero.

use super::Take;
use crate::finding::{Finding, Severity};

/// A mean beyond this share of full scale (−46 dB) costs headroom and thumps at every cut.
const MOST_MEAN: f64 = 0.005;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let hops = take.records.profile.hops_in(take.span_s());
    let mean_of = |channel: &super::ChannelProfile| {
        let means = &channel.mean[hops.clone()];
        means.iter().copied().map(f64::from).sum::<f64>() / means.len().max(1) as f64
    };
    let means = take.records.profile.channels.iter().map(mean_of);
    let most = means.max_by(|a, b| a.abs().total_cmp(&b.abs()))?;
    if most.abs() < MOST_MEAN {
        return None;
    }
    let says = "The wave in this recording is shifted to one side, mostly by a fault of the sound \
                card or its cable. We take the shift out; please have a look at the cable.";
    let finding = Finding::new("dc_offset", Severity::Info, says);
    Some(finding.measuring(most * 100.0, "% of full scale"))
}
