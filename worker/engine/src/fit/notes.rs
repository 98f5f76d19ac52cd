//! Stroke by stroke: whether its pitch belongs to the chord of its pulse, and whether the strokes
//! that begin a bar are the loud ones. A chord's mean over many beats hardly moves when the take
//! is shifted by half a beat; the strokes beside each change of chord do.

use super::Grid;
use super::beats::BeatClock;
use super::events::strokes;
use super::harmony::{Spelling, dot, unit};
use super::pattern::log_sum;
use crate::onset::Playing;

/// A stroke is heard from here after its attack, when what rang before has sunk.
const SETTLED_S: f64 = 0.04;
/// And until the next one, or for so long at most.
const HELD_S: f64 = 0.6;
const SHORTEST_S: f64 = 0.08;
/// A stroke so little before a change of chord already belongs to the new one.
const EARLY_S: f64 = 0.06;
/// What rang before a stroke may hide its pitch, so that a change of chord seems to come later, and
/// the window that hears pitches is as long as two fast strokes, so that it may seem to come
/// earlier: by so much, with so much belief. Pitches part whole beats either way, and
/// half a beat in which they would come too early; what rings sounds like half a beat too late.
const RINGING: [(f64, f64); 5] =
    [(-0.06, 0.15), (0.0, 0.3), (0.04, 0.25), (0.08, 0.2), (0.12, 0.1)];
/// Fewer strokes say nothing.
const FEWEST: usize = 16;

/// The strokes of a take as heard.
pub(super) struct Notes {
    heard: Vec<Note>,
    /// Chord of each beat, without its mean and of unit length.
    chords: Vec<Option<[f64; 12]>>,
    bar_starts: Vec<usize>,
    spelling: Spelling,
    witness: f64,
}

struct Note {
    at_s: f64,
    /// Pitch classes, without their mean and of unit length; `None` for an unpitched stroke, and
    /// where all strokes sound the same.
    pitches: Option<[f64; 12]>,
    loud_db: f64,
}

impl Notes {
    /// `rotate` semitones are taken off what was heard, for a take at the wrong pitch.
    pub(super) fn new(grid: &Grid, playing: &Playing, rotate: usize) -> Self {
        let events = strokes(&playing.onsets, 0.0, playing.duration_s);
        let nexts = events.iter().skip(1).map(|next| next.at_s).chain([f64::INFINITY]);
        let heard = events.iter().zip(nexts).map(|(event, next_s)| {
            let to_s = next_s.min(event.at_s + HELD_S) - SETTLED_S;
            Note {
                at_s: event.at_s,
                pitches: pitches(playing, event.at_s + SETTLED_S, to_s, rotate),
                loud_db: loudness(playing, event.at_s),
            }
        });
        let mut heard: Vec<Note> = heard.collect();
        if is_all_the_same(&heard) {
            heard.iter_mut().for_each(|note| note.pitches = None);
        }
        Self {
            heard,
            chords: grid.chroma.iter().map(|row| unit(&row.map(f64::from))).collect(),
            bar_starts: grid.bar_starts.clone(),
            spelling: Spelling::new(),
            witness: WITNESS,
        }
    }

    /// Log likelihood of the strokes' pitches with file time laid by `piece_at`, against pitches
    /// that have nothing to do with the chart.
    pub(super) fn harmony(&self, beats: &BeatClock, piece_at: &dyn Fn(f64) -> f64) -> f64 {
        let each = RINGING.iter().map(|&(ringing_s, share)| {
            let agreements = self.agreements(beats, &|file_s| piece_at(file_s) - ringing_s);
            let known = agreements.iter().flatten().count();
            let agreement: f64 = agreements.iter().flatten().sum();
            let said = match known {
                known if known < FEWEST => 0.0,
                known => self.spelling.log_likelihood(agreement, known as f64, self.witness),
            };
            share.ln() + said
        });
        log_sum(each)
    }

    /// How many strokes there are.
    pub(super) fn count(&self) -> usize {
        self.heard.len()
    }

    /// File time of a stroke.
    pub(super) fn at_s(&self, stroke: usize) -> f64 {
        self.heard[stroke].at_s
    }

    /// The first stroke at a file time or later.
    pub(super) fn first_from(&self, at_s: f64) -> usize {
        self.heard.partition_point(|note| note.at_s < at_s - 1e-6)
    }

    /// How loud the stroke at a file time is.
    pub(super) fn loud_db_at(&self, at_s: f64) -> f64 {
        let last = self.heard.len().saturating_sub(1);
        self.heard.get(self.first_from(at_s).min(last)).map_or(0.0, |note| note.loud_db)
    }

    /// What each stroke's pitch says for a way to lay the take; 0 for one that says nothing.
    pub(super) fn log_likelihoods(
        &self,
        beats: &BeatClock,
        piece_at: &dyn Fn(f64) -> f64,
    ) -> Vec<f64> {
        let each = self.agreements(beats, piece_at).into_iter();
        each.map(|agreement| self.witness * SPELT * agreement.unwrap_or(0.0)).collect()
    }

    /// Learns from one way to lay the take how many independent witnesses its strokes are, by the
    /// correlation of their agreement from stroke to stroke.
    pub(super) fn weigh_witnesses(&mut self, beats: &BeatClock, piece_at: &dyn Fn(f64) -> f64) {
        let agreements: Vec<f64> = self.agreements(beats, piece_at).into_iter().flatten().collect();
        if agreements.len() < FEWEST {
            return;
        }
        let mean = agreements.iter().sum::<f64>() / agreements.len() as f64;
        let at_lag = |lag: usize| -> f64 {
            let pairs = agreements.iter().zip(agreements.iter().skip(lag));
            let products: f64 = pairs.map(|(a, b)| (a - mean) * (b - mean)).sum();
            products / (agreements.len() - lag) as f64
        };
        let alone = at_lag(0);
        if alone > 1e-6 {
            let shared: f64 = (1..=8).map(|lag| (at_lag(lag) / alone).max(0.0)).sum();
            self.witness = (1.0 / (1.0 + 2.0 * shared)).clamp(0.1, WITNESS);
        }
    }

    fn agreements(&self, beats: &BeatClock, piece_at: &dyn Fn(f64) -> f64) -> Vec<Option<f64>> {
        let agreement = |note: &Note| {
            let pitches = note.pitches.as_ref()?;
            let beat = beats.beat_at(piece_at(note.at_s) + EARLY_S).floor();
            let chord = (beat >= 0.0).then(|| self.chords.get(beat as usize)).flatten()?;
            Some(dot(chord.as_ref()?, pitches))
        };
        self.heard.iter().map(agreement).collect()
    }

    /// How far the part keeps beside the beat: 0 where at least every other stroke is on it, 1
    /// where none is.
    pub(super) fn beside_the_beat(&self, beats: &BeatClock, piece_at: &dyn Fn(f64) -> f64) -> f64 {
        let (mut on, mut all) = (0.0, 0.0);
        for note in &self.heard {
            let beat = beats.beat_at(piece_at(note.at_s));
            if beat > -0.25 && beat < beats.count() as f64 {
                on += f64::from((beat - beat.round()).abs() < 0.2);
                all += 1.0;
            }
        }
        if all < FEWEST as f64 { 0.0 } else { (1.0 - 2.5 * on / all).max(0.0) }
    }

    /// Log likelihood of where the loud strokes lie: players lean on the first beat of a bar, if
    /// on anything. `beside` is how far the part keeps beside the beat.
    pub(super) fn accents(
        &self,
        beats: &BeatClock,
        beside: f64,
        piece_at: &dyn Fn(f64) -> f64,
    ) -> f64 {
        let (first_at, leant) = if beside > 0.5 { (0.5, LEANT_BESIDE) } else { (0.0, LEANT) };
        let (mut firsts, mut others) = (Tally::default(), Tally::default());
        for note in &self.heard {
            let beat = beats.beat_at(piece_at(note.at_s));
            if beat < -0.25 || beat > beats.count() as f64 {
                continue;
            }
            let nearest = (2.0 * beat).round() / 2.0 - first_at;
            let whole = nearest.fract() == 0.0 && nearest >= 0.0;
            if whole && self.bar_starts.binary_search(&(nearest as usize)).is_ok() {
                firsts.add(note.loud_db);
            } else {
                others.add(note.loud_db);
            }
        }
        let (Some(first), Some(other)) = (firsts.moments(), others.moments()) else { return 0.0 };
        let sd = (first.1 + other.1).sqrt().max(0.05);
        lean(first.0 - other.0, sd, leant)
    }
}

/// Strokes of a single pitch beside a written chord agree or not almost at random: one is worth
/// about half of a witness.
const WITNESS: f64 = 0.5;
/// Concentration of a part that mostly plays the chords' own notes.
const SPELT: f64 = 4.0;
/// How often the first beat is leant on, and by how much, in decibels (common practice, no
/// source).
const LEANT: f64 = 0.6;
/// The same for the first stroke of a part that keeps beside the beat.
const LEANT_BESIDE: f64 = 0.2;
const LEAN_DB: f64 = 2.0;
/// A drum's fill or a melody's high note must not outweigh all else.
const MOST_LEAN: f64 = 3.0;

/// Log of the density of a measured difference of loudness, given its uncertainty, relative to
/// that of no lean at all.
fn lean(difference_db: f64, sd_db: f64, leant_on: f64) -> f64 {
    let density = |mean: f64, sd: f64| (-0.5 * ((difference_db - mean) / sd).powi(2)).exp() / sd;
    let plain_sd = sd_db.hypot(0.5);
    let plain = density(0.0, plain_sd);
    let leant = density(LEAN_DB, sd_db.hypot(1.2));
    let floor = density(0.0, plain_sd.max(3.0));
    let total = leant_on * leant + (0.95 - leant_on) * plain + 0.05 * floor;
    (total / (0.95 * plain + 0.05 * floor)).ln().clamp(-MOST_LEAN, MOST_LEAN)
}

#[derive(Default)]
struct Tally {
    count: f64,
    sum: f64,
    squares: f64,
}

impl Tally {
    fn add(&mut self, value: f64) {
        self.count += 1.0;
        self.sum += value;
        self.squares += value * value;
    }

    /// Mean, and the variance of the mean.
    fn moments(&self) -> Option<(f64, f64)> {
        if self.count < 8.0 {
            return None;
        }
        let mean = self.sum / self.count;
        Some((mean, (self.squares / self.count - mean * mean).max(0.0) / self.count))
    }
}

/// Length of the mean of the strokes' pitches, each of unit length, from which they are all the
/// same. Measured on sampled instruments: melodies 0.3 to 0.5, pads of whole chords up to 0.78,
/// drums 0.89.
const SAME: f64 = 0.85;

/// Whether all strokes sound the same. A drum or a drone says nothing of where in the piece it is,
/// however well it suits some of the chords.
fn is_all_the_same(heard: &[Note]) -> bool {
    let mut sum = [0.0; 12];
    let known = heard.iter().filter_map(|note| note.pitches).fold(0.0, |count, pitches| {
        sum.iter_mut().zip(pitches).for_each(|(sum, pitch)| *sum += pitch);
        count + 1.0
    });
    sum.iter().map(|sum| sum * sum).sum::<f64>().sqrt() > SAME * known
}

/// Pitch classes sounding between two file times.
fn pitches(playing: &Playing, from_s: f64, to_s: f64, rotate: usize) -> Option<[f64; 12]> {
    if to_s < from_s + SHORTEST_S || playing.chroma_hop_s <= 0.0 {
        return None;
    }
    let row = |time_s: f64| (time_s / playing.chroma_hop_s).max(0.0);
    let (from, to) = (row(from_s).ceil() as usize, row(to_s).floor() as usize);
    // A short stroke has the one row nearest to its middle.
    let (from, to) = if to < from {
        let middle = row(0.5 * (from_s + to_s)).round() as usize;
        (middle, middle)
    } else {
        (from, to)
    };
    let rows = playing.chroma.get(from..(to + 1).min(playing.chroma.len()))?;
    let mut sum = [0.0; 12];
    for row in rows {
        for (class, total) in sum.iter_mut().enumerate() {
            *total += f64::from(row[(class + rotate) % 12]);
        }
    }
    unit(&sum)
}

/// Level just after an attack.
fn loudness(playing: &Playing, at_s: f64) -> f64 {
    let from = ((at_s / playing.hop_s).max(0.0) as usize).min(playing.level_db.len());
    let to = (from + (0.08 / playing.hop_s) as usize + 1).min(playing.level_db.len());
    f64::from(playing.level_db[from..to].iter().copied().fold(-120.0, f32::max))
}

#[cfg(test)]
pub(super) mod tests {
    use super::super::harmony::tests::case;
    use super::*;
    use crate::onset::Onset;

    /// A take of even eighths, each of its chord; every fourth beat begins a bar and is leant on.
    pub(in crate::fit) fn eighths() -> (Grid, Playing) {
        let (mut grid, mut playing) = case();
        grid.bar_starts = (0..=64).step_by(4).collect();
        let onset = |k: usize| Onset { at_s: k as f64 * 0.25, strength: 5.0, sd_s: 0.001 };
        playing.onsets = (0..128).map(onset).collect();
        playing.level_db = (0..6_400).map(|k| if k % 400 < 40 { -12.0 } else { -16.0 }).collect();
        (grid, playing)
    }

    fn at(off_s: f64) -> (f64, f64) {
        let (grid, playing) = eighths();
        let beats = BeatClock::new(&grid.beats_s).unwrap();
        let notes = Notes::new(&grid, &playing, 0);
        let piece_at = |file_s: f64| file_s - off_s;
        let beside = notes.beside_the_beat(&beats, &piece_at);
        assert!(beside < 0.1, "half of the eighths are on the beat either way");
        (notes.harmony(&beats, &piece_at), notes.accents(&beats, beside, &piece_at))
    }

    #[test]
    fn whole_beats_and_half_a_beat_later_are_told_by_the_strokes_beside_each_change_of_chord() {
        for off_s in [-0.5, 0.25, 0.5] {
            assert!(at(0.0).0 > at(off_s).0 + 8.0, "{:?} {:?}", at(0.0), at(off_s));
        }
        // Half a beat earlier could be what rang.
        assert!(at(0.0).0 > at(-0.25).0);
    }

    #[test]
    fn the_strokes_that_are_leant_on_begin_the_bars() {
        for off_s in [-0.25, 0.25, 0.5] {
            assert!(at(0.0).1 > at(off_s).1 + 2.0, "{:?} {:?}", at(0.0), at(off_s));
        }
    }

    #[test]
    fn what_sounds_the_same_all_along_says_nothing_of_its_place() {
        let (grid, mut playing) = eighths();
        let mut drone = [0.0; 12];
        (drone[0], drone[7]) = (0.8, 0.2);
        playing.chroma.iter_mut().for_each(|row| *row = drone);
        let beats = BeatClock::new(&grid.beats_s).unwrap();
        let notes = Notes::new(&grid, &playing, 0);
        let at = |ratio: f64| notes.harmony(&beats, &|file_s| file_s * ratio);
        assert!((at(1.0) - at(0.5)).abs() < 1e-9, "{} {}", at(1.0), at(0.5));
    }
}
