//! Edits that slipped by whole or half beats: the pulse goes on as if nothing had happened, but
//! from there on the chords come in the wrong place.

use super::notes::Notes;
use super::shifts::{SHIFTS, Shifts, UNMOVED};
use super::track::Jump;

/// A slip must explain the pitches better by this many nats, and then so must what lies to
/// either side of it. In 33 clean takes of sampled instruments nothing came above 6 but for one
/// at 9; slips by a beat or two of pitched parts lay from 9 to 21.
const SLIP_COST: f64 = 11.0;
/// So many strokes at least lie to either side.
const FEWEST: usize = 12;

/// Where the strokes' pitches stop fitting the chart as laid and begin to fit it some beats away.
pub(super) fn clearest(notes: &Notes, shifts: &Shifts) -> Option<Jump> {
    let rows: Vec<[f64; SHIFTS]> =
        (0..notes.count()).map(|stroke| shifts.of_stroke(stroke)).collect();
    let step = only_step(&rows)?;
    Some(Jump {
        between_s: (notes.at_s(step.at - 1), notes.at_s(step.at)),
        by_s: shifts.seconds(step.to as i32 - step.from as i32),
    })
}

/// A change from one shift to another, before the stroke `at`.
#[derive(Debug, PartialEq, Eq)]
struct Step {
    at: usize,
    from: usize,
    to: usize,
}

/// The step of the most probable path through the shifts, if it has one, away from the line or
/// back to it; a path of more steps is a player who goes his own way.
fn only_step(rows: &[[f64; SHIFTS]]) -> Option<Step> {
    let count = rows.len();
    if count < 2 * FEWEST {
        return None;
    }
    let path = best_path(rows);
    let mut steps = (1..count).filter(|&k| path[k] != path[k - 1]);
    let at = steps.next()?;
    let clear = steps.next().is_none() && at >= FEWEST && count - at >= FEWEST;
    let (from, to) = (path[at - 1], path[at]);
    // Drums and bells may clash with the chart wherever they are laid; where they clash least
    // says nothing of their place.
    let fits =
        |rows: &[[f64; SHIFTS]], shift: usize| rows.iter().map(|row| row[shift]).sum::<f64>() > 0.0;
    let fits = fits(&rows[..at], from) && fits(&rows[at..], to);
    (clear && fits && (from == UNMOVED || to == UNMOVED)).then_some(Step { at, from, to })
}

/// The most probable shift of each stroke (Viterbi), changes being dear.
fn best_path(rows: &[[f64; SHIFTS]]) -> Vec<usize> {
    let mut scores = [0.0f64; SHIFTS];
    let mut origins: Vec<[usize; SHIFTS]> = Vec::with_capacity(rows.len());
    for row in rows {
        let top = (0..SHIFTS).max_by(|&a, &b| scores[a].total_cmp(&scores[b])).unwrap_or(0);
        let leap = scores[top] - SLIP_COST;
        let from: [usize; SHIFTS] =
            std::array::from_fn(|k| if scores[k] >= leap { k } else { top });
        scores = std::array::from_fn(|k| scores[k].max(leap) + row[k]);
        origins.push(from);
    }
    let mut state = (0..SHIFTS).max_by(|&a, &b| scores[a].total_cmp(&scores[b])).unwrap_or(0);
    let mut path = vec![state; rows.len()];
    for stroke in (1..rows.len()).rev() {
        state = origins[stroke][state];
        path[stroke - 1] = state;
    }
    path
}

#[cfg(test)]
mod tests {
    use super::super::beats::BeatClock;
    use super::super::notes::tests::eighths;
    use super::*;

    /// What is found once the chords after the middle come so many beats late.
    fn found(late_beats: usize) -> Option<Jump> {
        let (grid, mut playing) = eighths();
        let rows = (late_beats as f64 * 0.5 / playing.chroma_hop_s).round() as usize;
        let middle = playing.chroma.len() / 2;
        let as_played = playing.chroma.clone();
        for row in middle..playing.chroma.len() {
            playing.chroma[row] = as_played[(row - rows).max(middle - 1)];
        }
        let beats = BeatClock::new(&grid.beats_s).unwrap();
        let notes = Notes::new(&grid, &playing, 0);
        clearest(&notes, &Shifts::new(&notes, &beats, &|file_s| file_s))
    }

    #[test]
    fn chords_that_come_late_from_somewhere_on_are_a_slip_by_whole_beats() {
        assert_eq!(found(0), None);
        for beats in [1, 2, 3] {
            let jump = found(beats).unwrap();
            assert!((jump.by_s - 0.5 * beats as f64).abs() < 0.3, "{jump:?} for {beats} beats");
            assert!((jump.between_s.1 - 16.0).abs() < 1.6, "{jump:?}");
        }
    }

    #[test]
    fn what_clashes_with_the_chart_everywhere_says_nothing() {
        let away = UNMOVED + 4;
        let rows = |fitting: f64| -> Vec<[f64; SHIFTS]> {
            let row = |shift: usize| {
                let mut row = [fitting - 0.4; SHIFTS];
                row[shift] = fitting;
                row
            };
            (0..160).map(|stroke| row(if stroke < 90 { UNMOVED } else { away })).collect()
        };
        let step = Step { at: 90, from: UNMOVED, to: away };
        assert_eq!(only_step(&rows(0.1)), Some(step));
        assert_eq!(only_step(&rows(-0.1)), None);
    }
}
