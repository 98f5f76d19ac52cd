//! Pitch-class energy and tuning; the levels of the octaves come with it.

use std::sync::Arc;

use ripieno_transform::{Complex, RealToComplex, single};

use super::decimate::{Decimator, halvings};
use super::flux::{hann, transform_size};
use super::harmonic::{HarmonicMeter, Line, Tonality};
use crate::math::vectors::{in_vectors, sizes, windowed};

/// Spacing of rows.
const HOP_S: f64 = 0.08;
/// Length of the window: long enough to part semitones from the low C of a cello upwards.
const WINDOW_S: f64 = 0.34;
const LOWEST_HZ: f64 = 60.0;
const HIGHEST_HZ: f64 = 2_000.0;
/// Lines are looked for further up: a high whistle has its second partial there.
const HIGHEST_LINE_HZ: f64 = 2_800.0;
/// Thirds of a semitone, kept until the take's own tuning is known.
const FINE: usize = 36;
/// Octaves whose levels are kept, and where the lowest begins.
pub(super) const OCTAVES: usize = 5;
const LOWEST_OCTAVE_HZ: f64 = 88.4;
/// A partial must stand this far above the mean of its surroundings to count as pitch.
const PROMINENT: f32 = 3.0;
/// Rows this far below the take's loudest hold no playing.
const QUIET: f32 = 0.003;

pub(super) struct Heard {
    pub(super) rows: Vec<[f32; 12]>,
    pub(super) hop_s: f64,
    pub(super) tuning_cents: Option<f32>,
    pub(super) octaves_db: Vec<[f32; OCTAVES]>,
    pub(super) tonality: Tonality,
    pub(super) notes: Vec<[f32; 12]>,
    pub(super) notes_hop_s: f64,
}

/// Every so manieth row is asked for its notes.
const ROWS_PER_NOTES: usize = 2;

pub(super) struct ChromaMeter {
    decimator: Decimator,
    rate_hz: f64,
    delay_s: f64,
    size: usize,
    window: Vec<f32>,
    transform: Arc<dyn RealToComplex<f32>>,
    samples: Vec<f32>,
    first_sample: i64,
    next_row: usize,
    rows: Vec<[f32; FINE]>,
    octaves_db: Vec<[f32; OCTAVES]>,
    octave_edges: [usize; OCTAVES + 1],
    harmonic: HarmonicMeter,
    lines: Vec<Line>,
    tuning: (f64, f64, f64),
    time: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    magnitudes: Vec<f32>,
    around: Vec<f32>,
    work: Vec<Complex<f32>>,
}

impl ChromaMeter {
    pub(super) fn new(rate_hz: f64, delay_s: f64) -> Self {
        let decimator = Decimator::new(halvings(rate_hz, 5_000.0));
        let delay_s = delay_s + decimator.delay() / rate_hz;
        let rate_hz = rate_hz / decimator.factor() as f64;
        let size = transform_size(rate_hz * WINDOW_S);
        let transform = single::forward_of_real(size);
        let octave_edge = |octave: usize| {
            let hz = LOWEST_OCTAVE_HZ * 2f64.powi(octave as i32);
            ((hz * size as f64 / rate_hz) as usize).min(size / 2 + 1)
        };
        Self {
            decimator,
            rate_hz,
            delay_s,
            size,
            window: hann(size),
            samples: vec![0.0; size / 2],
            first_sample: -(size as i64 / 2),
            next_row: 0,
            rows: Vec::new(),
            octaves_db: Vec::new(),
            octave_edges: std::array::from_fn(octave_edge),
            harmonic: HarmonicMeter::new((rate_hz / size as f64) as f32),
            lines: Vec::new(),
            tuning: (0.0, 0.0, 0.0),
            time: transform.make_input_vec(),
            spectrum: transform.make_output_vec(),
            magnitudes: vec![0.0; size / 2 + 1],
            around: vec![0.0; size / 2 + 1],
            work: transform.make_scratch_vec(),
            transform,
        }
    }

    pub(super) fn push(&mut self, block: &[f32]) {
        self.decimator.push(block, &mut self.samples);
        self.measure();
    }

    fn measure(&mut self) {
        loop {
            let centre = (self.next_row as f64 * HOP_S + self.delay_s) * self.rate_hz;
            let start = centre.round() as i64 - self.size as i64 / 2 - self.first_sample;
            let start = start.max(0) as usize;
            if start + self.size > self.samples.len() {
                let spent = start.min(self.samples.len());
                self.samples.drain(..spent);
                self.first_sample += spent as i64;
                return;
            }
            let row = self.row(start);
            self.rows.push(row);
            self.next_row += 1;
        }
    }

    pub(super) fn finish(mut self) -> Heard {
        let silence = vec![0.0; self.size / 2];
        self.samples.extend_from_slice(&silence);
        self.measure();
        let (re, im, total) = self.tuning;
        let known = total > 0.0 && re.hypot(im) > 0.1 * total;
        let tuning_cents = known.then(|| (im.atan2(re) / std::f64::consts::TAU * 100.0) as f32);
        let loudest = self.rows.iter().map(|row| row.iter().sum::<f32>()).fold(0.0, f32::max);
        let shift = tuning_cents.unwrap_or(0.0) / 100.0;
        let rows = self.rows.iter().map(|row| fold(row, shift, QUIET * loudest)).collect();
        let (tonality, notes) = self.harmonic.finish(f64::from(shift));
        Heard {
            rows,
            hop_s: HOP_S,
            tuning_cents,
            octaves_db: self.octaves_db,
            tonality,
            notes,
            notes_hop_s: HOP_S * ROWS_PER_NOTES as f64,
        }
    }

    fn row(&mut self, start: usize) -> [f32; FINE] {
        let samples = &self.samples[start..start + self.size];
        windowed(samples, &self.window, &mut self.time);
        // The lengths are the plan's own, so the transform cannot refuse.
        let _ =
            self.transform.process_with_scratch(&mut self.time, &mut self.spectrum, &mut self.work);
        sizes(&self.spectrum, &mut self.magnitudes);
        let scale = (self.size * self.size) as f32;
        let energy = |octave: usize| {
            let bins = self.octave_edges[octave]..self.octave_edges[octave + 1];
            let sum: f32 = self.magnitudes[bins].iter().map(|m| m * m).sum();
            10.0 * (sum / scale).max(1e-12).log10()
        };
        self.octaves_db.push(std::array::from_fn(energy));
        let row = self.partials();
        if self.next_row.is_multiple_of(ROWS_PER_NOTES) {
            let (from, to) = self.bins();
            let all = self.magnitudes[from..to].iter().map(|m| m * m).sum();
            self.harmonic.hear(&mut self.lines, all);
        }
        row
    }

    /// The bins in which lines are looked for.
    fn bins(&self) -> (usize, usize) {
        let bin_hz = self.rate_hz / self.size as f64;
        let from = (LOWEST_HZ / bin_hz).ceil() as usize;
        let to = ((HIGHEST_LINE_HZ / bin_hz) as usize).min(self.magnitudes.len() - 10);
        (from.max(10), to)
    }

    fn partials(&mut self) -> [f32; FINE] {
        let mut row = [0.0; FINE];
        let bin_hz = self.rate_hz / self.size as f64;
        let (from, to) = self.bins();
        self.lines.clear();
        let m = &self.magnitudes;
        sum_around(m, &mut self.around);
        for k in from..to {
            // Few stand out, and many are higher than their neighbours.
            if m[k] < PROMINENT * self.around[k] / 16.0 || m[k] < 1e-6 {
                continue;
            }
            if m[k] <= m[k - 1] || m[k] < m[k + 1] {
                continue;
            }
            let (a, b, c) = (m[k - 1].max(1e-9).ln(), m[k].ln(), m[k + 1].max(1e-9).ln());
            let part = (0.5 * (a - c) / (a - 2.0 * b + c)) as f64;
            let hz = (k as f64 + part) * bin_hz;
            let energy = m[k - 2..k + 3].iter().map(|m| m * m).sum();
            self.lines.push(Line { hz: hz as f32, energy });
            if hz > HIGHEST_HZ {
                continue;
            }
            let pitch = 69.0 + 12.0 * (hz / 440.0).log2();
            let weight = m[k].sqrt();
            let fine = (pitch.rem_euclid(12.0)) * 3.0;
            let (cell, share) = (fine as usize % FINE, fine.fract() as f32);
            row[cell] += weight * (1.0 - share);
            row[(cell + 1) % FINE] += weight * share;
            let angle = std::f64::consts::TAU * pitch;
            self.tuning.0 += weight as f64 * angle.cos();
            self.tuning.1 += weight as f64 * angle.sin();
            self.tuning.2 += weight as f64;
        }
        row
    }
}

/// Bins to either side of one that are its surroundings, and of those the ones that it fills
/// itself.
const AROUND: usize = 9;
const OWN: usize = 1;

in_vectors! {
    /// What surrounds every bin that has so many neighbours.
    fn sum_around(magnitudes: &[f32], sums: &mut [f32]) {
        const WIDTH: usize = 2 * AROUND + 1;
        let count = magnitudes.len().saturating_sub(WIDTH - 1);
        let sums = &mut sums[AROUND..][..count];
        sums.fill(0.0);
        for shift in 0..WIDTH {
            sums.iter_mut().zip(&magnitudes[shift..]).for_each(|(sum, more)| *sum += more);
        }
        let own = magnitudes[AROUND - OWN..].array_windows::<{ 2 * OWN + 1 }>();
        for (sum, own) in sums.iter_mut().zip(own) {
            *sum -= own[0] + own[1] + own[2];
        }
    }
}

/// Thirds of semitones to semitones, with the take's tuning taken off.
fn fold(row: &[f32; FINE], shift: f32, least: f32) -> [f32; 12] {
    let mut classes = [0.0; 12];
    let total: f32 = row.iter().sum();
    if total <= least || total <= 0.0 {
        return classes;
    }
    for (cell, &value) in row.iter().enumerate() {
        let pitch = cell as f32 / 3.0 - shift;
        let nearest = pitch.round();
        classes[nearest.rem_euclid(12.0) as usize % 12] += value / total;
    }
    classes
}
