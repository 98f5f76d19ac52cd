//! From file clock to master grid in one pass.
//!
//! File rate, clock error, tempo ratio and offset are one [`TimeMap`]; every sample of the grid
//! is read from the file once, at exactly the place the map gives, by one band-limited kernel, or
//! by a short one from the file at twice its rate. Only a short window of the file is in memory.
//! The kernel's cut-off follows the map's mean speed: pieces that run faster than the rest are for
//! stretches where nothing sounds.

mod double;
mod fused;
mod kernel;
mod matrix;
mod time_map;

use std::ops::Range;
use std::sync::Arc;

use double::Doubler;
use kernel::Kernel;
pub use matrix::ChannelMatrix;
pub use time_map::{NotAMap, TimeMap};

use crate::decode::{DecodeError, Recording};

/// Samples handed to the sink at a time, at most.
const BLOCK: usize = 4096;

/// Frames kept to either side of those a kernel needs: a place that is walked to and the same
/// place asked for by itself may be rounded to different frames.
const SPARE_FRAMES: i64 = 1;

/// Takes one block of a stem at a time: planar, equal lengths.
pub type Sink<'a, E> = dyn FnMut(&[&[f32]]) -> Result<(), E> + 'a;

/// Why a recording could not be laid on the grid.
#[derive(Debug, thiserror::Error)]
pub enum LayError<E> {
    /// The recording cannot be decoded.
    #[error(transparent)]
    Decode(#[from] DecodeError),
    /// Where it was laid did not take it.
    #[error("the laid samples could not be kept")]
    Sink(E),
}

/// Decodes `recording` once and gives `sink` the grid samples `range`, block by block, each read
/// from the file where `map` says. Decoding stops when the range is full.
///
/// # Errors
/// Those of the decoder and of the sink.
pub fn lay<E>(
    recording: &Recording,
    map: &TimeMap,
    range: Range<i64>,
    matrix: &ChannelMatrix,
    sink: &mut Sink<'_, E>,
) -> Result<(), LayError<E>> {
    let mut stream = recording.open()?;
    let mut layer = Layer::new(map.clone(), range, matrix.clone());
    while !layer.is_done() {
        let Some(block) = stream.next_block()? else { break };
        let channels: Vec<&[f32]> = block.channels.iter().map(Vec::as_slice).collect();
        layer.push(block.first_frame, &channels, sink).map_err(LayError::Sink)?;
    }
    layer.finish(sink).map_err(LayError::Sink)
}

/// Lays pushed file frames on the grid, block by block.
///
/// Grid samples that fall before the first or after the last file frame are silence; the file is
/// taken to be silent outside itself, so its edges ring for half a kernel.
pub struct Layer {
    /// From grid sample to frame of the windows.
    map: TimeMap,
    matrix: ChannelMatrix,
    kernel: Arc<Kernel>,
    copies_from: Option<i64>,
    /// Brings the file to the windows' rate, where that is twice the file's.
    doubler: Option<Doubler>,
    /// The next grid sample to give, and the one to stop before.
    next_sample: i64,
    end_sample: i64,
    /// The next file frame to take.
    next_frame: i64,
    /// The frame at the start of the windows, and those that are kept, one row a stem channel.
    window_frame: i64,
    windows: Vec<Vec<f32>>,
    out: Vec<Vec<f32>>,
}

impl Layer {
    /// A layer of grid samples `range` under `map`, from channels mixed by `matrix`.
    #[must_use]
    pub fn new(map: TimeMap, range: Range<i64>, matrix: ChannelMatrix) -> Self {
        let channels = matrix.channels();
        let (copies_from, speed) = (map.whole_frames(), map.mean_speed());
        let doubled = copies_from.is_none() && speed <= double::MOST_SPEED;
        let (map, doubler, kernel) = match doubled {
            true => (map.doubled(), Some(Doubler::new(channels)), Kernel::of_doubled()),
            // Copies have no use for a kernel; any does.
            false if copies_from.is_some() => (map, None, Kernel::of_doubled()),
            false => (map, None, Arc::new(Kernel::for_speed(speed))),
        };
        let first = map.frame_at(range.start as f64).floor() as i64 - SPARE_FRAMES;
        let mut window_frame = first - kernel.frames_before() as i64;
        let mut next_frame = window_frame;
        // What lies before the file's first frame is silence, and no more of it is needed than
        // a kernel is long.
        if let Some(doubler) = &doubler {
            let silence = 2 * doubler.taps() as i64 + kernel.taps() as i64;
            next_frame = (window_frame.div_euclid(2) - doubler.frames_before()).max(-silence);
            window_frame = 2 * (next_frame + doubler.frames_before());
        } else {
            next_frame = next_frame.max(-2 * kernel.taps() as i64);
            window_frame = next_frame;
        }
        Self {
            map,
            matrix,
            kernel,
            copies_from,
            doubler,
            next_sample: range.start,
            end_sample: range.end.max(range.start),
            next_frame,
            window_frame,
            windows: vec![Vec::new(); channels],
            out: vec![Vec::with_capacity(BLOCK); channels],
        }
    }

    /// Whether every sample of the range has been given: what the file still holds is not needed.
    #[must_use]
    pub fn is_done(&self) -> bool {
        self.next_sample >= self.end_sample
    }

    /// Takes the file's frames from `first_frame` on (planar, equal lengths) and gives `sink`
    /// what they complete. Frames must come in order; a gap is silence.
    ///
    /// # Errors
    /// Those of the sink.
    pub fn push<E>(
        &mut self,
        first_frame: u64,
        file: &[&[f32]],
        sink: &mut Sink<'_, E>,
    ) -> Result<(), E> {
        let frames = file.first().map_or(0, |channel| channel.len());
        let first = first_frame as i64;
        let mut taken = 0;
        while taken < frames && !self.is_done() {
            let begin = (self.next_frame - first).clamp(taken as i64, frames as i64) as usize;
            let upto = frames.min(begin + 4 * BLOCK);
            self.fill_gap(first + begin as i64, sink)?;
            self.take(|matrix, windows| matrix.append(file, begin..upto, windows), upto - begin);
            taken = upto;
            self.give(sink)?;
        }
        Ok(())
    }

    /// Gives the rest of the range; the file is over.
    ///
    /// # Errors
    /// Those of the sink.
    pub fn finish<E>(mut self, sink: &mut Sink<'_, E>) -> Result<(), E> {
        while !self.is_done() {
            self.take_silence(BLOCK);
            self.give(sink)?;
        }
        Ok(())
    }

    fn fill_gap<E>(&mut self, upto: i64, sink: &mut Sink<'_, E>) -> Result<(), E> {
        while self.next_frame < upto && !self.is_done() {
            self.take_silence((upto - self.next_frame).min(4 * BLOCK as i64) as usize);
            self.give(sink)?;
        }
        Ok(())
    }

    fn take_silence(&mut self, frames: usize) {
        let add = |_: &ChannelMatrix, windows: &mut [Vec<f32>]| {
            windows.iter_mut().for_each(|window| window.resize(window.len() + frames, 0.0));
        };
        self.take(add, frames);
    }

    /// Takes so many file frames, which `add` puts at the ends of rows, one a stem channel.
    fn take(&mut self, add: impl FnOnce(&ChannelMatrix, &mut [Vec<f32>]), frames: usize) {
        match &mut self.doubler {
            Some(doubler) => {
                add(&self.matrix, doubler.inputs());
                doubler.double_into(&mut self.windows);
            }
            None => add(&self.matrix, &mut self.windows),
        }
        self.next_frame += frames as i64;
    }

    fn window_end(&self) -> i64 {
        self.window_frame + self.windows.first().map_or(0, Vec::len) as i64
    }

    /// Gives every sample whose kernel lies within the windows, then drops what is used up.
    fn give<E>(&mut self, sink: &mut Sink<'_, E>) -> Result<(), E> {
        loop {
            let count = self.ready();
            if count == 0 {
                break;
            }
            match self.copies_from {
                Some(frame_at_zero) => self.copy(frame_at_zero, count),
                None => self.interpolate(count),
            }
            self.next_sample += count as i64;
            let blocks: Vec<&[f32]> = self.out.iter().map(Vec::as_slice).collect();
            sink(&blocks)?;
        }
        self.drop_used();
        Ok(())
    }

    /// How many samples, up to a block, the windows suffice for. The map rises, so the last
    /// sample that fits is found by halving.
    fn ready(&self) -> usize {
        let most = (self.end_sample - self.next_sample).clamp(0, BLOCK as i64);
        let last_start = self.window_end() - self.kernel.taps() as i64 - SPARE_FRAMES;
        let fits = |count: i64| {
            let frame = self.map.frame_at((self.next_sample + count - 1) as f64).floor() as i64;
            frame - self.kernel.frames_before() as i64 <= last_start
        };
        if most == 0 || fits(most) {
            return most as usize;
        }
        let (mut fit, mut over) = (0, most);
        while over - fit > 1 {
            let middle = (fit + over) / 2;
            if fits(middle) { fit = middle } else { over = middle }
        }
        fit as usize
    }

    fn copy(&mut self, frame_at_zero: i64, count: usize) {
        let from = self.next_sample + frame_at_zero - self.window_frame;
        // A range that starts far before the file has no window there: silence.
        let silent = (-from).clamp(0, count as i64) as usize;
        let begin = from.max(0) as usize;
        for (window, out) in self.windows.iter().zip(&mut self.out) {
            out.clear();
            out.resize(silent, 0.0);
            out.extend_from_slice(&window[begin..begin + count - silent]);
        }
    }

    fn interpolate(&mut self, count: usize) {
        let window_first = self.window_frame + self.kernel.frames_before() as i64;
        self.out.iter_mut().for_each(Vec::clear);
        for run in self.map.runs(self.next_sample, count) {
            for (window, out) in self.windows.iter().zip(&mut self.out) {
                self.kernel.read_run(window, window_first, run, out);
            }
        }
    }

    fn drop_used(&mut self) {
        let frame = self.map.frame_at(self.next_sample as f64).floor() as i64 - SPARE_FRAMES;
        let needed = frame - self.kernel.frames_before() as i64;
        let length = self.windows.first().map_or(0, Vec::len);
        let used = (needed - self.window_frame).clamp(0, length as i64) as usize;
        for window in &mut self.windows {
            window.drain(..used);
        }
        self.window_frame += used as i64;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn lay_all(map: TimeMap, range: Range<i64>, file: &[f32], chunk: usize) -> Vec<f32> {
        let mut laid = Vec::new();
        let mut sink = |block: &[&[f32]]| -> Result<(), ()> {
            laid.extend_from_slice(block[0]);
            Ok(())
        };
        let mut layer = Layer::new(map, range, ChannelMatrix::same(1));
        for (index, part) in file.chunks(chunk).enumerate() {
            layer.push((index * chunk) as u64, &[part], &mut sink).unwrap();
        }
        layer.finish(&mut sink).unwrap();
        laid
    }

    fn tone(frequency: f64, rate: f64, frames: usize) -> Vec<f32> {
        let step = std::f64::consts::TAU * frequency / rate;
        (0..frames).map(|frame| (0.5 * (step * frame as f64).sin()) as f32).collect()
    }

    #[test]
    fn a_whole_offset_at_equal_speed_is_copied_bit_for_bit() {
        let file = tone(997.0, 48_000.0, 20_000);
        let laid = lay_all(TimeMap::straight(100.0, 1.0), -150..25_000, &file, 777);
        assert_eq!(laid.len(), 25_150);
        assert!(laid[..50].iter().all(|sample| *sample == 0.0));
        assert_eq!(laid[50..20_050], file[..]);
        assert!(laid[20_050..].iter().all(|sample| *sample == 0.0));
    }

    #[test]
    fn a_tone_lands_where_the_map_says() {
        for (rate, ppm) in [(48_000.0, 137.0), (44_100.0, -2_500.0), (96_000.0, 40.0)] {
            let file = tone(1_000.0, rate, 100_000);
            let map = TimeMap::of_fit(0.123_456_7, ppm, rate, 48_000.0);
            let laid = lay_all(map.clone(), 0..30_000, &file, 1_001);
            for (sample, value) in laid.iter().enumerate().skip(1_000).step_by(97) {
                let frame = map.frame_at(sample as f64);
                let expected = 0.5 * (std::f64::consts::TAU * 1_000.0 / rate * frame).sin();
                assert!((f64::from(*value) - expected).abs() < 1e-6, "{rate} {ppm} {sample}");
            }
        }
    }

    #[test]
    fn the_size_of_the_blocks_pushed_never_shows() {
        let file = tone(3_000.0, 44_100.0, 50_000);
        let map = TimeMap::of_fit(0.2, 500.0, 44_100.0, 48_000.0);
        let whole = lay_all(map.clone(), -20_000..60_000, &file, file.len());
        for chunk in [1, 160, 4_097] {
            assert_eq!(whole, lay_all(map.clone(), -20_000..60_000, &file, chunk), "{chunk}");
        }
    }

    #[test]
    fn a_click_at_the_very_edge_of_the_file_keeps_its_place_and_its_weight() {
        for (speed, at) in [0.166, 0.918_75, 1.000_02, 1.4, 4.0]
            .into_iter()
            .flat_map(|speed| [0, 1, 150, 298, 299].map(move |at| (speed, at)))
        {
            let mut file = vec![0.0; 300];
            file[at] = 1.0;
            let laid = lay_all(TimeMap::straight(0.25, speed), -3_000..6_000, &file, 64);
            let places = (-3_000..).zip(&laid);
            let weighed: f64 = places.map(|(n, value)| f64::from(n) * f64::from(*value)).sum();
            let weight: f64 = laid.iter().map(|value| f64::from(*value)).sum();
            let expected = (at as f64 - 0.25) / speed;
            assert!((weight * speed - 1.0).abs() < 1e-4, "{speed} {at}: {weight}");
            assert!((weighed / weight - expected).abs() < 0.02 / speed, "{speed} {at}");
        }
    }

    #[test]
    fn a_range_outside_the_file_is_silence() {
        let file = tone(3_000.0, 48_000.0, 5_000);
        let map = TimeMap::straight(0.5, 1.0);
        assert_eq!(lay_all(map.clone(), -9_000..-1_000, &file, 512), vec![0.0; 8_000]);
        assert_eq!(lay_all(map, 6_000..30_000, &file, 512), vec![0.0; 24_000]);
    }

    #[test]
    fn a_gap_in_the_file_is_silence_and_what_follows_keeps_its_place() {
        let file = tone(500.0, 48_000.0, 1_000);
        let mut laid = Vec::new();
        let mut sink = |block: &[&[f32]]| -> Result<(), ()> {
            laid.extend_from_slice(block[0]);
            Ok(())
        };
        let map = TimeMap::straight(0.0, 1.0);
        let mut layer = Layer::new(map, 0..60_000, ChannelMatrix::same(1));
        layer.push(0, &[&file], &mut sink).unwrap();
        layer.push(50_000, &[&file], &mut sink).unwrap();
        layer.finish(&mut sink).unwrap();
        assert_eq!(laid[..1_000], file[..]);
        assert!(laid[1_000..50_000].iter().all(|sample| *sample == 0.0));
        assert_eq!(laid[50_000..51_000], file[..]);
    }
}
