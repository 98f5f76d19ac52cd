//! How strokes lie within a beat: the rhythms a player may be playing.

/// Cells of a phase table.
const CELLS: usize = 192;
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
    Pattern { slots: &[(0.25, 0.5), (0.75, 0.5)], prior: 0.003 },
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

/// For following a take whose rhythm is not known yet.
pub(super) const ANY: Choice = Choice { pattern: PATTERNS.len() - 1, spread_s: SPREADS_S[1] };
const THIRD: f64 = 1.0 / 3.0;

/// Spreads a player may have.
const SPREADS_S: [f64; 3] = [0.010, 0.022, 0.045];
/// Widths for which tables are kept: a spread, widened by an attack's own uncertainty.
const WIDTHS_S: [f64; 6] = [0.010, 0.016, 0.025, 0.040, 0.062, 0.095];

/// Log densities of a stroke's phase for every pattern and width.
pub(super) struct Tables {
    tables: Vec<[f32; CELLS]>,
}

impl Tables {
    pub(super) fn new(beat_s: f64) -> Self {
        let tables = PATTERNS
            .iter()
            .flat_map(|pattern| WIDTHS_S.iter().map(move |width| (pattern, width / beat_s)))
            .map(|(pattern, width)| table(pattern.slots, width))
            .collect();
        Self { tables }
    }

    /// Log likelihood of strokes at these phases, summed over patterns and spreads. `strokes`
    /// yields phase, uncertainty and weight.
    pub(super) fn score(&self, strokes: &[(f32, f32, f32)]) -> f64 {
        let mut sums = [[0.0f32; PATTERNS.len()]; SPREADS_S.len()];
        for &(phase, sd_s, weight) in strokes {
            let cell = cell_of(phase);
            for (spread, sums) in SPREADS_S.iter().zip(&mut sums) {
                let width = width_index(spread.hypot(sd_s as f64));
                for (pattern, sum) in sums.iter_mut().enumerate() {
                    *sum += weight * self.tables[pattern * WIDTHS_S.len() + width][cell];
                }
            }
        }
        let terms = sums.iter().flat_map(|sums| {
            sums.iter().zip(&PATTERNS).map(|(&sum, p)| sum as f64 * TEMPER + p.prior.ln())
        });
        log_sum(terms)
    }

    /// The one pattern and spread that fit best: what a stroke's phase then is worth.
    pub(super) fn best(&self, strokes: &[(f32, f32, f32)]) -> Choice {
        let mut best = (f64::MIN, Choice { pattern: 0, spread_s: SPREADS_S[0] });
        for (pattern, p) in PATTERNS.iter().enumerate() {
            for spread_s in SPREADS_S {
                let choice = Choice { pattern, spread_s };
                let sum: f64 = strokes
                    .iter()
                    .map(|&(phase, sd, weight)| (weight * self.at(choice, phase, sd)) as f64)
                    .sum();
                let score = sum * TEMPER + p.prior.ln();
                if score > best.0 {
                    best = (score, choice);
                }
            }
        }
        best.1
    }

    fn at(&self, choice: Choice, phase: f32, sd_s: f32) -> f32 {
        let width = width_index(choice.spread_s.hypot(sd_s as f64));
        self.tables[choice.pattern * WIDTHS_S.len() + width][cell_of(phase)]
    }

    /// The rhythm of a choice.
    pub(super) fn rhythm(&self, choice: Choice) -> Rhythm {
        let from = choice.pattern * WIDTHS_S.len();
        let tables = self.tables[from..from + WIDTHS_S.len()].to_vec();
        Rhythm { spread_s: choice.spread_s, tables }
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

    /// Log density of a stroke's phase against strokes at random.
    pub(super) fn at(&self, phase: f32, sd_s: f32) -> f32 {
        self.tables[width_index(self.spread_s.hypot(sd_s as f64))][cell_of(phase)]
    }
}

/// Strokes are not independent witnesses: neighbours share the player's drift.
const TEMPER: f64 = 0.6;

/// A pattern and a spread.
#[derive(Debug, Clone, Copy)]
pub(super) struct Choice {
    pattern: usize,
    spread_s: f64,
}

fn cell_of(phase: f32) -> usize {
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
