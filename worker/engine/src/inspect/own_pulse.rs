//! The pulse that a player follows, and how far each note lies from it.
//!
//! A fit measures a note from the nearest quarter or third of a beat, so that one a third of a
//! beat off looks nearly right. Where nearly all notes lie on beats, or on half beats, every note
//! is measured from those instead. One that lies nearer to its neighbour's pulse is known by the
//! hole it leaves: its own pulse is the only one around that is not played.

use super::blunders::HEARD_MS;
use crate::fit::{Deviation, Fit};

/// Share of a player's notes that lie on beats, or on half beats, from which those are this
/// player's own pulse.
const ON_PULSE: f64 = 0.85;

/// A note holds its pulse unless it is heard as a mistake there, and never from further than this
/// share of the way to the next.
const HOLDS_SHARE: f64 = 0.3;

/// Pulses either way by which it is told whether a pulse is usually played, and the share of them
/// that must be.
const AROUND: usize = 8;
const USUALLY: f64 = 0.8;

/// Near the middle between two beats a note is an off-beat, not a mistake; in shares of a beat.
const OFF_BEAT: f64 = 0.12;

/// More notes than this away from the own pulse are a manner of playing, not mistakes.
const MOST_ASTRAY: f64 = 0.06;

/// The deviations of a take's notes from the pulse that the player follows, in order of time.
/// Strays are among them where it is clear what they belong to.
#[must_use]
pub fn from_own_pulse(fit: &Fit, beats_s: &[f64]) -> Vec<Deviation> {
    let Some(pulse) = OwnPulse::of(&fit.deviations, beats_s) else {
        return fit.deviations.clone();
    };
    let held = pulse.held(&fit.deviations);
    let believed = fit.deviations.iter();
    let believed = believed.map(|note| pulse.measured(note, &held).unwrap_or(*note));
    let strays = fit.strays.iter().filter_map(|note| pulse.measured(note, &held));
    let mut own: Vec<Deviation> = believed.chain(strays).collect();
    own.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    let astray = own.iter().filter(|note| note.residual_ms.abs() > HEARD_MS).count();
    if astray as f64 > MOST_ASTRAY * own.len() as f64 { fit.deviations.clone() } else { own }
}

/// The instants that a player plays at, in piece time.
struct OwnPulse {
    at_s: Vec<f64>,
    are_beats: bool,
}

impl OwnPulse {
    fn of(notes: &[Deviation], beats_s: &[f64]) -> Option<Self> {
        let halves = beats_s.windows(2).flat_map(|pair| [pair[0], 0.5 * (pair[0] + pair[1])]);
        let halves = halves.chain(beats_s.last().copied()).collect();
        let beats = Self { at_s: beats_s.to_vec(), are_beats: true };
        let halves = Self { at_s: halves, are_beats: false };
        [beats, halves].into_iter().find(|pulse| {
            let on = |note: &&Deviation| {
                pulse
                    .nearest(note.pulse_s)
                    .is_some_and(|(index, _)| (pulse.at_s[index] - note.pulse_s).abs() < 1e-3)
            };
            let share = notes.iter().filter(on).count() as f64 / notes.len().max(1) as f64;
            share >= ON_PULSE
        })
    }

    /// The pulse nearest to a moment, and the one on the moment's other side.
    fn nearest(&self, s: f64) -> Option<(usize, usize)> {
        let after = self.at_s.partition_point(|at| *at <= s).clamp(1, self.at_s.len().max(2) - 1);
        let (early, late) = (self.at_s.get(after - 1)?, self.at_s.get(after)?);
        Some(if s - early < late - s { (after - 1, after) } else { (after, after - 1) })
    }

    /// Which note plays each pulse, by its moment in the file: the nearest of those that are near.
    fn held(&self, notes: &[Deviation]) -> Vec<Option<f64>> {
        let mut held = vec![None; self.at_s.len()];
        let mut nearest_s = vec![f64::INFINITY; self.at_s.len()];
        for note in notes {
            let Some((near, far)) = self.nearest(played_s(note)) else { continue };
            let off_s = (played_s(note) - self.at_s[near]).abs();
            let limit_s = (HOLDS_SHARE * self.step_s(near, far)).min(HEARD_MS * 1e-3);
            if off_s <= limit_s && off_s < nearest_s[near] {
                (held[near], nearest_s[near]) = (Some(note.at_s), off_s);
            }
        }
        held
    }

    fn step_s(&self, near: usize, far: usize) -> f64 {
        (self.at_s[far] - self.at_s[near]).abs()
    }

    /// The note as it lies to the pulse that it belongs to, where that is clear.
    fn measured(&self, note: &Deviation, held: &[Option<f64>]) -> Option<Deviation> {
        let s = played_s(note);
        let (near, far) = self.nearest(s)?;
        let from = |index: usize| {
            let pulse_s = self.at_s[index];
            Deviation { pulse_s, residual_ms: (s - pulse_s) * 1e3, ..*note }
        };
        if held[near] == Some(note.at_s) {
            return Some(from(near));
        }
        let is_open = |index: usize| held[index].is_none() && is_amid(index, held);
        let is_hole = |index: &usize| is_open(*index) && self.is_usual(*index, held);
        if let Some(hole) = [near, far].into_iter().find(is_hole) {
            return Some(from(hole));
        }
        let off = (s - self.at_s[near]).abs() / self.step_s(near, far);
        let mistaken = self.are_beats && is_open(near) && (off - 0.5).abs() > OFF_BEAT;
        mistaken.then(|| from(near))
    }

    /// Whether the pulses around are nearly all played.
    fn is_usual(&self, index: usize, held: &[Option<f64>]) -> bool {
        let around = index.saturating_sub(AROUND)..(index + AROUND + 1).min(held.len());
        let others = around.len() - 1;
        let played = held[around].iter().flatten().count();
        others >= AROUND && played as f64 >= USUALLY * others as f64
    }
}

/// Whether there is playing before and after a pulse. What is heard beyond the first or the last
/// note, a click or the mark, is no note that missed it.
fn is_amid(index: usize, held: &[Option<f64>]) -> bool {
    let before = index.saturating_sub(AROUND)..index;
    let after = index + 1..(index + 1 + AROUND).min(held.len());
    [before, after].into_iter().all(|side| held[side].iter().any(Option::is_some))
}

fn played_s(note: &Deviation) -> f64 {
    note.pulse_s + note.residual_ms * 1e-3
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::Basis;

    const BEAT_S: f64 = 0.5;

    /// A fit of notes at these moments of the piece, in seconds, each measured from the nearest
    /// quarter of a beat; those in `strays` belong to none.
    fn fit(notes: &[f64], strays: &[f64]) -> Fit {
        let measured = |s: &f64| {
            let pulse_s = (s / BEAT_S * 4.0).round() / 4.0 * BEAT_S;
            Deviation { at_s: 3.0 + s, pulse_s, residual_ms: (s - pulse_s) * 1e3 }
        };
        Fit {
            bar1_beat1_s: 3.0,
            bar1_beat1_sd_s: 0.0,
            ratio_ppm: 0.0,
            ratio_sd_ppm: 0.0,
            lag_ms: Some(0.0),
            lag_sd_ms: None,
            spread_ms: Some(10.0),
            basis: Basis::MarkAndPlaying,
            certain: true,
            candidates: Vec::new(),
            findings: Vec::new(),
            deviations: notes.iter().map(measured).collect(),
            strays: strays.iter().map(measured).collect(),
        }
    }

    fn beats() -> Vec<f64> {
        (0..40).map(|beat| f64::from(beat) * BEAT_S).collect()
    }

    /// Every pulse of `step_s` but `missing`.
    fn all_but(step_s: f64, missing: usize) -> Vec<f64> {
        let count = (19.0 / step_s) as usize;
        (0..count).filter(|n| *n != missing).map(|n| n as f64 * step_s).collect()
    }

    fn astray(fit: &Fit) -> Vec<(f64, f64)> {
        let own = from_own_pulse(fit, &beats());
        let far = own.iter().filter(|note| note.residual_ms.abs() > HEARD_MS);
        far.map(|note| (note.pulse_s, note.residual_ms.round())).collect()
    }

    #[test]
    fn a_note_beside_its_neighbours_pulse_belongs_to_the_hole_it_left() {
        // Eighths every 250 ms: 180 ms late is 70 ms before the next.
        let late = fit(&all_but(0.25, 21), &[21.0 * 0.25 + 0.18]);
        assert_eq!(astray(&late), [(21.0 * 0.25, 180.0)]);
        let early = fit(&all_but(0.25, 30), &[30.0 * 0.25 - 0.15]);
        assert_eq!(astray(&early), [(30.0 * 0.25, -150.0)]);
        // On beats alone, near the middle between two of them.
        let late = fit(&all_but(0.5, 12), &[12.0 * 0.5 + 0.22]);
        assert_eq!(astray(&late), [(6.0, 220.0)]);
    }

    #[test]
    fn a_stray_that_leaves_no_hole_is_nobodys_mistake() {
        let flam = fit(&all_but(0.25, 99), &[21.0 * 0.25 - 0.07]);
        assert_eq!(astray(&flam), []);
        assert_eq!(from_own_pulse(&flam, &beats()).len(), flam.deviations.len());
    }

    #[test]
    fn what_sounds_before_the_first_and_after_the_last_note_is_no_mistake() {
        // The beat at 19.5 s is the double bar: nothing is played there.
        let notes: Vec<f64> = (4..39).map(|n| f64::from(n) * BEAT_S).collect();
        for noise in [21.2, 19.38, 19.72, 1.38, -1.5] {
            assert_eq!(astray(&fit(&notes, &[noise])), [], "{noise}");
        }
        let late = fit(&[&notes[..33], &notes[34..]].concat(), &[notes[33] + 0.15]);
        assert_eq!(astray(&late), [(notes[33], 150.0)]);
    }

    #[test]
    fn an_off_beat_is_none_and_a_part_with_rests_has_no_holes() {
        let mut notes = all_but(0.5, 99);
        notes.push(7.26);
        assert_eq!(astray(&fit(&notes, &[])), []);
        // One note in three beats: what lies between may be anything.
        let sparse: Vec<f64> = (0..12).map(|n| f64::from(n) * 1.5).collect();
        assert_eq!(astray(&fit(&sparse, &[5.23])), []);
        let every_other: Vec<f64> = (0..19).map(f64::from).collect();
        assert_eq!(astray(&fit(&every_other, &[5.27])), []);
    }

    #[test]
    fn a_manner_of_playing_is_no_mistake() {
        let mut notes = all_but(0.5, 99);
        let late = notes.iter_mut().step_by(5);
        late.for_each(|note| *note += 0.15);
        assert_eq!(from_own_pulse(&fit(&notes, &[]), &beats()), fit(&notes, &[]).deviations);
    }
}
