//! Tempo by short stretches, blind to where they lie: it holds through cuts and jumps.

use super::beats::BeatClock;
use super::events::Event;
use super::search::{Anchor, coherence};

/// Length of a stretch: long enough to part tempi half a percent apart, short enough that a
/// take with a few cuts has whole ones.
const STRETCH_S: f64 = 20.0;
const FEWEST: usize = 6;

/// The ratio at which the strokes of each stretch keep in step, whatever their phases.
pub(super) fn local_ratio(
    beats: &BeatClock,
    events: &[Event],
    anchor: Anchor,
    ratios: (f64, f64),
) -> Option<f64> {
    let stretches = stretches(events);
    if stretches.is_empty() {
        return None;
    }
    let step = 0.012 / STRETCH_S;
    let count = ((ratios.1 - ratios.0) / step).ceil().clamp(1.0, 4_000.0) as usize;
    (0..=count)
        .map(|k| ratios.0 + (ratios.1 - ratios.0) * k as f64 / count as f64)
        .map(|ratio| (strength(beats, &stretches, anchor, ratio), ratio))
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, ratio)| ratio)
}

/// Sum over stretches of how well their strokes keep in step at a ratio.
fn strength(beats: &BeatClock, stretches: &[&[Event]], anchor: Anchor, ratio: f64) -> f64 {
    stretches.iter().map(|events| coherence(beats, events, anchor, ratio, 0.0)).sum()
}

fn stretches(events: &[Event]) -> Vec<&[Event]> {
    let mut stretches = Vec::new();
    let mut rest = events;
    while let Some(first) = rest.first() {
        let count = rest.partition_point(|event| event.at_s < first.at_s + STRETCH_S);
        let (now, later) = rest.split_at(count);
        if now.len() >= FEWEST {
            stretches.push(now);
        }
        rest = later;
    }
    stretches
}
