//! Where in the bar a part is struck, learned for each stretch of it from all the others.

use super::{FEWEST_BESIDE, Moved, Played};
use crate::fit::beats::BeatClock;

/// The bar's table has cells of this length.
const CELL_S: f64 = 0.004;
/// What a part strikes is learned from what it plays elsewhere, farther off than so many of these.
const BLOCK_BEATS: f64 = 8.0;
const BLOCKS_OFF: usize = 2;
/// Bars of more beats are not told apart by their beats.
const MOST_BAR_BEATS: usize = 16;
/// From fewer strokes nothing is learned.
const FEWEST_LEARNED: f64 = 24.0;
/// Share of strokes anywhere, and of the others that share which keep to the place in the beat
/// alone.
const STRAY: f64 = 0.1;
const ANY_BEAT: f64 = 0.3;
const LEAST_SPREAD_S: f64 = 0.008;
/// The strokes beside what was moved fit the rhythm at least so well beside all.
const HOLDS: f64 = 0.5;

/// Where in the bar a part is struck: by block of the piece, as learned from the others.
pub(super) struct Rhythm {
    /// Log density by cell of the bar beside that of strokes at random.
    tables: Vec<Vec<f64>>,
    bar_beats: f64,
    /// What it says of each stroke as it was followed.
    pub(super) followed: Vec<f64>,
}

impl Rhythm {
    pub(super) fn of(
        played: &[Played],
        beats: &BeatClock,
        bar_starts: &[usize],
        spread_s: f64,
    ) -> Self {
        let mut lengths = bar_starts.windows(2).map(|pair| pair[1] - pair[0]);
        let first = lengths.next().unwrap_or(1);
        // Where the bars are not alike, or very long, a beat is as good as any other.
        let alike = (1..=MOST_BAR_BEATS).contains(&first) && lengths.all(|length| length == first);
        let bar_beats = if alike { first } else { 1 };
        let cells_a_beat = (beats.beat_s() / CELL_S).ceil() as usize;
        let sd_cells = spread_s.max(LEAST_SPREAD_S) / beats.beat_s() * cells_a_beat as f64;
        let blocks = block_of(beats.count() as f64) + 1;
        let table = |block: usize| {
            let mut counts = vec![0.0; bar_beats * cells_a_beat];
            let elsewhere =
                |stroke: &&Played| block_of(stroke.followed).abs_diff(block) > BLOCKS_OFF;
            for stroke in played.iter().filter(elsewhere) {
                counts[cell(stroke.followed, bar_beats as f64, bar_beats * cells_a_beat)] += 1.0;
            }
            log_density(&counts, cells_a_beat, sd_cells)
        };
        let tables = (0..blocks).map(table).collect();
        let mut rhythm = Self { tables, bar_beats: bar_beats as f64, followed: Vec::new() };
        rhythm.followed = played.iter().map(|stroke| rhythm.at(stroke, stroke.followed)).collect();
        rhythm
    }

    /// Whether the playing to either side keeps to the rhythm: a free intro's does not.
    pub(super) fn holds_beside(&self, moved: &Moved) -> bool {
        let before = moved.first.checked_sub(FEWEST_BESIDE).map(|from| from..moved.first);
        let sides = [before, Some(moved.after..moved.after + FEWEST_BESIDE)];
        sides.into_iter().all(|side| {
            let said = side.and_then(|side| self.followed.get(side));
            said.is_some_and(|said| mean(said) > HOLDS * mean(&self.followed).max(0.0))
        })
    }

    /// Log density of a stroke, were it at this beat.
    pub(super) fn at(&self, stroke: &Played, beat: f64) -> f64 {
        let table = &self.tables[block_of(stroke.followed).min(self.tables.len() - 1)];
        table[cell(beat, self.bar_beats, table.len())]
    }
}

fn mean(said: &[f64]) -> f64 {
    said.iter().sum::<f64>() / said.len() as f64
}

fn block_of(beat: f64) -> usize {
    (beat / BLOCK_BEATS + 1.0).max(0.0) as usize
}

fn cell(beat: f64, bar_beats: f64, cells: usize) -> usize {
    let within = beat.rem_euclid(bar_beats) / bar_beats;
    ((within * cells as f64) as usize).min(cells - 1)
}

fn log_density(counts: &[f64], cells_a_beat: usize, sd_cells: f64) -> Vec<f64> {
    let count: f64 = counts.iter().sum();
    if count < FEWEST_LEARNED {
        return vec![0.0; counts.len()];
    }
    let mut in_beat = vec![0.0; cells_a_beat];
    for (cell, &count) in counts.iter().enumerate() {
        in_beat[cell % cells_a_beat] += count;
    }
    let relative = |counts: &[f64]| {
        let mut smooth = blurred(counts, sd_cells);
        smooth.iter_mut().for_each(|share| *share *= counts.len() as f64 / count);
        smooth
    };
    let (in_bar, in_beat) = (relative(counts), relative(&in_beat));
    let density = |(cell, in_bar): (usize, &f64)| {
        let kept = (1.0 - ANY_BEAT) * in_bar + ANY_BEAT * in_beat[cell % cells_a_beat];
        (STRAY + (1.0 - STRAY) * kept).ln()
    };
    in_bar.iter().enumerate().map(density).collect()
}

/// Counts around a circle, each spread over its neighbours by a normal law.
fn blurred(counts: &[f64], sd_cells: f64) -> Vec<f64> {
    let reach = ((4.0 * sd_cells).ceil() as usize).min((counts.len() - 1) / 2);
    let weight = |off: usize| {
        (-0.5 * (off as f64 / sd_cells).powi(2)).exp() / (sd_cells * std::f64::consts::TAU.sqrt())
    };
    let mut spread = vec![0.0; counts.len()];
    for (cell, &count) in counts.iter().enumerate().filter(|(_, count)| **count > 0.0) {
        spread[cell] += count * weight(0);
        for off in 1..=reach {
            spread[(cell + off) % counts.len()] += count * weight(off);
            spread[(cell + counts.len() - off) % counts.len()] += count * weight(off);
        }
    }
    spread
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_leads_into_the_pulse_or_out_of_it_was_not_moved() {
        let rhythm =
            |said: &[f64]| Rhythm { tables: Vec::new(), bar_beats: 4.0, followed: said.to_vec() };
        let moved = Moved { by_s: 0.1, first: 12, after: 20, rhythm: 0.0, pitch: 0.0 };
        let mut said = [2.0; 32];
        said[12..20].fill(-2.0);
        assert!(rhythm(&said).holds_beside(&moved));
        said[..10].fill(-2.0);
        assert!(!rhythm(&said).holds_beside(&moved), "a free intro");
        assert!(!rhythm(&said[..31]).holds_beside(&moved), "the end");
    }
}
