//! Compares a stem with the guide, block by block.

use std::sync::Arc;

use ripieno_transform::{Complex, ComplexToReal, RealToComplex, single};

use super::Bleed;
use super::filter::least_squares;
use super::flatten::Flattener;
use super::guide::{Guide, Lower, mean_square};
use super::slope::{self, Slope};
use crate::math::vectors::in_vectors;

/// Delays looked at either way, in low-rate samples: 0.17 s.
const DELAYS: usize = 2048;

/// Size of the transforms.
const SIZE: usize = 16_384;

/// Stem samples compared at a time (1 s), against the guide's from `DELAYS` before to `DELAYS`
/// after.
const BLOCK: usize = SIZE - 2 * DELAYS;

/// Stretches whose correlations are kept; where a piece has more blocks, neighbours share one.
const MOST_STRETCHES: usize = 512;

/// A correlation of the flattened sounds that is no chance, whatever stands beside it: a clear
/// bleed raises all the rest by what of the guide is like itself.
const CLEAR: f64 = 0.05;

/// A headphone's leak is over in this time after its first sound.
const COMPACT_S: f64 = 0.012;

/// The correlation must stand so many times above chance. The highest of the two million values
/// among which it is looked for stands at 5.1 in Gaussian noise.
const STANDS_OUT: f64 = 7.5;

/// A bleed speaks for itself stretch by stretch, so they agree; held chords that pass for the
/// guide's stand out in a few of them, and against others. Stretches that agree beyond all chance
/// need not stand out.
const AGREES: f64 = 0.65;
const AGREES_BEYOND_CHANCE: f64 = 7.0;

/// Where the bleed is heard in a player's rests alone, or the tempo is too far off for one line,
/// some stretches at least stand out each by itself.
const ALONE: usize = 3;
const STANDS_ALONE: f64 = 5.5;

/// And it may begin so much before what stands out most.
const BEFORE_S: f64 = 0.002;

/// Blocks needed: ten seconds.
const LEAST_BLOCKS: usize = 10;

/// Measures the bleed in a stem as it is laid.
pub struct BleedMeter {
    guide: Guide,
    low_rate_hz: f64,
    /// How far the stem was moved ahead of the guide it was recorded against (the lag that was
    /// taken back), in seconds.
    moved_s: f64,
    lower: Lower,
    flattener: Flattener,
    low: Vec<f32>,
    flat: Vec<f32>,
    /// Low-rate grid position of `low[0]` and `flat[0]`.
    at: i64,
    forward: Arc<dyn RealToComplex<f32>>,
    inverse: Arc<dyn ComplexToReal<f32>>,
    work: Work,
    /// Correlations over the delays, of the flattened and of the plain sound, a row a block.
    flat_rows: Vec<Vec<f32>>,
    rows: Vec<Vec<f32>>,
    /// Blocks until the next row, and how many share one.
    shared: usize,
    share: usize,
    /// Power of the guide's blocks, weighed like the correlations, and as it is.
    weighed_power: Vec<f64>,
    guide_power: Vec<f64>,
    stem_power: f64,
    /// Energies of both flattened sounds, as far as they were compared.
    flat_energies: [f64; 2],
}

impl BleedMeter {
    /// A meter for a stem at `rate_hz` that begins at `first_sample` of the grid, was moved
    /// earlier by `moved_s`, and has a mean square of about `mean_square`.
    #[must_use]
    pub fn new(
        guide: Guide,
        rate_hz: u32,
        first_sample: i64,
        moved_s: f64,
        mean_square: f64,
    ) -> Self {
        let down = guide.down as i64;
        let forward = single::forward_of_real(SIZE);
        let inverse = single::inverse_to_real(SIZE);
        let bins = SIZE / 2 + 1;
        Self {
            low_rate_hz: f64::from(rate_hz) / down as f64,
            moved_s,
            lower: Lower::new(guide.down, first_sample.rem_euclid(down) as usize),
            flattener: Flattener::new(mean_square),
            low: Vec::new(),
            flat: Vec::new(),
            at: first_sample.div_euclid(down),
            work: Work::new(&*forward, &*inverse),
            inverse,
            forward,
            flat_rows: Vec::new(),
            rows: Vec::new(),
            shared: 0,
            share: (guide.samples.len() / BLOCK).div_ceil(MOST_STRETCHES).max(1),
            weighed_power: vec![0.0; bins],
            guide_power: vec![0.0; bins],
            stem_power: 0.0,
            flat_energies: [0.0; 2],
            guide,
        }
    }

    /// Takes the stem's next samples, one slice a channel.
    pub fn push(&mut self, channels: &[&[f32]]) {
        let had = self.low.len();
        match channels {
            [] => return,
            [only] => self.lower.push(only, &mut self.low),
            [left, right, ..] => {
                let mono: Vec<f32> = left.iter().zip(*right).map(|(l, r)| 0.5 * (l + r)).collect();
                self.lower.push(&mono, &mut self.low);
            }
        }
        self.compare_from(had);
    }

    /// Takes the stem's next samples at the low rate.
    pub(super) fn push_low(&mut self, samples: &[f32]) {
        let had = self.low.len();
        self.low.extend_from_slice(samples);
        self.compare_from(had);
    }

    /// By how much the grid's rate is brought down.
    pub(super) fn down(&self) -> usize {
        self.guide.down
    }

    /// Compares the blocks that are complete; the low-rate samples from `had` on are new.
    fn compare_from(&mut self, had: usize) {
        self.flattener.push(&self.low[had..], &mut self.flat);
        let mut from = 0;
        while from + BLOCK <= self.flat.len() {
            self.compare(from);
            from += BLOCK;
        }
        self.low.drain(..from);
        self.flat.drain(..from);
        self.at += from as i64;
    }

    /// Adds what one block and the guide around it have in common.
    fn compare(&mut self, from: usize) {
        let begin = self.at + from as i64 - DELAYS as i64 - self.guide.first;
        let Ok(begin) = usize::try_from(begin) else { return };
        let around = begin..begin + SIZE;
        let (Some(guide), Some(flat_guide)) =
            (self.guide.samples.get(around.clone()), self.guide.flat.get(around))
        else {
            return;
        };
        let block = from..from + BLOCK;
        let size = mean_square(&self.low[block.clone()]) * BLOCK as f64;
        if size < 1e-9 {
            return;
        }
        // What is not the guide is noise here: the louder it is, the less a block tells.
        let weight = 1.0 / size;
        let (forward, inverse, work) = (&*self.forward, &*self.inverse, &mut self.work);
        let flat = (&self.flat[block.clone()], flat_guide, 1.0);
        let Some(flat_row) = work.correlated(forward, inverse, flat) else { return };
        let plain = (&self.low[block], guide, weight as f32);
        let Some(row) = work.correlated(forward, inverse, plain) else { return };
        add_power(&self.work.guide, weight, &mut self.weighed_power, &mut self.guide_power);
        self.stem_power += size;
        let own = begin + DELAYS..begin + DELAYS + BLOCK;
        self.flat_energies[0] += mean_square(&self.flat[from..from + BLOCK]) * BLOCK as f64;
        self.flat_energies[1] += mean_square(&self.guide.flat[own]) * BLOCK as f64;
        if self.shared == 0 {
            self.flat_rows.push(flat_row);
            self.rows.push(row);
        } else if let (Some(flat_sum), Some(sum)) =
            (self.flat_rows.last_mut(), self.rows.last_mut())
        {
            flat_sum.iter_mut().zip(flat_row).for_each(|(sum, value)| *sum += value);
            sum.iter_mut().zip(row).for_each(|(sum, value)| *sum += value);
        }
        self.shared = (self.shared + 1) % self.share;
    }

    /// The bleed, if it stands out from chance.
    #[must_use]
    pub fn finish(self) -> Option<Bleed> {
        if self.flat_rows.len() * self.share < LEAST_BLOCKS {
            return None;
        }
        let steepest = slope::steepest(&self.flat_rows);
        let correlation =
            f64::from(steepest.value) / (self.flat_energies[0] * self.flat_energies[1]).sqrt();
        if !self.stands_out(&steepest, correlation) {
            return None;
        }
        let delay_s = (steepest.middle() - DELAYS as f64) / self.low_rate_hz;
        let depth_db = self.depth_db(&steepest)?;
        Some(Bleed { depth_db, delay_ms: (delay_s + self.moved_s) * 1e3, likeness: correlation })
    }

    /// Whether what lies along a line is a bleed and no chance.
    fn stands_out(&self, line: &Slope, correlation: f64) -> bool {
        let rows = &self.flat_rows;
        let agreement = slope::agreement(rows, line);
        let beyond_chance = agreement * (rows.len() as f64).sqrt() > AGREES_BEYOND_CHANCE;
        let chance = slope::robust_deviation(&slope::along(rows, 0.0));
        let stands = f64::from(line.value) > STANDS_OUT * chance;
        (stands || correlation > CLEAR || beyond_chance)
            && (agreement > AGREES || slope::standing_alone(rows, line, STANDS_ALONE) >= ALONE)
    }

    /// Power of the guide through the short filter that explains most of the stem, over the stem's.
    fn depth_db(&self, slope: &Slope) -> Option<f64> {
        // With the drift taken out the bleed lies at one delay all along.
        let cross = slope::along(&self.rows, slope.per_row());
        let before = (BEFORE_S * self.low_rate_hz) as usize;
        let taps = before + (COMPACT_S * self.low_rate_hz) as usize + 1;
        let first = slope.delay.saturating_sub(before);
        let cross: Vec<f64> =
            cross.get(first..first + taps)?.iter().map(|value| f64::from(*value)).collect();
        let weighed = self.autocorrelation(&self.weighed_power, taps)?;
        let plain = self.autocorrelation(&self.guide_power, taps)?;
        let filter = least_squares(&weighed, &cross);
        let lag = |a: usize, b: usize| plain[a.abs_diff(b)];
        let pairs = (0..taps).flat_map(|a| (0..taps).map(move |b| (a, b)));
        let power: f64 = pairs.map(|(a, b)| filter[a] * filter[b] * lag(a, b)).sum();
        Some(10.0 * (power / self.stem_power.max(1e-30)).max(1e-12).log10())
    }

    /// The first values of the autocorrelation that belongs to a power spectrum.
    fn autocorrelation(&self, power: &[f64], count: usize) -> Option<Vec<f64>> {
        // Brought to a size that single precision holds well.
        let most = power.iter().copied().fold(1e-300, f64::max);
        let bin = |power: &f64| Complex::new((power / most) as f32 / SIZE as f32, 0.0);
        let mut around = self.inverse.make_output_vec();
        let mut bins: Vec<Complex<f32>> = power.iter().map(bin).collect();
        self.inverse.process(&mut bins, &mut around).ok()?;
        Some(around[..count].iter().map(|r| f64::from(*r) * most).collect())
    }
}

/// What is used again for every block.
struct Work {
    samples: Vec<f32>,
    stem: Vec<Complex<f32>>,
    guide: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

impl Work {
    fn new(forward: &dyn RealToComplex<f32>, inverse: &dyn ComplexToReal<f32>) -> Self {
        let scratch = forward.get_scratch_len().max(inverse.get_scratch_len());
        Self {
            samples: forward.make_input_vec(),
            stem: forward.make_output_vec(),
            guide: forward.make_output_vec(),
            scratch: vec![Complex::default(); scratch],
        }
    }

    /// What a block has in common with the guide around it, weighed, as a function of delay, from
    /// −`DELAYS` to `DELAYS`. Leaves the guide's spectrum behind.
    fn correlated(
        &mut self,
        forward: &dyn RealToComplex<f32>,
        inverse: &dyn ComplexToReal<f32>,
        (block, guide, weight): (&[f32], &[f32], f32),
    ) -> Option<Vec<f32>> {
        let Self { samples, stem, guide: bins, scratch } = self;
        samples.copy_from_slice(guide);
        forward.process_with_scratch(samples, bins, scratch).ok()?;
        samples.fill(0.0);
        samples[DELAYS..DELAYS + BLOCK].copy_from_slice(block);
        forward.process_with_scratch(samples, stem, scratch).ok()?;
        cross(stem, bins, weight);
        let last = stem.len() - 1;
        (stem[0].im, stem[last].im) = (0.0, 0.0);
        inverse.process_with_scratch(stem, samples, scratch).ok()?;
        Some([&samples[SIZE - DELAYS..], &samples[..DELAYS]].concat())
    }
}

in_vectors! {
    /// Makes a spectrum the cross-spectrum with another, weighed and scaled to be transformed back.
    fn cross(bins: &mut [Complex<f32>], others: &[Complex<f32>], weight: f32) {
        for (bin, other) in bins.iter_mut().zip(others) {
            *bin = *bin * other.conj() * weight * (1.0 / SIZE as f32);
        }
    }
}

in_vectors! {
    /// Adds the power of a guide's bins, as it is and weighed.
    fn add_power(guide: &[Complex<f32>], weight: f64, weighed: &mut [f64], plain: &mut [f64]) {
        for ((guide, weighed), plain) in guide.iter().zip(weighed).zip(plain) {
            let power = f64::from(guide.norm_sqr()) * BLOCK as f64 / SIZE as f64;
            *weighed += power * weight;
            *plain += power;
        }
    }
}
