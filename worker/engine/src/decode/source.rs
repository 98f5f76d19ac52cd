//! One of the ways to get frames out of a file.

use std::fs::File;

use super::packets::PacketSource;
use super::pcm_file::PcmSource;
use super::sniff::{Kind, sniff};
use super::timeline::{Segment, Timeline};
use super::{DecodeError, Info, Limits, Note, track};

/// What one step of a source came to.
pub(super) enum Step {
    /// Decoded frames are in the block.
    Audio,
    /// Silence of so many frames stands in for what was lost.
    Gap {
        /// How many.
        frames: u64,
    },
    /// Another stream begins, with so many frames of encoder delay.
    Restart {
        /// Frames to drop.
        skip: u64,
    },
    /// There is no more.
    End,
}

/// A file opened at its first frame.
pub(super) enum Source {
    /// Plain PCM.
    Pcm(PcmSource),
    /// Packets of a codec in a container.
    Packets(Box<PacketSource>),
}

impl Source {
    /// Opens `file` by what it is and checks it against `limits`.
    pub(super) fn open(mut file: File, limits: &Limits) -> Result<(Self, Timeline), DecodeError> {
        let kind = sniff(&mut file)?;
        if matches!(kind, Kind::Wave | Kind::Aiff | Kind::Caf)
            && let Some(pcm) = PcmSource::open(file.try_clone()?, limits)?
        {
            return Ok((Source::Pcm(pcm), Timeline::new([Segment::after(0)])));
        }
        let (packets, timeline) = track::open(file, kind, limits)?;
        Ok((Source::Packets(Box::new(packets)), timeline))
    }

    /// What the headers say.
    pub(super) fn info(&self) -> &Info {
        match self {
            Source::Pcm(pcm) => pcm.info(),
            Source::Packets(packets) => packets.info(),
        }
    }

    /// Decodes the next frames into `block`.
    pub(super) fn step(&mut self, block: &mut Vec<Vec<f32>>) -> Result<Step, DecodeError> {
        match self {
            Source::Pcm(pcm) => Ok(if pcm.step(block)? { Step::Audio } else { Step::End }),
            Source::Packets(packets) => packets.step(block),
        }
    }

    /// What was odd about the file, whose sound ended at `end_s`.
    pub(super) fn take_notes(&mut self, end_s: f64) -> Vec<Note> {
        match self {
            Source::Pcm(pcm) => pcm.notes(end_s),
            Source::Packets(packets) => packets.take_notes(end_s),
        }
    }
}

/// Refuses channel counts and rates outside `limits`.
pub(super) fn check_limits(info: &Info, limits: &Limits) -> Result<(), DecodeError> {
    if info.channels == 0 {
        return Err(DecodeError::NoChannels);
    }
    if info.channels > limits.max_channels {
        return Err(DecodeError::TooManyChannels {
            channels: info.channels.into(),
            max_channels: limits.max_channels,
        });
    }
    if !(limits.min_rate_hz..=limits.max_rate_hz).contains(&info.sample_rate_hz) {
        return Err(DecodeError::Rate {
            rate_hz: info.sample_rate_hz,
            min_rate_hz: limits.min_rate_hz,
            max_rate_hz: limits.max_rate_hz,
        });
    }
    Ok(())
}
