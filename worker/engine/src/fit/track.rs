//! The player's offset followed along the take: drift, and jumps where sound was lost or cut.

use super::beats::{BeatClock, within_beat};
use super::events::Event;
use super::pattern::Rhythm;
use super::search::Anchor;
use crate::math::vectors::in_vectors;

/// One step of the path.
const STEP_BEATS: f64 = 2.0;
const OFFSET_STEP_S: f64 = 0.005;
const MOST_OFFSET_S: f64 = 0.36;
const STATES: usize = (2.0 * MOST_OFFSET_S / OFFSET_STEP_S) as usize + 1;
/// A player's drift over one step.
const WALK_S: f64 = 0.004;
const MOST_STEPS: usize = 6;
/// And that of one whose tempo wanders, with the odds of meeting one.
const UNSTEADY_WALK_S: f64 = 0.008;
const UNSTEADY: f64 = 0.05;
/// A jump must be worth this many nats: the take has some hundred places for it, and real
/// ones are rare.
const JUMP_COST: f64 = 10.0;
/// Strokes share the player's drift.
const TEMPER: f64 = 0.6;
/// Smaller jumps are within what players do.
const LEAST_JUMP_S: f64 = 0.035;

/// A sudden change of offset.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Jump {
    /// Between the last stroke before and the first one after it, file time.
    pub(super) between_s: (f64, f64),
    /// Positive: what follows lies later than it should.
    pub(super) by_s: f64,
}

/// Offset from the line along the file.
#[derive(Debug, Clone, Default)]
pub(super) struct Track {
    knots: Vec<(f64, f64)>,
    pub(super) jumps: Vec<Jump>,
}

impl Track {
    /// Offset at a file time, jumps included.
    pub(super) fn at(&self, file_s: f64) -> f64 {
        let right = self.knots.partition_point(|knot| knot.0 <= file_s);
        match (right.checked_sub(1).map(|left| self.knots[left]), self.knots.get(right)) {
            (Some(a), Some(b)) => {
                let jumps =
                    self.jumps.iter().find(|j| j.between_s.0 >= a.0 && j.between_s.1 <= b.0);
                match jumps {
                    Some(jump) if file_s <= jump.between_s.0 => a.1,
                    Some(_) => b.1,
                    None => a.1 + (b.1 - a.1) * (file_s - a.0) / (b.0 - a.0),
                }
            }
            (Some(only), None) => only.1,
            (None, Some(only)) => only.1,
            (None, None) => 0.0,
        }
    }

    /// Offset without the jumps.
    pub(super) fn drift_at(&self, file_s: f64) -> f64 {
        self.at(file_s) - self.jumped_by(file_s)
    }

    /// Takes in a jump found otherwise.
    pub(super) fn add(&mut self, jump: Jump) {
        self.jumps.push(jump);
        self.jumps.sort_by(|a, b| a.between_s.0.total_cmp(&b.between_s.0));
    }

    /// Sum of the jumps before a file time.
    pub(super) fn jumped_by(&self, file_s: f64) -> f64 {
        self.jumps.iter().filter(|jump| file_s >= jump.between_s.1).map(|jump| jump.by_s).sum()
    }
}

/// What is followed: a line, the rhythm expected, and what is believed of the lag at its
/// beginning.
pub(super) struct Guide<'a> {
    pub(super) ratio: f64,
    pub(super) lag_s: f64,
    pub(super) rhythm: &'a Rhythm,
    pub(super) log_lag_prior: &'a dyn Fn(f64) -> f64,
}

/// Follows the strokes about one line by the most probable path (Viterbi). With the path comes
/// its log likelihood against strokes at random, what is believed of lag, drift and jumps taken
/// in.
pub(super) fn follow(
    beats: &BeatClock,
    events: &[Event],
    anchor: Anchor,
    guide: &Guide<'_>,
) -> (Track, f64) {
    let steps = steps(beats, events, anchor, guide);
    if steps.is_empty() {
        return (Track::default(), (guide.log_lag_prior)(guide.lag_s));
    }
    let steady = best_path(&steps, guide, WALK_S);
    let mut unsteady = best_path(&steps, guide, UNSTEADY_WALK_S);
    unsteady.1 += UNSTEADY.ln();
    let (path, score) = if steady.1 >= unsteady.1 { steady } else { unsteady };
    let mut track = Track::default();
    for (k, (step, &state)) in steps.iter().zip(&path).enumerate() {
        let middle_s = 0.5 * (step.first_s + step.last_s);
        track.knots.push((middle_s, offset_of(state)));
        if k > 0 && state.abs_diff(path[k - 1]) > MOST_STEPS {
            let by_s = offset_of(state) - offset_of(path[k - 1]);
            if by_s.abs() >= LEAST_JUMP_S {
                track.jumps.push(Jump { between_s: (steps[k - 1].last_s, step.first_s), by_s });
            }
        }
    }
    (track, score)
}

struct Step {
    first_s: f64,
    last_s: f64,
    scores: Vec<f32>,
}

fn offset_of(state: usize) -> f64 {
    state as f64 * OFFSET_STEP_S - MOST_OFFSET_S
}

fn steps(beats: &BeatClock, events: &[Event], anchor: Anchor, guide: &Guide<'_>) -> Vec<Step> {
    let mut steps: Vec<Step> = Vec::new();
    let mut current = i64::MIN;
    for event in events {
        let piece_s = anchor.piece_at(event.at_s - guide.lag_s, guide.ratio);
        let index = (beats.beat_at(piece_s) / STEP_BEATS).floor() as i64;
        if index != current {
            current = index;
            let scores = vec![0.0; STATES];
            steps.push(Step { first_s: event.at_s, last_s: event.at_s, scores });
        }
        let Some(step) = steps.last_mut() else { continue };
        step.last_s = event.at_s;
        let density = guide.rhythm.of(event.sd_s);
        let weight = TEMPER as f32 * event.weight as f32;
        let beat = beats.beat_at(piece_s);
        // The beat's own length holds well enough a third of a second to either side.
        let per_s = 1.0 / (beats.length_at(beat) * (1.0 + guide.ratio));
        for (state, score) in step.scores.iter_mut().enumerate() {
            *score += weight * density(within_beat(beat - offset_of(state) * per_s));
        }
    }
    steps
}

/// Scores of all states, between those of some that nobody can have come from.
type Padded = [f64; STATES + 2 * MOST_STEPS];

in_vectors! {
    /// The best way to every state, from a near one or by a leap, whose score and origin are given,
    /// and its padded number.
    fn advance(
        scores: &Padded,
        costs: &[f64; 2 * MOST_STEPS + 1],
        leap: (f64, i64),
        next: &mut [f64; STATES],
        from: &mut [i64; STATES],
    ) {
        (*next, *from) = ([leap.0; STATES], [leap.1; STATES]);
        for (shift, cost) in costs.iter().enumerate() {
            for state in 0..STATES {
                let value = scores[state + shift] - cost;
                let better = value > next[state];
                next[state] = if better { value } else { next[state] };
                from[state] = if better { (state + shift) as i64 } else { from[state] };
            }
        }
    }
}

fn best_path(steps: &[Step], guide: &Guide<'_>, walk_s: f64) -> (Vec<usize>, f64) {
    let began = |state: usize| (guide.log_lag_prior)(guide.lag_s + offset_of(state));
    let mut scores: Padded = [f64::NEG_INFINITY; STATES + 2 * MOST_STEPS];
    for (state, score) in scores[OWN].iter_mut().enumerate() {
        *score = f64::from(steps[0].scores[state]) + began(state);
    }
    let mut origins: Vec<[u8; STATES]> = Vec::with_capacity(steps.len());
    let unit = OFFSET_STEP_S / walk_s;
    for pair in steps.windows(2) {
        let gap_s = pair[1].first_s - pair[0].last_s;
        // After a rest the player may come back a little elsewhere.
        let slack = 1.0 + (gap_s / 1.0).max(0.0).sqrt();
        let cost = |by: usize| 0.5 * (by as f64 * unit / slack).powi(2);
        let costs = std::array::from_fn(|shift| cost(shift.abs_diff(MOST_STEPS)));
        let (leap, highest) = highest(&scores[OWN]);
        let leap = (highest - JUMP_COST, (leap + MOST_STEPS) as i64);
        let (mut next, mut from) = ([0.0; STATES], [0; STATES]);
        advance(&scores, &costs, leap, &mut next, &mut from);
        for ((score, next), here) in scores[OWN].iter_mut().zip(next).zip(&pair[1].scores) {
            *score = next + f64::from(*here);
        }
        origins.push(from.map(|padded| (padded - MOST_STEPS as i64) as u8));
    }
    let (mut state, score) = highest(&scores[OWN]);
    let mut path = vec![state];
    for from in origins.iter().rev() {
        state = usize::from(from[state]);
        path.push(state);
    }
    path.reverse();
    (path, score)
}

/// The states' own places among the padded ones.
const OWN: std::ops::Range<usize> = MOST_STEPS..MOST_STEPS + STATES;

/// The last of the highest scores.
fn highest(scores: &[f64]) -> (usize, f64) {
    let each = scores.iter().copied().enumerate();
    each.max_by(|a, b| a.1.total_cmp(&b.1)).unwrap_or((0, f64::MIN))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_state_is_reached_from_the_best_near_one_or_by_a_leap() {
        let mut random = fastrand::Rng::with_seed(6);
        for cost in [0.0, 0.3, 2.0] {
            let mut scores: Padded = [f64::NEG_INFINITY; STATES + 2 * MOST_STEPS];
            // Few values, so that some are equal.
            scores[OWN].iter_mut().for_each(|score| *score = f64::from(random.u8(..6)));
            let costs = std::array::from_fn(|shift| cost * shift.abs_diff(MOST_STEPS) as f64);
            let (mut next, mut from) = ([0.0; STATES], [0; STATES]);
            advance(&scores, &costs, (3.5, -1), &mut next, &mut from);
            for state in 0..STATES {
                let (mut best, mut origin) = (3.5, -1);
                for (source, score) in scores[OWN].iter().enumerate() {
                    let off = source.abs_diff(state);
                    let value = score - cost * off as f64;
                    if off <= MOST_STEPS && value > best {
                        (best, origin) = (value, (source + MOST_STEPS) as i64);
                    }
                }
                assert_eq!((next[state], from[state]), (best, origin), "{cost} {state}");
            }
        }
    }
}
