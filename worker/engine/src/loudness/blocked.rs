//! Filters of one channel, some frames at a time.
//!
//! A recursive filter waits for its own last result. Its results of some frames and what it
//! remembers after them are sums of products with those frames and what it remembered before,
//! though, by weights that its own answers to one alone give; and those sums wait for nothing.

use super::weighting::Weighting;
use crate::math::vectors::in_vectors;

/// Frames done at a time.
const FRAMES: usize = 8;

/// Most numbers that a filter remembers.
const STATES: usize = 4;

/// Weights of one frame or one remembered number in everything that comes of it.
#[derive(Clone, Copy, Default)]
struct Column {
    results: [f64; FRAMES],
    states: [f64; STATES],
}

/// K-weighting (ITU-R BS.1770-4, annex 1) of one channel.
pub(crate) struct KWeighting {
    of_frames: [Column; FRAMES],
    of_states: [Column; STATES],
    states: [f64; STATES],
    weighting: Weighting,
}

impl KWeighting {
    pub(crate) fn new(rate_hz: u32) -> Self {
        let weighting = Weighting::new(rate_hz);
        let answer = |frames: [f64; FRAMES], mut states: [f64; STATES]| Column {
            results: frames.map(|frame| weighting.pass(frame, &mut states)),
            states,
        };
        let one = |at: usize| move |number: usize| f64::from(u8::from(at == number));
        let frame = |at| answer(std::array::from_fn(one(at)), [0.0; STATES]);
        let state = |at| answer([0.0; FRAMES], std::array::from_fn(one(at)));
        Self {
            of_frames: std::array::from_fn(frame),
            of_states: std::array::from_fn(state),
            states: [0.0; STATES],
            weighting,
        }
    }

    /// Adds the squares of the weighted frames to those that are there, one a frame.
    pub(crate) fn add_squares(&mut self, frames: &[f32], squares: &mut [f64]) {
        add_squares(self, frames, squares);
        // What has faded far below hearing stops, before it becomes slow to compute.
        for state in self.states.iter_mut().filter(|state| state.abs() < 1e-30) {
            *state = 0.0;
        }
    }
}

in_vectors! {
    fn add_squares(filter: &mut KWeighting, frames: &[f32], squares: &mut [f64]) {
        let (whole, rest) = frames.as_chunks::<FRAMES>();
        let (whole_squares, rest_squares) = squares.as_chunks_mut::<FRAMES>();
        for (frames, squares) in whole.iter().zip(whole_squares) {
            let mut sum = Column::default();
            for (frame, column) in frames.iter().zip(&filter.of_frames) {
                sum.add(f64::from(*frame), column);
            }
            // What the next frames wait for is added last.
            for (state, column) in filter.states.iter().zip(&filter.of_states) {
                sum.add(*state, column);
            }
            filter.states = sum.states;
            for (square, result) in squares.iter_mut().zip(sum.results) {
                *square += result * result;
            }
        }
        for (frame, square) in rest.iter().zip(rest_squares) {
            let result = filter.weighting.pass(f64::from(*frame), &mut filter.states);
            *square += result * result;
        }
    }
}

impl Column {
    #[inline(always)]
    fn add(&mut self, number: f64, column: &Column) {
        for (sum, weight) in self.results.iter_mut().zip(&column.results) {
            *sum += number * weight;
        }
        for (sum, weight) in self.states.iter_mut().zip(&column.states) {
            *sum += number * weight;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn frames_at_a_time_give_what_frame_by_frame_gives() {
        let mut random = fastrand::Rng::with_seed(5);
        let sound: Vec<f32> = (0..50_000).map(|_| random.f32() - 0.3).collect();
        for (rate_hz, part) in [(48_000, 4_096), (44_100, 441), (96_000, 7)] {
            let mut filter = KWeighting::new(rate_hz);
            let mut squares = vec![0.25; sound.len()];
            for (sound, squares) in sound.chunks(part).zip(squares.chunks_mut(part)) {
                filter.add_squares(sound, squares);
            }
            let (weighting, mut states) = (Weighting::new(rate_hz), [0.0; STATES]);
            for (square, sample) in squares.iter().zip(&sound) {
                let plain = weighting.pass(f64::from(*sample), &mut states);
                // The high pass's poles lie near one: what is rounded off fades slowly.
                assert!((square - 0.25 - plain * plain).abs() < 1e-9, "{rate_hz}: {square}");
            }
        }
    }
}
