//! Which channels of a file go into which channels of a stem.

use std::ops::Range;

/// Which channels of the file a stem's channels are made of: one row a stem channel, in it one
/// factor a file channel.
#[derive(Debug, Clone, PartialEq)]
pub struct ChannelMatrix {
    rows: Vec<Vec<f32>>,
}

impl ChannelMatrix {
    /// Every channel as it is.
    #[must_use]
    pub fn same(channels: usize) -> Self {
        let row = |own: usize| (0..channels).map(|c| f32::from(u8::from(c == own))).collect();
        Self { rows: (0..channels).map(row).collect() }
    }

    /// One channel: the weighted sum of the file's.
    #[must_use]
    pub fn mono(weights: &[f32]) -> Self {
        Self { rows: vec![weights.to_vec()] }
    }

    /// Any matrix; rows are stem channels, columns file channels. Missing columns count as zero.
    #[must_use]
    pub fn of_rows(rows: Vec<Vec<f32>>) -> Self {
        Self { rows }
    }

    /// Channels that come out.
    #[must_use]
    pub fn channels(&self) -> usize {
        self.rows.len()
    }

    /// The factors of the file's channels in the mean of the channels that come out.
    pub(crate) fn mixed_down(&self) -> Vec<f32> {
        let columns = self.rows.iter().map(Vec::len).max().unwrap_or(0);
        let share = 1.0 / self.rows.len().max(1) as f32;
        let of =
            |column: usize| self.rows.iter().filter_map(|row| row.get(column)).sum::<f32>() * share;
        (0..columns).map(of).collect()
    }

    /// Adds the mix of `file` frames to the ends of `windows`.
    pub(crate) fn append(&self, file: &[&[f32]], frames: Range<usize>, windows: &mut [Vec<f32>]) {
        for (row, window) in self.rows.iter().zip(windows) {
            let begin = window.len();
            let mut parts = row.iter().zip(file).filter(|(weight, _)| **weight != 0.0);
            match parts.next() {
                Some((&1.0, channel)) => window.extend_from_slice(&channel[frames.clone()]),
                Some((weight, channel)) => {
                    window.extend(channel[frames.clone()].iter().map(|frame| weight * frame));
                }
                None => window.resize(begin + frames.len(), 0.0),
            }
            for (weight, channel) in parts {
                for (sum, frame) in window[begin..].iter_mut().zip(&channel[frames.clone()]) {
                    *sum += weight * frame;
                }
            }
        }
    }
}
