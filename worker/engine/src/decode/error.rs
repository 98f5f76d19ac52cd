//! Why a file gives no sound, once for the log and once for the contributor.

use std::io;

/// Why a recording can't be decoded. `Display` is for the log; [`DecodeError::says`] is for the
/// contributor.
#[derive(Debug, thiserror::Error)]
pub enum DecodeError {
    /// The machine failed to read the file; trying again may help.
    #[error("the file could not be read: {0}")]
    Io(#[from] io::Error),
    /// A file of no bytes.
    #[error("the file is empty")]
    Empty,
    /// More bytes than the limit allows.
    #[error("the file has {bytes} bytes, more than the limit of {max_bytes}")]
    TooBig {
        /// Size of the file.
        bytes: u64,
        /// The limit it broke.
        max_bytes: u64,
    },
    /// Not a container that is known here.
    #[error("not an audio file: {looks_like}")]
    NotAudio {
        /// What it looks like instead.
        looks_like: &'static str,
    },
    /// A known container in which there is no sound track.
    #[error("the {container} file holds no audio track")]
    NoAudioTrack {
        /// The container.
        container: &'static str,
    },
    /// A sound track in a codec that is not decoded here.
    #[error("the {container} file's audio codec is not supported: {codec}")]
    UnsupportedCodec {
        /// The container.
        container: &'static str,
        /// The codec, or what about it is not supported.
        codec: String,
    },
    /// The header promises no channels.
    #[error("the header gives zero channels")]
    NoChannels,
    /// More channels than the limit allows.
    #[error("the file has {channels} channels, more than the limit of {max_channels}")]
    TooManyChannels {
        /// What the file has.
        channels: u32,
        /// The limit it broke.
        max_channels: u16,
    },
    /// A sample rate outside the limits.
    #[error("the sample rate is {rate_hz} Hz, outside {min_rate_hz} to {max_rate_hz} Hz")]
    Rate {
        /// What the header says.
        rate_hz: u32,
        /// The lowest rate allowed.
        min_rate_hz: u32,
        /// The highest rate allowed.
        max_rate_hz: u32,
    },
    /// It goes on for longer than the limit allows.
    #[error("the recording is longer than the limit of {max_decoded_s} s")]
    TooLong {
        /// The limit it broke.
        max_decoded_s: f64,
    },
    /// Nothing could be decoded from a file that looked right.
    #[error("no sound could be decoded from the {container} file")]
    NoSound {
        /// The container.
        container: &'static str,
    },
    /// The file's structure is damaged beyond use, or made a codec library fail.
    #[error("the file is broken: {what}")]
    Broken {
        /// What went wrong, for the log.
        what: String,
    },
}

/// Whether the machine failed to read, rather than the file leading its reader to places that
/// are not there: libraries report the latter as errors of reading too.
pub(super) fn is_machine_fault(error: &io::Error) -> bool {
    error.raw_os_error().is_some() && error.kind() != io::ErrorKind::InvalidInput
}

impl DecodeError {
    /// What went wrong and what to do, in plain words for the contributor; says nothing of
    /// internal causes.
    pub fn says(&self) -> String {
        match self {
            DecodeError::Io(_) => "We could not read your file just now. This is a fault on our \
                 side; nothing is lost and we will try again."
                .into(),
            DecodeError::Empty => {
                "Your file is empty: it holds no data at all. Please export it again and send it \
                 once more."
                    .into()
            }
            DecodeError::TooBig { max_bytes, .. } => format!(
                "Your file is larger than the {} MB we can take. Please send only your own \
                 playing of the piece, for example as FLAC.",
                max_bytes / 1_000_000
            ),
            DecodeError::NotAudio { looks_like } => format!(
                "This is not a sound file we know ({looks_like}). Please send WAV, FLAC, MP3 or \
                 M4A."
            ),
            DecodeError::NoAudioTrack { .. } => {
                "There is no sound in this file. If it is a video, please check that the \
                 microphone was on, and send it again."
                    .into()
            }
            DecodeError::UnsupportedCodec { .. } => {
                "This file stores its sound in a way we cannot read. Please export it as WAV, \
                 FLAC, MP3 or M4A (AAC) and send it again."
                    .into()
            }
            DecodeError::NoChannels => {
                "The start of this file is damaged: it says that it has no channels. Please \
                 export it again and send it once more."
                    .into()
            }
            DecodeError::TooManyChannels { channels, max_channels } => format!(
                "This file has {channels} channels; we can take at most {max_channels}. Please \
                 export it as mono or stereo and send it again."
            ),
            DecodeError::Rate { rate_hz, min_rate_hz, max_rate_hz } => format!(
                "This file says that it has {rate_hz} samples a second, which cannot be right or \
                 is outside what we can take ({min_rate_hz} to {max_rate_hz}). Please export it \
                 at 44100 or 48000 and send it again."
            ),
            DecodeError::TooLong { max_decoded_s } => format!(
                "This recording is longer than the {} minutes we can take. Please send only your \
                 playing of the piece.",
                (max_decoded_s / 60.0).floor()
            ),
            DecodeError::NoSound { .. } | DecodeError::Broken { .. } => {
                "This file is damaged and we could get no sound from it. Please check that it \
                 plays on your device, export it again and send it once more."
                    .into()
            }
        }
    }

    /// Whether the machine, not the file, is at fault, so that trying again may help.
    pub fn retryable(&self) -> bool {
        matches!(self, DecodeError::Io(_))
    }
}
