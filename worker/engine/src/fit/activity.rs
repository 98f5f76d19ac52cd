//! When the take plays, against the piece's sections.

use super::events::Event;
use crate::onset::Playing;

/// A stretch of playing, in file time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Run {
    pub(super) from_s: f64,
    pub(super) to_s: f64,
}

/// Rests shorter than this do not end a run.
const REST_S: f64 = 2.5;
/// Shorter sounds are coughs and chairs.
const SHORTEST_S: f64 = 1.5;
/// Playing is what lies above the loud parts by no more than this.
const RANGE_DB: f64 = 32.0;
/// A player's rests, in which the guide may be heard from the headphones, are softer than this.
const RESTS_DB: f64 = 24.0;
/// What is left without the rests must be so many strokes and last so long to be the part.
const LEAST_STROKES: usize = 16;
const LEAST_S: f64 = 15.0;

/// The stretches in which something is played between two file times. A run begins with its
/// first stroke where there is one near.
pub(super) fn runs(playing: &Playing, events: &[Event], from_s: f64, to_s: f64) -> Vec<Run> {
    let least_db = |loud: f64, quiet: f64| (loud - RANGE_DB).max((quiet + 8.0).min(loud - 12.0));
    let mut runs = louder(playing, from_s, to_s, &least_db);
    runs.retain(|run| run.to_s - run.from_s >= SHORTEST_S);
    for run in &mut runs {
        let near = events.iter().find(|event| event.at_s > run.from_s - 0.15);
        if let Some(event) = near.filter(|event| event.at_s < run.from_s + 0.4) {
            run.from_s = event.at_s;
        }
    }
    runs
}

/// The strokes of the player: those in the rests of somebody who plays some sections alone may be
/// the guide's, which keeps another lag and no spread.
pub(super) fn without_rests(
    playing: &Playing,
    events: Vec<Event>,
    from_s: f64,
    to_s: f64,
) -> Vec<Event> {
    let runs = louder(playing, from_s, to_s, &|loud, _| loud - RESTS_DB);
    let played = |event: &&Event| {
        let near = |run: &Run| (run.from_s - 0.1..run.to_s + 0.1).contains(&event.at_s);
        runs.iter().any(near)
    };
    let kept: Vec<Event> = events.iter().filter(played).copied().collect();
    let lasts_s = kept.last().map_or(0.0, |last| last.at_s - kept[0].at_s);
    if kept.len() >= LEAST_STROKES && lasts_s >= LEAST_S { kept } else { events }
}

/// Stretches no softer than what `least_db` makes of the levels of loud and of quiet parts, with
/// only short rests in them.
fn louder(
    playing: &Playing,
    from_s: f64,
    to_s: f64,
    least_db: &dyn Fn(f64, f64) -> f64,
) -> Vec<Run> {
    let hop = playing.hop_s;
    let first = ((from_s / hop).ceil().max(0.0)) as usize;
    let last = ((to_s / hop).max(0.0) as usize).min(playing.level_db.len());
    if first + 2 > last {
        return Vec::new();
    }
    let levels = &playing.level_db[first..last];
    let mut sorted: Vec<f32> = levels.to_vec();
    sorted.sort_by(f32::total_cmp);
    let loud = sorted[sorted.len() * 19 / 20] as f64;
    let quiet = sorted[sorted.len() / 20] as f64;
    let threshold = least_db(loud, quiet);
    let mut runs: Vec<Run> = Vec::new();
    for (k, &level) in levels.iter().enumerate() {
        if (level as f64) < threshold {
            continue;
        }
        let at_s = (first + k) as f64 * hop;
        match runs.last_mut() {
            Some(run) if at_s - run.to_s < REST_S => run.to_s = at_s,
            _ => runs.push(Run { from_s: at_s, to_s: at_s }),
        }
    }
    runs
}

/// Log likelihood of the runs' beginnings and ends lying where they do to the sections, against
/// lying anywhere; sounding outside the piece costs. `piece_at` maps file to piece time. Of a part
/// that never strikes the beat, as far as `beside` tells (0..1), the first stroke is half a beat
/// after a border.
pub(super) fn score(
    runs: &[Run],
    sections: &[(f64, f64)],
    end_s: f64,
    beat_s: f64,
    beside: f64,
    piece_at: &dyn Fn(f64) -> f64,
) -> f64 {
    let beats = end_s / beat_s;
    let mut sum = 0.0;
    for run in runs {
        let (from_s, to_s) = (piece_at(run.from_s), piece_at(run.to_s));
        let outside_s = (-beat_s - from_s).max(0.0) + (to_s - end_s - 3.0).max(0.0);
        sum -= (0.8 * outside_s).min(8.0);
        if to_s < 0.0 || from_s > end_s {
            continue;
        }
        let starts = sections.iter().map(|section| section.0).chain([0.0]);
        let ends = sections.iter().map(|section| section.1).chain([end_s]);
        let start = starts.map(|at| (from_s - at) / beat_s).min_by(nearer);
        let end = ends.map(|at| (to_s - at) / beat_s).min_by(nearer);
        sum += start.map_or(0.0, |off| {
            let on = border(off, 0.12, 2.0, 0.55, beats).exp();
            let after = border(off - 0.5, 0.12, 2.0, 0.55, beats).exp();
            ((1.0 - beside) * on + beside * after).ln()
        });
        sum += end.map_or(0.0, |off| border(off - 0.3, 0.8, 3.0, 0.5, beats));
    }
    sum
}

fn nearer(a: &f64, b: &f64) -> std::cmp::Ordering {
    a.abs().total_cmp(&b.abs())
}

/// A border of playing lies on a section's border, or near it, or anywhere. The shares are
/// common practice, no source.
fn border(off_beats: f64, sharp: f64, loose: f64, on: f64, beats: f64) -> f64 {
    let exact = (-0.5 * (off_beats / sharp).powi(2)).exp() / (sharp * 2.5066);
    let near = (-off_beats.abs() / loose).exp() / (2.0 * loose);
    // There are several borders to lie on.
    let borders = 4.0;
    let density = on / borders * exact + 0.25 / borders * near + (0.75 - on) / beats;
    (density * beats).ln().clamp(-2.0, 6.0)
}

#[cfg(test)]
mod tests {
    use super::super::events::strokes;
    use super::super::notes::tests::eighths;
    use super::*;

    /// How many of the strokes are kept of 32 s at four a second, if so much before the end is
    /// the player's and what goes before is so much softer.
    fn kept(played_s: f64, softer_db: f32) -> usize {
        let (_, mut playing) = eighths();
        let rest = ((32.0 - played_s) / playing.hop_s) as usize;
        playing.level_db[..rest].iter_mut().for_each(|level| *level -= softer_db);
        let events = strokes(&playing.onsets, 0.0, 32.0);
        assert_eq!(events.len(), 128);
        without_rests(&playing, events, 0.0, 32.0).len()
    }

    #[test]
    fn what_is_heard_in_a_players_rests_is_not_the_players() {
        assert!((66..=68).contains(&kept(16.5, 34.0)), "{}", kept(16.5, 34.0));
        assert_eq!(kept(16.5, 15.0), 128, "played softly");
        assert_eq!(kept(6.0, 34.0), 128, "a noise beside a soft part");
    }
}
