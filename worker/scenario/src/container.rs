//! The files people send: containers and sample formats a browser or a phone would write.

use std::path::{Path, PathBuf};

use crate::ScenarioError;

/// A container with its sample format.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Container {
    /// WAV, 16 bit.
    Wav16,
    /// WAV, 24 bit.
    Wav24,
    /// WAV, 32-bit float.
    WavFloat,
    /// AIFF, 16 bit big-endian.
    Aiff16,
    /// FLAC, 16 bit.
    Flac16,
    /// Opus in Ogg at 96 kbit/s a channel, as a browser records.
    OggOpus,
}

impl Container {
    /// All of them.
    pub const ALL: [Container; 6] = [
        Container::Wav16,
        Container::Wav24,
        Container::Flac16,
        Container::OggOpus,
        Container::Aiff16,
        Container::WavFloat,
    ];

    /// The ending of its files.
    pub fn ending(self) -> &'static str {
        match self {
            Container::Wav16 | Container::Wav24 | Container::WavFloat => "wav",
            Container::Aiff16 => "aiff",
            Container::Flac16 => "flac",
            Container::OggOpus => "ogg",
        }
    }

    /// Its name for tables.
    pub fn name(self) -> &'static str {
        match self {
            Container::Wav16 => "WAV 16",
            Container::Wav24 => "WAV 24",
            Container::WavFloat => "WAV float",
            Container::Aiff16 => "AIFF 16",
            Container::Flac16 => "FLAC 16",
            Container::OggOpus => "Ogg Opus",
        }
    }

    /// Writes planar channels of one length into `path`; integer formats clip at full scale,
    /// as a converter does.
    ///
    /// # Errors
    /// [`ScenarioError::Write`] with the system's or the encoder's words.
    pub fn write(
        self,
        path: &Path,
        channels: &[Vec<f32>],
        rate_hz: u32,
    ) -> Result<PathBuf, ScenarioError> {
        let path = path.with_extension(self.ending());
        let written = match self {
            Container::Wav16 => wav(&path, channels, rate_hz, 16),
            Container::Wav24 => wav(&path, channels, rate_hz, 24),
            Container::WavFloat => wav(&path, channels, rate_hz, 32),
            Container::Aiff16 => aiff(&path, channels, rate_hz),
            Container::Flac16 => flac(&path, channels, rate_hz),
            Container::OggOpus => ogg_opus(&path, channels, rate_hz),
        };
        written.map_err(|why| ScenarioError::Write { file: path.display().to_string(), why })?;
        Ok(path)
    }
}

/// Full-scale integers of a bit depth, rounded and clipped.
fn integer(sample: f32, bits: u16) -> i32 {
    let full = f64::from(1u32 << (bits - 1));
    (f64::from(sample) * full).round().clamp(-full, full - 1.0) as i32
}

fn interleaved(channels: &[Vec<f32>]) -> impl Iterator<Item = f32> + '_ {
    let frames = channels.first().map_or(0, Vec::len);
    (0..frames).flat_map(|frame| channels.iter().map(move |channel| channel[frame]))
}

fn wav(path: &Path, channels: &[Vec<f32>], rate_hz: u32, bits: u16) -> Result<(), String> {
    let spec = hound::WavSpec {
        channels: channels.len() as u16,
        sample_rate: rate_hz,
        bits_per_sample: bits,
        sample_format: if bits == 32 {
            hound::SampleFormat::Float
        } else {
            hound::SampleFormat::Int
        },
    };
    let mut writer = hound::WavWriter::create(path, spec).map_err(|e| e.to_string())?;
    for sample in interleaved(channels) {
        let written = if bits == 32 {
            writer.write_sample(sample)
        } else {
            writer.write_sample(integer(sample, bits))
        };
        written.map_err(|e| e.to_string())?;
    }
    writer.finalize().map_err(|e| e.to_string())
}

/// AIFF by the Audio Interchange File Format 1.3: FORM, COMM with an 80-bit rate, SSND.
fn aiff(path: &Path, channels: &[Vec<f32>], rate_hz: u32) -> Result<(), String> {
    let frames = channels.first().map_or(0, Vec::len) as u32;
    let data_bytes = frames * channels.len() as u32 * 2;
    let mut bytes = Vec::with_capacity(data_bytes as usize + 54);
    bytes.extend(b"FORM");
    bytes.extend((4 + 26 + 16 + data_bytes).to_be_bytes());
    bytes.extend(b"AIFFCOMM");
    bytes.extend(18u32.to_be_bytes());
    bytes.extend((channels.len() as u16).to_be_bytes());
    bytes.extend(frames.to_be_bytes());
    bytes.extend(16u16.to_be_bytes());
    bytes.extend(extended(rate_hz));
    bytes.extend(b"SSND");
    bytes.extend((8 + data_bytes).to_be_bytes());
    bytes.extend([0; 8]);
    for sample in interleaved(channels) {
        bytes.extend((integer(sample, 16) as i16).to_be_bytes());
    }
    std::fs::write(path, bytes).map_err(|e| e.to_string())
}

/// A whole number as an IEEE 754 80-bit extended float.
fn extended(value: u32) -> [u8; 10] {
    let shift = value.leading_zeros();
    let exponent = (16_383 + 31 - shift) as u16;
    let mantissa = u64::from(value << shift) << 32;
    let mut bytes = [0; 10];
    bytes[..2].copy_from_slice(&exponent.to_be_bytes());
    bytes[2..].copy_from_slice(&mantissa.to_be_bytes());
    bytes
}

fn flac(path: &Path, channels: &[Vec<f32>], rate_hz: u32) -> Result<(), String> {
    let samples: Vec<i32> = interleaved(channels).map(|s| integer(s, 16)).collect();
    let file = std::io::BufWriter::new(std::fs::File::create(path).map_err(|e| e.to_string())?);
    let mut writer = flac_codec::encode::FlacSampleWriter::new(
        file,
        flac_codec::encode::Options::fast(),
        rate_hz,
        16u32,
        channels.len() as u8,
        Some(samples.len() as u64),
    )
    .map_err(|e| e.to_string())?;
    writer.write(&samples).map_err(|e| e.to_string())?;
    writer.finalize().map_err(|e| e.to_string())
}

/// Opus in Ogg by RFC 7845, ending exactly where the sound does (section 4.4).
fn ogg_opus(path: &Path, channels: &[Vec<f32>], rate_hz: u32) -> Result<(), String> {
    const FRAME: usize = 960;
    if rate_hz != 48_000 {
        return Err(format!("an Opus take is made at 48000 Hz, not {rate_hz}"));
    }
    let say = |e: opus_pure::Error| e.to_string();
    let count = channels.len();
    let frames = channels.first().map_or(0, Vec::len);
    let mut encoder =
        opus_pure::OpusEncoder::new(48_000, count, opus_pure::Application::Audio).map_err(say)?;
    encoder.bitrate_bps = 96_000 * count as i32;
    let head = opus_pure::OpusHead::for_encoder(&encoder, rate_hz);
    let pre_skip = u64::from(head.pre_skip);
    let file = std::io::BufWriter::new(std::fs::File::create(path).map_err(|e| e.to_string())?);
    let mut writer = opus_pure::OggOpusWriter::new(file, head).map_err(say)?;
    let packets = (frames + pre_skip as usize).div_ceil(FRAME);
    let mut packet = vec![0; opus_pure::MAX_PACKET_BYTES];
    let mut block = vec![0.0; FRAME * count];
    for index in 0..packets {
        for (slot, sample) in block.iter_mut().enumerate() {
            let frame = index * FRAME + slot / count;
            *sample = channels[slot % count].get(frame).copied().unwrap_or(0.0);
        }
        let bytes = encoder.encode(&block, FRAME, &mut packet).map_err(say)?;
        if index + 1 == packets {
            let left = (pre_skip + frames as u64).saturating_sub(writer.granule() as u64);
            writer.write_packet_with_duration(&packet[..bytes], left as u32).map_err(say)?;
        } else {
            writer.write_packet(&packet[..bytes]).map_err(say)?;
        }
    }
    writer.finish().map_err(say)?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_extended_float_holds_the_rates_by_the_book() {
        // 44100 is the worked example of the AIFF 1.3 specification (from memory).
        assert_eq!(extended(44_100), [0x40, 0x0e, 0xac, 0x44, 0, 0, 0, 0, 0, 0]);
        assert_eq!(extended(48_000), [0x40, 0x0e, 0xbb, 0x80, 0, 0, 0, 0, 0, 0]);
    }

    #[test]
    fn every_container_is_written() -> Result<(), Box<dyn std::error::Error>> {
        let folder = tempfile::tempdir()?;
        let sound = vec![(0..9600).map(|i| (i as f32 * 0.05).sin() * 0.3).collect::<Vec<_>>()];
        for container in Container::ALL {
            let path = folder.path().join(format!("{container:?}"));
            let written = container.write(&path, &sound, 48_000)?;
            assert!(std::fs::metadata(&written)?.len() > 1000, "{}", written.display());
        }
        Ok(())
    }
}
