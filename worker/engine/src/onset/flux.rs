//! Spectral flux against a maximum-filtered earlier frame.

use std::sync::Arc;

use super::partials::Past;
use crate::math::log::log2;
use crate::math::vectors::{in_vectors, peak, sizes, windowed};
use ripieno_transform::{Complex, RealToComplex, single};

/// Bands an octave, lowest and highest frequency: Böck & Widmer, DAFx-13, section 3.
const BANDS_PER_OCTAVE: f64 = 24.0;
const LOWEST_HZ: f64 = 30.0;
const HIGHEST_HZ: f64 = 17_000.0;
/// The frame compared with lies this many frames back, about half a window's width.
const FRAMES_BACK: usize = 2;
/// The loudest recent sound is scaled to this magnitude before the logarithm, so that a quiet
/// take is heard like a loud one.
const FULL: f32 = 512.0;

pub(super) struct Flux {
    rate_hz: f64,
    hop_s: f64,
    delay_s: f64,
    size: usize,
    window: Vec<f32>,
    transform: Arc<dyn RealToComplex<f32>>,
    /// How many bands there are.
    count: usize,
    bands: Vec<Bands>,
    samples: Vec<f32>,
    first_sample: i64,
    next_frame: usize,
    loudest: f32,
    history: [Frame; FRAMES_BACK],
    spare: Frame,
    past: Past,
    scratch: Scratch,
}

/// Band levels of one frame, plain and as they were compared.
#[derive(Clone, Default)]
struct Frame {
    plain: Vec<f32>,
    logs: Vec<f32>,
}

struct Scratch {
    time: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    magnitudes: Vec<f32>,
    work: Vec<Complex<f32>>,
}

/// A triangle over some bins, normalised to unit area so that wide bands do not drown narrow
/// ones.
struct Band {
    first_bin: usize,
    weights: Vec<f32>,
}

impl Flux {
    pub(super) fn new(rate_hz: f64, frames_per_s: f64, delay_s: f64) -> Self {
        let size = transform_size(rate_hz * 0.0427);
        let transform = single::forward_of_real(size);
        let bands = log_bands(rate_hz, size);
        let count = bands.len();
        let bands: Vec<Bands> = bands.chunks(TOGETHER).map(Bands::of).collect();
        // There is nothing above the last bin.
        let reach = bands.iter().map(Bands::reach).max().unwrap_or(0);
        let scratch = Scratch {
            time: transform.make_input_vec(),
            spectrum: transform.make_output_vec(),
            magnitudes: vec![0.0; reach.max(size / 2 + 1)],
            work: transform.make_scratch_vec(),
        };
        let silent = Frame { plain: vec![0.0; count], logs: vec![0.0; count] };
        Self {
            rate_hz,
            hop_s: 1.0 / frames_per_s,
            delay_s,
            size,
            window: hann(size),
            transform,
            count,
            bands,
            samples: vec![0.0; size / 2],
            first_sample: -(size as i64 / 2),
            next_frame: 0,
            loudest: 0.0,
            history: [silent.clone(), silent],
            spare: Frame::default(),
            past: Past::new(1.0 / frames_per_s, size as f64 / rate_hz),
            scratch,
        }
    }

    pub(super) fn push(&mut self, block: &[f32], novelty: &mut Vec<f32>) {
        self.samples.extend_from_slice(block);
        loop {
            let centre = (self.next_frame as f64 * self.hop_s + self.delay_s) * self.rate_hz;
            let start = centre.round() as i64 - self.size as i64 / 2 - self.first_sample;
            let start = start.max(0) as usize;
            if start + self.size > self.samples.len() {
                let spent = start.min(self.samples.len());
                self.samples.drain(..spent);
                self.first_sample += spent as i64;
                return;
            }
            let value = self.frame(start);
            novelty.push(value);
            self.next_frame += 1;
        }
    }

    pub(super) fn finish(&mut self, duration_s: f64, novelty: &mut Vec<f32>) {
        let silence = vec![0.0; self.size];
        self.push(&silence, novelty);
        novelty.truncate((duration_s / self.hop_s).floor() as usize + 1);
    }

    /// The levels of the last frames' bands.
    pub(super) fn past(&self) -> &Past {
        &self.past
    }

    fn frame(&mut self, start: usize) -> f32 {
        let scratch = &mut self.scratch;
        let samples = &self.samples[start..start + self.size];
        windowed(samples, &self.window, &mut scratch.time);
        // The lengths are the plan's own, so the transform cannot refuse.
        let _ = self.transform.process_with_scratch(
            &mut scratch.time,
            &mut scratch.spectrum,
            &mut scratch.work,
        );
        sizes(&scratch.spectrum, &mut scratch.magnitudes);
        let strongest = peak(&scratch.magnitudes);
        let before = self.loudest * LOUDEST_DECAY;
        self.loudest = before.max(strongest).max(1e-4);
        let gain = FULL / self.loudest;
        if self.loudest > before {
            // The scale has jumped, and both frames must be seen on the same one.
            for frame in &mut self.history {
                compress(&frame.plain, gain, &mut frame.logs);
            }
        }
        let mut current = std::mem::take(&mut self.spare);
        current.plain.resize(self.count, 0.0);
        band_levels(&self.bands, &scratch.magnitudes, &mut current.plain);
        self.past.push(&current.plain);
        compress(&current.plain, gain, &mut current.logs);
        let flux = rise(&self.history[0].logs, &current.logs);
        self.spare = std::mem::replace(&mut self.history[0], current);
        self.history.rotate_left(1);
        flux
    }
}

/// Loudness as it is compared: logarithmic, but linear where there is next to nothing.
fn compress(plain: &[f32], gain: f32, logs: &mut Vec<f32>) {
    logs.resize(plain.len(), 0.0);
    compressed(plain, gain, logs);
}

in_vectors! {
    fn compressed(plain: &[f32], gain: f32, logs: &mut [f32]) {
        for (log, level) in logs.iter_mut().zip(plain) {
            *log = std::f32::consts::LOG10_2 * log2(1.0 + gain * level);
        }
    }
}

/// Per frame; halves in ten seconds.
const LOUDEST_DECAY: f32 = 0.999_653_5;

/// Sum of rises over the earlier frame, whose bands are first widened by one to either side:
/// a vibrato or a slide that moves by a band is then no rise.
fn rise(earlier: &[f32], current: &[f32]) -> f32 {
    let last = earlier.len() - 1;
    current
        .iter()
        .enumerate()
        .map(|(band, &now)| {
            let below = earlier[band.saturating_sub(1)];
            let above = earlier[(band + 1).min(last)];
            (now - earlier[band].max(below).max(above)).max(0.0)
        })
        .sum()
}

/// Bands summed side by side: the sum of one waits for itself most of the time.
const TOGETHER: usize = 8;

/// Neighbouring bands, their weights filled up with nothing to one length, bin after bin.
struct Bands {
    first_bins: [usize; TOGETHER],
    weights: Vec<[f32; TOGETHER]>,
}

impl Bands {
    fn of(bands: &[Band]) -> Self {
        let longest = bands.iter().map(|band| band.weights.len()).max().unwrap_or(0);
        let weight = |bin: usize, lane: usize| {
            bands.get(lane).and_then(|band| band.weights.get(bin)).copied().unwrap_or(0.0)
        };
        let of_bin = |bin| std::array::from_fn(|lane| weight(bin, lane));
        Self {
            first_bins: std::array::from_fn(|lane| bands.get(lane).map_or(0, |b| b.first_bin)),
            weights: (0..longest).map(of_bin).collect(),
        }
    }

    /// Bins that are read from the first on.
    fn reach(&self) -> usize {
        self.first_bins.iter().max().map_or(0, |first| first + self.weights.len())
    }

    #[inline(always)]
    fn levels(&self, magnitudes: &[f32]) -> [f32; TOGETHER] {
        let count = self.weights.len();
        let bins = self.first_bins.map(|first| &magnitudes[first..first + count]);
        let mut sums = [0.0f32; TOGETHER];
        for (bin, weights) in self.weights.iter().enumerate() {
            for lane in 0..TOGETHER {
                sums[lane] += bins[lane][bin] * weights[lane];
            }
        }
        sums
    }
}

in_vectors! {
    fn band_levels(bands: &[Bands], magnitudes: &[f32], levels: &mut [f32]) {
        for (levels, bands) in levels.chunks_mut(TOGETHER).zip(bands) {
            levels.copy_from_slice(&bands.levels(magnitudes)[..levels.len()]);
        }
    }
}

fn log_bands(rate_hz: f64, size: usize) -> Vec<Band> {
    let bin_hz = rate_hz / size as f64;
    let last_bin = size / 2;
    let mut centres: Vec<usize> = Vec::new();
    let mut hz = LOWEST_HZ;
    while hz < HIGHEST_HZ && (hz / bin_hz).round() < last_bin as f64 {
        let bin = (hz / bin_hz).round() as usize;
        if bin > 0 && centres.last() != Some(&bin) {
            centres.push(bin);
        }
        hz *= 2f64.powf(1.0 / BANDS_PER_OCTAVE);
    }
    centres.windows(3).map(|w| triangle(w[0], w[1], w[2])).collect()
}

fn triangle(left: usize, centre: usize, right: usize) -> Band {
    let mut weights: Vec<f32> = (left + 1..right)
        .map(|bin| {
            if bin <= centre {
                (bin - left) as f32 / (centre - left) as f32
            } else {
                (right - bin) as f32 / (right - centre) as f32
            }
        })
        .collect();
    let area: f32 = weights.iter().sum();
    weights.iter_mut().for_each(|w| *w /= area);
    Band { first_bin: left + 1, weights }
}

/// The size nearest to `samples` that is transformed fast: a multiple of 64 without a prime factor
/// above 5.
pub(super) fn transform_size(samples: f64) -> usize {
    let is_smooth = |count: &usize| {
        let divided = |mut rest: usize, prime: usize| {
            while rest.is_multiple_of(prime) {
                rest /= prime;
            }
            rest
        };
        [2, 3, 5].into_iter().fold(*count, divided) == 1
    };
    let wanted = (samples / 64.0).max(2.0);
    let off = |count: &usize| (*count as f64 - wanted).abs();
    let sizes = (2..=2 * wanted as usize).filter(is_smooth);
    64 * sizes.min_by(|a, b| off(a).total_cmp(&off(b))).unwrap_or(2)
}

pub(super) fn hann(size: usize) -> Vec<f32> {
    let turn = std::f64::consts::TAU / size as f64;
    (0..size).map(|n| (0.5 - 0.5 * (turn * n as f64).cos()) as f32).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn transforms_are_of_the_nearest_size_that_is_fast() {
        // 29 and 31 are primes: neither 1856 nor 1984 is fast.
        for (samples, size) in [(1_874.0, 1_920), (1_990.0, 2_048), (1_024.8, 1_024), (9.0, 128)] {
            assert_eq!(transform_size(samples), size);
        }
    }

    #[test]
    fn bands_side_by_side_are_summed_like_each_by_itself() {
        let mut random = fastrand::Rng::with_seed(4);
        for (rate_hz, size) in [(24_000.0, 1_024), (44_100.0, 1_920), (4_000.0, 192)] {
            let bands = log_bands(rate_hz, size);
            let groups: Vec<Bands> = bands.chunks(TOGETHER).map(Bands::of).collect();
            let mut magnitudes: Vec<f32> = (0..=size / 2).map(|_| random.f32()).collect();
            magnitudes.resize(2 * size, 0.0);
            let mut levels = vec![0.0; bands.len()];
            band_levels(&groups, &magnitudes, &mut levels);
            for (level, band) in levels.iter().zip(&bands) {
                let bins = magnitudes[band.first_bin..].iter().zip(&band.weights);
                assert_eq!(*level, bins.map(|(m, w)| m * w).sum::<f32>());
            }
        }
    }
}
