//! Recorded in a large room, or with reverberation added.
//!
//! Every room lets a note die at its own rate, and no note can die faster. So the fastest decays
//! in a take bound the room's reverberation time from above. An instrument that itself rings
//! longer (a bell, an undamped string) hides the room; the sentence says so.

use super::Take;
use super::profile::quantile;
use crate::finding::{Finding, Severity};
use crate::onset::Playing;

/// Longer than a furnished room (0.3–0.6 s is usual at home; common practice, no source), and than
/// a plucked string rings.
const WET_S: f64 = 2.0;

/// Decays needed to say so.
const LEAST_DECAYS: usize = 3;

/// The fastest decays of a take: quicker ones may be dips between two notes.
const FASTEST: f64 = 0.2;

/// The part of a decay that is timed, in dB below its beginning: T20 of ISO 3382-2 starts there
/// too, but few rests are long enough for it.
const FROM_DB: f32 = 5.0;
const UPTO_DB: f32 = 17.0;

/// The last note's ringing is looked at for so long.
const AFTER_END_S: f64 = 3.0;

/// A level that rises again by so much ends a decay.
const RISE_DB: f32 = 3.0;

pub(super) fn check(take: &Take) -> Option<Finding> {
    let mut decays = decay_times_s(take.playing, take.span_s());
    if decays.len() < LEAST_DECAYS {
        return None;
    }
    decays.sort_by(f64::total_cmp);
    let seconds = quantile(&decays, FASTEST);
    if seconds < WET_S {
        return None;
    }
    let says = format!(
        "Your notes ring on for about {seconds:.1} seconds. If that is your room or an effect, \
         please record closer to the microphone and without reverberation; if your instrument \
         rings like that by itself, all is well."
    );
    Some(Finding::new("wet", Severity::Info, says).measuring(seconds, "s"))
}

/// The decay time (to −60 dB) of every stretch of the span that falls by 17 dB without rising
/// in between.
fn decay_times_s(playing: &Playing, span: (f64, f64)) -> Vec<f64> {
    let levels = smooth(&playing.level_db, (0.03 / playing.hop_s).round().max(1.0) as usize);
    let hop = |s: f64| ((s / playing.hop_s) as usize).min(levels.len());
    let mut times = Vec::new();
    let (begin, end) = (hop(span.0), hop(span.1 + AFTER_END_S));
    if begin >= end {
        return times;
    }
    let (mut top, mut low) = (begin, begin);
    let mut time = |top: usize, low: usize| {
        let cross = |down: f32| (top..=low).find(|at| levels[*at] <= levels[top] - down);
        if let (Some(from), Some(upto)) = (cross(FROM_DB), cross(UPTO_DB)) {
            let per_db = (upto - from) as f64 * playing.hop_s / f64::from(UPTO_DB - FROM_DB);
            times.push(60.0 * per_db);
        }
    };
    for at in begin..end {
        if levels[at] > levels[low] + RISE_DB {
            time(top, low);
            (top, low) = (at, at);
        } else if levels[at] > levels[top] {
            (top, low) = (at, at);
        } else if levels[at] < levels[low] {
            low = at;
        }
    }
    time(top, low);
    times
}

fn smooth(levels: &[f32], width: usize) -> Vec<f32> {
    levels.windows(width).map(|window| window.iter().sum::<f32>() / width as f32).collect()
}
