//! Slipped edits in a part that holds its chords: from somewhere on the harmony changes some beats
//! away from where the chart has it, whatever is struck when.

use super::harmony::Harmony;
use super::track::Jump;
use std::ops::RangeInclusive;

/// Shifts looked at, in quarters of a beat to either side.
const MOST_QUARTERS: i32 = 16;
const SHIFTS: usize = 2 * MOST_QUARTERS as usize + 1;
const UNMOVED: usize = MOST_QUARTERS as usize;
/// Chords swell late or ring on: they may seem to lie so many quarters of a beat off.
const SWELL_QUARTERS: usize = 1;
/// Smaller slips are hidden by that.
const LEAST_QUARTERS: usize = 4;
/// A slip must explain the harmony better than any one place by so many nats …
const CLEAR: f64 = 4.0;
/// … and the chords to either side must speak for it with one voice: their mean in standard errors.
/// A melody's notes fit now one place better, now another. In 110 clean takes of sampled
/// instruments nothing came above 2.5; slips of held chords by a beat and more lay from 2.8 to 5.8.
const OF_ONE_VOICE: f64 = 3.4;
/// So many chords at least lie to either side.
const FEWEST: usize = 6;

/// What the chords of a take say once all of it, or all from some chord on, is shifted.
pub(super) struct ChordShifts {
    quarter_s: f64,
    /// Where in the file each chord begins and ends, of those that sound wherever they are looked
    /// for.
    borders_s: Vec<(f64, f64)>,
    /// What all chords before each of them say for each shift; one row more than chords.
    before: Vec<[f64; SHIFTS]>,
}

/// A change from one shift to another, before the chord `at`.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Slip {
    at: usize,
    from: usize,
    to: usize,
    /// Nats by which it is likelier than the likeliest place for all.
    gain: f64,
}

impl ChordShifts {
    /// For a take that has an instant of the piece at `file_at`.
    pub(super) fn new(harmony: &Harmony, beat_s: f64, file_at: &dyn Fn(f64) -> f64) -> Self {
        let quarter_s = 0.25 * beat_s;
        let spelt = harmony.spelt(file_at);
        let said: [Vec<Option<f64>>; SHIFTS] = std::array::from_fn(|shift| {
            let by_s = f64::from(shift as i32 - MOST_QUARTERS) * quarter_s;
            harmony.each_chord(spelt, &|piece_s| file_at(piece_s) + by_s)
        });
        let added = |mut sums: [f64; SHIFTS], chord: usize| -> Option<[f64; SHIFTS]> {
            for (sum, said) in sums.iter_mut().zip(&said) {
                *sum += said[chord]?;
            }
            Some(sums)
        };
        let mut shifts = Self { quarter_s, borders_s: Vec::new(), before: vec![[0.0; SHIFTS]] };
        for (chord, borders_s) in harmony.borders_s().enumerate() {
            let last = shifts.before[shifts.before.len() - 1];
            let Some(sums) = added(last, chord) else { continue };
            shifts.before.push(sums);
            shifts.borders_s.push((file_at(borders_s.0), file_at(borders_s.1)));
        }
        shifts
    }

    /// The clearest slip, if there is one, to the nearest half beat.
    pub(super) fn clearest(&self) -> Option<Jump> {
        let far = |(from, to): &(usize, usize)| from.abs_diff(*to) >= LEAST_QUARTERS;
        let pairs = (0..SHIFTS).flat_map(|from| (0..SHIFTS).map(move |to| (from, to))).filter(far);
        let slip = self.likeliest(pairs, 0..=self.borders_s.len())?;
        let (from, to) = (slip.from, slip.to);
        let (before, after) =
            (self.voice(0..slip.at, from, to), self.voice(slip.at..self.borders_s.len(), to, from));
        let halves = (0.5 * (to as f64 - from as f64)).round();
        (slip.gain > CLEAR && before.min(after) > OF_ONE_VOICE).then(|| Jump {
            between_s: (self.borders_s[slip.at - 1].0, self.borders_s[slip.at].1),
            by_s: 2.0 * halves * self.quarter_s,
        })
    }

    /// By how much likelier it makes the harmony if all from about a file time on came so many half
    /// beats late than any one place for all; 0 where too few chords lie to either side.
    pub(super) fn gain(&self, halves: i32, at_s: f64) -> f64 {
        let moved = UNMOVED as i32 + 2 * halves;
        let near = |shift: i32| {
            let swell = SWELL_QUARTERS as i32;
            let within = (shift - swell).max(0)..=(shift + swell).min(SHIFTS as i32 - 1);
            within.map(|shift| shift as usize)
        };
        let pairs = near(UNMOVED as i32).flat_map(|from| near(moved).map(move |to| (from, to)));
        let at = self.borders_s.partition_point(|borders_s| borders_s.1 < at_s);
        let slip = self.likeliest(pairs, at.saturating_sub(1)..=at + 1);
        slip.map_or(0.0, |slip| slip.gain)
    }

    /// How many standard errors the mean of what these chords say for one shift rather than another
    /// lies above nothing.
    fn voice(&self, chords: std::ops::Range<usize>, shift: usize, other: usize) -> f64 {
        let count = chords.len() as f64;
        let said = chords.map(|chord| {
            let of = |shift: usize| self.before[chord + 1][shift] - self.before[chord][shift];
            of(shift) - of(other)
        });
        let mean = said.clone().sum::<f64>() / count;
        let variance = said.map(|value| (value - mean).powi(2)).sum::<f64>() / count;
        mean / (variance / count).max(f64::MIN_POSITIVE).sqrt()
    }

    /// The likeliest slip away from the line or back to it, of these pairs of shifts and before one
    /// of these chords.
    fn likeliest(
        &self,
        pairs: impl Iterator<Item = (usize, usize)>,
        chords: RangeInclusive<usize>,
    ) -> Option<Slip> {
        let last = self.borders_s.len().checked_sub(FEWEST)?;
        let gaps = FEWEST.max(*chords.start())..=last.min(*chords.end());
        let all = self.before[self.before.len() - 1];
        let unslipped = all.iter().copied().fold(f64::MIN, f64::max);
        let on_line = |shift: usize| shift.abs_diff(UNMOVED) <= SWELL_QUARTERS;
        let pairs = pairs.filter(|&(from, to)| on_line(from) || on_line(to));
        let slips = pairs.flat_map(|(from, to)| {
            gaps.clone().filter_map(move |at| {
                let (before, after) = (self.before[at][from], all[to] - self.before[at][to]);
                // What clashes with the chart wherever it is laid says nothing of its place.
                let fits = before > 0.0 && after > 0.0;
                fits.then_some(Slip { at, from, to, gain: before + after - unslipped })
            })
        });
        slips.max_by(|a, b| a.gain.total_cmp(&b.gain))
    }
}

#[cfg(test)]
mod tests {
    use super::super::beats::BeatClock;
    use super::super::harmony::tests::case;
    use super::*;

    /// What the chords say once those after the middle come so many beats late.
    fn shifts(late_beats: f64) -> ChordShifts {
        let (grid, mut playing) = case();
        let as_played = playing.chroma.clone();
        let middle = as_played.len() / 2;
        let rows = (late_beats * 0.5 / playing.chroma_hop_s).round() as usize;
        for row in middle..as_played.len() {
            playing.chroma[row] = as_played[(row - rows).max(middle - 1)];
        }
        let beats = BeatClock::new(&grid.beats_s).unwrap();
        let harmony = Harmony::new(&grid, &beats, &playing, 0);
        ChordShifts::new(&harmony, beats.beat_s(), &|piece_s| piece_s)
    }

    #[test]
    fn chords_that_change_late_from_somewhere_on_are_a_slip() {
        assert_eq!(shifts(0.0).clearest(), None);
        for late_beats in [1.0, 1.8, 2.0, 3.0] {
            let jump = shifts(late_beats).clearest().unwrap();
            assert!((jump.by_s - 0.5 * late_beats).abs() < 0.15, "{jump:?}, {late_beats} beats");
            assert!(jump.between_s.0 < 16.2 && jump.between_s.1 > 15.8, "{jump:?}");
        }
    }

    #[test]
    fn chords_confirm_a_slip_where_it_is_and_no_other() {
        let late = shifts(2.0);
        assert!(late.gain(4, 16.2) > CLEAR, "{}", late.gain(4, 16.2));
        for (halves, at_s) in [(4, 26.0), (-4, 16.2), (2, 16.2)] {
            assert!(late.gain(halves, at_s) < late.gain(4, 16.2) - CLEAR, "{halves} at {at_s}");
        }
        assert!(shifts(0.0).gain(4, 16.2) < 0.5);
    }

    #[test]
    fn a_take_whose_chords_disagree_among_themselves_has_not_slipped() {
        let chords = 40;
        // Twice as many nats for a slip by two beats as a clear one needs, all from four chords.
        let mut shifts = ChordShifts {
            quarter_s: 0.125,
            borders_s: (0..chords).map(|k| (f64::from(k), f64::from(k + 1))).collect(),
            before: vec![[0.0; SHIFTS]],
        };
        for chord in 0..chords {
            let mut sums = shifts.before[shifts.before.len() - 1];
            let right = if chord < 20 { UNMOVED } else { UNMOVED + 8 };
            sums.iter_mut().for_each(|sum| *sum += 1.0);
            sums[right] += if chord % 10 == 0 { 4.0 } else { 0.0 };
            shifts.before.push(sums);
        }
        assert_eq!(shifts.clearest(), None);
        // The same spread over all of them.
        for (chord, row) in shifts.before.iter_mut().enumerate() {
            let (early, late) = (chord.min(20), chord.saturating_sub(20));
            *row = [chord as f64; SHIFTS];
            row[UNMOVED] += 0.4 * early as f64;
            row[UNMOVED + 8] += 0.4 * late as f64;
        }
        assert!(shifts.clearest().is_some_and(|jump| (jump.by_s - 1.0).abs() < 1e-9));
    }
}
