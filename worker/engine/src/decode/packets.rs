//! Packets out of a container, and frames out of packets.

use symphonia::core::codecs::audio::AudioDecoder;
use symphonia::core::errors::Error;
use symphonia::core::formats::FormatReader;
use symphonia::core::packet::Packet;
use symphonia::core::units::{Duration, TimeBase};

use super::error::is_machine_fault;
use super::lost::Lost;
use super::opus::OpusPackets;
use super::source::Step;
use super::track::{self, Decoder, OpenTrack};
use super::{DecodeError, Info, Note, aac};

/// Damaged stretches of a container that are stepped over before it is given up.
const MAX_BAD_READS: u32 = 4096;
/// Gaps shorter than this are jitter of the timestamps, not lost sound.
const MIN_GAP_S: f64 = 0.02;
/// Gaps longer than this are wrong timestamps, not lost sound.
const MAX_GAP_S: f64 = 600.0;
/// Packets that are asked whether they carry spectral band replication.
const SBR_ASKED: u32 = 48;
/// Above this rate nothing is band-replicated without saying so (ISO/IEC 14496-3, 1.6.5).
const MAX_IMPLICIT_SBR_HZ: u32 = 24_000;

/// What opening a container found out about its packets.
pub(super) struct Packets {
    /// Frames to drop from the end of the last packet.
    pub(super) end_discard: u64,
    /// Decoded frames that are promised.
    pub(super) expected: Option<u64>,
    /// Trims come with the packets, and one stream may follow another.
    pub(super) is_ogg: bool,
    /// Where frames do not follow one another.
    pub(super) breaks: Lost,
}

/// A container opened at its first sound track, with the decoder for it.
pub(super) struct PacketSource {
    format: Box<dyn FormatReader>,
    open: OpenTrack,
    packets: Packets,
    base: Option<TimeBase>,
    ahead: Ahead,
    /// Where the next packet should start by its timestamp, in frames.
    due: Option<f64>,
    /// Frames of the packet before, as a measure for gaps.
    last_frames: u64,
    decoded: u64,
    damage: Lost,
    gaps: Lost,
    notes: Vec<Note>,
    truncated: bool,
    changed: bool,
    chained: u32,
    sbr: Sbr,
}

/// The packet after the one being decoded.
enum Ahead {
    Unread,
    Packet(Packet),
    Restart,
    End,
}

#[derive(Default)]
struct Sbr {
    asked: u32,
    found: u32,
}

impl PacketSource {
    /// Stands before the first packet of `open`.
    pub(super) fn new(
        format: Box<dyn FormatReader>,
        open: OpenTrack,
        packets: Packets,
        mut notes: Vec<Note>,
    ) -> Self {
        notes.extend(track::other_tracks(&*format, open.id));
        let base = track::find(&*format, open.id).and_then(|t| t.time_base);
        PacketSource {
            format,
            open,
            packets,
            base,
            ahead: Ahead::Unread,
            due: None,
            last_frames: 0,
            decoded: 0,
            damage: Lost::default(),
            gaps: Lost::default(),
            notes,
            truncated: false,
            changed: false,
            chained: 0,
            sbr: Sbr::default(),
        }
    }

    /// What the headers say.
    pub(super) fn info(&self) -> &Info {
        &self.open.info
    }

    /// Decodes the next packet of the track into `block`.
    pub(super) fn step(&mut self, block: &mut Vec<Vec<f32>>) -> Result<Step, DecodeError> {
        if matches!(self.ahead, Ahead::Unread) {
            self.ahead = self.read()?;
        }
        let packet = match std::mem::replace(&mut self.ahead, Ahead::Unread) {
            Ahead::Packet(packet) => packet,
            Ahead::Restart => return self.restart(),
            Ahead::End | Ahead::Unread => {
                self.ahead = Ahead::End;
                return Ok(Step::End);
            }
        };
        if let Some(frames) = self.gap_before(&packet) {
            self.gaps.count(self.decoded, frames);
            self.decoded += frames;
            self.due = None;
            self.ahead = Ahead::Packet(packet);
            return Ok(Step::Gap { frames });
        }
        self.ahead = self.read()?;
        self.decode(packet, block)
    }

    fn decode(
        &mut self,
        mut packet: Packet,
        block: &mut Vec<Vec<f32>>,
    ) -> Result<Step, DecodeError> {
        if !self.packets.is_ogg {
            // Counted in numbers of frames that headers guess; the timeline knows better.
            packet.trim_start = Duration::ZERO;
            packet.trim_end = Duration::ZERO;
        }
        self.ask_for_sbr(&packet);
        let start = self.start_of(&packet);
        let trimmed = packet.trim_start.get().saturating_add(packet.trim_end.get());
        let good = match &mut self.open.decoder {
            Decoder::Library(decoder) => decode_library(&mut **decoder, &packet, block)?,
            Decoder::Opus(opus) => decode_opus(opus, &packet, block),
        };
        if !good || block.len() != usize::from(self.open.info.channels) {
            let frames = self.duration_of(&packet);
            self.damage.count(self.decoded, frames);
            self.advance(start, frames, 0);
            return Ok(Step::Gap { frames });
        }
        if matches!(self.ahead, Ahead::End) {
            self.drop_end(block);
        }
        self.advance(start, block[0].len() as u64, trimmed);
        Ok(Step::Audio)
    }

    /// Notes that `frames` were decoded from a packet that starts at `start`, and some trimmed.
    fn advance(&mut self, start: Option<f64>, frames: u64, trimmed: u64) {
        self.decoded += frames;
        self.last_frames = frames;
        self.due = start.map(|start| start + (frames + trimmed) as f64);
    }

    /// The next packet of the track.
    fn read(&mut self) -> Result<Ahead, DecodeError> {
        let mut bad_reads = 0;
        loop {
            match self.format.next_packet() {
                Ok(Some(packet)) if packet.track_id == self.open.id => {
                    return Ok(Ahead::Packet(packet));
                }
                Ok(Some(_)) => {}
                Ok(None) => return Ok(Ahead::End),
                Err(Error::ResetRequired) => return Ok(Ahead::Restart),
                Err(Error::IoError(error)) if is_machine_fault(&error) => {
                    return Err(DecodeError::Io(error));
                }
                Err(Error::DecodeError(_)) if bad_reads < MAX_BAD_READS => bad_reads += 1,
                Err(_) => {
                    self.truncated = true;
                    return Ok(Ahead::End);
                }
            }
        }
    }

    /// Goes on with the next stream of a chain, if it is of the same shape.
    fn restart(&mut self) -> Result<Step, DecodeError> {
        let info = &self.open.info;
        let next = track::choose(&*self.format, info.container, true);
        let same = |open: &OpenTrack| {
            (open.info.sample_rate_hz, open.info.channels) == (info.sample_rate_hz, info.channels)
        };
        match next {
            Ok(open) if same(&open) => {
                let skip = track::chained_delay(&open);
                self.open = open;
                self.base = track::find(&*self.format, self.open.id).and_then(|t| t.time_base);
                self.due = None;
                self.chained += 1;
                Ok(Step::Restart { skip })
            }
            _ => {
                self.changed = true;
                self.ahead = Ahead::End;
                Ok(Step::End)
            }
        }
    }

    /// Frames that are missing before `packet` by its timestamp.
    fn gap_before(&self, packet: &Packet) -> Option<u64> {
        let rate_hz = f64::from(self.open.info.sample_rate_hz);
        if self.last_frames == 0 {
            // The first packet of an overlapping transform gives nothing.
            return None;
        }
        let gap = self.start_of(packet)? - self.due?;
        let least = (self.last_frames as f64).max(MIN_GAP_S * rate_hz);
        (gap > least && gap < MAX_GAP_S * rate_hz).then_some(gap.round() as u64)
    }

    /// Where `packet` starts by its timestamp, in frames.
    fn start_of(&self, packet: &Packet) -> Option<f64> {
        Some(packet.pts.get() as f64 * self.frames_per_unit()?)
    }

    fn frames_per_unit(&self) -> Option<f64> {
        let base = self.base?;
        let seconds = f64::from(base.numer.get()) / f64::from(base.denom.get());
        Some(seconds * f64::from(self.open.info.sample_rate_hz))
    }

    /// Frames that a packet which can't be decoded stands for.
    fn duration_of(&self, packet: &Packet) -> u64 {
        if let Decoder::Opus(_) = self.open.decoder {
            return OpusPackets::duration(&packet.data);
        }
        let frames = packet.dur.get() as f64 * self.frames_per_unit().unwrap_or(0.0);
        let most = MAX_GAP_S * f64::from(self.open.info.sample_rate_hz);
        if frames > 0.0 { frames.min(most).round() as u64 } else { self.last_frames }
    }

    fn drop_end(&self, block: &mut [Vec<f32>]) {
        let discard = usize::try_from(self.packets.end_discard).unwrap_or(usize::MAX);
        for channel in block {
            channel.truncate(channel.len().saturating_sub(discard));
        }
    }

    fn ask_for_sbr(&mut self, packet: &Packet) {
        let info = &self.open.info;
        if info.codec == "AAC"
            && info.sample_rate_hz <= MAX_IMPLICIT_SBR_HZ
            && self.sbr.asked < SBR_ASKED
        {
            self.sbr.asked += 1;
            self.sbr.found += u32::from(aac::ends_with_sbr(&packet.data));
        }
    }

    /// The notes of a finished stream that ended at `end_s`.
    pub(super) fn take_notes(&mut self, end_s: f64) -> Vec<Note> {
        let mut notes = std::mem::take(&mut self.notes);
        let info = &self.open.info;
        let short = |expected| self.decoded.saturating_add(self.last_frames.max(1)) < expected;
        // What is missing in the middle is missing from the number of frames as well.
        let (spliced, _, at_s) = self.packets.breaks.seconds(info);
        if self.truncated || spliced == 0 && self.packets.expected.is_some_and(short) {
            notes.push(Note::Truncated { at_s: end_s });
        }
        if spliced > 0 {
            notes.push(Note::Spliced { count: spliced, at_s });
        }
        let (packets, lost_s, at_s) = self.damage.seconds(info);
        if packets > 0 {
            notes.push(Note::Damaged { packets, lost_s, at_s });
        }
        let (count, silence_s, at_s) = self.gaps.seconds(info);
        if count > 0 {
            notes.push(Note::Gaps { count, silence_s, at_s });
        }
        if self.open.has_sbr || self.sbr.found >= 4 && self.sbr.found * 10 >= self.sbr.asked * 9 {
            notes.push(Note::HalfRateCore);
        }
        if self.chained > 0 {
            notes.push(Note::Chained { more: self.chained });
        }
        if self.changed {
            notes.push(Note::FormatChanged { at_s: end_s });
        }
        notes
    }
}

/// Decodes `packet`; false if it is damaged.
fn decode_library(
    decoder: &mut dyn AudioDecoder,
    packet: &Packet,
    block: &mut Vec<Vec<f32>>,
) -> Result<bool, DecodeError> {
    match decoder.decode(packet) {
        Ok(frames) => {
            frames.copy_to_vecs_planar(block);
            Ok(true)
        }
        Err(Error::DecodeError(_) | Error::IoError(_) | Error::Unsupported(_)) => Ok(false),
        Err(error) => Err(DecodeError::Broken { what: error.to_string() }),
    }
}

/// Decodes `packet` and drops what lies beyond the end of its page; false if it is damaged.
fn decode_opus(opus: &mut OpusPackets, packet: &Packet, block: &mut Vec<Vec<f32>>) -> bool {
    block.resize(opus.channels().into(), Vec::new());
    if !opus.decode(&packet.data, block) {
        return false;
    }
    let discard = usize::try_from(packet.trim_end.get()).unwrap_or(usize::MAX);
    for channel in block {
        channel.truncate(channel.len().saturating_sub(discard));
    }
    true
}
