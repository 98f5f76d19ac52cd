//! How strokes lie within a beat: the rhythms a player may be playing.

use crate::math::vectors::in_vectors;

/// Cells of a phase table.
pub(super) const CELLS: usize = 192;
/// Share of strokes that belong to no pulse.
const STRAY: f64 = 0.12;

/// A rhythm: phases within the beat and how often each is struck.
struct Pattern {
    slots: &'static [(f64, f64)],
    prior: f64,
}

/// Their frequencies are common practice, no source. What matters is that a rhythm on the
/// beat is more frequent than the same one beside it.
const PATTERNS: [Pattern; 11] = [
    Pattern { slots: &[(0.0, 0.97), (0.5, 0.03)], prior: 0.25 },
    Pattern { slots: &[(0.0, 0.75), (0.5, 0.25)], prior: 0.15 },
    Pattern { slots: &[(0.0, 0.55), (0.5, 0.45)], prior: 0.10 },
    // As pure beside the beat as the first is on it: what parts the two is the lag alone.
    Pattern { slots: &[(0.0, 0.03), (0.5, 0.97)], prior: 0.05 },
    Pattern { slots: &[(0.0, 0.2), (0.5, 0.8)], prior: 0.01 },
    Pattern { slots: &[(0.0, 0.36), (THIRD, 0.32), (2.0 * THIRD, 0.32)], prior: 0.12 },
    Pattern { slots: &[(0.0, 0.6), (2.0 * THIRD, 0.4)], prior: 0.08 },
    Pattern { slots: &[(0.0, 0.3), (0.25, 0.2), (0.5, 0.3), (0.75, 0.2)], prior: 0.18 },
    Pattern { slots: &[(0.0, 0.55), (0.25, 0.05), (0.75, 0.4)], prior: 0.04 },
    Pattern { slots: &[(0.25, 0.5), (0.75, 0.5)], prior: 0.0005 },
    Pattern {
        slots: &[
            (0.0, 0.4),
            (0.25, 0.1),
            (THIRD, 0.1),
            (0.5, 0.2),
            (2.0 * THIRD, 0.1),
            (0.75, 0.1),
        ],
        prior: 0.027,
    },
];

/// Nobody keeps beside beats as short as this, nor plays parts of a beat as short as that (common
/// practice, no source); such a rhythm must be shown by far more strokes.
const SHORTEST_BESIDE_S: f64 = 0.25;
const SHORTEST_PART_S: f64 = 0.07;
const UNPLAYABLE: f64 = 1e-3;

impl Pattern {
    /// How frequent the rhythm is at this length of the beat.
    fn log_prior(&self, beat_s: f64) -> f64 {
        let on_beat: f64 = self.slots.iter().filter(|slot| slot.0 == 0.0).map(|slot| slot.1).sum();
        let parts = self.slots.iter().filter(|slot| slot.1 > 0.04).map(|slot| slot.0);
        let unplayable = on_beat < 0.25 && beat_s < SHORTEST_BESIDE_S
            || parts.into_iter().any(|phase| !is_playable(phase, beat_s));
        if unplayable { (self.prior * UNPLAYABLE).ln() } else { self.prior.ln() }
    }
}

/// Whether the part of a beat before or after a phase is long enough to be played.
pub(super) fn is_playable(phase: f64, beat_s: f64) -> bool {
    phase == 0.0 || phase.min(1.0 - phase) * beat_s >= SHORTEST_PART_S
}

/// How frequent each rhythm is, and the log densities of a phase table when it is played with so
/// much spread.
pub(super) fn as_played(beat_s: f64, spread_s: f64) -> [(f64, [f32; CELLS]); PATTERNS.len()] {
    std::array::from_fn(|index| {
        let pattern = &PATTERNS[index];
        (pattern.log_prior(beat_s), table(pattern.slots, spread_s / beat_s))
    })
}

/// For following a take whose rhythm is not known yet.
pub(super) const ANY: Choice = Choice { pattern: PATTERNS.len() - 1, spread_s: SPREADS_S[1] };
pub(super) const THIRD: f64 = 1.0 / 3.0;

/// Spreads a player may have …
const SPREADS_S: [f64; 4] = [0.010, 0.022, 0.045, 0.075];
/// … and how frequent they are (common practice, no source): few are so loose that strokes beside
/// the beat could be meant for it.
const SPREAD_SHARES: [f64; SPREADS_S.len()] = [0.32, 0.32, 0.32, 0.04];
/// Widths for which tables are kept: a spread, widened by an attack's own uncertainty.
const WIDTHS_S: [f64; 6] = [0.010, 0.016, 0.025, 0.040, 0.062, 0.095];

/// Room for all patterns, in whole vectors of four.
const ABREAST: usize = PATTERNS.len().next_multiple_of(4);

/// Log densities of a stroke's phase: by width and cell, for all patterns side by side.
pub(super) struct Tables {
    tables: Vec<[f32; ABREAST]>,
    log_priors: [f64; PATTERNS.len()],
}

/// A stroke's phase within the beat, and what goes with it.
#[derive(Debug, Clone, Copy)]
pub(super) struct Struck {
    pub(super) phase: f32,
    pub(super) weight: f32,
    /// Its width in the tables for each spread.
    pub(super) widths: [u8; SPREADS_S.len()],
}

/// Widths in the tables of a stroke known to within `sd_s`.
pub(super) fn widths(sd_s: f64) -> [u8; SPREADS_S.len()] {
    SPREADS_S.map(|spread_s| width_index(spread_s.hypot(sd_s)) as u8)
}

impl Tables {
    pub(super) fn new(beat_s: f64) -> Self {
        let mut tables = vec![[0.0; ABREAST]; WIDTHS_S.len() * CELLS];
        for (index, pattern) in PATTERNS.iter().enumerate() {
            for (row, width_s) in tables.chunks_exact_mut(CELLS).zip(WIDTHS_S) {
                for (slot, value) in row.iter_mut().zip(table(pattern.slots, width_s / beat_s)) {
                    slot[index] = value;
                }
            }
        }
        let log_priors = std::array::from_fn(|index| PATTERNS[index].log_prior(beat_s));
        Self { tables, log_priors }
    }

    /// Log likelihood of strokes at these phases, summed over patterns and spreads.
    pub(super) fn score(&self, strokes: &[Struck]) -> f64 {
        let sums = sums(&self.tables, strokes);
        let terms = sums.iter().zip(SPREAD_SHARES).flat_map(|(sums, share)| {
            let each = sums.iter().zip(&self.log_priors);
            each.map(move |(&sum, log_prior)| sum as f64 * TEMPER + log_prior + share.ln())
        });
        log_sum(terms)
    }

    /// The one pattern and spread that fit best.
    pub(super) fn best(&self, strokes: &[Struck]) -> Choice {
        let mut best = (f64::MIN, ANY);
        let spreads = SPREADS_S.into_iter().zip(SPREAD_SHARES);
        for (sums, (spread_s, share)) in sums(&self.tables, strokes).iter().zip(spreads) {
            for (pattern, (&sum, log_prior)) in sums.iter().zip(&self.log_priors).enumerate() {
                let score = sum as f64 * TEMPER + log_prior + share.ln();
                if score > best.0 {
                    best = (score, Choice { pattern, spread_s });
                }
            }
        }
        best.1
    }

    /// Log of how frequent a choice's pattern is.
    pub(super) fn log_prior(&self, choice: Choice) -> f64 {
        self.log_priors[choice.pattern]
    }

    /// The rhythm of a choice.
    pub(super) fn rhythm(&self, choice: Choice) -> Rhythm {
        let one = |row: &[[f32; ABREAST]]| -> [f32; CELLS] {
            std::array::from_fn(|cell| row[cell][choice.pattern])
        };
        let tables = self.tables.chunks_exact(CELLS).map(one).collect();
        Rhythm { spread_s: choice.spread_s, tables }
    }
}

in_vectors! {
    /// Weighed log densities of the strokes, by spread and pattern.
    fn sums(tables: &[[f32; ABREAST]], strokes: &[Struck]) -> [[f32; ABREAST]; SPREADS_S.len()] {
        let mut sums = [[0.0f32; ABREAST]; SPREADS_S.len()];
        for stroke in strokes {
            let cell = cell_of(stroke.phase);
            for (&width, sums) in stroke.widths.iter().zip(&mut sums) {
                let row = &tables[width as usize * CELLS + cell];
                for (sum, value) in sums.iter_mut().zip(row) {
                    *sum += stroke.weight * value;
                }
            }
        }
        sums
    }
}

/// One rhythm as a player of one spread plays it.
pub(super) struct Rhythm {
    spread_s: f64,
    tables: Vec<[f32; CELLS]>,
}

impl Rhythm {
    /// A rhythm learned from a take: phases and how often each is struck.
    pub(super) fn learned(slots: &[(f64, f64)], spread_s: f64, beat_s: f64) -> Self {
        let tables = WIDTHS_S.iter().map(|width| table(slots, width / beat_s)).collect();
        Self { spread_s, tables }
    }

    /// Log densities by phase for a stroke known to within `sd_s`, against strokes at random.
    pub(super) fn of(&self, sd_s: f64) -> impl Fn(f64) -> f32 {
        let table = &self.tables[width_index(self.spread_s.hypot(sd_s))];
        |phase| table[cell_of(phase as f32)]
    }
}

/// Strokes are not independent witnesses: neighbours share the player's drift.
pub(super) const TEMPER: f64 = 0.6;

/// A pattern and a spread.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Choice {
    pattern: usize,
    spread_s: f64,
}

/// Where a position in beats lies in a phase table.
pub(super) fn cell_of(phase: f32) -> usize {
    ((phase - phase.floor()) * CELLS as f32) as usize % CELLS
}

fn width_index(width_s: f64) -> usize {
    WIDTHS_S.iter().position(|&w| width_s <= w * 1.26).unwrap_or(WIDTHS_S.len() - 1)
}

fn table(slots: &[(f64, f64)], width: f64) -> [f32; CELLS] {
    let total: f64 = slots.iter().map(|slot| slot.1).sum();
    let mut cells = [0.0; CELLS];
    for (k, cell) in cells.iter_mut().enumerate() {
        let phase = (k as f64 + 0.5) / CELLS as f64;
        let density: f64 = slots
            .iter()
            .map(|&(at, share)| share / total * wrapped_normal(phase - at, width))
            .sum();
        *cell = (STRAY + (1.0 - STRAY) * density).ln() as f32;
    }
    cells
}

fn wrapped_normal(phase: f64, width: f64) -> f64 {
    (-2..=2).map(|turn| (-0.5 * ((phase + turn as f64) / width).powi(2)).exp()).sum::<f64>()
        / (width * std::f64::consts::TAU.sqrt())
}

/// log of a sum of exponentials.
pub(super) fn log_sum(terms: impl Iterator<Item = f64> + Clone) -> f64 {
    let most = terms.clone().fold(f64::MIN, f64::max);
    most + terms.map(|term| (term - most).exp()).sum::<f64>().ln()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn even(phase: f32) -> Vec<Struck> {
        vec![Struck { phase, weight: 1.0, widths: widths(0.01) }; 40]
    }

    #[test]
    fn only_slow_beats_are_played_between() {
        let odds = |beat_s: f64| {
            let tables = Tables::new(beat_s);
            tables.score(&even(0.0)) - tables.score(&even(0.5))
        };
        assert!((0.5..3.0).contains(&odds(0.45)), "{}", odds(0.45));
        assert!(odds(0.18) > 5.0, "{}", odds(0.18));
        assert!(is_playable(0.25, 0.45) && !is_playable(0.75, 0.2) && is_playable(0.0, 0.05));
    }
}
