//! The guide track and its layers: what sounds when, and the files of it.

use super::{MarkAccount, MarkPlace, PackError};
use ripieno_engine::inspect::bleed;
use ripieno_engine::mark::Mark;
use ripieno_engine::voice::{self, Click};
use ripieno_score::{Chord, Piece, Position};
use std::collections::VecDeque;
use std::convert::Infallible;
use std::path::Path;
use std::sync::Arc;

/// Level of a click against full scale: −15 dBFS on a bar's first beat, −18 on the others.
const BAR_CLICK: f32 = 0.178;
const BEAT_CLICK: f32 = 0.126;
/// Peak of every chord, however many notes it has: with the one before ringing out and a click on
/// top the guide stays below −6 dBFS, a caution for people who wear headphones.
const CHORD_PEAK: f32 = 0.16;
/// Silence before the first and after the last sound.
const MARGIN_S: f64 = 0.5;
/// A click this close to a mark is left out.
const CLEAR_OF_MARK_S: f64 = 0.06;
/// Frames rendered at a time.
const BLOCK: usize = 1 << 16;

/// Everything that sounds in a guide, on the guide's own sample count.
pub(super) struct Guide<'a> {
    rate_hz: u32,
    frames: usize,
    bar1_beat1: i64,
    marks: Vec<(MarkPlace, &'a Mark)>,
    clicks: Vec<(i64, Click)>,
    chords: Vec<Strike>,
}

/// A chord from one sample to another.
struct Strike {
    first: i64,
    last: i64,
    notes: Vec<u8>,
}

impl<'a> Guide<'a> {
    /// Lays out the guide of `piece`.
    pub(super) fn new(piece: &Piece, opening: &'a Mark, closing: Option<&'a Mark>) -> Self {
        let rate = f64::from(piece.sample_rate_hz);
        let margin = (MARGIN_S * rate) as i64;
        let at_opening = piece.sample_at_bar(piece.marks.opening.bar);
        let start = at_opening.min(0) - opening.origin_sample as i64 - margin;
        let bar1_beat1 = -start;
        let mut marks = vec![(
            place(piece.marks.opening.bar, at_opening - start, "mark-opening.wav", opening),
            opening,
        )];
        let release = (voice::RELEASE_S * rate) as i64;
        let mut end = piece.end_sample() - start + release;
        if let (Some(mark), Some(closing)) = (piece.marks.closing, closing) {
            let at = piece.sample_at_bar(mark.bar) - start;
            marks.push((place(mark.bar, at, "mark-closing.wav", closing), closing));
            end = end.max(at + closing.samples.len() as i64 - closing.origin_sample as i64);
        }
        let mut guide = Guide {
            rate_hz: piece.sample_rate_hz,
            frames: (end + margin).max(0) as usize,
            bar1_beat1,
            marks,
            clicks: Vec::new(),
            chords: strikes(piece, bar1_beat1),
        };
        guide.clicks = guide.lay_clicks(piece);
        guide
    }

    /// Length of the guide in frames.
    pub(super) fn frames(&self) -> usize {
        self.frames
    }

    /// Where the marks and bar 1 lie.
    pub(super) fn account(&self) -> MarkAccount {
        let mut places = self.marks.iter().map(|(place, _)| place.clone());
        let none = || MarkPlace { bar: 0, sample: 0, file: "mark-opening.wav", origin_sample: 0.0 };
        MarkAccount {
            sample_rate: self.rate_hz,
            bar1_beat1_sample: self.bar1_beat1,
            opening: places.next().unwrap_or_else(none),
            closing: places.next(),
        }
    }

    /// The count-in, from the bar after the opening mark on, and the pulse of the music.
    fn lay_clicks(&self, piece: &Piece) -> Vec<(i64, Click)> {
        let first_bar = (piece.marks.opening.bar + 1).min(0);
        let clear = (CLEAR_OF_MARK_S * f64::from(self.rate_hz)) as i64;
        let beats = piece.tempo.beats(first_bar, piece.last_bar);
        let placed = beats.iter().map(|beat| {
            let kind = if beat.is_bar { Click::Bar } else { Click::Beat };
            (piece.sample_at(beat.position) + self.bar1_beat1, kind)
        });
        let free = |at: &i64| {
            self.marks.iter().all(|(place, mark)| {
                let first = place.sample - mark.origin_sample as i64 - clear;
                !(first..first + mark.samples.len() as i64 + 2 * clear).contains(at)
            })
        };
        placed.filter(|(at, _)| free(at)).collect()
    }

    /// Writes `guide.wav`, `pulse.wav` and `chords.wav`; gives the guide's peak.
    pub(super) fn write(&self, out: &Path) -> Result<f32, PackError> {
        let mut guide = Wav::create(&out.join("guide.wav"), self.rate_hz)?;
        let mut pulse = Wav::create(&out.join("pulse.wav"), self.rate_hz)?;
        let mut chords = Wav::create(&out.join("chords.wav"), self.rate_hz)?;
        let mut peak = 0.0f32;
        self.render(|first, beats, chord| {
            let mut block: Vec<f32> = beats.iter().zip(chord).map(|(a, b)| a + b).collect();
            for (place, mark) in &self.marks {
                let at = place.sample - mark.origin_sample as i64;
                add(&mut block, first, &mark.samples, at, 1.0);
            }
            peak = block.iter().fold(peak, |p, s| p.max(s.abs()));
            guide.write(&block)?;
            pulse.write(beats)?;
            chords.write(chord)
        })?;
        guide.finish()?;
        pulse.finish()?;
        chords.finish()?;
        Ok(peak)
    }

    /// The pulse and the chords together, as a take's bleed is compared with them.
    pub(super) fn music(&self) -> bleed::Guide {
        let mut keeper = bleed::GuideKeeper::new(-self.bar1_beat1, self.rate_hz);
        let kept: Result<(), Infallible> = self.render(|_, beats, chord| {
            let block: Vec<f32> = beats.iter().zip(chord).map(|(a, b)| a + b).collect();
            keeper.push(&block);
            Ok(())
        });
        match kept {
            Ok(()) => keeper.finish(),
        }
    }

    /// Renders block by block: hands on where each begins, its pulse and its chords.
    fn render<E>(
        &self,
        mut each: impl FnMut(i64, &[f32], &[f32]) -> Result<(), E>,
    ) -> Result<(), E> {
        let clicks =
            [voice::click(Click::Bar, self.rate_hz), voice::click(Click::Beat, self.rate_hz)];
        let mut sounding = Sounding::default();
        for first in (0..self.frames).step_by(BLOCK) {
            let count = BLOCK.min(self.frames - first);
            let first = first as i64;
            let mut beat_block = vec![0.0f32; count];
            for (at, kind) in &self.clicks {
                let (samples, level) = match kind {
                    Click::Bar => (&clicks[0], BAR_CLICK),
                    Click::Beat => (&clicks[1], BEAT_CLICK),
                };
                add(&mut beat_block, first, samples, *at, level);
            }
            let mut chord_block = vec![0.0f32; count];
            sounding.render(&self.chords, first, &mut chord_block, self.rate_hz);
            each(first, &beat_block, &chord_block)?;
        }
        Ok(())
    }
}

fn place(bar: i32, sample: i64, file: &'static str, mark: &Mark) -> MarkPlace {
    MarkPlace { bar, sample, file, origin_sample: mark.origin_sample }
}

/// Adds `sound`, which begins at `at`, to a block that begins at `first`.
fn add(block: &mut [f32], first: i64, sound: &[f32], at: i64, level: f32) {
    let from = (first - at).max(0);
    let to = (first + block.len() as i64 - at).min(sound.len() as i64);
    if from >= to {
        return;
    }
    let start = (at + from - first) as usize;
    for (value, sample) in block[start..].iter_mut().zip(&sound[from as usize..to as usize]) {
        *value += level * sample;
    }
}

/// The chords of the chart, struck anew at every bar so that one hears where one is.
fn strikes(piece: &Piece, bar1_beat1: i64) -> Vec<Strike> {
    let end = Position::bar_start(piece.last_bar + 1);
    let changes = piece.chart.changes().iter().map(|change| change.position);
    let bars = (1..=piece.last_bar).map(Position::bar_start);
    let mut starts: Vec<Position> =
        changes.chain(bars).filter(|p| *p >= Position::bar_start(1) && *p < end).collect();
    starts.sort();
    starts.dedup();
    let ends = starts.iter().skip(1).copied().chain(std::iter::once(end));
    starts
        .iter()
        .zip(ends)
        .filter_map(|(from, to)| {
            let chord = piece.chart.chord_at(*from)?;
            Some(Strike {
                first: piece.sample_at(*from) + bar1_beat1,
                last: piece.sample_at(to) + bar1_beat1,
                notes: voicing(chord),
            })
        })
        .collect()
}

/// MIDI notes of a chord: its bass low, everything else in one octave around middle C, so that a
/// note common to two chords stays where it is.
fn voicing(chord: &Chord) -> Vec<u8> {
    let bass = 38 + (chord.bass() + 12 - 2) % 12;
    let middle = |class: u8| 54 + (class + 12 - 6) % 12;
    let mut notes = vec![bass];
    let mut upper: Vec<u8> = chord.pitch_classes().into_iter().map(middle).collect();
    upper.sort_unstable();
    notes.extend(upper);
    notes
}

/// The chords that sound at the moment.
#[derive(Default)]
struct Sounding {
    next: usize,
    now: Vec<(i64, Arc<[f32]>)>,
    /// The chords rendered last, the latest first: harmony comes round.
    recent: VecDeque<Rendered>,
}

/// Notes, length in frames without the release, and the sound of a chord.
type Rendered = (Vec<u8>, i64, Arc<[f32]>);

/// Rendered chords that are kept, half a megabyte or so each.
const RECENT_CHORDS: usize = 12;

impl Sounding {
    fn render(&mut self, strikes: &[Strike], first: i64, block: &mut [f32], rate_hz: u32) {
        let end = first + block.len() as i64;
        while let Some(strike) = strikes.get(self.next).filter(|s| s.first < end) {
            let sound = self.sound(strike, rate_hz);
            self.now.push((strike.first, sound));
            self.next += 1;
        }
        for (at, sound) in &self.now {
            add(block, first, sound, *at, 1.0);
        }
        self.now.retain(|(at, sound)| at + sound.len() as i64 > end);
    }

    fn sound(&mut self, strike: &Strike, rate_hz: u32) -> Arc<[f32]> {
        let length = strike.last - strike.first;
        let is_it =
            |(notes, len, _): &Rendered| *notes == strike.notes && (len - length).abs() <= 1;
        let known = self.recent.iter().position(is_it).and_then(|at| self.recent.remove(at));
        let chord = known.unwrap_or_else(|| {
            let hold_s = length as f64 / f64::from(rate_hz);
            let mut sound = voice::chord(&strike.notes, hold_s, rate_hz);
            let peak = sound.iter().fold(1e-6f32, |p, s| p.max(s.abs()));
            sound.iter_mut().for_each(|s| *s *= CHORD_PEAK / peak);
            (strike.notes.clone(), length, sound.into())
        });
        let sound = Arc::clone(&chord.2);
        self.recent.push_front(chord);
        self.recent.truncate(RECENT_CHORDS);
        sound
    }
}

/// A mono 24-bit WAV being written.
struct Wav {
    writer: hound::WavWriter<std::io::BufWriter<std::fs::File>>,
    path: std::path::PathBuf,
}

impl Wav {
    fn create(path: &Path, rate_hz: u32) -> Result<Self, PackError> {
        let spec = hound::WavSpec {
            channels: 1,
            sample_rate: rate_hz,
            bits_per_sample: 24,
            sample_format: hound::SampleFormat::Int,
        };
        let path = path.to_path_buf();
        match hound::WavWriter::create(&path, spec) {
            Ok(writer) => Ok(Wav { writer, path }),
            Err(source) => Err(PackError::Wav { path, source }),
        }
    }

    fn write(&mut self, samples: &[f32]) -> Result<(), PackError> {
        let full = f64::from(1 << 23);
        for sample in samples {
            let value = (f64::from(*sample) * full).round().clamp(-full, full - 1.0) as i32;
            let written = self.writer.write_sample(value);
            written.map_err(|source| PackError::Wav { path: self.path.clone(), source })?;
        }
        Ok(())
    }

    fn finish(self) -> Result<(), PackError> {
        let path = self.path;
        self.writer.finalize().map_err(|source| PackError::Wav { path, source })
    }
}

/// Writes a mark alone.
pub(super) fn write_mark(mark: &Mark, path: &Path) -> Result<(), PackError> {
    let mut wav = Wav::create(path, mark.rate_hz)?;
    wav.write(&mark.samples)?;
    wav.finish()
}
