//! The first sound track of a container, its decoder, and what is to be cut off its ends.

use std::fs::File;

use symphonia::core::codecs::audio::well_known::{CODEC_ID_AAC, CODEC_ID_OPUS};
use symphonia::core::codecs::audio::{AudioCodecParameters, AudioDecoder, AudioDecoderOptions};
use symphonia::core::errors::Error;
use symphonia::core::formats::probe::Hint;
use symphonia::core::formats::{FormatOptions, FormatReader, Track, TrackType};
use symphonia::core::io::MediaSourceStream;
use symphonia::core::meta::MetadataOptions;

use super::edits::MovieTimes;
use super::error::is_machine_fault;
use super::frames;
use super::lost::Lost;
use super::matroska::{TrackTrim, track_trims, trim_of};
use super::media::Media;
use super::opus::{OPUS_RATE_HZ, OpusPackets};
use super::packets::{PacketSource, Packets};
use super::sniff::Kind;
use super::source::check_limits;
use super::timeline::{Segment, Timeline};
use super::{DecodeError, Info, Limits, Note, aac};

/// Delay of an MP3 stream without a tag that says it: 576 frames of the most common encoder,
/// and 528 + 1 of any decoder (the LAME technical FAQ; from memory).
const UNTAGGED_MP3_DELAY: u64 = 576 + 528 + 1;
/// Priming of an ADTS stream, which has nowhere to say it: the first transform block, half of
/// which lies before the sound (ISO/IEC 14496-3, 4.6.11: 1024 frames of overlap).
const ADTS_DELAY: u64 = 1024;

/// A decoder for the packets of one track.
pub(super) enum Decoder {
    /// One of symphonia's.
    Library(Box<dyn AudioDecoder>),
    /// Opus.
    Opus(Box<OpusPackets>),
}

/// A track that can be decoded.
pub(super) struct OpenTrack {
    /// Its number in the container.
    pub(super) id: u32,
    /// Its decoder.
    pub(super) decoder: Decoder,
    /// What is known of it.
    pub(super) info: Info,
    /// It says that it is HE-AAC.
    pub(super) has_sbr: bool,
}

/// Opens the container in `file` at its first sound track.
pub(super) fn open(
    mut file: File,
    kind: Kind,
    limits: &Limits,
) -> Result<(PacketSource, Timeline), DecodeError> {
    let (mut movie, mut trims) = (MovieTimes::default(), Vec::new());
    match kind {
        Kind::IsoMedia => movie = MovieTimes::read(&mut file),
        Kind::Matroska => trims = track_trims(&file),
        _ => {}
    }
    let breaks = match kind {
        Kind::MpegFrames => frames::breaks(&file),
        _ => Lost::default(),
    };
    let format = probe(Media::new(file, kind)?)?;
    let container = container_name(format.format_info().short_name);
    let mut open = choose(&*format, container, movie.has_sound)?;
    check_limits(&open.info, limits)?;
    let trim = trim_of(&trims, open.id);
    let track = find(&*format, open.id);
    let said = movie.segments(open.id, open.info.sample_rate_hz);
    let (segments, notes) =
        said.unwrap_or_else(|| (segments_of(kind, track, &open, &trim), Vec::new()));
    let timeline = Timeline::new(segments);
    open.info.trimmed_start_frames = timeline.first_frame();
    let packets = Packets {
        end_discard: frames_of_ns(trim.end_discard_ns, open.info.sample_rate_hz),
        expected: expected_frames(kind, track, &open.info),
        is_ogg: kind == Kind::Ogg,
        breaks,
    };
    Ok((PacketSource::new(format, open, packets, notes), timeline))
}

fn probe(file: Media) -> Result<Box<dyn FormatReader>, DecodeError> {
    let stream = MediaSourceStream::new(Box::new(file), Default::default());
    symphonia::default::get_probe()
        .probe(&Hint::new(), stream, FormatOptions::default(), MetadataOptions::default())
        .map_err(|error| match error {
            Error::IoError(error) if is_machine_fault(&error) => DecodeError::Io(error),
            other => DecodeError::Broken { what: other.to_string() },
        })
}

/// The first sound track with a decoder for it. `has_sound`: some track is known to be sound,
/// even if the demultiplexer knows nothing more of it.
pub(super) fn choose(
    format: &dyn FormatReader,
    container: &'static str,
    has_sound: bool,
) -> Result<OpenTrack, DecodeError> {
    let unsupported = |codec: String| DecodeError::UnsupportedCodec { container, codec };
    let sound = format.first_track(TrackType::Audio);
    let (track, params) = match sound.and_then(|t| Some((t, t.codec_params.as_ref()?.audio()?))) {
        Some(found) => found,
        None if has_sound => return Err(unsupported("not known".into())),
        None => return Err(DecodeError::NoAudioTrack { container }),
    };
    if params.codec == CODEC_ID_OPUS {
        return open_opus(track, params, container).map_err(unsupported);
    }
    let mut params = params.clone();
    let mut has_sbr = false;
    if params.codec == CODEC_ID_AAC
        && let Some(core) = params.extra_data.as_deref().and_then(aac::core_config)
    {
        params.with_extra_data(core.config.into_boxed_slice());
        has_sbr = core.has_sbr;
    }
    let decoder = symphonia::default::get_codecs()
        .make_audio_decoder(&params, &AudioDecoderOptions::default())
        .map_err(|error| unsupported(error.to_string()))?;
    let decoded = decoder.codec_params();
    let channels = decoded.channels.as_ref().map_or(0, |c| c.count());
    let info = Info {
        container,
        codec: codec_name(decoder.codec_info().short_name),
        sample_rate_hz: decoded.sample_rate.unwrap_or(0),
        channels: u16::try_from(channels).unwrap_or(u16::MAX),
        trimmed_start_frames: 0,
    };
    Ok(OpenTrack { id: track.id, decoder: Decoder::Library(decoder), info, has_sbr })
}

fn open_opus(
    track: &Track,
    params: &AudioCodecParameters,
    container: &'static str,
) -> Result<OpenTrack, String> {
    let head = params.extra_data.as_deref().ok_or("Opus without its header")?;
    let opus = OpusPackets::new(head, container == "MP4")?;
    let info = Info {
        container,
        codec: "Opus",
        sample_rate_hz: OPUS_RATE_HZ,
        channels: opus.channels(),
        trimmed_start_frames: 0,
    };
    Ok(OpenTrack { id: track.id, decoder: Decoder::Opus(Box::new(opus)), info, has_sbr: false })
}

/// Frames to drop from the start of a stream of an Ogg chain.
pub(super) fn chained_delay(open: &OpenTrack) -> u64 {
    match &open.decoder {
        Decoder::Opus(opus) => opus.pre_skip().into(),
        Decoder::Library(_) => 0,
    }
}

/// What is given of a track of which no edit list speaks.
fn segments_of(
    kind: Kind,
    track: Option<&Track>,
    open: &OpenTrack,
    trim: &TrackTrim,
) -> Vec<Segment> {
    let delay = track.and_then(|t| t.delay).unwrap_or(0).into();
    let frames = track.and_then(|t| t.num_frames);
    match (kind, &open.decoder) {
        // Of a Vorbis stream the delay is what the first packet, which overlaps with nothing,
        // stands for; no decoder gives anything for it.
        (Kind::Matroska, _) if trim.codec_delay_ns > 0 && open.info.codec != "Vorbis" => {
            vec![Segment::after(frames_of_ns(trim.codec_delay_ns, open.info.sample_rate_hz))]
        }
        (_, Decoder::Opus(_)) => vec![Segment::after(chained_delay(open))],
        (Kind::MpegFrames, _) => match open.info.container {
            "ADTS" => vec![Segment::after(ADTS_DELAY)],
            "MPEG audio" if open.info.codec == "MP3" => mp3_segments(track, delay, frames),
            _ => vec![Segment::after(0)],
        },
        // A CAF packet table gives the priming and the frames that are valid after it.
        (Kind::Caf, _) if delay > 0 => {
            let to = frames.map_or(u64::MAX, |n| delay.saturating_add(n));
            vec![Segment::Media { from: delay, to }]
        }
        _ => vec![Segment::after(0)],
    }
}

/// An MP3 stream with a tag of its encoder's delay and padding drops both; frames beyond the
/// number that the tag knows of are given all the same.
fn mp3_segments(track: Option<&Track>, delay: u64, frames: Option<u64>) -> Vec<Segment> {
    if delay == 0 {
        return vec![Segment::after(UNTAGGED_MP3_DELAY)];
    }
    let padding: u64 = track.and_then(|t| t.padding).unwrap_or(0).into();
    match frames {
        Some(frames) => {
            let end = delay.saturating_add(frames);
            vec![
                Segment::Media { from: delay, to: end },
                Segment::after(end.saturating_add(padding)),
            ]
        }
        None => vec![Segment::after(delay)],
    }
}

/// Decoded frames that the container promises, where such a promise can be trusted.
fn expected_frames(kind: Kind, track: Option<&Track>, info: &Info) -> Option<u64> {
    let track = track?;
    match kind {
        Kind::Caf | Kind::Aiff | Kind::Flac => track.num_frames,
        Kind::MpegFrames if track.delay.is_some_and(|d| d > 0) => track.num_frames,
        Kind::IsoMedia => {
            let base = track.time_base?;
            let units = u128::from(track.duration?.get()) * u128::from(info.sample_rate_hz);
            u64::try_from(units * u128::from(base.numer.get()) / u128::from(base.denom.get())).ok()
        }
        _ => None,
    }
}

pub(super) fn find(format: &dyn FormatReader, id: u32) -> Option<&Track> {
    format.tracks().iter().find(|t| t.id == id)
}

/// How many sound tracks there are beside the one chosen.
pub(super) fn other_tracks(format: &dyn FormatReader, id: u32) -> Option<Note> {
    let is_other = |t: &&Track| t.id != id && t.track_type() == Some(TrackType::Audio);
    match format.tracks().iter().filter(is_other).count() {
        0 => None,
        left_out => Some(Note::OtherTracks { left_out }),
    }
}

fn frames_of_ns(ns: u64, rate_hz: u32) -> u64 {
    let frames = (u128::from(ns) * u128::from(rate_hz) + 500_000_000) / 1_000_000_000;
    u64::try_from(frames).unwrap_or(u64::MAX)
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
