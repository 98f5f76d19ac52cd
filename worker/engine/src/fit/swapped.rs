//! Edits that slipped by about half a beat: the pulse goes on, but from there on what was struck
//! on the beat is struck beside it and the other way about, and the chords come half a beat off.

use super::beats::BeatClock;
use super::line::Stroke;
use super::notes::Notes;
use super::shifts::Shifts;
use super::track::Jump;

/// Shifts looked at, in half beats: an odd number of them swaps on and off.
const ODD_HALVES: [i32; 4] = [-3, -1, 1, 3];
/// Rhythm and pitch together must speak for it by so many nats …
const CLEAR: f64 = 16.0;
/// … of them the pitches by so many: players do change their rhythm.
const PITCHES: f64 = 5.0;
/// Where no pitch can say so, the rhythm alone must be this clear, and not change with a section.
const RHYTHM_ALONE: f64 = 30.0;
const BORDER_BEATS: f64 = 3.0;
/// So many strokes at least lie to either side.
const FEWEST: usize = 16;
/// Strokes less sure of their pulse say nothing.
const LEAST_TRUST: f64 = 0.3;

/// The clearest slip by an odd number of half beats, if there is one.
pub(super) fn clearest(
    strokes: &[Stroke],
    notes: &Notes,
    beats: &BeatClock,
    sections: &[(f64, f64)],
    shifts: &Shifts,
) -> Option<Jump> {
    let struck: Vec<(&Stroke, bool)> =
        strokes.iter().filter_map(|stroke| Some((stroke, on_beat(stroke, beats)?))).collect();
    if struck.len() < 2 * FEWEST {
        return None;
    }
    let pitches = ODD_HALVES.map(|halves| Pitches {
        shift_s: shifts.seconds(halves),
        from_here: shifts.gains_to_end(halves),
    });
    let by_rhythm = swaps(&struck.iter().map(|(_, on)| *on).collect::<Vec<bool>>());
    let gaps = FEWEST..struck.len() - FEWEST;
    let candidates = gaps.flat_map(|gap| {
        let rhythm = by_rhythm[gap];
        let (before, after) = (struck[gap - 1].0, struck[gap].0);
        let between_s = (before.at_s, after.at_s);
        let at_border = beats.is_near_border(after.pulse_s, sections, BORDER_BEATS);
        let note = notes.first_from(after.at_s);
        pitches.iter().map(move |pitches| {
            let (pitch, by_s) = pitches.of_slip(note);
            let alone = pitch > -2.0 && rhythm > RHYTHM_ALONE && !at_border;
            let clear = rhythm + pitch > CLEAR && rhythm > 0.0 && (pitch > PITCHES || alone);
            (rhythm + pitch, clear, Jump { between_s, by_s })
        })
    });
    let (_, clear, jump) = candidates.max_by(|a, b| a.0.total_cmp(&b.0))?;
    clear.then_some(jump)
}

/// Whether a stroke lies on a beat, or half way between two; `None` for any other.
fn on_beat(stroke: &Stroke, beats: &BeatClock) -> Option<bool> {
    if stroke.trust < LEAST_TRUST {
        return None;
    }
    let halves = 2.0 * beats.beat_at(stroke.pulse_s);
    let near = halves.round();
    ((halves - near).abs() < 0.1).then_some(near.rem_euclid(2.0) < 0.5)
}

/// For each gap how much likelier the strokes are if on and off change places there than if one
/// rhythm goes through.
fn swaps(on: &[bool]) -> Vec<f64> {
    let all = on.len() as f64;
    let total = on.iter().filter(|on| **on).count() as f64;
    let mut before = 0.0;
    on.iter()
        .enumerate()
        .map(|(gap, &is_on)| {
            let after_off = (all - gap as f64) - (total - before);
            let said = log_binomial(before + after_off, all) - log_binomial(total, all);
            before += f64::from(is_on);
            said
        })
        .collect()
}

/// Log likelihood of `some` of `all` at the share that fits them best.
fn log_binomial(some: f64, all: f64) -> f64 {
    let share = (some + 0.5) / (all + 1.0);
    some * share.ln() + (all - some) * (1.0 - share).ln()
}

/// What the pitches say for one shift: from each note to the end.
struct Pitches {
    shift_s: f64,
    from_here: Vec<f64>,
}

impl Pitches {
    /// What they say for a slip just before a note, be it that what follows is off or what went
    /// before, against the better of no shift and one of all; and how much later it makes what
    /// follows.
    fn of_slip(&self, note: usize) -> (f64, f64) {
        let (all, after) = (self.from_here[0], self.from_here[note]);
        let before = all - after;
        let unslipped = all.max(0.0);
        if after >= before {
            (after - unslipped, self.shift_s)
        } else {
            (before - unslipped, -self.shift_s)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::notes::tests::eighths;
    use super::*;

    /// What is found in a part of which every other offbeat is played, half a beat later from the
    /// middle on, with or without its chords.
    fn found(slips: bool, with_chords: bool) -> Option<Jump> {
        let (grid, mut playing) = eighths();
        let beats = BeatClock::new(&grid.beats_s).unwrap();
        let half_s = 0.5 * beats.beat_s();
        let middle_s = 16.1;
        let strokes: Vec<Stroke> = (0..2 * grid.beats_s.len())
            .filter(|k| k % 4 != 3)
            .map(|k| k as f64 * half_s)
            .map(|at_s| {
                Stroke::at(if slips && at_s > middle_s { at_s + half_s } else { at_s }, 0.0)
            })
            .collect();
        if slips && with_chords {
            let rows = (half_s / playing.chroma_hop_s).round() as usize;
            let middle = (middle_s / playing.chroma_hop_s) as usize;
            let as_played = playing.chroma.clone();
            let kept = as_played.len() - rows;
            playing.chroma[middle + rows..].copy_from_slice(&as_played[middle..kept]);
        }
        let notes = Notes::new(&grid, &playing, 0);
        clearest(&strokes, &notes, &beats, &[], &Shifts::new(&notes, &beats, &|file_s| file_s))
    }

    #[test]
    fn on_and_off_that_change_places_with_the_chords_are_a_slip_by_half_a_beat() {
        let jump = found(true, true).unwrap();
        assert!((jump.by_s - 0.25).abs() < 1e-9, "{jump:?}");
        assert!((jump.between_s.1 - 16.1).abs() < 1.0, "{jump:?}");
        assert_eq!(found(false, true), None);
    }

    #[test]
    fn a_change_of_rhythm_under_unmoved_chords_is_no_slip() {
        assert_eq!(found(true, false), None);
    }
}
