//! Packets out of a container, and frames out of packets.

use std::fs::File;

use symphonia::core::audio::GenericAudioBufferRef;
use symphonia::core::codecs::audio::{AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error as SymphoniaError;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, Track, TrackType};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::meta::MetadataOptions;
use symphonia::core::packet::Packet;

use super::timeline::Timeline;
use super::{DecodeError, Info, Limits, Note};

/// What one step of a source came to.
pub(super) enum Step {
    /// Frames are in the block.
    Audio,
    /// Silence of so many frames belongs here.
    Gap {
        /// How many.
        frames: u64,
    },
    /// There is no more.
    End,
}

/// A container opened at its first audio track, with the decoder for it.
pub(super) struct PacketSource {
    format: Box<dyn FormatReader>,
    decoder: Box<dyn AudioDecoder>,
    track_id: u32,
    info: Info,
    damage: Damage,
    truncated: bool,
    other_tracks: usize,
}

/// Packets that could not be decoded.
#[derive(Default)]
struct Damage {
    packets: u64,
    frames: u64,
}

impl PacketSource {
    /// Opens `file`, finds its first audio track and checks it against `limits`.
    pub(super) fn open(file: File, limits: &Limits) -> Result<(Self, Timeline), DecodeError> {
        let stream = MediaSourceStream::new(Box::new(file), Default::default());
        let format = symphonia::default::get_probe()
            .probe(&Hint::new(), stream, FormatOptions::default(), MetadataOptions::default())
            .map_err(|error| match error {
                SymphoniaError::Unsupported(_) => {
                    DecodeError::NotAudio { looks_like: "unknown data" }
                }
                other => open_error(other),
            })?;
        let container = container_name(format.format_info().short_name);
        let track =
            format.first_track(TrackType::Audio).ok_or(DecodeError::NoAudioTrack { container })?;
        let track_id = track.id;
        let decoder = make_decoder(track, container)?;
        let other_tracks = format
            .tracks()
            .iter()
            .filter(|t| t.id != track_id && t.track_type() == Some(TrackType::Audio))
            .count();
        let params = decoder.codec_params();
        let channels = params.channels.as_ref().map_or(0, |c| c.count());
        let info = Info {
            container,
            codec: codec_name(decoder.codec_info().short_name),
            sample_rate_hz: params.sample_rate.unwrap_or(0),
            channels: u16::try_from(channels).unwrap_or(u16::MAX),
            trimmed_start_frames: track.delay.unwrap_or(0).into(),
        };
        check_limits(&info, limits)?;
        let damage = Damage::default();
        let source = PacketSource {
            format,
            decoder,
            track_id,
            info,
            damage,
            truncated: false,
            other_tracks,
        };
        Ok((source, Timeline::new(0, 0, None)))
    }

    /// What the headers say.
    pub(super) fn info(&self) -> &Info {
        &self.info
    }

    /// Decodes the next packet of the track into `block`.
    pub(super) fn step(&mut self, block: &mut Vec<Vec<f32>>) -> Result<Step, DecodeError> {
        let packet = match self.format.next_packet() {
            Ok(Some(packet)) => packet,
            Ok(None) => return Ok(Step::End),
            Err(error) => return self.stopped_by(error),
        };
        if packet.track_id != self.track_id {
            return Ok(Step::Gap { frames: 0 });
        }
        match self.decoder.decode(&packet) {
            Ok(frames) => {
                copy_planar(&frames, block);
                Ok(Step::Audio)
            }
            Err(SymphoniaError::DecodeError(_) | SymphoniaError::IoError(_)) => {
                Ok(Step::Gap { frames: self.lost(&packet) })
            }
            Err(error) => Err(DecodeError::Broken { what: error.to_string() }),
        }
    }

    /// Counts a packet that could not be decoded; gives the frames it stood for.
    fn lost(&mut self, packet: &Packet) -> u64 {
        self.damage.packets += 1;
        self.damage.frames += packet.dur.get();
        packet.dur.get()
    }

    /// A container error after the headers ends the stream: what was decoded is kept.
    fn stopped_by(&mut self, error: SymphoniaError) -> Result<Step, DecodeError> {
        match error {
            SymphoniaError::IoError(error) if error.kind() != std::io::ErrorKind::UnexpectedEof => {
                Err(DecodeError::Io(error))
            }
            _ => {
                self.truncated = true;
                Ok(Step::End)
            }
        }
    }

    /// The notes of a finished stream that ended at `end_s`.
    pub(super) fn take_notes(&mut self, end_s: f64) -> Vec<Note> {
        let mut notes = Vec::new();
        if self.truncated {
            notes.push(Note::Truncated { at_s: end_s });
        }
        if self.damage.packets > 0 {
            notes.push(Note::Damaged {
                packets: self.damage.packets,
                lost_s: self.damage.frames as f64 / f64::from(self.info.sample_rate_hz),
                at_s: Vec::new(),
            });
        }
        if self.other_tracks > 0 {
            notes.push(Note::OtherTracks { left_out: self.other_tracks });
        }
        notes
    }
}

fn make_decoder(
    track: &Track,
    container: &'static str,
) -> Result<Box<dyn AudioDecoder>, DecodeError> {
    let params = track
        .codec_params
        .as_ref()
        .and_then(|p| p.audio())
        .ok_or(DecodeError::NoAudioTrack { container })?;
    symphonia::default::get_codecs()
        .make_audio_decoder(params, &AudioDecoderOptions::default())
        .map_err(|error| DecodeError::UnsupportedCodec { container, codec: error.to_string() })
}

fn check_limits(info: &Info, limits: &Limits) -> Result<(), DecodeError> {
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

fn open_error(error: SymphoniaError) -> DecodeError {
    match error {
        SymphoniaError::IoError(error) if error.kind() != std::io::ErrorKind::UnexpectedEof => {
            DecodeError::Io(error)
        }
        other => DecodeError::Broken { what: other.to_string() },
    }
}

fn copy_planar(frames: &GenericAudioBufferRef<'_>, block: &mut Vec<Vec<f32>>) {
    frames.copy_to_vecs_planar(block);
}

fn container_name(short_name: &str) -> &'static str {
    match short_name {
        "wave" => "WAV",
        "aiff" => "AIFF",
        "caf" => "CAF",
        "flac" => "FLAC",
        "isomp4" => "MP4",
        "matroska" => "Matroska",
        "ogg" => "Ogg",
        "aac" => "ADTS",
        "mp1" | "mp2" | "mp3" => "MPEG audio",
        _ => "sound",
    }
}

fn codec_name(short_name: &str) -> &'static str {
    match short_name {
        "aac" => "AAC",
        "alac" => "ALAC",
        "flac" => "FLAC",
        "vorbis" => "Vorbis",
        "mp3" => "MP3",
        "mp2" => "MP2",
        "mp1" => "MP1",
        name if name.starts_with("pcm") => "PCM",
        name if name.starts_with("adpcm") => "ADPCM",
        _ => "other",
    }
}
