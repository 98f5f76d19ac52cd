//! One streaming reader for every container, under limits.
//!
//! [`Recording::open`] gives a [`Stream`], and [`Stream::next_block`] gives planar blocks of at
//! most some thousands of frames until there are no more. Memory does not grow with the length
//! of the file, and nothing is allocated by what a header claims. Frame 0 of a stream is the
//! first one after the encoder delay, trimmed as each format's standard says.

mod error;
mod note;
mod packets;
mod timeline;
mod wall;

use std::fs::File;
use std::path::{Path, PathBuf};

pub use error::DecodeError;
pub use note::Note;

use packets::{PacketSource, Step};
use timeline::Timeline;
use wall::behind_wall;

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
}

impl Recording {
    /// The recording at `path`; nothing is read yet.
    pub fn new(path: impl Into<PathBuf>, limits: Limits) -> Self {
        Recording { path: path.into(), limits }
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
        let (source, timeline) = behind_wall(|| PacketSource::open(file, &self.limits))?;
        Ok(Stream::new(source, timeline, &self.limits))
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
    source: PacketSource,
    timeline: Timeline,
    block: Vec<Vec<f32>>,
    max_frames: u64,
    max_decoded_s: f64,
    not_finite: u64,
    notes: Vec<Note>,
    ended: bool,
}

impl Stream {
    fn new(source: PacketSource, timeline: Timeline, limits: &Limits) -> Self {
        let info = source.info().clone();
        let channels = usize::from(info.channels);
        Stream {
            max_frames: (limits.max_decoded_s * f64::from(info.sample_rate_hz)) as u64,
            max_decoded_s: limits.max_decoded_s,
            info,
            source,
            timeline,
            block: vec![Vec::new(); channels],
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
                if self.timeline.emitted() == 0 {
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

    /// Fills `block` with the next frames that survive trimming; gives the number of the first.
    fn fill_block(&mut self) -> Result<Option<u64>, DecodeError> {
        loop {
            if self.timeline.take_silence(&mut self.block) {
                break;
            }
            let (source, block) = (&mut self.source, &mut self.block);
            match behind_wall(|| source.step(block))? {
                Step::End => return Ok(None),
                Step::Gap { frames } => self.timeline.owe_silence(frames),
                Step::Audio => {
                    if self.timeline.cut(&mut self.block) {
                        break;
                    }
                }
            }
            if self.timeline.is_over() {
                return Ok(None);
            }
        }
        self.not_finite += zero_not_finite(&mut self.block);
        let frames = self.block[0].len() as u64;
        let first_frame = self.timeline.emitted();
        self.timeline.emit(frames);
        if self.timeline.emitted() > self.max_frames {
            return Err(DecodeError::TooLong { max_decoded_s: self.max_decoded_s });
        }
        Ok(Some(first_frame))
    }

    /// Closes the stream and gathers its notes.
    fn end(&mut self) {
        self.ended = true;
        let end_s = self.timeline.emitted() as f64 / f64::from(self.info.sample_rate_hz);
        self.notes = self.source.take_notes(end_s);
        if self.not_finite > 0 {
            self.notes.push(Note::NotFinite { count: self.not_finite });
        }
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
