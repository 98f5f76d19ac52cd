//! What the strokes' pitches say once all of a take, or all from some stroke on, is shifted along
//! the chart by half beats.

use super::beats::BeatClock;
use super::notes::Notes;

/// Shifts looked at, in half beats to either side.
pub(super) const MOST_HALVES: i32 = 8;
pub(super) const SHIFTS: usize = 2 * MOST_HALVES as usize + 1;
/// The one among them that is none.
pub(super) const UNMOVED: usize = MOST_HALVES as usize;

/// The strokes' log likelihoods by shift, from -`MOST_HALVES` on.
pub(super) struct Shifts {
    half_s: f64,
    said: [Vec<f64>; SHIFTS],
}

impl Shifts {
    /// For a take as laid by `piece_at`.
    pub(super) fn new(notes: &Notes, beats: &BeatClock, piece_at: &dyn Fn(f64) -> f64) -> Self {
        let half_s = 0.5 * beats.beat_s();
        let said = std::array::from_fn(|index| {
            let shift_s = f64::from(index as i32 - MOST_HALVES) * half_s;
            notes.log_likelihoods(beats, &|file_s| piece_at(file_s) - shift_s)
        });
        Self { half_s, said }
    }

    /// So many half beats in seconds.
    pub(super) fn seconds(&self, halves: i32) -> f64 {
        f64::from(halves) * self.half_s
    }

    /// What one stroke says for each shift.
    pub(super) fn of_stroke(&self, stroke: usize) -> [f64; SHIFTS] {
        std::array::from_fn(|shift| self.said[shift][stroke])
    }

    /// By how much likelier a shift of so many half beats makes one stroke than none.
    pub(super) fn gain(&self, stroke: usize, halves: i32) -> f64 {
        self.said[(halves + MOST_HALVES) as usize][stroke] - self.said[UNMOVED][stroke]
    }

    /// Whether the strokes before this one fit the chart where they lie better than by chance.
    pub(super) fn fits_before(&self, stroke: usize) -> bool {
        self.said[UNMOVED][..stroke].iter().sum::<f64>() > 0.0
    }

    /// From each stroke to the end, by how much likelier a shift of so many half beats makes them
    /// than none; 0 after the last.
    pub(super) fn gains_to_end(&self, halves: i32) -> Vec<f64> {
        let shifted = &self.said[(halves + MOST_HALVES) as usize];
        let gains = shifted.iter().zip(&self.said[UNMOVED]).map(|(a, b)| a - b);
        let mut sums: Vec<f64> = gains.chain([0.0]).collect();
        for stroke in (1..sums.len()).rev() {
            sums[stroke - 1] += sums[stroke];
        }
        sums
    }
}
