//! The player's offset followed along the take: drift, and jumps where sound was lost or cut.

use super::beats::BeatClock;
use super::events::Event;
use super::pattern::Rhythm;
use super::search::Anchor;

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
            let phase = beat - offset_of(state) * per_s;
            *score += weight * density(phase - phase.floor());
        }
    }
    steps
}

fn best_path(steps: &[Step], guide: &Guide<'_>, walk_s: f64) -> (Vec<usize>, f64) {
    let began = |state: usize| (guide.log_lag_prior)(guide.lag_s + offset_of(state));
    let mut scores: Vec<f64> =
        (0..STATES).map(|state| steps[0].scores[state] as f64 + began(state)).collect();
    let mut origins: Vec<Vec<u16>> = Vec::with_capacity(steps.len());
    let unit = OFFSET_STEP_S / walk_s;
    for pair in steps.windows(2) {
        let gap_s = pair[1].first_s - pair[0].last_s;
        // After a rest the player may come back a little elsewhere.
        let slack = 1.0 + (gap_s / 1.0).max(0.0).sqrt();
        let cost = |by: usize| 0.5 * (by as f64 * unit / slack).powi(2);
        let leap = (0..STATES).max_by(|&a, &b| scores[a].total_cmp(&scores[b])).unwrap_or(0);
        let mut next = vec![f64::MIN; STATES];
        let mut from = vec![0u16; STATES];
        for state in 0..STATES {
            let (mut best, mut origin) = (scores[leap] - JUMP_COST, leap);
            let near = state.saturating_sub(MOST_STEPS)..=(state + MOST_STEPS).min(STATES - 1);
            for source in near {
                let value = scores[source] - cost(source.abs_diff(state));
                if value > best {
                    (best, origin) = (value, source);
                }
            }
            next[state] = best + pair[1].scores[state] as f64;
            from[state] = origin as u16;
        }
        scores = next;
        origins.push(from);
    }
    let mut state = (0..STATES).max_by(|&a, &b| scores[a].total_cmp(&scores[b])).unwrap_or(0);
    let score = scores[state];
    let mut path = vec![state];
    for from in origins.iter().rev() {
        state = from[state] as usize;
        path.push(state);
    }
    path.reverse();
    (path, score)
}
