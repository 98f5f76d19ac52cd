//! Hears the bleed in a take of which no stem is wanted.
//!
//! The meter compares at a low rate, so the file is brought down first and laid on the low-rate
//! grid: a quarter of the work of laying a stem and bringing that down.

use std::convert::Infallible;
use std::ops::Range;

use super::guide::{Lower, factor};
use super::{Bleed, BleedMeter};
use crate::decode::{DecodeError, Recording};
use crate::resample::{ChannelMatrix, Layer, TimeMap};

/// What would be laid: the map, the samples of the master grid, and how channels are mixed.
#[derive(Debug, Clone, Copy)]
pub struct Laying<'a> {
    /// From the grid to the file.
    pub map: &'a TimeMap,
    /// Samples of the grid at the piece's rate.
    pub range: &'a Range<i64>,
    /// The stem's channels out of the file's.
    pub matrix: &'a ChannelMatrix,
}

/// Decodes `recording` once more and measures the bleed in what would be laid.
///
/// # Errors
/// Those of the decoder.
pub fn listen(
    recording: &Recording,
    laying: Laying<'_>,
    mut meter: BleedMeter,
) -> Result<Option<Bleed>, DecodeError> {
    let mut stream = recording.open()?;
    let (grid_down, file_down) = (meter.down(), factor(stream.info().sample_rate_hz));
    let map = laying.map.lowered(grid_down, file_down);
    let down = grid_down as i64;
    let range = laying.range.start.div_euclid(down)..laying.range.end.div_euclid(down);
    let mut layer = Layer::new(map, range, ChannelMatrix::same(1));
    let mut cells = Cells::new(file_down, &laying.matrix.mixed_down());
    let mut sink = |block: &[&[f32]]| -> Result<(), Infallible> {
        meter.push_low(block[0]);
        Ok(())
    };
    while !layer.is_done() {
        let Some(block) = stream.next_block()? else { break };
        let channels: Vec<&[f32]> = block.channels.iter().map(Vec::as_slice).collect();
        let first = cells.push(block.first_frame, &channels);
        let Ok(()) = layer.push(first, &[&cells.done], &mut sink);
    }
    let Ok(()) = layer.finish(&mut sink);
    Ok(meter.finish())
}

/// Means of so many frames each, of all channels mixed to one.
struct Cells {
    down: u64,
    mix: ChannelMatrix,
    lower: Lower,
    /// The next frame that is expected.
    next_frame: u64,
    mono: [Vec<f32>; 1],
    done: Vec<f32>,
}

impl Cells {
    fn new(down: usize, weights: &[f32]) -> Self {
        Self {
            down: down as u64,
            mix: ChannelMatrix::mono(weights),
            lower: Lower::new(down, 0),
            next_frame: 0,
            mono: [Vec::new()],
            done: Vec::new(),
        }
    }

    /// Takes the frames from `first_frame` on and leaves the cells that they complete in `done`;
    /// gives the number of the first of them. What lies in a gap is silence.
    fn push(&mut self, first_frame: u64, channels: &[&[f32]]) -> u64 {
        let (first_cell, within) = (first_frame / self.down, first_frame % self.down);
        if first_cell == self.next_frame / self.down {
            self.lower.pass(first_frame.saturating_sub(self.next_frame) as usize);
        } else {
            self.lower = Lower::new(self.down as usize, within as usize);
        }
        let frames = channels.first().map_or(0, |channel| channel.len());
        self.mono[0].clear();
        self.mix.append(channels, 0..frames, &mut self.mono);
        self.done.clear();
        self.lower.push(&self.mono[0], &mut self.done);
        self.next_frame = first_frame + frames as u64;
        first_cell
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cells_are_means_of_the_mixed_frames_whatever_the_blocks() {
        let left: Vec<f32> = (0..30).map(|n| n as f32).collect();
        let right: Vec<f32> = left.iter().map(|n| -3.0 * n).collect();
        for size in [1, 3, 4, 30] {
            let mut cells = Cells::new(4, &[0.5, -0.5]);
            let mut heard = Vec::new();
            for from in (0..30).step_by(size) {
                let upto = (from + size).min(30);
                let block = [&left[from..upto], &right[from..upto]];
                let first = cells.push(from as u64, &block);
                assert_eq!(first as usize, heard.len());
                heard.extend_from_slice(&cells.done);
            }
            assert_eq!(heard, [3.0, 11.0, 19.0, 27.0, 35.0, 43.0, 51.0], "{size}");
        }
    }

    #[test]
    fn after_a_gap_cells_keep_their_numbers() {
        let mut cells = Cells::new(4, &[1.0]);
        assert_eq!((cells.push(0, &[&[1.0; 5]]), cells.done.len()), (0, 1));
        assert_eq!((cells.push(42, &[&[1.0; 6]]), cells.done.clone()), (10, vec![0.5, 1.0]));
    }
}
