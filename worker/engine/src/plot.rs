//! Waveform and spectrum summaries for people to look at.

use std::sync::Arc;

use ripieno_transform::{Complex, RealToComplex, single};
use serde::{Deserialize, Serialize};

use crate::math::vectors::in_vectors;

/// Columns of a waveform at most; there are at least half as many once a file is longer than a
/// few seconds.
pub const MOST_COLUMNS: usize = 2000;

/// Frames of the finest column.
const FINEST_COLUMN: usize = 64;

/// Length of a spectrum's transform: 12 Hz apart at 48 kHz.
const TRANSFORM: usize = 4096;

/// A transform is taken this many transform lengths apart; a summary needs no more.
const STRIDE: usize = 2;

/// Bands of a spectrum: a sixth of an octave from 20 Hz to 20 kHz.
const BANDS: usize = 60;
const LOWEST_HZ: f64 = 20.0;
const BANDS_PER_OCTAVE: f64 = 6.0;

/// What a take looks like, in file time: some 20 kB as JSON.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Plot {
    /// Length of a column in seconds; column k begins at `k * column_s` of file time.
    pub column_s: f64,
    /// Lowest sample of each column over all channels, in 1/32767 of full scale.
    pub lowest: Vec<i16>,
    /// Highest sample.
    pub highest: Vec<i16>,
    /// Root mean square.
    pub rms: Vec<i16>,
    /// Middle frequency of each band of the spectrum.
    pub band_hz: Vec<f32>,
    /// Power of each band in dB re full scale (mean square), floored at −140.
    pub band_db: Vec<f32>,
}

/// Gathers a [`Plot`] as blocks come in; memory does not grow.
pub struct Plotter {
    rate_hz: f64,
    column_frames: usize,
    columns: Vec<Column>,
    open: Column,
    spectrum: Spectrum,
}

#[derive(Debug, Clone, Copy)]
struct Column {
    lowest: f32,
    highest: f32,
    square: f64,
    frames: usize,
}

const EMPTY: Column =
    Column { lowest: f32::INFINITY, highest: f32::NEG_INFINITY, square: 0.0, frames: 0 };

impl Column {
    fn join(self, other: Column) -> Column {
        Column {
            lowest: self.lowest.min(other.lowest),
            highest: self.highest.max(other.highest),
            square: self.square + other.square,
            frames: self.frames + other.frames,
        }
    }

    fn add(&mut self, samples: &[f32]) {
        add(self, samples);
    }
}

in_vectors! {
    fn add(column: &mut Column, samples: &[f32]) {
        let (mut low, mut high, mut square) = ([0.0f32; 16], [0.0f32; 16], [0.0f32; 16]);
        let (whole, rest) = samples.as_chunks::<16>();
        if let Some(first) = samples.first() {
            (low, high) = ([*first; 16], [*first; 16]);
        }
        for chunk in whole {
            for lane in 0..16 {
                low[lane] = low[lane].min(chunk[lane]);
                high[lane] = high[lane].max(chunk[lane]);
                square[lane] += chunk[lane] * chunk[lane];
            }
        }
        for (lane, sample) in rest.iter().enumerate() {
            low[lane] = low[lane].min(*sample);
            high[lane] = high[lane].max(*sample);
            square[lane] += sample * sample;
        }
        column.lowest = low.iter().copied().fold(column.lowest, f32::min);
        column.highest = high.iter().copied().fold(column.highest, f32::max);
        column.square += square.iter().map(|lane| f64::from(*lane)).sum::<f64>();
        column.frames += samples.len();
    }
}

impl Plotter {
    /// A plotter of sound at `rate_hz`.
    #[must_use]
    pub fn new(rate_hz: u32) -> Self {
        Self {
            rate_hz: f64::from(rate_hz.max(1)),
            column_frames: FINEST_COLUMN,
            columns: Vec::with_capacity(MOST_COLUMNS),
            open: EMPTY,
            spectrum: Spectrum::new(),
        }
    }

    /// Takes the next frames: one slice a channel, all of one length.
    pub fn push(&mut self, channels: &[&[f32]]) {
        let frames = channels.first().map_or(0, |channel| channel.len());
        let count = channels.len().max(1);
        let mut from = 0;
        while from < frames {
            let upto = frames.min(from + self.column_frames - self.open.frames / count);
            for channel in channels {
                self.open.add(&channel[from..upto]);
            }
            from = upto;
            if self.open.frames >= self.column_frames * count {
                self.end_column();
            }
        }
        if let Some(first) = channels.first() {
            self.spectrum.push(first);
        }
    }

    /// The summary.
    #[must_use]
    pub fn finish(mut self) -> Plot {
        if self.open.frames > 0 {
            self.end_column();
        }
        let to_step = |value: f32| (value.clamp(-1.0, 1.0) * 32_767.0).round() as i16;
        let rms = |column: &Column| (column.square / column.frames.max(1) as f64).sqrt() as f32;
        let (band_hz, band_db) = self.spectrum.finish(self.rate_hz);
        Plot {
            column_s: self.column_frames as f64 / self.rate_hz,
            lowest: self.columns.iter().map(|column| to_step(column.lowest)).collect(),
            highest: self.columns.iter().map(|column| to_step(column.highest)).collect(),
            rms: self.columns.iter().map(|column| to_step(rms(column))).collect(),
            band_hz,
            band_db,
        }
    }

    /// When the list is full, columns are joined by twos and grow twice as long.
    fn end_column(&mut self) {
        self.columns.push(std::mem::replace(&mut self.open, EMPTY));
        if self.columns.len() == MOST_COLUMNS {
            self.columns = self.columns.chunks(2).map(|pair| pair[0].join(pair[1])).collect();
            self.column_frames *= 2;
        }
    }
}

/// Mean power spectrum of a stream, by Welch's method without overlap.
struct Spectrum {
    transform: Arc<dyn RealToComplex<f32>>,
    window: Vec<f32>,
    input: Vec<f32>,
    scratch: Vec<Complex<f32>>,
    output: Vec<Complex<f32>>,
    skip: usize,
    power: Vec<f64>,
    transforms: u64,
}

impl Spectrum {
    fn new() -> Self {
        let transform = single::forward_of_real(TRANSFORM);
        let hann =
            |at: usize| 0.5 - 0.5 * (std::f32::consts::TAU * at as f32 / TRANSFORM as f32).cos();
        Self {
            window: (0..TRANSFORM).map(hann).collect(),
            input: Vec::with_capacity(TRANSFORM),
            scratch: transform.make_scratch_vec(),
            output: transform.make_output_vec(),
            power: vec![0.0; TRANSFORM / 2 + 1],
            skip: 0,
            transforms: 0,
            transform,
        }
    }

    fn push(&mut self, mut samples: &[f32]) {
        while !samples.is_empty() {
            let skipped = self.skip.min(samples.len());
            self.skip -= skipped;
            samples = &samples[skipped..];
            let taken = (TRANSFORM - self.input.len()).min(samples.len());
            self.input.extend_from_slice(&samples[..taken]);
            samples = &samples[taken..];
            if self.input.len() == TRANSFORM {
                self.transform();
                self.skip = TRANSFORM * (STRIDE - 1);
            }
        }
    }

    fn transform(&mut self) {
        self.input.iter_mut().zip(&self.window).for_each(|(sample, weight)| *sample *= weight);
        let done = self.transform.process_with_scratch(
            &mut self.input,
            &mut self.output,
            &mut self.scratch,
        );
        self.input.clear();
        if done.is_ok() {
            for (sum, bin) in self.power.iter_mut().zip(&self.output) {
                *sum += f64::from(bin.norm_sqr());
            }
            self.transforms += 1;
        }
    }

    /// Middle and power of each band below the Nyquist frequency.
    fn finish(self, rate_hz: f64) -> (Vec<f32>, Vec<f32>) {
        let bin_hz = rate_hz / TRANSFORM as f64;
        // Mean square of a Hann window is 3/8; both halves of the spectrum count.
        let scale = 2.0 / (0.375 * (TRANSFORM * TRANSFORM) as f64 * self.transforms.max(1) as f64);
        let edge = |band: f64| LOWEST_HZ * (band / BANDS_PER_OCTAVE).exp2();
        let bands = (0..BANDS).map(|band| band as f64).filter(|b| edge(*b + 0.5) < rate_hz / 2.0);
        bands
            .map(|band| {
                let (low, high) = (edge(band) / bin_hz, edge(band + 1.0) / bin_hz);
                let power = power_between(&self.power, low, high) * scale;
                (edge(band + 0.5) as f32, (10.0 * power.max(1e-14).log10()) as f32)
            })
            .unzip()
    }
}

/// Sum of bins from `low` to `high`, bins counted from their lower edge k − ½, in parts.
fn power_between(power: &[f64], low: f64, high: f64) -> f64 {
    let first = (low + 0.5).floor().max(0.0) as usize;
    let last = ((high + 0.5).floor() as usize).min(power.len() - 1);
    (first..=last)
        .map(|bin| {
            let covered = (high.min(bin as f64 + 0.5) - low.max(bin as f64 - 0.5)).clamp(0.0, 1.0);
            covered * power[bin]
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn tone(hz: f32, frames: usize) -> Vec<f32> {
        (0..frames).map(|n| 0.5 * (std::f32::consts::TAU * hz * n as f32 / 48e3).sin()).collect()
    }

    #[test]
    fn a_plot_stays_small_and_covers_the_file() {
        for frames in [10usize, 4_000, 200_000, 3_000_000] {
            let mut plotter = Plotter::new(48_000);
            for block in tone(440.0, frames).chunks(4_321) {
                plotter.push(&[block, block]);
            }
            let plot = plotter.finish();
            assert!(plot.highest.len() <= MOST_COLUMNS);
            let covered_s = plot.highest.len() as f64 * plot.column_s;
            let file_s = frames as f64 / 48e3;
            assert!(covered_s >= file_s && covered_s < file_s + plot.column_s, "{frames}");
            if frames > 4_000 {
                assert!(plot.highest.len() >= MOST_COLUMNS / 2);
                assert!((i32::from(plot.highest[5]) - 16_384).abs() < 300);
                assert!((i32::from(plot.lowest[5]) + 16_384).abs() < 300);
            }
        }
    }

    #[test]
    fn the_band_of_a_tone_holds_its_power() {
        let mut plotter = Plotter::new(48_000);
        plotter.push(&[&tone(1_000.0, 480_000)]);
        let plot = plotter.finish();
        let most =
            (0..plot.band_db.len()).max_by(|a, b| plot.band_db[*a].total_cmp(&plot.band_db[*b]));
        let band = most.unwrap();
        assert!((plot.band_hz[band] / 1_000.0).log2().abs() < 1.0 / 6.0);
        // A sine of amplitude one half has a mean square of 1/8: −9.03 dB.
        assert!((plot.band_db[band] + 9.03).abs() < 0.3, "{}", plot.band_db[band]);
    }
}
