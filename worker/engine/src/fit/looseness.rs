//! How far a player's strokes lie about the pulses they are meant for, where that is so far that the
//! nearest pulse is often another one.

use super::beats::BeatClock;
use super::line::Laid;
use super::pattern::{self, CELLS, TEMPER, cell_of, log_sum};

/// Tighter players' strokes are nearest to their own pulse.
const TELLS_S: f64 = 0.026;
/// Spreads that a loose player may have.
const SPREADS_S: [f64; 9] = [0.026, 0.031, 0.036, 0.043, 0.05, 0.06, 0.07, 0.083, 0.1];
/// Weaker strokes, a chord that dies away, say nothing.
const LEAST_WEIGHT: f64 = 0.3;

/// Standard deviation of the strokes about their pulses: that about the nearest ones, or the one
/// that with the rhythms players play explains best where in the beat the strokes lie.
pub(super) fn spread_s(laid: &Laid, beats: &BeatClock) -> f64 {
    if laid.spread_s < TELLS_S {
        return laid.spread_s;
    }
    let mut struck = [0.0; CELLS];
    for stroke in laid.strokes.iter().filter(|stroke| stroke.weight > LEAST_WEIGHT) {
        let beat = beats.beat_at(stroke.pulse_s + stroke.residual_s - stroke.drift_s);
        struck[cell_of(beat as f32)] += stroke.weight;
    }
    let explains = |spread_s: f64| {
        let each = pattern::as_played(beats.beat_s(), spread_s);
        let said = each.into_iter().map(|(log_prior, densities)| {
            let cells = struck.iter().zip(densities);
            log_prior + TEMPER * cells.map(|(count, log)| count * f64::from(log)).sum::<f64>()
        });
        log_sum(said.collect::<Vec<f64>>().into_iter())
    };
    let said = SPREADS_S.map(|spread_s| (explains(spread_s), spread_s));
    let likeliest = said.into_iter().max_by(|a, b| a.0.total_cmp(&b.0));
    likeliest.map_or(laid.spread_s, |(_, spread_s)| spread_s.max(laid.spread_s))
}

#[cfg(test)]
mod tests {
    use super::super::line::Stroke;
    use super::*;

    /// What is read of a player who strikes these parts of each beat with so much spread, each
    /// stroke taken for the nearest quarter of a beat; it lies to that with a spread of its own.
    fn read_s(phases: &[f64], spread_s: f64) -> (f64, f64) {
        let beats =
            BeatClock::new(&(0..200).map(|k| k as f64 * 0.5).collect::<Vec<f64>>()).unwrap();
        let mut random = fastrand::Rng::with_seed(8);
        let mut normal = || (0..12).map(|_| random.f64()).sum::<f64>() - 6.0;
        let struck = (4..196).flat_map(|beat| phases.iter().map(move |at| f64::from(beat) + at));
        let strokes: Vec<Stroke> = struck
            .map(|beat| {
                let at_s = 0.5 * beat + spread_s * normal();
                let pulse_s = (at_s / 0.125).round() * 0.125;
                let mut stroke = Stroke::at(at_s, at_s - pulse_s);
                stroke.pulse_s = pulse_s;
                stroke
            })
            .collect();
        let squares: f64 = strokes.iter().map(|stroke| stroke.residual_s.powi(2)).sum();
        let nearest_s = (squares / strokes.len() as f64).sqrt();
        let laid = Laid {
            ratio: 0.0,
            lag_s: 0.0,
            covariance: [0.0; 3],
            spread_s: nearest_s,
            strokes,
            rhythm: Vec::new(),
        };
        (super::spread_s(&laid, &beats), nearest_s)
    }

    #[test]
    fn a_loose_player_s_spread_is_read_where_the_nearest_pulse_is_another() {
        for spread_s in [0.05, 0.065, 0.08] {
            let (read_s, nearest_s) = read_s(&[0.0], spread_s);
            assert!((read_s / spread_s).ln().abs() < 0.2, "{read_s} of {spread_s}");
            assert!(nearest_s < 0.04, "{nearest_s}");
        }
    }

    #[test]
    fn who_plays_parts_of_the_beat_is_no_looser_for_that() {
        for phases in [&[0.0, 0.5][..], &[0.0, 0.25, 0.5, 0.75], &[0.0, 1.0 / 3.0, 2.0 / 3.0]] {
            let (read_s, nearest_s) = read_s(phases, 0.012);
            assert!(read_s < nearest_s.max(0.013) * 1.1, "{read_s} {nearest_s} {phases:?}");
        }
    }
}
