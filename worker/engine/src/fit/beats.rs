//! Piece time in seconds to beats and back, through any changes of tempo.

pub(super) struct BeatClock {
    beats_s: Vec<f64>,
    /// Mean length of a beat.
    beat_s: f64,
}

/// Beats further from where the mean tempo has them are looked for among all.
const NEAR: usize = 2;

impl BeatClock {
    /// `None` for fewer than two beats, or beats that do not ascend.
    pub(super) fn new(beats_s: &[f64]) -> Option<Self> {
        let ascending = beats_s.windows(2).all(|pair| pair[1] > pair[0]);
        let finite = beats_s.iter().all(|beat| beat.is_finite());
        (beats_s.len() >= 2 && ascending && finite).then(|| {
            let beat_s = (beats_s[beats_s.len() - 1] - beats_s[0]) / (beats_s.len() - 1) as f64;
            Self { beats_s: beats_s.to_vec(), beat_s }
        })
    }

    /// How many beats after the first one; the first and last tempo go on beyond the ends.
    pub(super) fn beat_at(&self, piece_s: f64) -> f64 {
        let last = self.beats_s.len() - 2;
        let left = self.count_upto(piece_s).clamp(1, last + 1) - 1;
        let (a, b) = (self.beats_s[left], self.beats_s[left + 1]);
        left as f64 + (piece_s - a) / (b - a)
    }

    /// How many beats have begun. Looked for from where the mean tempo has it: the search asks for
    /// every stroke at every ratio and lag, and most pieces keep one tempo.
    fn count_upto(&self, piece_s: f64) -> usize {
        let beats_s = &self.beats_s;
        // A number below zero, or none, becomes 0.
        let mut count = ((piece_s - beats_s[0]) / self.beat_s) as usize;
        count = count.saturating_add(1).min(beats_s.len());
        for _ in 0..NEAR {
            if count < beats_s.len() && beats_s[count] <= piece_s {
                count += 1;
            } else if count > 0 && beats_s[count - 1] > piece_s {
                count -= 1;
            } else {
                return count;
            }
        }
        beats_s.partition_point(|&beat| beat <= piece_s)
    }

    /// Inverse of [`Self::beat_at`].
    pub(super) fn seconds_at(&self, beat: f64) -> f64 {
        let last = self.beats_s.len() - 2;
        let left = (beat.floor().max(0.0) as usize).min(last);
        let (a, b) = (self.beats_s[left], self.beats_s[left + 1]);
        a + (beat - left as f64) * (b - a)
    }

    /// Length of the beat at a position.
    pub(super) fn length_at(&self, beat: f64) -> f64 {
        let left = (beat.floor().max(0.0) as usize).min(self.beats_s.len() - 2);
        self.beats_s[left + 1] - self.beats_s[left]
    }

    /// Mean length of a beat.
    pub(super) fn beat_s(&self) -> f64 {
        self.beat_s
    }

    /// Whether the tempo is the same throughout.
    pub(super) fn is_steady(&self) -> bool {
        let mean = self.beat_s();
        self.beats_s.windows(2).all(|pair| (pair[1] - pair[0] - mean).abs() < 0.001 * mean)
    }

    /// Whether a place lies nearer than so many beats to where a section begins or ends.
    pub(super) fn is_near_border(
        &self,
        piece_s: f64,
        sections: &[(f64, f64)],
        within_beats: f64,
    ) -> bool {
        let beat = self.beat_at(piece_s);
        let mut borders = sections.iter().flat_map(|section| [section.0, section.1]);
        borders.any(|border_s| (self.beat_at(border_s) - beat).abs() < within_beats)
    }

    pub(super) fn count(&self) -> usize {
        self.beats_s.len()
    }

    pub(super) fn end_s(&self) -> f64 {
        self.beats_s[self.beats_s.len() - 1]
    }
}

/// Where within its beat a position lies. For positions that an integer holds; the library's floor
/// is a call unless the processor is known to have an instruction for it.
#[inline]
pub(super) fn within_beat(beat: f64) -> f64 {
    let whole = beat as i64 as f64;
    beat - if whole > beat { whole - 1.0 } else { whole }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_beat_is_found_wherever_the_tempo_goes() {
        let steady: Vec<f64> = (0..40).map(|beat| 1.7 + 0.454_545 * f64::from(beat)).collect();
        let slowing: Vec<f64> = (0..40).map(|beat| f64::from(beat * beat) * 0.01 - 3.0).collect();
        for beats_s in [steady, slowing, vec![0.0, 0.5], vec![0.0, 1e-300, 1.0]] {
            let clock = BeatClock::new(&beats_s).expect("beats that ascend");
            let between = beats_s.windows(2).map(|pair| 0.5 * (pair[0] + pair[1]));
            let nowhere = [f64::NEG_INFINITY, -1e9, -3.1, 1e9, f64::INFINITY];
            for at_s in beats_s.iter().copied().chain(between).chain(nowhere) {
                let begun = beats_s.iter().filter(|beat| **beat <= at_s).count();
                assert_eq!(clock.count_upto(at_s), begun, "{at_s} among {beats_s:?}");
            }
        }
    }

    #[test]
    fn within_its_beat_a_position_lies_above_the_whole_number_below() {
        for beat in [-2.0f64, -1.5, -0.1, -0.0, 0.0, 0.7, 1.0, 317.999, 1e9 + 0.5] {
            assert_eq!(within_beat(beat), beat - beat.floor());
        }
    }
}
