//! A small file for listening in a browser: Opus in Ogg (RFC 6716, RFC 7845).

use std::io::Write;

use opus_pure::{Application, MAX_PACKET_BYTES, OggOpusWriter, OpusEncoder, OpusHead, OpusTags};

use super::{WriteError, frames_of};

/// Opus is always encoded at this rate here.
const RATE_HZ: u32 = 48_000;
/// Frames of a packet: 20 ms.
const PACKET_FRAMES: usize = 960;

/// What a preview is to be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PreviewSpec {
    /// Channels, 1 or 2.
    pub channels: u16,
    /// Mean bits a second; 96 000 is good for stereo music.
    pub bitrate_bps: u32,
    /// Comments, as (field, value).
    pub tags: Vec<(String, String)>,
}

impl Default for PreviewSpec {
    fn default() -> Self {
        PreviewSpec { channels: 2, bitrate_bps: 96_000, tags: Vec::new() }
    }
}

/// Writes a preview as the sound comes, at 48 kHz. What is decoded from it has as many frames
/// as were written and lies where it lay: the encoder's delay is declared as pre-skip, and the
/// last granule position cuts the padding off.
pub struct PreviewWriter<W: Write> {
    ogg: OggOpusWriter<W>,
    encoder: OpusEncoder,
    channels: u16,
    pre_skip: u64,
    frames: u64,
    /// Interleaved frames that don't fill a packet yet.
    waiting: Vec<f32>,
    packet: Vec<u8>,
    /// The last packet made: its duration is known only at the end.
    last: Vec<u8>,
}

impl<W: Write> PreviewWriter<W> {
    /// Starts a preview in `out`.
    ///
    /// # Errors
    /// [`WriteError::Format`] for other than 1 or 2 channels or a bitrate out of range.
    pub fn new(out: W, spec: &PreviewSpec) -> Result<Self, WriteError> {
        if !(6_000..=512_000).contains(&spec.bitrate_bps) {
            let what = format!("{} bit/s is outside 6000 to 512000", spec.bitrate_bps);
            return Err(WriteError::Format(what));
        }
        let mut encoder =
            OpusEncoder::new(RATE_HZ as i32, spec.channels.into(), Application::Audio)
                .map_err(WriteError::format)?;
        encoder.bitrate_bps = spec.bitrate_bps as i32;
        let head = OpusHead::for_encoder(&encoder, RATE_HZ);
        let pre_skip = head.pre_skip.into();
        let mut tags = OpusTags::new();
        for (field, value) in &spec.tags {
            tags.push(field, value).map_err(WriteError::format)?;
        }
        let ogg = OggOpusWriter::with_tags(out, head, tags).map_err(opus_error)?;
        Ok(PreviewWriter {
            ogg,
            encoder,
            channels: spec.channels,
            pre_skip,
            frames: 0,
            waiting: Vec::new(),
            packet: vec![0; MAX_PACKET_BYTES],
            last: Vec::new(),
        })
    }

    /// Appends planar frames at 48 kHz; full scale is ±1.
    ///
    /// # Errors
    /// [`WriteError::Format`] if the channels don't match, [`WriteError::Io`].
    pub fn write<S: Copy + Into<f64>>(&mut self, block: &[&[S]]) -> Result<(), WriteError> {
        let frames = frames_of(block, self.channels)?;
        self.frames += frames as u64;
        for frame in 0..frames {
            for channel in block {
                let sample: f64 = channel[frame].into();
                self.waiting.push(sample as f32);
            }
        }
        self.encode_waiting()
    }

    /// Writes what is left and gives `out` back, flushed.
    ///
    /// # Errors
    /// [`WriteError::Io`].
    pub fn finish(mut self) -> Result<W, WriteError> {
        // Silence pushes the last frames out of the encoder, which runs a pre-skip behind.
        let packet_frames = PACKET_FRAMES as u64;
        let total = (self.frames + self.pre_skip).next_multiple_of(packet_frames);
        let silence = (total - self.frames) as usize * usize::from(self.channels);
        self.waiting.resize(self.waiting.len() + silence, 0.0);
        self.encode_waiting()?;
        if !self.last.is_empty() {
            // The final granule position counts the pre-skip and the sound, not the padding
            // (RFC 7845, 4.4).
            let end = self.pre_skip + self.frames;
            let duration = end.saturating_sub(self.ogg.granule().unsigned_abs());
            self.ogg.write_packet_with_duration(&self.last, duration as u32).map_err(opus_error)?;
        }
        let mut out = self.ogg.finish().map_err(opus_error)?;
        out.flush()?;
        Ok(out)
    }

    fn encode_waiting(&mut self) -> Result<(), WriteError> {
        let samples = PACKET_FRAMES * usize::from(self.channels);
        let mut done = 0;
        while self.waiting.len() - done >= samples {
            let input = &self.waiting[done..done + samples];
            let bytes =
                self.encoder.encode(input, PACKET_FRAMES, &mut self.packet).map_err(opus_error)?;
            if !self.last.is_empty() {
                self.ogg.write_packet(&self.last).map_err(opus_error)?;
            }
            self.last.clear();
            self.last.extend_from_slice(&self.packet[..bytes]);
            done += samples;
        }
        self.waiting.drain(..done);
        Ok(())
    }
}

fn opus_error(error: opus_pure::Error) -> WriteError {
    match error {
        opus_pure::Error::Io(error) => WriteError::Io(error),
        other => WriteError::format(other),
    }
}
