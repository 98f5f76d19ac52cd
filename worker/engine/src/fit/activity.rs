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

/// The stretches in which something is played between two file times. A run begins with its
/// first stroke where there is one near.
pub(super) fn runs(playing: &Playing, events: &[Event], from_s: f64, to_s: f64) -> Vec<Run> {
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
    let threshold = (loud - RANGE_DB).max((quiet + 8.0).min(loud - 12.0));
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
    runs.retain(|run| run.to_s - run.from_s >= SHORTEST_S);
    for run in &mut runs {
        let near = events.iter().find(|event| event.at_s > run.from_s - 0.15);
        if let Some(event) = near.filter(|event| event.at_s < run.from_s + 0.4) {
            run.from_s = event.at_s;
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
