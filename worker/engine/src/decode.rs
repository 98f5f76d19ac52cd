//! One streaming reader for every container, under limits.
//!
//! [`Recording::open`] gives a [`Stream`], and [`Stream::next_block`] gives planar blocks of at
//! most some thousands of frames until there are no more. Memory does not grow with the length
//! of the file, and nothing is allocated by what a header claims. Frame 0 of a stream is the
//! first one after the encoder delay, trimmed as each format's standard says.

mod error;
mod note;
mod sniff;
mod source;
mod pcm_file;
mod pcm;
mod chunks;
mod wave;
mod aiff;
mod caf;
mod track;
mod frames;
mod media;
mod packets;
mod edits;
mod matroska;
mod opus;
mod aac;
mod timeline;
mod lost;
mod wall;

use std::fs::File;
use std::path::{Path, PathBuf};

pub use error::DecodeError;
pub use note::Note;

use source::{Source, Step};
use timeline::{Piece, Timeline};
use wall::behind_wall;

/// Most frames of silence in one block.
const SILENCE_BLOCK_FRAMES: u64 = 4096;

/// What a recording may be at most; a file beyond any of these is refused with a
/// [`DecodeError`] of its own.
#[derive(Clone, Debug, PartialEq)]
pub struct Limits {
    /// Longest sound, in seconds, whatever the header says.
    pub max_decoded_s: f64,
    /// Most channels.
    pub max_channels: u16,
    /// Lowest sample rate in Hz.
    pub min_rate_hz: u32,
    /// Highest sample rate in Hz.
    pub max_rate_hz: u32,
    /// Largest file in bytes.
    pub max_file_bytes: u64,
}

impl Default for Limits {
    /// Three hours, 8 channels, 4 kHz to 768 kHz, 16 GB.
    fn default() -> Self {
        Limits {
            max_decoded_s: 3.0 * 3600.0,
            max_channels: 8,
            min_rate_hz: 4_000,
            max_rate_hz: 768_000,
            max_file_bytes: 16_000_000_000,
        }
    }
}

/// A file with sound in it, and the limits it is read under. Opening it again gives the same
/// stream from the start.
#[derive(Clone, Debug)]
pub struct Recording {
    path: PathBuf,
    limits: Limits,
    true_rate_hz: Option<u32>,
}

impl Recording {
    /// The recording at `path`; nothing is read yet.
    pub fn new(path: impl Into<PathBuf>, limits: Limits) -> Self {
        Recording { path: path.into(), limits, true_rate_hz: None }
    }

    /// The same recording, taken to have been made at another rate than its file claims.
    #[must_use]
    pub fn made_at(&self, rate_hz: u32) -> Self {
        Recording { true_rate_hz: Some(rate_hz), ..self.clone() }
    }

    /// Where the file is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Reads the headers and stands before the first frame.
    ///
    /// # Errors
    /// Any [`DecodeError`]; a panic in a codec library is [`DecodeError::Broken`].
    pub fn open(&self) -> Result<Stream, DecodeError> {
        let file = File::open(&self.path)?;
        let bytes = file.metadata()?.len();
        if bytes == 0 {
            return Err(DecodeError::Empty);
        }
        if bytes > self.limits.max_file_bytes {
            return Err(DecodeError::TooBig { bytes, max_bytes: self.limits.max_file_bytes });
        }
        let (source, timeline) = behind_wall(|| Source::open(file, &self.limits))?;
        let mut stream = Stream::new(source, timeline, &self.limits);
        if let Some(rate_hz) = self.true_rate_hz {
            stream.info.sample_rate_hz = rate_hz;
        }
        Ok(stream)
    }
}

/// What is known of a recording before it is decoded.
#[derive(Clone, Debug, PartialEq)]
pub struct Info {
    /// The container, e.g. `WAV`.
    pub container: &'static str,
    /// The codec, e.g. `AAC`.
    pub codec: &'static str,
    /// Frames a second.
    pub sample_rate_hz: u32,
    /// Channels of every block.
    pub channels: u16,
    /// Frames of encoder delay that are taken off before frame 0.
    pub trimmed_start_frames: u64,
}

/// Some frames of a recording: planar, every channel of the same length, never empty.
#[derive(Clone, Copy, Debug)]
pub struct Block<'a> {
    /// Number of the block's first frame, counted from the first one after the encoder delay.
    pub first_frame: u64,
    /// The samples, one vector a channel; full scale is ±1.
    pub channels: &'a [Vec<f32>],
}

/// A recording being decoded.
pub struct Stream {
    info: Info,
    source: Source,
    timeline: Timeline,
    raw: Raw,
    block: Vec<Vec<f32>>,
    emitted: u64,
    max_frames: u64,
    max_decoded_s: f64,
    not_finite: u64,
    notes: Vec<Note>,
    ended: bool,
}

/// Decoded frames before the timeline has cut them.
#[derive(Default)]
struct Raw {
    channels: Vec<Vec<f32>>,
    /// Number of the first decoded frame that is still to be looked at.
    at: u64,
    /// How many frames of `channels` were looked at already.
    done: usize,
    /// Silence still to come before the source is asked again.
    gap: u64,
}

impl Stream {
    fn new(source: Source, timeline: Timeline, limits: &Limits) -> Self {
        let info = source.info().clone();
        Stream {
            max_frames: (limits.max_decoded_s * f64::from(info.sample_rate_hz)) as u64,
            max_decoded_s: limits.max_decoded_s,
            block: vec![Vec::new(); info.channels.into()],
            raw: Raw { channels: vec![Vec::new(); info.channels.into()], ..Raw::default() },
            info,
            source,
            timeline,
            emitted: 0,
            not_finite: 0,
            notes: Vec::new(),
            ended: false,
        }
    }

    /// What is known from the headers.
    pub fn info(&self) -> &Info {
        &self.info
    }

    /// The next frames, or `None` at the end. After `None` or an error it stays `None`.
    ///
    /// # Errors
    /// [`DecodeError::TooLong`] once the limit is reached, [`DecodeError::NoSound`] if the end
    /// comes before any frame, [`DecodeError::Broken`] if a codec library fails,
    /// [`DecodeError::Io`] if the machine can't read the file.
    pub fn next_block(&mut self) -> Result<Option<Block<'_>>, DecodeError> {
        if self.ended {
            return Ok(None);
        }
        match self.fill_block() {
            Ok(Some(first_frame)) => Ok(Some(Block { first_frame, channels: &self.block })),
            Ok(None) => {
                self.end();
                if self.emitted == 0 {
                    return Err(DecodeError::NoSound { container: self.info.container });
                }
                Ok(None)
            }
            Err(error) => {
                self.end();
                Err(error)
            }
        }
    }

    /// What was odd about the file; complete once [`Stream::next_block`] has given `None`.
    pub fn notes(&self) -> &[Note] {
        &self.notes
    }

    /// Fills `block` with the next frames that are to be given; gives the number of the first.
    fn fill_block(&mut self) -> Result<Option<u64>, DecodeError> {
        loop {
            match self.timeline.next(self.raw.at, self.raw.left(), SILENCE_BLOCK_FRAMES) {
                Piece::Over => return Ok(None),
                Piece::Silence(frames) => {
                    fill_silence(&mut self.block, frames as usize);
                    break;
                }
                Piece::Media { skip, take } => {
                    self.raw.give(skip, take, &mut self.block);
                    break;
                }
                Piece::NeedMore => {
                    if !self.decode_more()? {
                        return Ok(None);
                    }
                }
            }
        }
        self.not_finite += zero_not_finite(&mut self.block);
        let first_frame = self.emitted;
        self.emitted += self.block[0].len() as u64;
        if self.emitted > self.max_frames {
            return Err(DecodeError::TooLong { max_decoded_s: self.max_decoded_s });
        }
        Ok(Some(first_frame))
    }

    /// Replaces the frames at hand, none of which are wanted any more, by the next ones; false
    /// at the end of the source.
    fn decode_more(&mut self) -> Result<bool, DecodeError> {
        let raw = &mut self.raw;
        raw.at += raw.left() as u64;
        // What is dropped is limited too, or a claim of much encoder delay would hide long work.
        if raw.at > self.max_frames.saturating_mul(2) {
            return Err(DecodeError::TooLong { max_decoded_s: self.max_decoded_s });
        }
        raw.done = 0;
        if raw.gap == 0 {
            let (source, channels) = (&mut self.source, &mut raw.channels);
            match behind_wall(|| source.step(channels))? {
                Step::Audio => return Ok(true),
                Step::End => return Ok(false),
                Step::Gap { frames } => raw.gap = frames,
                Step::Restart { skip } => self.timeline.restart(raw.at, skip),
            }
        }
        let frames = raw.gap.min(SILENCE_BLOCK_FRAMES);
        raw.gap -= frames;
        raw.channels.resize(self.info.channels.into(), Vec::new());
        fill_silence(&mut raw.channels, frames as usize);
        Ok(true)
    }

    /// Closes the stream and gathers its notes.
    fn end(&mut self) {
        self.ended = true;
        let end_s = self.emitted as f64 / f64::from(self.info.sample_rate_hz);
        self.notes = self.source.take_notes(end_s);
        if self.not_finite > 0 {
            self.notes.push(Note::NotFinite { count: self.not_finite });
        }
    }
}

impl Raw {
    /// Frames not looked at yet.
    fn left(&self) -> usize {
        self.channels.first().map_or(0, Vec::len) - self.done
    }

    /// Drops `skip` frames and moves the `take` after them into `block`.
    fn give(&mut self, skip: usize, take: usize, block: &mut Vec<Vec<f32>>) {
        let from = self.done + skip;
        if from == 0 && take == self.channels[0].len() {
            std::mem::swap(&mut self.channels, block);
            self.channels.iter_mut().for_each(Vec::clear);
            self.done = 0;
        } else {
            for (to, channel) in block.iter_mut().zip(&self.channels) {
                to.clear();
                to.extend_from_slice(&channel[from..from + take]);
            }
            self.done = from + take;
        }
        self.at += (skip + take) as u64;
    }
}

fn fill_silence(channels: &mut [Vec<f32>], frames: usize) {
    for channel in channels {
        channel.clear();
        channel.resize(frames, 0.0);
    }
}

/// Replaces NaN and infinities by zero and counts them.
fn zero_not_finite(channels: &mut [Vec<f32>]) -> u64 {
    let mut count = 0;
    for channel in channels {
        // One pass without branches finds the usual case, that all are finite.
        if channel.iter().fold(true, |finite, x| finite & x.is_finite()) {
            continue;
        }
        for sample in channel.iter_mut().filter(|x| !x.is_finite()) {
            *sample = 0.0;
            count += 1;
        }
    }
    count
}
