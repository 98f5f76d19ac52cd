//! What a stem's header tells of its sound.

use super::{BLOCK_FRAMES, StemError};
use crate::loudness::{KWeighting, hops};
use crate::math::vectors::{LANES, in_vectors, peak, summed};
use serde::{Deserialize, Serialize};

/// What is known of a stem without reading its samples.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct StemSummary {
    /// Samples a second, the piece's.
    pub rate_hz: u32,
    /// 1 or 2.
    pub channels: u16,
    /// Position of the first frame on the master grid; negative before bar 1 beat 1.
    pub first_sample: i64,
    /// Frames from the first to the last, silence counted.
    pub frames: u64,
    /// Frames in blocks that are stored: those that are not pure silence.
    pub stored_frames: u64,
    /// Frames in blocks where something plays: louder than −70 dBFS and within 40 dB of the
    /// loudest block's power (common practice, no source).
    pub active_frames: u64,
    /// Highest absolute sample.
    pub peak: f32,
    /// Gated loudness (ITU-R BS.1770) in LUFS, which is the loudness of the active part; none
    /// when nothing rises above the absolute gate or the stem is shorter than 400 ms.
    pub active_lufs: Option<f64>,
    /// Share of the power that lies below about 200 Hz, 0 to 1.
    pub low_share: f32,
    /// BLAKE3 of the content: rate, channels, extent and stored blocks.
    pub content_hash: [u8; 32],
}

impl StemSummary {
    /// The content hash in hexadecimal.
    #[must_use]
    pub fn content_hex(&self) -> String {
        self.content_hash.iter().map(|byte| format!("{byte:02x}")).collect()
    }

    /// Position after the last frame.
    #[must_use]
    pub fn end_sample(&self) -> i64 {
        self.first_sample + self.frames as i64
    }
}

/// Rates that a meter of loudness takes.
const MEASURABLE_HZ: std::ops::RangeInclusive<u32> = 16..=2_822_400;

/// Gathers a summary block by block.
pub(super) struct Gauge {
    weightings: Vec<KWeighting>,
    /// K-weighted squares of a block's frames, the channels' added.
    squares: Vec<f64>,
    /// Mean K-weighted powers of the hops so far, and what there is of the next.
    hop_powers: Vec<f64>,
    hop_frames: usize,
    hop: (f64, usize),
    low: [f32; 2],
    low_step: f32,
    low_power: f64,
    power: f64,
    block_power: Vec<f32>,
    peak: f32,
}

/// Corner of the one-pole low-pass that tells low sounds from others, Hz.
const LOW_HZ: f64 = 200.0;

impl Gauge {
    pub(super) fn new(rate_hz: u32, channels: u16) -> Result<Self, StemError> {
        if !MEASURABLE_HZ.contains(&rate_hz) {
            return Err(StemError::Misuse("its sample rate cannot be measured for loudness"));
        }
        Ok(Self {
            weightings: (0..channels).map(|_| KWeighting::new(rate_hz)).collect(),
            squares: vec![0.0; BLOCK_FRAMES],
            hop_powers: Vec::new(),
            hop_frames: hops::hop_frames(rate_hz),
            hop: (0.0, 0),
            low: [0.0; 2],
            low_step: (1.0 - (-std::f64::consts::TAU * LOW_HZ / f64::from(rate_hz)).exp()) as f32,
            low_power: 0.0,
            power: 0.0,
            block_power: Vec::new(),
            peak: 0.0,
        })
    }

    /// Takes one block, all channels; gives its K-weighted power (BS.1770-4), the channels'
    /// mean squares added.
    pub(super) fn push(&mut self, channels: &[&[f32]]) -> f32 {
        self.squares.fill(0.0);
        for (channel, weighting) in channels.iter().zip(&mut self.weightings) {
            weighting.add_squares(channel, &mut self.squares);
        }
        let weighted = sum(&self.squares);
        self.end_hops();
        let mut block_power = 0.0f64;
        for (channel, low) in channels.iter().zip(&mut self.low) {
            self.low_power += low_power(channel, low, self.low_step);
            block_power += power(channel);
            self.peak = self.peak.max(peak(channel));
        }
        self.power += block_power;
        self.block_power.push((block_power / BLOCK_FRAMES as f64) as f32);
        (weighted / BLOCK_FRAMES as f64) as f32
    }

    /// Takes the squares into hops.
    fn end_hops(&mut self) {
        let mut squares = &self.squares[..];
        while !squares.is_empty() {
            let (power, frames) = &mut self.hop;
            let (own, rest) = squares.split_at(squares.len().min(self.hop_frames - *frames));
            *power += sum(own);
            *frames += own.len();
            squares = rest;
            if *frames == self.hop_frames {
                self.hop_powers.push(*power / self.hop_frames as f64);
                self.hop = (0.0, 0);
            }
        }
    }

    pub(super) fn active_frames(&self) -> u64 {
        let loudest = self.block_power.iter().copied().fold(0.0f32, f32::max);
        let threshold = (loudest * 1e-4).max(1e-7);
        let active = self.block_power.iter().filter(|&&power| power > threshold).count();
        (active * BLOCK_FRAMES) as u64
    }

    pub(super) fn peak(&self) -> f32 {
        self.peak
    }

    pub(super) fn low_share(&self) -> f32 {
        if self.power > 0.0 { (self.low_power / self.power).clamp(0.0, 1.0) as f32 } else { 0.0 }
    }

    pub(super) fn active_lufs(&self) -> Option<f64> {
        hops::integrated_lufs(&self.hop_powers)
    }
}

in_vectors! {
    fn sum(values: &[f64]) -> f64 {
        summed(values, |value| *value)
    }
}

in_vectors! {
    /// Sum of the squares of a block, which is whole lanes.
    fn power(samples: &[f32]) -> f64 {
        let mut sums = [0.0f32; LANES];
        for chunk in samples.as_chunks::<LANES>().0 {
            for lane in 0..LANES {
                sums[lane] += chunk[lane] * chunk[lane];
            }
        }
        sums.iter().map(|sum| f64::from(*sum)).sum()
    }
}

/// Frames of the low-pass done at a time.
const TOGETHER: usize = 8;

in_vectors! {
    /// Power of the samples through a one-pole low-pass, which moves by `step` of what it lacks and
    /// has come to `low`. Some frames at a time: each is a sum of products with those before it,
    /// which waits for nothing.
    fn low_power(samples: &[f32], low: &mut f32, step: f32) -> f64 {
        let keep = 1.0 - step;
        let faded: [f32; TOGETHER] = std::array::from_fn(|frame| keep.powi(frame as i32 + 1));
        // The answer to one frame, with the frames before it silent.
        let answer: [f32; 2 * TOGETHER] = std::array::from_fn(|at| match at.checked_sub(TOGETHER) {
            Some(frame) => step * keep.powi(frame as i32),
            None => 0.0,
        });
        let mut powers = [0.0f32; TOGETHER];
        for chunk in samples.as_chunks::<TOGETHER>().0 {
            let mut results = [0.0f32; TOGETHER];
            for (at, sample) in chunk.iter().enumerate() {
                for frame in 0..TOGETHER {
                    results[frame] += sample * answer[TOGETHER + frame - at];
                }
            }
            for frame in 0..TOGETHER {
                results[frame] += *low * faded[frame];
                powers[frame] += results[frame] * results[frame];
            }
            *low = results[TOGETHER - 1];
        }
        powers.iter().map(|power| f64::from(*power)).sum()
    }
}
