//! Attacks as the fit counts them: a strummed chord is one.

use crate::onset::Onset;

/// One stroke of the player, perhaps over several strings.
#[derive(Debug, Clone, Copy)]
pub(super) struct Event {
    pub(super) at_s: f64,
    pub(super) sd_s: f64,
    /// 0..1: a faint attack, which is more often none, counts less.
    pub(super) weight: f64,
}

/// Attacks closer than this to the one before belong to the same stroke: a strum takes
/// 20–60 ms (common practice, no source).
const SAME_STROKE_S: f64 = 0.042;
/// But no stroke is longer than this.
const LONGEST_STROKE_S: f64 = 0.075;

/// The strokes between two file times.
pub(super) fn strokes(onsets: &[Onset], from_s: f64, to_s: f64) -> Vec<Event> {
    let inside: Vec<&Onset> = onsets
        .iter()
        .filter(|onset| onset.at_s >= from_s && onset.at_s <= to_s && onset.at_s.is_finite())
        .collect();
    let typical = median(inside.iter().map(|onset| onset.strength as f64).collect());
    let mut events = Vec::new();
    let mut first = 0;
    for k in 1..=inside.len() {
        let goes_on = k < inside.len()
            && inside[k].at_s - inside[k - 1].at_s < SAME_STROKE_S
            && inside[k].at_s - inside[first].at_s < LONGEST_STROKE_S;
        if !goes_on {
            events.push(one_stroke(&inside[first..k], typical));
            first = k;
        }
    }
    events
}

fn one_stroke(onsets: &[&Onset], typical: f64) -> Event {
    let total: f64 = onsets.iter().map(|onset| onset.strength as f64).sum::<f64>().max(1e-9);
    let mean = |value: &dyn Fn(&Onset) -> f64| -> f64 {
        onsets.iter().map(|onset| onset.strength as f64 * value(onset)).sum::<f64>() / total
    };
    let strongest = onsets.iter().map(|onset| onset.strength as f64).fold(0.0, f64::max);
    // A strum is where its first string is; a faint noise of the hand before it is not.
    let first = onsets.iter().find(|onset| onset.strength as f64 >= 0.5 * strongest);
    let at_s = first.map_or_else(|| mean(&|onset| onset.at_s), |onset| onset.at_s);
    let width_s = mean(&|onset| (onset.at_s - at_s).abs());
    Event {
        at_s,
        sd_s: mean(&|onset| onset.sd_s.max(0.0)).hypot(0.3 * width_s),
        weight: (strongest / typical.max(1e-9)).clamp(0.3, 1.0),
    }
}

/// The median; zero of nothing.
pub(super) fn median(mut values: Vec<f64>) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let middle = values.len() / 2;
    *values.select_nth_unstable_by(middle, f64::total_cmp).1
}
