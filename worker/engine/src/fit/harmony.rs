//! How well the harmony heard agrees with the chart, for any way the take may lie.

use super::Grid;
use super::beats::BeatClock;
use crate::onset::Playing;

/// Concentrations over which the agreement is averaged: 0 is a part whose notes say nothing
/// about the chords, 40 one that spells them.
const CONCENTRATIONS: [f64; 6] = [0.0, 2.0, 5.0, 10.0, 20.0, 40.0];
/// Neighbouring chords share held notes, so each is worth only this part of a witness until
/// the take itself has been asked.
const WITNESS: f64 = 0.5;
/// A chord counts when at least this part of it sounds.
const SOUNDING: f64 = 0.3;

pub(super) struct Harmony {
    hop_s: f64,
    /// Sums of rows before each row; the thirteenth column counts rows that sound.
    sums: Vec<[f64; 13]>,
    /// The chart's chords; one that is held or repeated is one chord, so that what is compared
    /// is a mean over all of it and not the player's choice of notes from beat to beat.
    chords: Vec<Chord>,
    spelling: Spelling,
    witness: f64,
}

impl Harmony {
    /// `rotate` semitones are taken off what was heard, for a take at the wrong pitch.
    pub(super) fn new(grid: &Grid, beats: &BeatClock, playing: &Playing, rotate: usize) -> Self {
        let mut sums = vec![[0.0; 13]];
        for row in &playing.chroma {
            let mut next = sums[sums.len() - 1];
            for class in 0..12 {
                next[class] += row[(class + rotate) % 12] as f64;
            }
            next[12] += row.iter().any(|&value| value > 0.0) as u8 as f64;
            sums.push(next);
        }
        Self {
            hop_s: playing.chroma_hop_s,
            sums,
            chords: chords(grid, beats),
            spelling: Spelling::new(),
            witness: WITNESS,
        }
    }

    pub(super) fn is_written(&self) -> bool {
        !self.chords.is_empty()
    }

    /// Log likelihood of what was heard with piece time laid at `file_at`, against harmony that
    /// has nothing to do with the chart.
    pub(super) fn score(&self, file_at: &dyn Fn(f64) -> f64) -> f64 {
        let (agreement, count) = self.agreement(file_at);
        self.spelling.log_likelihood(agreement, count, self.witness)
    }

    /// Where each of the chart's chords begins and ends, piece time.
    pub(super) fn borders_s(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.chords.iter().map(|chord| (chord.from_s, chord.to_s))
    }

    /// How closely the take spells the chart's chords, laid so.
    pub(super) fn spelt(&self, file_at: &dyn Fn(f64) -> f64) -> Concentration {
        let (agreement, count) = self.agreement(file_at);
        self.spelling.likeliest(agreement, count)
    }

    /// What each of the chart's chords says for one way to lay a take that spells them so closely,
    /// against harmony that has nothing to do with it; `None` where too little sounds.
    pub(super) fn each_chord(
        &self,
        spelt: Concentration,
        file_at: &dyn Fn(f64) -> f64,
    ) -> Vec<Option<f64>> {
        let said = |cosine: f64| self.witness * (spelt.value * cosine - spelt.log_norm);
        self.cosines(file_at).map(|cosine| cosine.map(said)).collect()
    }

    /// Sum of the chords' cosines with what was heard, and how many of them sound.
    fn agreement(&self, file_at: &dyn Fn(f64) -> f64) -> (f64, f64) {
        let sounding = self.cosines(file_at).flatten();
        sounding.fold((0.0, 0.0), |(sum, count), cosine| (sum + cosine, count + 1.0))
    }

    /// Cosine of each chord with what was heard; `None` where too little sounds.
    fn cosines<'a>(
        &'a self,
        file_at: &'a dyn Fn(f64) -> f64,
    ) -> impl Iterator<Item = Option<f64>> + 'a {
        let cosine = |chord: &Chord| Some(dot(&chord.pitches, &self.heard(chord, file_at)?));
        self.chords.iter().map(cosine)
    }

    /// Learns from one way to lay the take how many independent witnesses its chords are: by the
    /// correlation of neighbouring chords' departures from the chart.
    pub(super) fn weigh_witnesses(&mut self, file_at: &dyn Fn(f64) -> f64) {
        let rows = self.residuals(file_at);
        let at_lag = |lag: usize| -> f64 {
            let pairs = rows.iter().zip(rows.iter().skip(lag));
            let products = pairs.filter_map(|(a, b)| Some(dot(a.as_ref()?, b.as_ref()?)));
            let (mut sum, mut count) = (0.0, 0.0);
            for product in products {
                sum += product;
                count += 1.0;
            }
            if count > 8.0 { sum / count } else { 0.0 }
        };
        let alone = at_lag(0);
        if alone > 1e-6 {
            let shared: f64 = (1..=4).map(|lag| (at_lag(lag) / alone).max(0.0)).sum();
            self.witness = (1.0 / (1.0 + 2.0 * shared)).clamp(0.1, 0.8);
        }
    }

    /// Departure from the chart of each chord.
    fn residuals(&self, file_at: &dyn Fn(f64) -> f64) -> Vec<Option<[f64; 12]>> {
        let residual = |chord: &Chord| {
            let heard = self.heard(chord, file_at)?;
            let cosine = dot(&chord.pitches, &heard);
            Some(std::array::from_fn(|k| heard[k] - cosine * chord.pitches[k]))
        };
        self.chords.iter().map(residual).collect()
    }

    fn heard(&self, chord: &Chord, file_at: &dyn Fn(f64) -> f64) -> Option<[f64; 12]> {
        let (left, right) = (self.sum_at(file_at(chord.from_s)), self.sum_at(file_at(chord.to_s)));
        let rows = (chord.to_s - chord.from_s) / self.hop_s;
        if right[12] - left[12] < SOUNDING * rows {
            return None;
        }
        unit(&std::array::from_fn(|class| right[class] - left[class]))
    }

    fn sum_at(&self, file_s: f64) -> [f64; 13] {
        // A row is centred on its time, so half of it lies before.
        let row = (file_s / self.hop_s + 0.5).clamp(0.0, (self.sums.len() - 1) as f64);
        let (whole, part) = (row as usize, row.fract());
        let (a, b) = (&self.sums[whole], &self.sums[(whole + 1).min(self.sums.len() - 1)]);
        std::array::from_fn(|k| a[k] + part * (b[k] - a[k]))
    }
}

/// How closely the pitches of a take keep to their chords.
#[derive(Debug, Clone, Copy)]
pub(super) struct Concentration {
    value: f64,
    log_norm: f64,
}

/// How pitches agree with the chords they are heard in: von Mises-Fisher densities of all
/// concentrations, averaged.
pub(super) struct Spelling {
    log_norms: [f64; CONCENTRATIONS.len()],
}

impl Spelling {
    pub(super) fn new() -> Self {
        Self { log_norms: CONCENTRATIONS.map(log_norm) }
    }

    /// Log likelihood of `count` sounds whose cosines with their chords sum to `agreement`, each
    /// worth `witness` of an independent one, against sounds that have nothing to do with them.
    pub(super) fn log_likelihood(&self, agreement: f64, count: f64, witness: f64) -> f64 {
        let each = CONCENTRATIONS
            .iter()
            .zip(&self.log_norms)
            .map(|(concentration, norm)| witness * (concentration * agreement - count * norm));
        super::pattern::log_sum(each) - (CONCENTRATIONS.len() as f64).ln()
    }

    /// The concentration that explains so many sounds best.
    fn likeliest(&self, agreement: f64, count: f64) -> Concentration {
        let said = |of: &Concentration| of.value * agreement - count * of.log_norm;
        let none = Concentration { value: 0.0, log_norm: 0.0 };
        let each = CONCENTRATIONS.iter().zip(self.log_norms);
        let each = each.map(|(&value, log_norm)| Concentration { value, log_norm });
        each.max_by(|a, b| said(a).total_cmp(&said(b))).unwrap_or(none)
    }
}

struct Chord {
    from_s: f64,
    to_s: f64,
    /// Pitch-class weights, without their mean and of unit length.
    pitches: [f64; 12],
}

fn chords(grid: &Grid, beats: &BeatClock) -> Vec<Chord> {
    let mut chords: Vec<Chord> = Vec::new();
    let mut previous = None;
    for (beat, row) in grid.chroma.iter().enumerate().take(beats.count() - 1) {
        let to_s = beats.seconds_at(beat as f64 + 1.0);
        match (unit(&row.map(f64::from)), chords.last_mut()) {
            (Some(_), Some(chord)) if previous == Some(row) => chord.to_s = to_s,
            (Some(pitches), _) => {
                chords.push(Chord { from_s: beats.seconds_at(beat as f64), to_s, pitches });
            }
            (None, _) => {}
        }
        previous = Some(row);
    }
    chords
}

/// Without its mean and of unit length; `None` for a flat one.
pub(super) fn unit(row: &[f64; 12]) -> Option<[f64; 12]> {
    let mean = row.iter().sum::<f64>() / 12.0;
    let size = row.iter().map(|value| (value - mean).powi(2)).sum::<f64>().sqrt();
    (size > 1e-6).then(|| row.map(|value| (value - mean) / size))
}

pub(super) fn dot(a: &[f64; 12], b: &[f64; 12]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// log of the normaliser of the von Mises-Fisher density of this concentration against the
/// uniform one, in the eleven dimensions that zero mean leaves (Mardia & Jupp, Directional
/// Statistics, 2000, section 9.3.2): log 0F1(; 11/2; κ²/4).
fn log_norm(concentration: f64) -> f64 {
    let quarter = concentration * concentration / 4.0;
    let (mut sum, mut term) = (1.0, 1.0);
    for k in 0..80 {
        term *= quarter / ((k as f64 + 1.0) * (5.5 + k as f64));
        sum += term;
    }
    sum.ln()
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// Chords of two beats, each a triad on another degree, heard as written.
    pub(in crate::fit) fn case() -> (Grid, Playing) {
        let mut grid =
            Grid { beats_s: (0..=64).map(|k| k as f64 * 0.5).collect(), ..Grid::default() };
        let roots = [7, 0, 5, 2, 9, 4, 11, 7, 5, 0, 2, 9];
        for beat in 0..64 {
            let root: usize = roots[(beat / 2 * 5 + beat / 16) % roots.len()];
            let mut row = [0.0; 12];
            for third in [0, 4, 7] {
                row[(root + third) % 12] = 1.0;
            }
            grid.chroma.push(row);
        }
        let chroma = (0..400).map(|row| grid.chroma[(row * 64 / 400).min(63)]).collect();
        let playing = Playing {
            onsets: Vec::new(),
            hop_s: 0.005,
            novelty: Vec::new(),
            level_db: Vec::new(),
            chroma,
            chroma_hop_s: 0.08,
            duration_s: 32.0,
            tuning_cents: None,
            tonality: crate::onset::Tonality::default(),
            notes: Vec::new(),
            notes_hop_s: 0.16,
            octaves_db: Vec::new(),
        };
        (grid, playing)
    }

    #[test]
    fn the_right_place_scores_best_and_random_ones_near_nothing() {
        let (grid, playing) = case();
        let beats = BeatClock::new(&grid.beats_s).unwrap();
        let harmony = Harmony::new(&grid, &beats, &playing, 0);
        let at = |offset_s: f64| harmony.score(&|t| t + offset_s);
        assert!(at(0.0) > 20.0);
        for offset_s in [-8.0, -3.5, -1.0, 1.0, 2.5, 6.0] {
            assert!(at(offset_s) < at(0.0) - 10.0, "{} at {offset_s}", at(offset_s));
        }
    }

    #[test]
    fn a_take_that_sounds_too_high_fits_once_turned_back() {
        let (grid, mut playing) = case();
        playing.chroma.iter_mut().for_each(|row| row.rotate_right(2));
        let beats = BeatClock::new(&grid.beats_s).unwrap();
        let turned = |by| Harmony::new(&grid, &beats, &playing, by).score(&|t| t);
        assert!(turned(2) > turned(0) + 10.0 && turned(2) > turned(1) + 10.0);
    }
}
