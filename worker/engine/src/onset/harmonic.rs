//! Whether what sounds has a pitch: how much of its energy lies in harmonic series.
//!
//! A string, a pipe, a reed and a voice sound at whole multiples of a fundamental; a bar, a bell
//! and a membrane do not (N. Fletcher and T. Rossing, The Physics of Musical Instruments), and
//! hands and shakers have no lines at all. Of what is not harmonic neither tuning nor mode can be
//! told from its partials.

use crate::math::vectors::in_vectors;

/// One line of a spectrum.
#[derive(Debug, Clone, Copy)]
pub(super) struct Line {
    pub(super) hz: f32,
    /// Energy of the bins it fills.
    pub(super) energy: f32,
}

/// How far a take is made of pitched sound; medians over its loud moments.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Tonality {
    /// Share of the energy that lies in lines.
    pub lines: f32,
    /// Share of the energy that lies in harmonic series.
    pub harmonic: f32,
    /// Share of the lines' energy that lies in harmonic series.
    pub harmonic_of_lines: f32,
    /// How closely the lines agree on one tempered scale, at any tuning: 0 not at all, 1 wholly
    /// (the mean resultant length of circular statistics; K. Mardia and P. Jupp, Directional
    /// Statistics, section 2.3; from memory).
    pub agreement: f32,
}

/// Members of a series are looked for up to this multiple.
const MULTIPLES: usize = 10;

/// A series needs so many members; fewer are found by chance among a bell's partials.
const LEAST_MEMBERS: usize = 3;

/// Notes of a chord.
const SERIES: usize = 5;

/// A member lies within so much of its place, as a share of it: 14 cents, for the stiffness of a
/// string; and within this part of a bin.
const NEAR: f32 = 0.008;
const NEAR_BINS: f32 = 0.35;

/// Lines further below the strongest are left out.
const WEAK: f32 = 1e-4;

/// Lines looked at, strongest first.
const MOST_LINES: usize = 24;

/// No fundamental lies lower.
const LOWEST_HZ: f32 = 38.0;

/// Moments so far below the loud ones tell nothing.
const QUIET: f32 = 1e-3;

/// One moment.
#[derive(Clone, Copy)]
struct Moment {
    all: f32,
    lines: f32,
    harmonic: f32,
    /// Sum over the lines, each a vector of its amplitude's length at the angle of its place
    /// between two semitones; and the sum of the lengths.
    agreement: [f32; 2],
    size: f32,
    /// Fundamental and energy of the series, strongest first; 0 where there are fewer.
    series: [(f32, f32); SERIES],
}

/// Hears moment after moment.
pub(super) struct HarmonicMeter {
    bin_hz: f32,
    moments: Vec<Moment>,
}

impl HarmonicMeter {
    /// A meter for spectra whose bins are `bin_hz` wide.
    pub(super) fn new(bin_hz: f32) -> Self {
        Self { bin_hz, moments: Vec::new() }
    }

    /// Hears the lines of a moment whose energy is `all`.
    pub(super) fn hear(&mut self, lines: &mut Vec<Line>, all: f32) {
        let mut moment = Moment {
            all,
            lines: lines.iter().map(|line| line.energy).sum(),
            harmonic: 0.0,
            agreement: [0.0; 2],
            size: 0.0,
            series: [(0.0, 0.0); SERIES],
        };
        for line in &*lines {
            let (sin, cos) = (std::f32::consts::TAU * semitones(line.hz)).sin_cos();
            let length = line.energy.sqrt();
            moment.agreement[0] += length * cos;
            moment.agreement[1] += length * sin;
            moment.size += length;
        }
        lines.sort_by(|a, b| b.energy.total_cmp(&a.energy));
        let strongest = lines.first().copied();
        lines.truncate(MOST_LINES);
        lines.retain(|line| strongest.is_some_and(|most| line.energy > WEAK * most.energy));
        for series in &mut moment.series {
            let Some(best) = best_series(lines, self.bin_hz) else { break };
            *series = best;
            moment.harmonic += best.1;
            lines.retain(|line| multiple(line.hz, best.0, self.bin_hz).is_none());
        }
        if let (0.0, Some(line)) = (moment.harmonic, strongest) {
            // A pure tone is its own fundamental; whether it is one of a bell is not told here.
            moment.series[0] = (line.hz, line.energy);
        }
        self.moments.push(moment);
    }

    /// What the take is made of, and its notes with the tuning, in semitones, taken off.
    pub(super) fn finish(self, tuning: f64) -> (Tonality, Vec<[f32; 12]>) {
        let mut sizes: Vec<f32> = self.moments.iter().map(|moment| moment.all).collect();
        sizes.sort_by(f32::total_cmp);
        let loud = sizes.get(sizes.len() * 19 / 20).copied().unwrap_or(0.0);
        let least = QUIET * loud;
        let sounds = |moment: &&Moment| moment.all > least && moment.all > 0.0;
        let heard: Vec<Moment> = self.moments.iter().filter(sounds).copied().collect();
        let median = |of: &dyn Fn(&Moment) -> f32| {
            let mut values: Vec<f32> = heard.iter().map(of).collect();
            values.sort_by(f32::total_cmp);
            values.get(values.len() / 2).copied().unwrap_or(0.0)
        };
        let mut sum = [0.0f32; 2];
        for moment in heard.iter().filter(|moment| moment.size > 0.0) {
            sum[0] += moment.agreement[0] / moment.size;
            sum[1] += moment.agreement[1] / moment.size;
        }
        let tonality = Tonality {
            lines: median(&|moment| moment.lines / moment.all),
            harmonic: median(&|moment| moment.harmonic / moment.all),
            harmonic_of_lines: median(&|moment| moment.harmonic / moment.lines.max(1e-20)),
            agreement: sum[0].hypot(sum[1]) / heard.len().max(1) as f32,
        };
        let classes = |moment: &Moment| {
            if sounds(&moment) { moment.classes(tuning) } else { [0.0; 12] }
        };
        (tonality, self.moments.iter().map(classes).collect())
    }
}

impl Moment {
    /// The pitch classes of the series, each weighed by its amplitude.
    fn classes(&self, tuning: f64) -> [f32; 12] {
        let mut classes = [0.0f32; 12];
        for (hz, energy) in self.series.iter().filter(|series| series.0 > 0.0) {
            let nearest = (f64::from(semitones(*hz)) - tuning).round() as i64;
            classes[nearest.rem_euclid(12) as usize] += energy.sqrt();
        }
        let all: f32 = classes.iter().sum();
        if all > 0.0 {
            classes.iter_mut().for_each(|class| *class /= all);
        }
        classes
    }
}

/// The MIDI note number of a frequency, A4 = 440 Hz.
fn semitones(hz: f32) -> f32 {
    69.0 + 12.0 * (hz / 440.0).log2()
}

in_vectors! {
    /// Fundamental and energy of the series that holds most energy.
    fn best_series(lines: &[Line], bin_hz: f32) -> Option<(f32, f32)> {
        let mut best = None;
        for line in lines {
            for part in 1..=4 {
                let fundamental = line.hz / part as f32;
                if fundamental < LOWEST_HZ {
                    break;
                }
                let (mut members, mut energy) = ([false; MULTIPLES + 1], 0.0);
                for line in lines {
                    if let Some(multiple) = multiple(line.hz, fundamental, bin_hz) {
                        members[multiple] = true;
                        energy += line.energy;
                    }
                }
                let count = members.iter().filter(|there| **there).count();
                let last = members.iter().rposition(|there| *there).unwrap_or(0);
                // Where most are missing, or the first two, the fundamental is too low: anything is a
                // multiple of that.
                let dense = 2 * count > last && (members[1] || members[2]);
                if count >= LEAST_MEMBERS && dense && best.is_none_or(|(_, most)| energy > most) {
                    best = Some((fundamental, energy));
                }
            }
        }
        best
    }
}

/// Which multiple of a fundamental a line is.
#[inline]
fn multiple(hz: f32, fundamental: f32, bin_hz: f32) -> Option<usize> {
    let multiple = (hz / fundamental).round();
    let off = (hz - multiple * fundamental).abs();
    let near = off <= (NEAR * hz).max(NEAR_BINS * bin_hz);
    (near && (1.0..=MULTIPLES as f32).contains(&multiple)).then_some(multiple as usize)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lines(notes: &[f32], ratios: &[f32]) -> Vec<Line> {
        let of = |hz: f32| ratios.iter().map(move |ratio| (hz * ratio, 1.0 / ratio));
        notes.iter().flat_map(|hz| of(*hz)).map(|(hz, energy)| Line { hz, energy }).collect()
    }

    fn heard(lines: &[Line]) -> (Tonality, Vec<[f32; 12]>) {
        let mut meter = HarmonicMeter::new(2.9);
        let all = 1.05 * lines.iter().map(|line| line.energy).sum::<f32>();
        meter.hear(&mut lines.to_vec(), all);
        meter.finish(0.0)
    }

    const STRING: [f32; 6] = [1.0, 2.0, 3.0, 4.0, 5.002, 6.003];
    /// Flexural modes of a bar free at both ends, and of an ideal membrane (Fletcher & Rossing,
    /// sections 2.15 and 3.3; from memory).
    const BAR: [f32; 4] = [1.0, 2.756, 5.404, 8.933];
    const MEMBRANE: [f32; 6] = [1.0, 1.594, 2.136, 2.296, 2.653, 2.918];

    #[test]
    fn strings_and_chords_of_them_are_harmonic_and_bars_and_membranes_are_not() {
        let note = heard(&lines(&[196.0], &STRING)).0;
        assert!(note.harmonic > 0.9 && note.agreement > 0.8, "{note:?}");
        let chord = heard(&lines(&[196.0, 246.94, 293.66], &STRING)).0;
        assert!(chord.harmonic > 0.8, "{chord:?}");
        for ratios in [&BAR[..], &MEMBRANE[..]] {
            assert_eq!(heard(&lines(&[220.0], ratios)).0.harmonic, 0.0);
        }
    }

    #[test]
    fn notes_are_told_by_their_fundamentals_not_by_strong_partials() {
        // The fifth partial of B is the strongest: it is a D sharp, which nobody plays.
        let mut partials = lines(&[246.94], &STRING);
        partials[4].energy = 20.0;
        let notes = heard(&partials).1;
        assert!((notes[0][11] - 1.0).abs() < 1e-6, "{notes:?}");
    }
}
