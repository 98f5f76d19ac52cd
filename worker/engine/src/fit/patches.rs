//! A stretch of the playing that was moved while all around it lies where it should: an edit that
//! slipped and came back, or sound that was lost and made up for later.

mod rhythm;

use super::Grid;
use super::beats::BeatClock;
use super::events::median;
use super::line::{Laid, Stroke};
use super::notes::Notes;
use super::shifts::{MOST_HALVES, Shifts};
use super::track::Jump;
use rhythm::Rhythm;

/// Moves looked at: so far to either side, in steps of this.
const MOST_S: f64 = 1.0;
const STEP_S: f64 = 0.008;
/// Smaller moves are within what players do.
const LEAST_S: f64 = 0.05;
/// A move must explain rhythm and pitches better by this many nats. In 33 clean takes of sampled
/// instruments nothing came above 4.2, in 360 of invented players only two above 5.5 (6.3 and 9.3);
/// moves of sampled instruments to beside the pulse lay from 15 to 29.
const CLEAR: f64 = 10.0;
/// One to where players might go by themselves, so near to another half of a beat beside their own
/// spread, …
const OWN_WILL_S: f64 = 0.025;
/// … by this many, of which so many by the pitches.
const CLEAR_IN_STEP: f64 = 12.0;
const PITCHES: f64 = 5.0;
/// So many strokes are moved at least, and so many lie to either side.
const FEWEST: usize = 4;
const FEWEST_BESIDE: usize = 12;
/// Weaker strokes, a chord that dies away, say nothing.
const LEAST_WEIGHT: f64 = 0.3;
const LEAST_TRUST: f64 = 0.15;
/// Where the playing lies usually is heard so far to either side: a stretch that is moved hardly
/// moves the median over it.
const AROUND_S: f64 = 20.0;
/// Strokes share the player's drift.
const TEMPER: f64 = 0.6;
/// A single stroke says no more than this.
const MOST_SAID: f64 = 6.0;

/// The playing as it lies once what was moved is put back.
pub(super) struct Patch {
    /// To where it was moved, and back.
    pub(super) jumps: [Jump; 2],
    /// The slow drift of every stroke beside what was moved.
    pub(super) drift: Vec<f64>,
}

/// The clearest stretch that was moved, if there is one.
pub(super) fn clearest(
    laid: &Laid,
    notes: &Notes,
    beats: &BeatClock,
    grid: &Grid,
    shifts: &Shifts,
) -> Option<Patch> {
    let strong: Vec<&Stroke> = laid.strokes.iter().filter(|s| s.weight > LEAST_WEIGHT).collect();
    if strong.len() < FEWEST + 2 * FEWEST_BESIDE {
        return None;
    }
    let usual_s: Vec<f64> = strong.iter().map(|stroke| usual_s(&strong, stroke.at_s)).collect();
    let played: Vec<Played> = strong
        .iter()
        .zip(&usual_s)
        .map(|(stroke, usual_s)| {
            let heard_s = stroke.pulse_s + stroke.residual_s;
            Played {
                followed: beats.beat_at(heard_s - stroke.drift_s),
                beat: beats.beat_at(heard_s - usual_s),
                weight: stroke.weight,
                note: notes.first_from(stroke.at_s).min(notes.count().saturating_sub(1)),
            }
        })
        .collect();
    let rhythm = Rhythm::of(&played, beats, &grid.bar_starts, laid.spread_s);
    let steps = (MOST_S / STEP_S) as i32;
    let moves = (-steps..=steps).map(|step| f64::from(step) * STEP_S);
    let moves = moves.filter(|by_s| by_s.abs() >= LEAST_S);
    let found = moves.filter_map(|by_s| likeliest(&played, &rhythm, shifts, by_s));
    let best = found.max_by(|a, b| a.said().total_cmp(&b.said()))?;
    let jump =
        |at: usize, by_s: f64| Jump { between_s: (strong[at - 1].at_s, strong[at].at_s), by_s };
    let near =
        |at_s: f64| strong.partition_point(|stroke| stroke.at_s < at_s).min(strong.len() - 1);
    let drift = laid.strokes.iter().map(|stroke| {
        let moved = (best.first..best.after).contains(&near(stroke.at_s));
        if moved { usual_s[near(stroke.at_s)] } else { stroke.drift_s }
    });
    best.is_clear(shifts, OWN_WILL_S.hypot(laid.spread_s)).then(|| Patch {
        jumps: [jump(best.first, best.by_s), jump(best.after, -best.by_s)],
        drift: drift.collect(),
    })
}

/// Where the playing around a file time lies to its pulses.
fn usual_s(strokes: &[&Stroke], at_s: f64) -> f64 {
    let from = strokes.partition_point(|stroke| stroke.at_s < at_s - AROUND_S);
    let around = strokes[from..].iter().take_while(|stroke| stroke.at_s < at_s + AROUND_S);
    median(around.filter(|s| s.trust > LEAST_TRUST).map(|s| s.residual_s).collect())
}

/// A stroke in beats: with all its slow drift taken off, and with only what is usual around it.
struct Played {
    followed: f64,
    beat: f64,
    weight: f64,
    note: usize,
}

/// A stretch that may have been moved.
#[derive(Debug, Clone, Copy)]
struct Moved {
    by_s: f64,
    first: usize,
    after: usize,
    /// By how many nats the rhythm is likelier so, and the pitches.
    rhythm: f64,
    pitch: f64,
}

impl Moved {
    /// Pitches confirm what the rhythm says, and count for no more than that.
    fn said(&self) -> f64 {
        self.rhythm + self.pitch.min(self.rhythm)
    }

    fn is_clear(&self, shifts: &Shifts, own_will_s: f64) -> bool {
        let half_s = shifts.seconds(1);
        let halves = self.by_s / half_s;
        let in_step = (halves - halves.round()).abs() * half_s < own_will_s;
        if in_step {
            self.said() > CLEAR_IN_STEP && self.pitch > PITCHES
        } else {
            self.said() > CLEAR
        }
    }
}

/// The stretch that would be likeliest to have been moved by so much.
fn likeliest(played: &[Played], rhythm: &Rhythm, shifts: &Shifts, by_s: f64) -> Option<Moved> {
    let halves = (by_s / shifts.seconds(1)).round() as i32;
    let by_beats = 0.5 * by_s / shifts.seconds(1);
    let pitches = |stroke: &Played| {
        if halves.abs() <= MOST_HALVES { shifts.gain(stroke.note, halves) } else { 0.0 }
    };
    let mut open = Moved { by_s, first: 0, after: 0, rhythm: 0.0, pitch: 0.0 };
    let mut best: Option<Moved> = None;
    for (at, stroke) in played.iter().enumerate() {
        // What is worth nothing up to here is begun anew (Kadane's scan).
        if open.rhythm + open.pitch <= 0.0 {
            open = Moved { first: at, rhythm: 0.0, pitch: 0.0, ..open };
        }
        let said = rhythm.at(stroke, stroke.beat - by_beats) - rhythm.followed[at];
        open.rhythm += TEMPER * stroke.weight * said.clamp(-MOST_SAID, MOST_SAID);
        open.pitch += pitches(stroke);
        open.after = at + 1;
        let enough = open.after - open.first >= FEWEST && rhythm.holds_beside(&open);
        if enough && best.is_none_or(|best| open.said() > best.said()) {
            best = Some(open);
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::super::notes::tests::eighths;
    use super::*;

    /// What is found in a part that strikes these half beats of each four-beat bar, of which those
    /// from the 48th to the 72nd come so much later.
    fn found(places: &[usize], moved: &[usize], by_s: f64) -> Option<Patch> {
        let (grid, mut playing) = eighths();
        playing.chroma.iter_mut().for_each(|row| *row = [1.0; 12]);
        let beats = BeatClock::new(&grid.beats_s).unwrap();
        let notes = Notes::new(&grid, &playing, 0);
        let half_s = 0.5 * beats.beat_s();
        let mut random = fastrand::Rng::with_seed(5);
        let is_moved = |half: usize| (48..72).contains(&half);
        let halves = (0..2 * grid.beats_s.len())
            .filter(|half| if is_moved(*half) { moved } else { places }.contains(&(half % 8)));
        let strokes = halves.map(|half| {
            let by_s = if is_moved(half) { by_s } else { 0.0 };
            let residual_s = by_s + 0.01 * (random.f64() - 0.5);
            let pulse_s = half as f64 * half_s;
            let mut stroke = Stroke::at(pulse_s + residual_s, residual_s);
            stroke.pulse_s = pulse_s;
            stroke
        });
        let laid = Laid {
            ratio: 0.0,
            lag_s: 0.0,
            covariance: [0.0; 3],
            spread_s: 0.01,
            strokes: strokes.collect(),
            rhythm: Vec::new(),
        };
        let shifts = Shifts::new(&notes, &beats, &|file_s| file_s);
        clearest(&laid, &notes, &beats, &grid, &shifts)
    }

    #[test]
    fn a_stretch_that_was_moved_is_found_from_its_first_stroke_to_its_last() {
        let places = [0, 2, 3, 4, 6];
        assert!(found(&places, &places, 0.0).is_none());
        for by_s in [-0.31, -0.17, 0.09, 0.34] {
            let [away, back] = found(&places, &places, by_s).unwrap().jumps;
            assert!((away.by_s - by_s).abs() < 0.013, "{away:?} for {by_s}");
            assert!(away.between_s.0 < 12.0 && away.between_s.1 > 11.6, "{away:?}");
            assert!(back.between_s.0 < 18.2 && back.between_s.1 > 17.6, "{back:?}");
            assert_eq!(back.by_s, -away.by_s);
        }
    }

    #[test]
    fn another_rhythm_for_a_while_is_no_move() {
        assert!(found(&[0, 2, 4, 6], &[1, 3, 5, 7], 0.0).is_none());
        assert!(found(&[0, 3, 4], &[2, 5, 6], 0.0).is_none());
        assert!(found(&[0, 4], &[0, 1, 2, 3, 4, 5, 6, 7], 0.0).is_none());
    }
}
