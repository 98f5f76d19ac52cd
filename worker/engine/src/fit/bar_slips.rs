//! Edits that slipped by some beats, heard by the rhythm: what was struck on the first of each bar
//! is, from somewhere on, struck on the second, and so are the accents.

use super::Grid;
use super::beats::BeatClock;
use super::chord_slips::ChordShifts;
use super::events::median;
use super::line::Stroke;
use super::notes::Notes;
use super::shifts::{MOST_HALVES, Shifts};
use super::track::Jump;

/// Rhythm and pitch together must speak for a slip by so many nats …
const CLEAR: f64 = 16.0;
/// … and pitch by so many of them, …
const PITCHES: f64 = 5.0;
/// … or the rhythm so clearly that pitches against it do not matter, away from the sections'
/// borders, where players do begin another rhythm. In 8 clean takes that strike every beat alike
/// and 18 of other rhythms nothing came above 5.1; slips of the former lay from 19 to 49.
const RHYTHM_ALONE: f64 = 20.0;
/// The rhythm must say so much before the chords as a whole can confirm it.
const CONFIRMED: f64 = 6.0;
/// Who plays to the end ends there, not some beats early or late: by so many nats (common
/// practice, no source: about one take in twenty ends elsewhere).
const END: f64 = 3.0;
const BORDER_BEATS: f64 = 3.0;
/// Who begins another rhythm is as late as before, but for so much; an edit is not cut to the beat.
const OTHER_LAG_S: f64 = 0.025;
/// So many strokes at least lie to either side.
const FEWEST: usize = 12;
/// Strokes less sure of their pulse say nothing.
const LEAST_TRUST: f64 = 0.3;
/// The louder part of a take's strokes: accents are among them.
const LOUD: f64 = 0.7;

/// The clearest slip, if there is one; none where the bars are not alike.
pub(super) fn clearest(
    strokes: &[Stroke],
    notes: &Notes,
    beats: &BeatClock,
    grid: &Grid,
    shifts: &Shifts,
    chords: &ChordShifts,
) -> Option<Jump> {
    let halves_a_bar = halves_a_bar(&grid.bar_starts)?;
    let struck: Vec<&Stroke> = strokes.iter().filter(|s| s.trust >= LEAST_TRUST).collect();
    if struck.len() < 2 * FEWEST {
        return None;
    }
    let rhythm = Rhythm::of(&struck, notes, beats, halves_a_bar);
    // Small ones first: rhythm can't tell those from one another that differ by a bar.
    let looked_at = (1..=MOST_HALVES).flat_map(|halves| [halves, -halves]);
    let looked_at = looked_at.filter(|halves| halves % halves_a_bar as i32 != 0);
    let last = beats.beat_at(struck[struck.len() - 1].pulse_s);
    let halves_to_end = 2.0 * (beats.beat_at(beats.end_s()) - last);
    let mut best: Option<(f64, Jump)> = None;
    for halves in looked_at {
        let ending = rhythm.ending(halves_to_end, halves);
        let pitches = shifts.gains_to_end(halves);
        let said = rhythm.slips(halves).map(|(gap, rhythm)| {
            let first = notes.first_from(struck[gap].at_s);
            let pitch = pitches[first] - pitches[0].max(0.0);
            // A drum's pitch fits the chart by chance alone: it says nothing against a slip.
            let heeded = pitch > 0.0 || shifts.fits_before(first);
            let struck_pitch = if heeded { pitch } else { 0.0 };
            // Held chords tell of a slip where their first moment does not. A melody's may be wrong
            // for long, though: they confirm what the rhythm says, and count for no more than that.
            let held = if rhythm > CONFIRMED { chords.gain(halves, struck[gap].at_s) } else { 0.0 };
            (gap, rhythm, struck_pitch.max(held.min(rhythm)))
        });
        let Some((gap, rhythm, pitch)) = said.max_by(|a, b| (a.1 + a.2).total_cmp(&(b.1 + b.2)))
        else {
            continue;
        };
        let (before, after) = (struck[gap - 1], struck[gap]);
        let by_pitch = pitch > PITCHES && rhythm > 0.0;
        let alone = rhythm + pitch.min(0.0) + ending > RHYTHM_ALONE
            && (!beats.is_near_border(after.pulse_s, &grid.sections, BORDER_BEATS)
                || lag_changes(&struck, gap));
        let total = rhythm + pitch;
        if total > best.map_or(CLEAR, |best| best.0) && (by_pitch || alone) {
            let between_s = (before.at_s, after.at_s);
            best = Some((total, Jump { between_s, by_s: shifts.seconds(halves) }));
        }
    }
    best.map(|best| best.1)
}

/// Whether what is played after a gap lies otherwise to its pulses than what is played before.
fn lag_changes(struck: &[&Stroke], gap: usize) -> bool {
    let lag =
        |strokes: &[&Stroke]| median(strokes.iter().map(|stroke| stroke.residual_s).collect());
    let (before, after) = struck.split_at(gap);
    (lag(&before[gap.saturating_sub(2 * FEWEST)..]) - lag(&after[..after.len().min(2 * FEWEST)]))
        .abs()
        > OTHER_LAG_S
}

/// Half beats in a bar, where all bars have as many.
fn halves_a_bar(bar_starts: &[usize]) -> Option<usize> {
    let mut lengths = bar_starts.windows(2).map(|pair| pair[1] - pair[0]);
    let first = lengths.next()?;
    lengths.all(|length| length == first).then_some(2 * first)
}

/// Where in the bar each stroke lies, in half beats, and whether it is a loud one.
struct Rhythm {
    places: Vec<(usize, usize)>,
    halves_a_bar: usize,
}

impl Rhythm {
    fn of(struck: &[&Stroke], notes: &Notes, beats: &BeatClock, halves_a_bar: usize) -> Self {
        let loud: Vec<f64> = struck.iter().map(|stroke| notes.loud_db_at(stroke.at_s)).collect();
        let mut sorted = loud.clone();
        sorted.sort_by(f64::total_cmp);
        let limit_db = sorted[((sorted.len() as f64 * LOUD) as usize).min(sorted.len() - 1)];
        let place = |(stroke, loud_db): (&&Stroke, f64)| {
            let halves = (2.0 * beats.beat_at(stroke.pulse_s)).round() as i64;
            let place = halves.rem_euclid(halves_a_bar as i64) as usize;
            (place, usize::from(loud_db >= limit_db))
        };
        Self { places: struck.iter().zip(loud).map(place).collect(), halves_a_bar }
    }

    /// What the last stroke, so many half beats before the end of the piece, says for a slip: it
    /// should lie where the last of a bar's usual strokes does.
    fn ending(&self, halves_to_end: f64, halves: i32) -> f64 {
        let mut counts = vec![0; self.halves_a_bar];
        for (place, _) in &self.places {
            counts[*place] += 1;
        }
        let usual = counts.iter().max().copied().unwrap_or(0) / 2;
        let last = counts.iter().rposition(|count| *count > usual).unwrap_or(0);
        let expected = (self.halves_a_bar - last) as f64;
        let ends = |halves_to_end: f64| f64::from((halves_to_end - expected).abs() < 0.5);
        END * (ends(halves_to_end + f64::from(halves)) - ends(halves_to_end))
    }

    /// For each gap between strokes how much likelier one rhythm is throughout if all that follows
    /// came so many half beats late; only where the two parts then are one rhythm.
    fn slips(&self, halves: i32) -> impl Iterator<Item = (usize, f64)> + '_ {
        let halves_a_bar = self.halves_a_bar;
        let count = 2 * halves_a_bar;
        let slot = |(place, loud): (usize, usize)| 2 * place + loud;
        let back = move |(place, loud): (usize, usize)| {
            let moved = (place as i64 - i64::from(halves)).rem_euclid(halves_a_bar as i64);
            slot((moved as usize, loud))
        };
        let (mut before, mut after) = (vec![0.0; count], vec![0.0; count]);
        let mut whole = vec![0.0; count];
        for &place in &self.places {
            after[back(place)] += 1.0;
            whole[slot(place)] += 1.0;
        }
        let unslipped = log_likelihood(&whole);
        let last = self.places.len().saturating_sub(FEWEST);
        self.places.iter().enumerate().filter_map(move |(gap, &place)| {
            let here = (gap >= FEWEST && gap <= last).then(|| {
                let both: Vec<f64> = before.iter().zip(&after).map(|(a, b)| a + b).collect();
                let slipped = log_likelihood(&both);
                let apart = log_likelihood(&before) + log_likelihood(&after);
                // Two rhythms explain as much with so many more shares to choose (Schwarz, Annals
                // of Statistics 6, 1978).
                let used = both.iter().filter(|count| **count > 0.0).count() as f64;
                let one_rhythm = apart - slipped < 0.5 * used * (self.places.len() as f64).ln();
                (gap, if one_rhythm { slipped - unslipped } else { 0.0 })
            });
            before[slot(place)] += 1.0;
            after[back(place)] -= 1.0;
            here
        })
    }
}

/// Log likelihood of strokes counted by place at the shares that fit them best.
fn log_likelihood(counts: &[f64]) -> f64 {
    let total: f64 = counts.iter().sum();
    let some = counts.iter().filter(|count| **count > 0.0);
    some.map(|count| count * (count / total).ln()).sum()
}

#[cfg(test)]
mod tests {
    use super::super::harmony::Harmony;
    use super::super::notes::tests::eighths;
    use super::*;

    /// What is found in a drum's part that strikes these half beats of each four-beat bar, of which all
    /// after the middle comes so much later.
    fn found(places: &[usize], later: &[usize], by_halves: usize) -> Option<Jump> {
        found_among(Vec::new(), places, later, by_halves, 0.0)
    }

    /// The same in a piece of these sections, where it also lies so far off its pulses from then on.
    fn found_among(
        sections: Vec<(f64, f64)>,
        places: &[usize],
        later: &[usize],
        by_halves: usize,
        off_s: f64,
    ) -> Option<Jump> {
        let (mut grid, mut playing) = eighths();
        grid.sections = sections;
        playing.chroma.iter_mut().for_each(|row| *row = [1.0; 12]);
        let beats = BeatClock::new(&grid.beats_s).unwrap();
        let notes = Notes::new(&grid, &playing, 0);
        let half_s = 0.5 * beats.beat_s();
        let strokes: Vec<Stroke> = (0..2 * beats.count())
            .filter(|k| if *k < 66 { places } else { later }.contains(&(k % 8)))
            .map(|k| if k < 66 { (k, 0.0) } else { (k + by_halves, off_s) })
            .map(|(halves, off_s)| Stroke::at(halves as f64 * half_s, off_s))
            .collect();
        let shifts = Shifts::new(&notes, &beats, &|file_s| file_s);
        let harmony = Harmony::new(&grid, &beats, &playing, 0);
        let chords = ChordShifts::new(&harmony, beats.beat_s(), &|piece_s| piece_s);
        clearest(&strokes, &notes, &beats, &grid, &shifts, &chords)
    }

    #[test]
    fn a_rhythm_that_goes_on_elsewhere_in_the_bar_is_a_slip() {
        let places = [0, 3, 4];
        assert_eq!(found(&places, &places, 0), None);
        let jump = found(&places, &places, 2).unwrap();
        assert!(
            (jump.by_s - 0.5).abs() < 1e-9 && (jump.between_s.1 - 16.5).abs() < 1.1,
            "{jump:?}"
        );
    }

    #[test]
    fn a_section_may_begin_another_rhythm() {
        let places = [0, 3, 4];
        let bordered_at = |at_s: f64| vec![(0.0, at_s), (at_s, 32.0)];
        let found = |at_s, off_s| found_among(bordered_at(at_s), &places, &places, 2, off_s);
        assert_eq!(found(16.0, 0.0), None);
        assert!(found(8.0, 0.0).is_some());
        assert!(found(16.0, 0.04).is_some(), "but hardly with another lag");
    }

    #[test]
    fn a_last_stroke_on_the_bar_s_last_beat_speaks_for_where_it_lies() {
        let places = (0..40).flat_map(|_| [0, 2, 4, 6]).map(|place| (place, 0)).collect();
        let rhythm = Rhythm { places, halves_a_bar: 8 };
        assert_eq!(rhythm.ending(2.0, 4), -END, "it ends there as it lies");
        assert_eq!(rhythm.ending(-2.0, 4), END, "it would end there two beats earlier");
        assert_eq!(rhythm.ending(4.0, -2), END, "it would end there a beat later");
        assert_eq!(rhythm.ending(60.0, 4), 0.0, "it ends in the midst of the piece");
    }

    #[test]
    fn another_rhythm_is_no_slip() {
        let bars = |places: &[usize]| (0..40).flat_map(|_| places.to_vec()).collect::<Vec<_>>();
        let best = |later: &[usize]| {
            let places = bars(&[0, 4]).into_iter().chain(bars(later)).map(|place| (place, 0));
            let rhythm = Rhythm { places: places.collect(), halves_a_bar: 8 };
            rhythm.slips(2).map(|slip| slip.1).fold(0.0, f64::max)
        };
        assert!(best(&[2, 6]) > 50.0);
        assert!(best(&[2, 6, 7]) < CLEAR, "{}", best(&[2, 6, 7]));
        assert_eq!(found(&[0, 2, 4, 6], &[0, 2, 4, 6], 2), None, "every beat looks like the next");
    }
}
