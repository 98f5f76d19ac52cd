//! Gentle timing repair, off unless asked for.
//!
//! Looseness is the point: easing moves what listeners hear as a blunder, and, if asked, draws
//! everything a little towards the player's own mean. It bends the time map between notes. Where
//! a note sounds the bend is too small to be heard as pitch; larger steps fall into the gaps
//! where nothing sounds. What neither allows is left as it was played.

use crate::fit::{Deviation, Fit};
use crate::inspect::{from_own_pulse, is_blunder};
use crate::onset::Playing;
use crate::resample::TimeMap;

/// What may be moved.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Easing {
    /// Whether notes are moved that are heard as blunders.
    pub blunders: bool,
    /// How far every other note is drawn to its pulse: 0 leaves it, and at most 0.5.
    pub strength: f64,
}

/// What easing did.
#[derive(Debug, Clone, PartialEq)]
pub struct Eased {
    /// The map to lay the take by; equal to the one given where nothing was moved.
    pub map: TimeMap,
    /// Notes that were moved by more than a millisecond.
    pub moved: usize,
    /// Robust standard deviation about the pulses before and after, in milliseconds.
    pub spread_before_ms: f64,
    /// After easing.
    pub spread_after_ms: f64,
    /// Root mean square of the deviations before, in milliseconds: this one feels blunders.
    pub rms_before_ms: f64,
    /// After easing.
    pub rms_after_ms: f64,
}

/// Speed change that may sound: 5 cents, the least that is noticed (2^(5/1200) − 1).
const SOUNDING: f64 = 0.002_89;

/// So much of a gap may be skipped; it may be made as long as is needed.
const SKIPPED: f64 = 0.7;

/// A note keeps its own time from so long before its attack.
const BEFORE_ATTACK_S: f64 = 0.015;

/// A gap lies so far below the loud tenth of the take.
const GAP_DB: f32 = 40.0;

/// Gaps shorter than this are left alone.
const LEAST_GAP_S: f64 = 0.02;

/// Passes over the notes; each can only bring a shift nearer to what is wanted.
const PASSES: usize = 12;

/// A placed take, as easing needs it.
#[derive(Debug, Clone, Copy)]
pub struct Placed<'a> {
    /// Where it lies and how its notes lie to their pulses.
    pub fit: &'a Fit,
    /// What was heard.
    pub playing: &'a Playing,
    /// The piece's beats in seconds.
    pub beats_s: &'a [f64],
}

/// Bends `map`, the straight map of a placed take at `rate_hz` of the grid, as `easing` allows.
#[must_use]
pub fn ease(map: &TimeMap, take: Placed<'_>, easing: Easing, rate_hz: f64) -> Eased {
    let notes = notes(take, easing);
    let shifts = feasible(&notes);
    let residuals = |shifted: bool| -> Vec<f64> {
        let shift = |index: usize| if shifted { shifts[index] * 1e3 } else { 0.0 };
        notes.iter().enumerate().map(|(index, note)| note.residual_ms + shift(index)).collect()
    };
    let (before, after) = (residuals(false), residuals(true));
    let moved = shifts.iter().filter(|shift| shift.abs() > 1e-3).count();
    let bent = if moved == 0 { None } else { bend(map, &notes, &shifts, rate_hz) };
    Eased {
        moved: if bent.is_some() { moved } else { 0 },
        map: bent.unwrap_or_else(|| map.clone()),
        spread_before_ms: robust_sd(&before),
        spread_after_ms: robust_sd(&after),
        rms_before_ms: rms(&before),
        rms_after_ms: rms(&after),
    }
}

/// A note with what is wanted of it, in piece time.
struct Note {
    /// Where it lies before easing, in seconds of the grid.
    at_s: f64,
    residual_ms: f64,
    /// The shift that is wanted, in seconds.
    wanted_s: f64,
    /// The quiet stretch before the next note, if there is one, in seconds of the grid.
    gap: Option<(f64, f64)>,
    /// Where the next note's own time begins.
    until_s: f64,
}

fn notes(take: Placed<'_>, easing: Easing) -> Vec<Note> {
    let Placed { fit, playing, beats_s } = take;
    let spread = fit.spread_ms.unwrap_or(0.0);
    let strength = easing.strength.clamp(0.0, 0.5);
    let wanted = |deviation: &Deviation| -> f64 {
        let residual = deviation.residual_ms;
        if (easing.blunders || strength > 0.0) && is_blunder(deviation, spread, playing) {
            // Back to the edge of what this player's looseness is, not onto the pulse.
            return residual.signum() * spread.min(residual.abs()) - residual;
        }
        -strength * residual
    };
    let stretch = 1.0 + fit.ratio_ppm * 1e-6;
    let on_grid = |file_s: f64| (file_s - fit.bar1_beat1_s) / stretch;
    let own = from_own_pulse(fit, beats_s);
    let mut sorted: Vec<&Deviation> = own.iter().collect();
    sorted.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
    sorted.dedup_by(|later, earlier| later.at_s - earlier.at_s < 2.0 * BEFORE_ATTACK_S);
    let quiet = quiet_below(playing);
    (0..sorted.len())
        .map(|index| {
            let here = sorted[index].at_s;
            let next = sorted.get(index + 1).map_or(here + 60.0, |next| next.at_s);
            let until = next - BEFORE_ATTACK_S;
            let gap = gap_before(playing, quiet, here, until);
            Note {
                at_s: on_grid(here),
                residual_ms: sorted[index].residual_ms,
                wanted_s: wanted(sorted[index]) * 1e-3,
                gap: gap.map(|(from, upto)| (on_grid(from), on_grid(upto))),
                until_s: on_grid(until),
            }
        })
        .collect()
}

fn quiet_below(playing: &Playing) -> f32 {
    let mut levels = playing.level_db.clone();
    levels.sort_by(f32::total_cmp);
    levels.get(levels.len() * 9 / 10).copied().unwrap_or(0.0) - GAP_DB
}

/// The quiet stretch that ends at `until`, if it is long enough.
fn gap_before(playing: &Playing, quiet: f32, from: f64, until: f64) -> Option<(f64, f64)> {
    let hop = |s: f64| ((s / playing.hop_s) as usize).min(playing.level_db.len());
    let (first, last) = (hop(from), hop(until));
    let loud = (first..last).rev().find(|at| playing.level_db[*at] > quiet);
    let begin = loud.map_or(from, |at| (at + 2) as f64 * playing.hop_s);
    (until - begin > LEAST_GAP_S).then_some((begin, until))
}

impl Note {
    /// The most that the shift may fall and rise between this note and the next, in seconds.
    /// Where there is a gap, silence can be skipped and, more freely, drawn out.
    fn room_s(&self) -> (f64, f64) {
        let gap = self.gap_s();
        let sounding = SOUNDING * (self.until_s - self.at_s - gap).max(0.0);
        (sounding + SKIPPED * gap, if gap > 0.0 { f64::INFINITY } else { sounding })
    }

    fn gap_s(&self) -> f64 {
        self.gap.map_or(0.0, |(from, upto)| upto - from)
    }
}

/// The shifts nearest to what is wanted that the room between the notes allows.
fn feasible(notes: &[Note]) -> Vec<f64> {
    let mut shifts = vec![0.0; notes.len()];
    for _ in 0..PASSES {
        for index in 0..notes.len() {
            let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
            if let Some(last) = index.checked_sub(1) {
                let (fall, rise) = notes[last].room_s();
                (low, high) = (shifts[last] - fall, shifts[last] + rise);
            }
            if let Some(next) = shifts.get(index + 1) {
                let (fall, rise) = notes[index].room_s();
                (low, high) = (low.max(next - rise), high.min(next + fall));
            }
            if low <= high {
                shifts[index] = notes[index].wanted_s.clamp(low, high);
            }
        }
    }
    shifts
}

/// The map through every note's new place. What changes between two notes changes in the gap as
/// far as it has room, and evenly over the sounding part for the rest.
fn bend(map: &TimeMap, notes: &[Note], shifts: &[f64], rate_hz: f64) -> Option<TimeMap> {
    let mut knots: Vec<(f64, f64)> = Vec::with_capacity(notes.len() * 3 + 2);
    let mut knot = |at_s: f64, shift: f64| {
        knots.push(((at_s + shift) * rate_hz, map.frame_at(at_s * rate_hz)));
    };
    let (first, last) = (notes.first()?, notes.last()?);
    knot(first.at_s - BEFORE_ATTACK_S - 1.0, shifts[0]);
    for (index, pair) in notes.windows(2).enumerate() {
        let (note, change) = (&pair[0], shifts[index + 1] - shifts[index]);
        let most = if note.gap.is_some() { f64::INFINITY } else { 0.0 };
        let in_gap = change.clamp(-SKIPPED * note.gap_s(), most);
        let begin = note.at_s - BEFORE_ATTACK_S;
        knot(begin, shifts[index]);
        if let Some((from, _)) = note.gap.filter(|(from, _)| *from > begin + 1e-3) {
            knot(from, shifts[index] + change - in_gap);
        }
    }
    let at_end = shifts[shifts.len() - 1];
    knot(last.at_s - BEFORE_ATTACK_S, at_end);
    knot(last.at_s + 60.0, at_end);
    TimeMap::through(&knots).ok()
}

fn robust_sd(values: &[f64]) -> f64 {
    if values.is_empty() {
        return 0.0;
    }
    let median = |mut values: Vec<f64>| {
        values.sort_by(f64::total_cmp);
        values[values.len() / 2]
    };
    let middle = median(values.to_vec());
    1.4826 * median(values.iter().map(|value| (value - middle).abs()).collect())
}

fn rms(values: &[f64]) -> f64 {
    (values.iter().map(|value| value * value).sum::<f64>() / values.len().max(1) as f64).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fit::Basis;

    /// Notes every half second, sounding for 0.3 s, with these residuals.
    fn take(residuals_ms: &[f64], sounding: bool) -> (Fit, Playing) {
        let deviations: Vec<Deviation> = residuals_ms
            .iter()
            .enumerate()
            .map(|(index, residual_ms)| {
                let pulse_s = index as f64 * 0.5;
                Deviation {
                    at_s: 2.0 + pulse_s + residual_ms * 1e-3,
                    pulse_s,
                    residual_ms: *residual_ms,
                }
            })
            .collect();
        let duration_s = 3.0 + residuals_ms.len() as f64 * 0.5;
        let level = |hop: usize| {
            let s = hop as f64 * 0.005;
            let on = deviations.iter().any(|d| s >= d.at_s - 0.005 && s < d.at_s + 0.3);
            if on || sounding { -12.0 } else { -90.0 }
        };
        let playing = Playing {
            onsets: Vec::new(),
            hop_s: 0.005,
            novelty: Vec::new(),
            level_db: (0..(duration_s / 0.005) as usize).map(level).collect(),
            chroma: Vec::new(),
            chroma_hop_s: 0.08,
            duration_s,
            tuning_cents: None,
            tonality: crate::onset::Tonality::default(),
            notes: Vec::new(),
            notes_hop_s: 0.16,
            octaves_db: Vec::new(),
        };
        let fit = Fit {
            bar1_beat1_s: 2.0,
            bar1_beat1_sd_s: 0.0,
            ratio_ppm: 0.0,
            ratio_sd_ppm: 0.0,
            lag_ms: Some(20.0),
            lag_sd_ms: None,
            spread_ms: Some(15.0),
            basis: Basis::MarkAndPlaying,
            certain: true,
            candidates: Vec::new(),
            findings: Vec::new(),
            deviations,
            strays: Vec::new(),
        };
        (fit, playing)
    }

    fn placed<'a>(fit: &'a Fit, playing: &'a Playing) -> Placed<'a> {
        Placed { fit, playing, beats_s: &[] }
    }

    fn straight() -> TimeMap {
        TimeMap::straight(96_000.0, 1.0)
    }

    const LOOSE: [f64; 12] =
        [5.0, -12.0, 18.0, -3.0, 9.0, -20.0, 14.0, 2.0, -8.0, 11.0, -15.0, 4.0];

    #[test]
    fn a_take_that_needs_nothing_keeps_its_map_to_the_bit() {
        let (fit, playing) = take(&LOOSE, false);
        for easing in [Easing::default(), Easing { blunders: true, strength: 0.0 }] {
            let eased = ease(&straight(), placed(&fit, &playing), easing, 48_000.0);
            assert_eq!(eased.map, straight());
            assert_eq!((eased.moved, eased.spread_before_ms), (0, eased.spread_after_ms));
        }
    }

    #[test]
    fn a_blunder_is_moved_and_its_neighbours_stay() {
        let mut residuals = LOOSE;
        residuals[5] = 130.0;
        let (fit, playing) = take(&residuals, false);
        let easing = Easing { blunders: true, strength: 0.0 };
        let eased = ease(&straight(), placed(&fit, &playing), easing, 48_000.0);
        assert_eq!(eased.moved, 1);
        for (index, deviation) in fit.deviations.iter().enumerate() {
            let lands_s = eased.map.sample_at(deviation.at_s * 48_000.0) / 48_000.0;
            let residual_ms = (lands_s - deviation.pulse_s) * 1e3;
            let expected = if index == 5 { 15.0 } else { residuals[index] };
            assert!((residual_ms - expected).abs() < 1e-6, "{index} {residual_ms}");
        }
        assert!(eased.rms_after_ms < 0.5 * eased.rms_before_ms);
    }

    #[test]
    fn half_strength_halves_the_spread_and_no_sounding_note_bends_by_five_cents() {
        let (fit, playing) = take(&LOOSE, false);
        let easing = Easing { blunders: true, strength: 0.5 };
        let eased = ease(&straight(), placed(&fit, &playing), easing, 48_000.0);
        assert!((eased.spread_after_ms / eased.spread_before_ms - 0.5).abs() < 0.05);
        for deviation in &fit.deviations {
            let begin = eased.map.sample_at(deviation.at_s * 48_000.0);
            for step in 0..29 {
                let at = begin + f64::from(step) * 480.0;
                let slope = (eased.map.frame_at(at + 480.0) - eased.map.frame_at(at)) / 480.0;
                assert!(1200.0 * slope.log2().abs() < 5.1, "{slope} at {step}");
            }
        }
    }

    #[test]
    fn where_everything_sounds_a_note_moves_only_as_far_as_cannot_be_heard() {
        let mut residuals = LOOSE;
        residuals[5] = 130.0;
        let (fit, playing) = take(&residuals, true);
        let easing = Easing { blunders: true, strength: 0.0 };
        let eased = ease(&straight(), placed(&fit, &playing), easing, 48_000.0);
        let mut last = eased.map.frame_at(0.0);
        for at in (480..280_000).step_by(480) {
            let frame = eased.map.frame_at(f64::from(at));
            assert!(1200.0 * ((frame - last) / 480.0).log2().abs() < 5.1);
            last = frame;
        }
    }
}
