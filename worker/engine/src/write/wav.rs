//! WAV, becoming RF64 when it grows past what RIFF can hold (EBU Tech 3306 v1.1).
//!
//! A `JUNK` chunk of the size of `ds64` stands where RF64 wants it, so the file can change its
//! mind at the end without moving a byte of sound.

use std::io::{Seek, SeekFrom, Write};

use super::bext::{Bext, BextLoudness};
use super::cue::{self, Cue, put_chunk};
use super::dither::Quantiser;
use super::{WriteError, frames_of};

/// How samples are stored.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum SampleFormat {
    /// Signed 16-bit integers.
    Int16,
    /// Signed 24-bit integers.
    Int24,
    /// IEEE 754 singles.
    Float32,
}

impl SampleFormat {
    /// Bits of a sample.
    pub fn bits(self) -> u16 {
        match self {
            SampleFormat::Int16 => 16,
            SampleFormat::Int24 => 24,
            SampleFormat::Float32 => 32,
        }
    }
}

/// What a WAV file is to be.
#[derive(Clone, Debug, PartialEq)]
pub struct WavSpec {
    /// Frames a second.
    pub rate_hz: u32,
    /// Channels.
    pub channels: u16,
    /// How samples are stored.
    pub format: SampleFormat,
    /// Integers are rounded with triangular dither from this seed; without it, plainly.
    pub dither_seed: Option<u64>,
    /// The broadcast extension, if wanted.
    pub bext: Option<Bext>,
    /// Named positions, rising.
    pub cues: Vec<Cue>,
    /// The file becomes RF64 when it has more bytes than this; RIFF itself ends at 4 GiB.
    pub rf64_above_bytes: u64,
}

impl WavSpec {
    /// A plain file without metadata or dither.
    pub fn new(rate_hz: u32, channels: u16, format: SampleFormat) -> Self {
        WavSpec {
            rate_hz,
            channels,
            format,
            dither_seed: None,
            bext: None,
            cues: Vec::new(),
            rf64_above_bytes: u32::MAX.into(),
        }
    }
}

/// Bytes of the head of a `ds64` chunk without a table.
const DS64_BYTES: usize = 28;

/// Writes a WAV file as the sound comes. Without [`WavWriter::finish`] the file is not valid.
pub struct WavWriter<W: Write + Seek> {
    out: W,
    spec: WavSpec,
    quantisers: Vec<Quantiser>,
    /// Where the content of `bext` starts.
    bext_at: u64,
    /// Where the samples start.
    data_at: u64,
    frames: u64,
    bytes: Vec<u8>,
}

impl<W: Write + Seek> WavWriter<W> {
    /// Starts a file at the beginning of `out`, which need not be buffered.
    ///
    /// # Errors
    /// [`WriteError::Format`] for no channels, too many, or a rate of zero.
    pub fn new(mut out: W, spec: WavSpec) -> Result<Self, WriteError> {
        let frame_bytes = u32::from(spec.channels) * u32::from(spec.format.bits() / 8);
        if spec.channels == 0 || u16::try_from(frame_bytes).is_err() || spec.rate_hz == 0 {
            let what =
                format!("{} channels at {} Hz don't make a WAV", spec.channels, spec.rate_hz);
            return Err(WriteError::Format(what));
        }
        let mut head = b"RIFF\0\0\0\0WAVE".to_vec();
        put_chunk(&mut head, b"JUNK", &[0; DS64_BYTES]);
        let bext_at = head.len() as u64 + 8;
        if let Some(bext) = &spec.bext {
            put_chunk(&mut head, b"bext", &bext.to_bytes()?);
        }
        put_chunk(&mut head, b"fmt ", &format_chunk(&spec, frame_bytes));
        if spec.format == SampleFormat::Float32 {
            put_chunk(&mut head, b"fact", &[0; 4]);
        }
        head.extend(b"data\0\0\0\0");
        out.write_all(&head)?;
        let quantisers = (0..u64::from(spec.channels))
            .map(|c| Quantiser::new(spec.format.bits().into(), spec.dither_seed, c))
            .collect();
        let data_at = head.len() as u64;
        Ok(WavWriter { out, spec, quantisers, bext_at, data_at, frames: 0, bytes: Vec::new() })
    }

    /// Appends planar frames; full scale is ±1, integers clip beyond it.
    ///
    /// # Errors
    /// [`WriteError::Format`] if the channels don't match, [`WriteError::Io`].
    pub fn write<S: Copy + Into<f64>>(&mut self, block: &[&[S]]) -> Result<(), WriteError> {
        let frames = frames_of(block, self.spec.channels)?;
        self.bytes.resize(frames * block.len() * usize::from(self.spec.format.bits() / 8), 0);
        for (at, (quantiser, channel)) in self.quantisers.iter_mut().zip(block).enumerate() {
            let place = (at, block.len());
            match self.spec.format {
                SampleFormat::Float32 => interleave(channel, place, &mut self.bytes, |sample| {
                    (sample as f32).to_le_bytes()
                }),
                SampleFormat::Int16 => interleave(channel, place, &mut self.bytes, |sample| {
                    (quantiser.round(sample) as i16).to_le_bytes()
                }),
                SampleFormat::Int24 => interleave(channel, place, &mut self.bytes, |sample| {
                    let [low, middle, high, _] = quantiser.round(sample).to_le_bytes();
                    [low, middle, high]
                }),
            }
        }
        self.out.write_all(&self.bytes)?;
        self.frames += frames as u64;
        Ok(())
    }

    /// Fills in the loudness that `bext` gives, once it is known.
    pub fn set_loudness(&mut self, loudness: BextLoudness) {
        if let Some(bext) = &mut self.spec.bext {
            bext.loudness = loudness;
        }
    }

    /// Writes what follows the sound, fills in the sizes, and gives `out` back, flushed and
    /// standing at its end.
    ///
    /// # Errors
    /// [`WriteError::Io`].
    pub fn finish(mut self) -> Result<W, WriteError> {
        let frame_bytes = u64::from(self.spec.channels) * u64::from(self.spec.format.bits() / 8);
        let data_bytes = self.frames * frame_bytes;
        let mut tail = vec![0; (data_bytes % 2) as usize];
        tail.extend(cue::chunks(&self.spec.cues));
        self.out.write_all(&tail)?;
        let file_bytes = self.data_at + data_bytes + tail.len() as u64;
        if file_bytes - 8 > self.spec.rf64_above_bytes.min(u32::MAX.into()) {
            self.become_rf64(file_bytes, data_bytes)?;
        } else {
            self.patch(4, &(file_bytes as u32 - 8).to_le_bytes())?;
            self.patch(self.data_at - 4, &(data_bytes as u32).to_le_bytes())?;
        }
        if self.spec.format == SampleFormat::Float32 {
            let frames = u32::try_from(self.frames).unwrap_or(u32::MAX);
            self.patch(self.data_at - 12, &frames.to_le_bytes())?;
        }
        if let Some(bext) = &self.spec.bext {
            let bytes = bext.to_bytes()?;
            self.patch(self.bext_at, &bytes)?;
        }
        self.out.seek(SeekFrom::Start(file_bytes))?;
        self.out.flush()?;
        Ok(self.out)
    }

    /// The sizes go to `ds64`, in the place kept for it.
    fn become_rf64(&mut self, file_bytes: u64, data_bytes: u64) -> Result<(), WriteError> {
        let mut ds64 = b"ds64".to_vec();
        ds64.extend((DS64_BYTES as u32).to_le_bytes());
        ds64.extend((file_bytes - 8).to_le_bytes());
        ds64.extend(data_bytes.to_le_bytes());
        ds64.extend(self.frames.to_le_bytes());
        ds64.extend(0u32.to_le_bytes());
        self.patch(0, b"RF64\xff\xff\xff\xffWAVE")?;
        self.patch(12, &ds64)?;
        self.patch(self.data_at - 4, &u32::MAX.to_le_bytes())
    }

    fn patch(&mut self, at: u64, bytes: &[u8]) -> Result<(), WriteError> {
        self.out.seek(SeekFrom::Start(at))?;
        self.out.write_all(bytes)?;
        Ok(())
    }
}

/// Puts the samples of a channel, by its number and how many there are, into frames of bytes.
fn interleave<S: Copy + Into<f64>, const BYTES: usize>(
    channel: &[S],
    (at, channels): (usize, usize),
    frames: &mut [u8],
    mut coded: impl FnMut(f64) -> [u8; BYTES],
) {
    let places = frames.as_chunks_mut::<BYTES>().0;
    // One channel is no stride, which a compiler makes vectors of.
    if channels == 1 {
        let each = places.iter_mut().zip(channel);
        each.for_each(|(place, sample)| *place = coded((*sample).into()));
    } else {
        let each = places.iter_mut().skip(at).step_by(channels).zip(channel);
        each.for_each(|(place, sample)| *place = coded((*sample).into()));
    }
}

fn format_chunk(spec: &WavSpec, frame_bytes: u32) -> Vec<u8> {
    let float = spec.format == SampleFormat::Float32;
    let tag: u16 = if float { 3 } else { 1 };
    let mut fmt = tag.to_le_bytes().to_vec();
    fmt.extend(spec.channels.to_le_bytes());
    fmt.extend(spec.rate_hz.to_le_bytes());
    fmt.extend(spec.rate_hz.wrapping_mul(frame_bytes).to_le_bytes());
    fmt.extend((frame_bytes as u16).to_le_bytes());
    fmt.extend(spec.format.bits().to_le_bytes());
    if float {
        fmt.extend([0; 2]);
    }
    fmt
}

#[cfg(test)]
mod tests {
    use std::io::Cursor;

    use super::*;

    fn written(spec: WavSpec, blocks: &[&[f32]]) -> Vec<u8> {
        let mut writer = WavWriter::new(Cursor::new(Vec::new()), spec).unwrap();
        for block in blocks {
            writer.write(&[block]).unwrap();
        }
        writer.finish().unwrap().into_inner()
    }

    fn sound() -> Vec<f32> {
        (0..1001).map(|i| (i as f32 * 0.37).sin() * 0.8).collect()
    }

    /// hound reads what we write, sample for sample.
    #[test]
    fn another_reader_gets_the_same_samples() {
        let sound = sound();
        let spec = WavSpec::new(44_100, 1, SampleFormat::Float32);
        let bytes = written(spec, &[&sound]);
        let mut reader = hound::WavReader::new(Cursor::new(bytes)).unwrap();
        assert_eq!(reader.samples::<f32>().map(Result::unwrap).collect::<Vec<_>>(), sound);
        let spec = WavSpec::new(44_100, 1, SampleFormat::Int24);
        let mut reader = hound::WavReader::new(Cursor::new(written(spec, &[&sound]))).unwrap();
        let expected: Vec<i32> =
            sound.iter().map(|x| (f64::from(*x) * 8_388_608.0).round_ties_even() as i32).collect();
        assert_eq!(reader.samples::<i32>().map(Result::unwrap).collect::<Vec<_>>(), expected);
    }

    #[test]
    fn the_file_does_not_depend_on_the_blocks() {
        let sound = sound();
        let spec = || WavSpec {
            dither_seed: Some(11),
            cues: vec![Cue { at_frame: 500, label: "Crest".into() }],
            bext: Some(Bext::default()),
            ..WavSpec::new(48_000, 1, SampleFormat::Int16)
        };
        let whole = written(spec(), &[&sound]);
        let parts: Vec<_> = sound.chunks(77).collect();
        assert_eq!(whole, written(spec(), &parts));
    }

    #[test]
    fn past_the_limit_the_sizes_move_to_ds64() {
        let spec =
            WavSpec { rf64_above_bytes: 100, ..WavSpec::new(48_000, 1, SampleFormat::Int24) };
        let bytes = written(spec, &[&[0.5; 51]]);
        assert_eq!(&bytes[..16], b"RF64\xff\xff\xff\xffWAVEds64");
        assert_eq!(bytes[20..28], (bytes.len() as u64 - 8).to_le_bytes());
        assert_eq!(bytes[28..36], 153u64.to_le_bytes());
        assert_eq!(bytes[36..44], 51u64.to_le_bytes());
        assert_eq!(bytes.len() % 2, 0);
    }

    #[test]
    fn nonsense_is_refused() {
        let new = |rate, channels| {
            let spec = WavSpec::new(rate, channels, SampleFormat::Int16);
            WavWriter::new(Cursor::new(Vec::new()), spec).err().map(|e| e.to_string())
        };
        assert_eq!(new(48_000, 0).unwrap(), "0 channels at 48000 Hz don't make a WAV");
        assert!(new(0, 2).is_some());
        let spec = WavSpec::new(48_000, 2, SampleFormat::Int16);
        let mut writer = WavWriter::new(Cursor::new(Vec::new()), spec).unwrap();
        assert!(writer.write(&[&[0.0f32; 3][..], &[0.0; 4]]).is_err());
    }
}
