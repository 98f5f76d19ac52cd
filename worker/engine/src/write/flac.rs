//! FLAC (RFC 9639) with Vorbis comments, encoded as the sound comes.

use std::io::{BufWriter, Seek, SeekFrom, Write};
use std::sync::{Arc, Mutex, PoisonError};

use flac_codec::encode::{FlacSampleWriter, Options};

use super::dither::Quantiser;
use super::{WriteError, frames_of};

/// What a FLAC file is to be.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FlacSpec {
    /// Frames a second.
    pub rate_hz: u32,
    /// Channels, up to eight.
    pub channels: u16,
    /// Bits of a sample, 16 or 24.
    pub bits: u16,
    /// Rounding uses triangular dither from this seed; without it, it is plain.
    pub dither_seed: Option<u64>,
    /// Vorbis comments, as (field, value).
    pub tags: Vec<(String, String)>,
    /// How many frames there will be, if that is known: then a seek table is made, and writing
    /// another number is an error.
    pub frames: Option<u64>,
}

impl FlacSpec {
    /// A file without tags or dither.
    pub fn new(rate_hz: u32, channels: u16, bits: u16) -> Self {
        FlacSpec { rate_hz, channels, bits, dither_seed: None, tags: Vec::new(), frames: None }
    }
}

/// Writes a FLAC file as the sound comes.
pub struct FlacWriter<W: Write + Seek> {
    encoder: FlacSampleWriter<Shared<W>>,
    out: Shared<W>,
    channels: u16,
    quantisers: Vec<Quantiser>,
    samples: Vec<i32>,
}

/// The encoder keeps its writer to itself and forgets it at the end; errors of the last flush
/// must not be lost, so we hold on to it too.
struct Shared<W: Write + Seek>(Arc<Mutex<BufWriter<W>>>);

impl<W: Write + Seek> FlacWriter<W> {
    /// Starts a file at the beginning of `out`, which need not be buffered.
    ///
    /// # Errors
    /// [`WriteError::Format`] for what FLAC can't hold.
    pub fn new(out: W, spec: FlacSpec) -> Result<Self, WriteError> {
        if !matches!(spec.bits, 16 | 24) || !(1..=8).contains(&spec.channels) {
            let what =
                format!("{} channels of {} bits don't make a FLAC", spec.channels, spec.bits);
            return Err(WriteError::Format(what));
        }
        let options = spec
            .tags
            .iter()
            .fold(Options::default(), |options, (field, value)| options.tag(field, value));
        let out = Shared(Arc::new(Mutex::new(BufWriter::new(out))));
        let samples = spec.frames.map(|frames| frames * u64::from(spec.channels));
        let encoder = FlacSampleWriter::new(
            Shared(Arc::clone(&out.0)),
            options,
            spec.rate_hz,
            spec.bits.into(),
            spec.channels as u8,
            samples,
        )
        .map_err(encoder_error)?;
        let quantisers = (0..u64::from(spec.channels))
            .map(|c| Quantiser::new(spec.bits.into(), spec.dither_seed, c))
            .collect();
        Ok(FlacWriter { encoder, out, channels: spec.channels, quantisers, samples: Vec::new() })
    }

    /// Appends planar frames; full scale is ±1 and clips beyond it.
    ///
    /// # Errors
    /// [`WriteError::Format`] if the channels don't match, [`WriteError::Io`].
    pub fn write<S: Copy + Into<f64>>(&mut self, block: &[&[S]]) -> Result<(), WriteError> {
        let frames = frames_of(block, self.channels)?;
        self.samples.clear();
        for frame in 0..frames {
            for (quantiser, channel) in self.quantisers.iter_mut().zip(block) {
                self.samples.push(quantiser.round(channel[frame].into()));
            }
        }
        self.encoder.write(&self.samples).map_err(encoder_error)
    }

    /// Writes the last frame, fills in the header, and gives `out` back, flushed.
    ///
    /// # Errors
    /// [`WriteError::Io`]; [`WriteError::Format`] if fewer frames came than were announced.
    pub fn finish(self) -> Result<W, WriteError> {
        let FlacWriter { encoder, out, .. } = self;
        encoder.finalize().map_err(encoder_error)?;
        out.into_inner()
    }
}

impl<W: Write + Seek> Shared<W> {
    fn with<T>(&self, work: impl FnOnce(&mut BufWriter<W>) -> T) -> T {
        work(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }

    fn into_inner(self) -> Result<W, WriteError> {
        self.with(|out| out.seek(SeekFrom::End(0)).and_then(|_| out.flush()))?;
        let Some(out) = Arc::into_inner(self.0) else {
            return Err(WriteError::format("the FLAC encoder did not let go of its file"));
        };
        let out = out.into_inner().unwrap_or_else(PoisonError::into_inner);
        out.into_inner().map_err(|error| WriteError::Io(error.into_error()))
    }
}

impl<W: Write + Seek> Write for Shared<W> {
    fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
        self.with(|out| out.write(bytes))
    }

    fn flush(&mut self) -> std::io::Result<()> {
        self.with(|out| out.flush())
    }
}

impl<W: Write + Seek> Seek for Shared<W> {
    fn seek(&mut self, to: SeekFrom) -> std::io::Result<u64> {
        self.with(|out| out.seek(to))
    }
}

fn encoder_error(error: flac_codec::Error) -> WriteError {
    match error {
        flac_codec::Error::Io(error) => WriteError::Io(error),
        other => WriteError::format(other),
    }
}
