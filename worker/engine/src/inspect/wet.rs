//! Recorded in a large room, or with reverberation added.
//!
//! A room lets every sound die at its own rate, in all octaves alike, and none can die faster. So
//! the fastest decays of each octave are timed, and the octaves must agree: an instrument that
//! rings rings longer in one octave than in another, and stops where it is damped. A string or a
//! bell that dies away from its attack on no faster than the room hides it.

use super::Take;
use super::pitch::fall_db_per_s;
use super::profile::quantile;
use crate::finding::{Finding, Severity};

/// Longer than in a furnished room: 0.3–0.6 s is usual at home (common practice, no source).
pub(super) const WET_S: f64 = 1.1;

/// Where only some decays can be timed, most of them at the end, a pad's own release is one.
const WET_OF_FEW_S: f64 = 1.75;
const FEW: usize = 3;

/// An instrument dies away by itself that falls faster than this after its attacks, in dB a
/// second; and hides a room that takes not much longer than its own notes.
const DIES_AWAY_DB_PER_S: f64 = -5.0;
const HIDDEN: f64 = 0.6;

/// Longer than any room at home; cymbals and the sea die away more slowly.
const LONGEST_S: f64 = 4.4;

/// The slowest octave over the middle one.
const MOST_APART: f64 = 2.4;

/// Octaves needed, and how far below the whole an octave still tells.
const LEAST_OCTAVES: usize = 3;
const FAINT_DB: f64 = 35.0;

/// The fastest decays of an octave: quicker ones may be dips between two notes.
const FASTEST: f64 = 0.2;

/// A decay counts that falls so far; it is timed from below its first part, and no further down
/// than the last. ISO 3382-2 times T20 from 5 to 25 dB, but few rests are long enough.
const LEAST_FALL_DB: f32 = 12.0;
const FROM_DB: f32 = 3.0;
const UPTO_DB: f32 = 25.0;

/// A level that rises again by so much ends a decay.
const RISE_DB: f32 = 1.0;

/// An attack so soon after the beginning of a decay is its own; the next ends it, and is seen by
/// so much earlier through the window.
const OWN_ATTACK_S: f64 = 0.15;
const SEEN_BEFORE_S: f64 = 0.12;

/// What falls within two rows falls as fast as the window lets it.
const FAST_S: f64 = 0.4;

/// The last note's ringing is looked at for so long.
const AFTER_END_S: f64 = 3.0;

pub(super) fn check(take: &Take) -> Option<Finding> {
    reverberation_s(take).map(rings_on)
}

/// What is said of sounds that take so long to die away.
pub(super) fn rings_on(seconds: f64) -> Finding {
    let says = format!(
        "Your notes ring on for about {seconds:.1} seconds. If that is your room or an effect, \
         please record closer to the microphone and without reverberation; if your instrument \
         rings like that by itself, all is well."
    );
    Finding::new("wet", Severity::Info, says).measuring(seconds, "s")
}

/// Time in which the sound dies away by 60 dB, where that is a room's.
fn reverberation_s(take: &Take) -> Option<f64> {
    let playing = take.playing;
    let rows = &playing.octaves_db;
    let row = |s: f64| ((s / playing.chroma_hop_s) as usize).min(rows.len());
    let span = take.span_s();
    let span = row(span.0)..row(span.1 + AFTER_END_S);
    let octave = |octave: usize| -> Vec<f32> {
        rows[span.clone()].iter().map(|levels| levels[octave]).collect()
    };
    // Where a decay that begins at a row must end: the next attack.
    let ends: Vec<usize> = span
        .clone()
        .map(|at| {
            let from = at as f64 * playing.chroma_hop_s + OWN_ATTACK_S;
            let next = playing.onsets.partition_point(|onset| onset.at_s < from);
            let next_s = playing.onsets.get(next).map_or(f64::INFINITY, |onset| onset.at_s);
            row((next_s - SEEN_BEFORE_S).min(playing.duration_s)).max(at) - span.start
        })
        .collect();
    let octaves: Vec<Vec<f32>> = (0..rows.first()?.len()).map(octave).collect();
    let loud: Vec<f64> = octaves.iter().map(|levels| loud_db(levels)).collect();
    let loudest = loud.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let heard = octaves.iter().zip(&loud).filter(|(_, loud)| **loud > loudest - FAINT_DB);
    let decays = heard.map(|(levels, _)| decay_times_s(levels, &ends, playing.chroma_hop_s));
    let decays: Vec<Vec<f64>> = decays.filter(|times| !times.is_empty()).collect();
    let mut fastest: Vec<f64> = decays.iter().map(|times| quantile(times, FASTEST)).collect();
    let mut counts: Vec<usize> = decays.iter().map(Vec::len).collect();
    if fastest.len() < LEAST_OCTAVES {
        return None;
    }
    fastest.sort_by(f64::total_cmp);
    counts.sort_unstable();
    let middle = fastest[(fastest.len() - 1) / 2];
    let slowest = fastest[fastest.len() - 1];
    let fall = fall_db_per_s(playing, take.span_s()).unwrap_or(0.0);
    let hidden = fall < DIES_AWAY_DB_PER_S && -60.0 / fall > HIDDEN * middle;
    let few = counts[(counts.len() - 1) / 2] < FEW;
    let least = if few { WET_OF_FEW_S } else { WET_S };
    let a_room = (least..LONGEST_S).contains(&middle) && slowest < MOST_APART * middle;
    (a_room && !hidden).then_some(middle)
}

fn loud_db(levels: &[f32]) -> f64 {
    let mut sorted: Vec<f64> = levels.iter().copied().map(f64::from).collect();
    sorted.sort_by(f64::total_cmp);
    quantile(&sorted, 0.9)
}

/// The time to −60 dB of every stretch that falls without rising in between, ascending. One that
/// begins at a row ends at the latest where `ends` says.
fn decay_times_s(levels: &[f32], ends: &[usize], hop_s: f64) -> Vec<f64> {
    let mut times = Vec::new();
    let mut at = 0;
    while at + 2 < levels.len() {
        if levels[at] <= levels[at + 1] {
            at += 1;
            continue;
        }
        let (mut end, mut low) = (at, at);
        while end + 1 < levels.len().min(ends[at]) && levels[end + 1] < levels[low] + RISE_DB {
            end += 1;
            if levels[end] < levels[low] {
                low = end;
            }
        }
        if levels[at] - levels[low] >= LEAST_FALL_DB {
            times.push(decay_time_s(&levels[at..=low], hop_s));
        }
        at = end.max(at + 1);
    }
    times.sort_by(f64::total_cmp);
    times
}

/// By the straight line of least squares through the part of a decay that is timed.
fn decay_time_s(fall: &[f32], hop_s: f64) -> f64 {
    let last = fall.len() - 1;
    let below = |down: f32| fall.iter().position(|level| *level <= fall[0] - down).unwrap_or(last);
    let (from, upto) = (below(FROM_DB), below(UPTO_DB));
    if upto < from + 3 {
        return FAST_S;
    }
    let slope = super::pitch::slope(&fall[from..=upto]) / hop_s;
    if slope < 0.0 { -60.0 / slope } else { FAST_S }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_decay_is_timed_by_its_slope_and_a_damped_note_is_fast() {
        let hop_s = 0.08;
        let falling = |db_per_s: f64| {
            let level = move |row: usize| -12.0 - (row % 12) as f64 * hop_s * db_per_s;
            (0..120).map(move |row| level(row) as f32).collect::<Vec<f32>>()
        };
        let ends = [120; 120];
        let room = decay_times_s(&falling(30.0), &ends, hop_s);
        assert!(room.len() >= 9 && room.iter().all(|s| (s - 2.0).abs() < 0.05), "{room:?}");
        let damped = decay_times_s(&falling(400.0), &ends, hop_s);
        assert!(damped.iter().all(|s| *s <= FAST_S), "{damped:?}");
    }
}
