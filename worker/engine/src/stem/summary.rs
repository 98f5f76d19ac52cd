//! What a stem's header tells of its sound.

use super::{BLOCK_FRAMES, StemError};
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

/// Gathers a summary block by block.
pub(super) struct Gauge {
    meter: Option<ebur128::EbuR128>,
    low: [f32; 2],
    low_step: f32,
    low_power: f64,
    power: f64,
    block_power: Vec<f32>,
    peak: f32,
    block_ms: u32,
}

/// Corner of the one-pole low-pass that tells low sounds from others, Hz.
const LOW_HZ: f64 = 200.0;

impl Gauge {
    pub(super) fn new(rate_hz: u32, channels: u16) -> Result<Self, StemError> {
        let meter = ebur128::EbuR128::new(u32::from(channels), rate_hz, ebur128::Mode::I)
            .map_err(|_| StemError::Misuse("its sample rate cannot be measured for loudness"))?;
        Ok(Self {
            meter: Some(meter),
            low: [0.0; 2],
            low_step: (1.0 - (-std::f64::consts::TAU * LOW_HZ / f64::from(rate_hz)).exp()) as f32,
            low_power: 0.0,
            power: 0.0,
            block_power: Vec::new(),
            peak: 0.0,
            block_ms: (BLOCK_FRAMES as u32 * 1000 / rate_hz).clamp(1, 400),
        })
    }

    /// Takes one block, all channels; gives its K-weighted power (BS.1770-4), the channels'
    /// mean squares added.
    pub(super) fn push(&mut self, channels: &[&[f32]]) -> f32 {
        let mut weighted = 0.0;
        if let Some(meter) = &mut self.meter {
            match meter.add_frames_planar_f32(channels) {
                Ok(()) => {
                    let lufs = meter.loudness_window(self.block_ms).unwrap_or(f64::NEG_INFINITY);
                    weighted = 10f64.powf((lufs + 0.691) / 10.0) as f32;
                }
                Err(_) => self.meter = None,
            }
        }
        let mut block_power = 0.0f64;
        for (channel, low) in channels.iter().zip(&mut self.low) {
            let mut state = *low;
            let (mut low_power, mut power, mut peak) = (0.0f32, 0.0f32, 0.0f32);
            for &sample in *channel {
                state += self.low_step * (sample - state);
                low_power += state * state;
                power += sample * sample;
                peak = peak.max(sample.abs());
            }
            *low = state;
            self.low_power += f64::from(low_power);
            block_power += f64::from(power);
            self.peak = self.peak.max(peak);
        }
        self.power += block_power;
        self.block_power.push((block_power / BLOCK_FRAMES as f64) as f32);
        weighted
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
        self.meter.as_ref()?.loudness_global().ok().filter(|lufs| lufs.is_finite())
    }
}
