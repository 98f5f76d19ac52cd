//! A shared room that was recorded: its impulse response, convolved with what groups send.

use super::convolve::Convolver;
use crate::decode::{DecodeError, Limits, Recording};
use crate::resample::{ChannelMatrix, LayError, TimeMap, lay};
use std::convert::Infallible;
use std::path::Path;

/// Longest response, s: the reverberation of a cathedral.
pub const LONGEST_S: f64 = 12.0;

/// Most channels: one for both sides, or one for each.
const MOST_CHANNELS: u16 = 2;

/// Rates a response may have, Hz.
const RATES_HZ: std::ops::RangeInclusive<u32> = 8_000..=192_000;

/// Largest file of a response.
const MOST_BYTES: u64 = 64 << 20;

/// An impulse response at the rate of a piece.
///
/// Its level is set so that it neither adds nor takes power from a sound that has all frequencies
/// alike: the mean of the channels' energies is 1. So a send means the same in every room.
#[derive(Debug, Clone, PartialEq)]
pub struct ImpulseResponse {
    planes: Vec<Vec<f32>>,
    content_hash: [u8; 32],
}

/// Why a file cannot serve as a room; each is one plain sentence.
#[derive(Debug, thiserror::Error)]
pub enum ImpulseError {
    /// It cannot be decoded.
    #[error("its impulse response cannot be read: {0}")]
    Decode(DecodeError),
    /// It has more channels than two.
    #[error("its impulse response has {0} channels: give one of one or two channels")]
    Channels(u16),
    /// Its rate is odd.
    #[error("its impulse response is at {0} Hz: give one at 8 000 to 192 000 Hz")]
    Rate(u32),
    /// It is too long.
    #[error("its impulse response is longer than {LONGEST_S} s: cut it where it has faded away")]
    TooLong,
    /// There is nothing in it.
    #[error("its impulse response is silent")]
    Silent,
}

impl ImpulseResponse {
    /// Reads one from a sound file, at `rate_hz`.
    ///
    /// # Errors
    /// [`ImpulseError`] says what is wrong with the file.
    pub fn read(path: &Path, rate_hz: u32) -> Result<Self, ImpulseError> {
        let limits = Limits {
            max_decoded_s: LONGEST_S + 1.0,
            max_file_bytes: MOST_BYTES,
            ..Limits::default()
        };
        let recording = Recording::new(path, limits);
        let (channels, file_rate_hz, frames) = measure(&recording)?;
        // The file's frames are the grid's, but for the rate.
        let map = TimeMap::straight(0.0, f64::from(file_rate_hz) / f64::from(rate_hz));
        let end = (frames as f64 * f64::from(rate_hz) / f64::from(file_rate_hz)).ceil() as i64;
        let mut planes = vec![Vec::new(); usize::from(channels)];
        let matrix = ChannelMatrix::same(usize::from(channels));
        let laid = lay(&recording, &map, 0..end, &matrix, &mut |block| {
            for (plane, block) in planes.iter_mut().zip(block) {
                plane.extend_from_slice(block);
            }
            Ok::<(), Infallible>(())
        });
        match laid {
            Err(LayError::Decode(error)) => return Err(ImpulseError::Decode(error)),
            Err(LayError::Sink(never)) => match never {},
            Ok(()) => {}
        }
        Self::new(planes)
    }

    /// One from its samples: one channel for both sides, or left and right.
    ///
    /// # Errors
    /// [`ImpulseError::Channels`], [`ImpulseError::Silent`].
    pub fn new(mut planes: Vec<Vec<f32>>) -> Result<Self, ImpulseError> {
        if planes.is_empty() || planes.len() > usize::from(MOST_CHANNELS) {
            return Err(ImpulseError::Channels(planes.len() as u16));
        }
        let square = |plane: &Vec<f32>| -> f64 {
            plane.iter().map(|tap| f64::from(*tap) * f64::from(*tap)).sum()
        };
        let energy = planes.iter().map(square).sum::<f64>() / planes.len() as f64;
        if !(energy > 1e-12 && energy.is_finite()) {
            return Err(ImpulseError::Silent);
        }
        let gain = 1.0 / energy.sqrt();
        let mut hasher = blake3::Hasher::new();
        for plane in &mut planes {
            for tap in plane.iter_mut() {
                *tap = (f64::from(*tap) * gain) as f32;
                hasher.update(&tap.to_le_bytes());
            }
        }
        Ok(Self { planes, content_hash: *hasher.finalize().as_bytes() })
    }

    /// BLAKE3 of its samples as they are used, in hexadecimal.
    #[must_use]
    pub fn content_hex(&self) -> String {
        blake3::Hash::from_bytes(self.content_hash).to_hex().to_string()
    }

    /// Its samples, one vector a channel.
    #[must_use]
    pub fn planes(&self) -> &[Vec<f32>] {
        &self.planes
    }
}

/// Channels, rate and frames, all within their limits.
fn measure(recording: &Recording) -> Result<(u16, u32, u64), ImpulseError> {
    let mut stream = recording.open().map_err(ImpulseError::Decode)?;
    let (channels, rate_hz) = (stream.info().channels, stream.info().sample_rate_hz);
    if !(1..=MOST_CHANNELS).contains(&channels) {
        return Err(ImpulseError::Channels(channels));
    }
    if !RATES_HZ.contains(&rate_hz) {
        return Err(ImpulseError::Rate(rate_hz));
    }
    let mut frames = 0;
    loop {
        match stream.next_block() {
            Ok(Some(block)) => frames += block.channels.first().map_or(0, Vec::len) as u64,
            Ok(None) => break,
            Err(DecodeError::TooLong { .. }) => return Err(ImpulseError::TooLong),
            Err(error) => return Err(ImpulseError::Decode(error)),
        }
        if frames as f64 > LONGEST_S * f64::from(rate_hz) {
            return Err(ImpulseError::TooLong);
        }
    }
    Ok((channels, rate_hz, frames))
}

/// The room; only what it adds comes out. Tails ring on over any border.
pub struct Hall {
    sides: [Convolver; 2],
}

impl Hall {
    /// A room of this response, `pre_delay_ms` (0 to 200) after what is sent.
    ///
    /// # Errors
    /// [`super::OutOfRange`] for another delay.
    pub fn new(
        response: &ImpulseResponse,
        pre_delay_ms: f64,
        rate_hz: u32,
    ) -> Result<Self, super::OutOfRange> {
        let wait_ms = super::within("the pre-delay in ms", pre_delay_ms, 0.0, 200.0)?;
        let wait = vec![0.0; (wait_ms * 1e-3 * f64::from(rate_hz)).round() as usize];
        let last = response.planes.len() - 1;
        let side =
            |side: usize| Convolver::new(&[&wait[..], &response.planes[side.min(last)]].concat());
        Ok(Self { sides: [side(0), side(1)] })
    }

    /// Takes what is sent and writes what the room gives, both stereo and equally long.
    pub fn process(&mut self, sent: &[Vec<f32>; 2], out: &mut [Vec<f32>; 2]) {
        for ((side, sent), out) in self.sides.iter_mut().zip(sent).zip(out) {
            out.clear();
            side.process(sent, out);
        }
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    fn written(dir: &Path, rate_hz: u32, channels: u16, frames: usize) -> std::path::PathBuf {
        let path = dir.join(format!("{rate_hz}-{channels}-{frames}.wav"));
        let spec = hound::WavSpec {
            channels,
            sample_rate: rate_hz,
            bits_per_sample: 32,
            sample_format: hound::SampleFormat::Float,
        };
        let mut writer = hound::WavWriter::create(&path, spec).unwrap();
        let mut random = fastrand::Rng::with_seed(3);
        for frame in 0..frames {
            let decay = (-6.0 * frame as f32 / frames as f32).exp();
            for _ in 0..channels {
                writer.write_sample(decay * (random.f32() - 0.5)).unwrap();
            }
        }
        writer.finalize().unwrap();
        path
    }

    #[test]
    fn a_response_of_any_rate_comes_to_the_pieces_at_unit_power() {
        let dir = tempfile::tempdir().unwrap();
        for (rate_hz, channels) in [(48_000, 1), (44_100, 2), (96_000, 2)] {
            let path = written(dir.path(), rate_hz, channels, rate_hz as usize);
            let response = ImpulseResponse::read(&path, 48_000).unwrap();
            assert_eq!(response.planes().len(), usize::from(channels));
            assert!(response.planes().iter().all(|plane| plane.len().abs_diff(48_000) <= 1));
            let energy: f32 = response.planes().iter().flatten().map(|tap| tap * tap).sum();
            assert!((energy / f32::from(channels) - 1.0).abs() < 1e-3, "{energy}");
        }
    }

    #[test]
    fn what_cannot_be_a_room_is_said() {
        let dir = tempfile::tempdir().unwrap();
        let read = |rate_hz, channels, frames| {
            ImpulseResponse::read(&written(dir.path(), rate_hz, channels, frames), 48_000)
        };
        assert!(matches!(read(48_000, 3, 100), Err(ImpulseError::Channels(3))));
        assert!(matches!(read(6_000, 1, 100), Err(ImpulseError::Rate(6_000))));
        assert!(matches!(read(8_000, 1, 8_000 * 12 + 1), Err(ImpulseError::TooLong)));
        assert!(matches!(read(8_000, 1, 8_000 * 60), Err(ImpulseError::TooLong)));
        assert!(matches!(ImpulseResponse::new(vec![vec![0.0; 9]]), Err(ImpulseError::Silent)));
        let path = dir.path().join("words.wav");
        std::fs::write(&path, b"not a sound").unwrap();
        assert!(matches!(ImpulseResponse::read(&path, 48_000), Err(ImpulseError::Decode(_))));
    }
}
