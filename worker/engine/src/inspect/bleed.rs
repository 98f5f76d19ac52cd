//! The guide left in: how much of the guide track is heard in a stem.
//!
//! Whether it is there at all is told by the cross-correlation of stem and guide, each flattened
//! first in time and frequency, so that neither a loud note nor a long one speaks louder than the
//! moments in which the guide would be heard: the matched filter for noise of a changing colour
//! (H. L. Van Trees, Detection, Estimation, and Modulation Theory, part I, section 4.3; from
//! memory). A player who follows the guide is not in phase with it from note to note, a bleed is.
//!
//! How much there is, is told by least squares: the stem is the guide through an unknown filter
//! plus everything else. The filter that leaves the least behind is, at each frequency,
//! H = S_xg / S_gg (Bendat & Piersol, Random Data, ch. 6, single-input model). It is made of some
//! milliseconds around the delay that was found: a leak is short, chance is spread over all delays.

mod flatten;
mod slope;

use std::sync::Arc;

use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};

use crate::finding::{Finding, Severity};
use flatten::Flattener;
use slope::Slope;

/// The guide and the stem are compared at a low rate: the guide's clicks and chords have their
/// power there, and a whole guide takes a few megabytes.
const LOW_RATE_HZ: f64 = 12_000.0;

/// Delays looked at either way, in low-rate samples: 0.17 s.
const DELAYS: usize = 2048;

/// Size of the transforms.
const SIZE: usize = 16_384;

/// Stem samples compared at a time (1 s), against the guide's from `DELAYS` before to `DELAYS`
/// after.
const BLOCK: usize = SIZE - 2 * DELAYS;

/// Stretches whose correlations are kept; where a piece has more blocks, neighbours share one.
const MOST_STRETCHES: usize = 512;

/// A bleed as near as this below the playing is heard in a crowd: 100 takes that carry it add up
/// to one full guide (common practice, no source).
const HEARD_DB: f64 = -40.0;

/// A correlation of the flattened sounds that is no chance, whatever stands beside it: a clear
/// bleed raises all the rest by what of the guide is like itself.
const CLEAR: f64 = 0.05;

/// From this likeness on the stem holds more of the guide than of anything else: uncorrelated
/// sounds of equal power correlate with their sum by √½.
const IS_THE_GUIDE: f64 = 0.75;

/// A headphone's leak is over in this time after its first sound.
const COMPACT_S: f64 = 0.012;

/// The correlation must stand so many times above chance. The highest of the two million values
/// among which it is looked for stands at 5.1 in Gaussian noise.
const STANDS_OUT: f64 = 7.5;

/// And it may begin so much before what stands out most.
const BEFORE_S: f64 = 0.002;

/// Added to the guide's power in every band, as a share of the whole: bands that the guide lacks
/// tell nothing of the filter.
const RIDGE: f64 = 1e-3;

/// Blocks needed: ten seconds.
const LEAST_BLOCKS: usize = 10;

/// A guide track, mono, at a low rate.
#[derive(Debug, Clone)]
pub struct Guide {
    samples: Arc<[f32]>,
    /// The same, flattened.
    flat: Arc<[f32]>,
    /// Position of the first sample on the low-rate grid.
    first: i64,
    down: usize,
}

impl Guide {
    /// From the guide's samples at the piece's rate, the first of them at `first_sample` of the
    /// master grid.
    #[must_use]
    pub fn new(samples: &[f32], first_sample: i64, rate_hz: u32) -> Self {
        let mut keeper = GuideKeeper::new(first_sample, rate_hz);
        keeper.push(samples);
        keeper.finish()
    }

    /// Whether the other is a copy of this one that takes no memory of its own.
    #[must_use]
    pub fn shares_samples_with(&self, other: &Guide) -> bool {
        Arc::ptr_eq(&self.samples, &other.samples)
    }
}

/// Keeps a guide as it is rendered, block by block.
pub struct GuideKeeper {
    lower: Lower,
    low: Vec<f32>,
    first: i64,
}

impl GuideKeeper {
    /// A keeper of a guide at `rate_hz` whose first sample is `first_sample` of the master grid.
    #[must_use]
    pub fn new(first_sample: i64, rate_hz: u32) -> Self {
        let down = factor(rate_hz) as i64;
        Self {
            lower: Lower::new(down as usize, first_sample.rem_euclid(down) as usize),
            low: Vec::new(),
            first: first_sample.div_euclid(down),
        }
    }

    /// Takes the guide's next samples.
    pub fn push(&mut self, samples: &[f32]) {
        self.lower.push(samples, &mut self.low);
    }

    /// The guide.
    #[must_use]
    pub fn finish(self) -> Guide {
        let mut flat = Vec::with_capacity(self.low.len());
        let mut flattener = Flattener::new(mean_square(&self.low));
        flattener.push(&self.low, &mut flat);
        flattener.finish(&mut flat);
        flat.truncate(self.low.len());
        Guide {
            samples: self.low.into(),
            flat: flat.into(),
            first: self.first,
            down: self.lower.down,
        }
    }
}

fn factor(rate_hz: u32) -> usize {
    ((f64::from(rate_hz) / LOW_RATE_HZ).round() as usize).max(1)
}

fn mean_square(samples: &[f32]) -> f64 {
    let sum: f64 = samples.iter().map(|s| f64::from(*s).powi(2)).sum();
    sum / samples.len().max(1) as f64
}

/// Brings a stream down by averaging groups; both sides are treated alike, so what it does to the
/// spectrum cancels.
struct Lower {
    down: usize,
    filled: usize,
    sum: f32,
}

impl Lower {
    fn new(down: usize, filled: usize) -> Self {
        Self { down, filled, sum: 0.0 }
    }

    fn push(&mut self, samples: &[f32], out: &mut Vec<f32>) {
        for sample in samples {
            self.sum += sample;
            self.filled += 1;
            if self.filled == self.down {
                out.push(self.sum / self.down as f32);
                (self.sum, self.filled) = (0.0, 0);
            }
        }
    }
}

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

/// How much of the guide is in a stem.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bleed {
    /// Power of the guide in the stem over all of the stem's, in dB.
    pub depth_db: f64,
    /// When the bleed comes after the guide, in milliseconds.
    pub delay_ms: f64,
    /// Correlation of stem and guide, both flattened: near 1 where the stem is the guide.
    pub likeness: f64,
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
        let mut planner = RealFftPlanner::<f32>::new();
        let forward = planner.plan_fft_forward(SIZE);
        let bins = SIZE / 2 + 1;
        Self {
            low_rate_hz: f64::from(rate_hz) / down as f64,
            moved_s,
            lower: Lower::new(guide.down, first_sample.rem_euclid(down) as usize),
            flattener: Flattener::new(mean_square),
            low: Vec::new(),
            flat: Vec::new(),
            at: first_sample.div_euclid(down),
            inverse: planner.plan_fft_inverse(SIZE),
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
        let transform = |samples: &[f32], lead: usize| spectrum(&*self.forward, samples, lead);
        let (Some(stem), Some(flat), Some(guide), Some(flat_guide)) = (
            transform(&self.low[block.clone()], DELAYS),
            transform(&self.flat[block], DELAYS),
            transform(guide, 0),
            transform(flat_guide, 0),
        ) else {
            return;
        };
        // What is not the guide is noise here: the louder it is, the less a block tells.
        let weight = 1.0 / size;
        let (Some(flat_row), Some(row)) = (
            self.delays(flat.iter().zip(&flat_guide).map(|(a, b)| a * b.conj())),
            self.delays(stem.iter().zip(&guide).map(|(a, b)| a * b.conj() * weight as f32)),
        ) else {
            return;
        };
        for (bin, guide) in guide.iter().enumerate() {
            let power = f64::from(guide.norm_sqr()) * BLOCK as f64 / SIZE as f64;
            self.weighed_power[bin] += power * weight;
            self.guide_power[bin] += power;
        }
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
    pub fn finish(mut self) -> Option<Bleed> {
        if self.flat_rows.len() * self.share < LEAST_BLOCKS {
            return None;
        }
        let straight = slope::along(&self.flat_rows, 0.0);
        let chance = robust_deviation(&straight);
        let steepest = slope::steepest(std::mem::take(&mut self.flat_rows));
        let correlation =
            f64::from(steepest.value) / (self.flat_energies[0] * self.flat_energies[1]).sqrt();
        if f64::from(steepest.value) < STANDS_OUT * chance && correlation < CLEAR {
            return None;
        }
        let delay_s = (steepest.middle() - DELAYS as f64) / self.low_rate_hz;
        let depth_db = self.depth_db(&steepest)?;
        Some(Bleed { depth_db, delay_ms: (delay_s + self.moved_s) * 1e3, likeness: correlation })
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
        let bins = power.iter().map(|power| Complex::new((power / most) as f32, 0.0));
        let around = self.delays(bins)?;
        Some(around[DELAYS..DELAYS + count].iter().map(|r| f64::from(*r) * most).collect())
    }

    /// A cross-spectrum as a function of delay, from −`DELAYS` to `DELAYS`.
    fn delays(&self, spectrum: impl Iterator<Item = Complex<f32>>) -> Option<Vec<f32>> {
        let scale = 1.0 / SIZE as f32;
        let mut bins: Vec<Complex<f32>> = spectrum.map(|bin| bin * scale).collect();
        let last = bins.len() - 1;
        (bins[0].im, bins[last].im) = (0.0, 0.0);
        let mut around = self.inverse.make_output_vec();
        self.inverse.process(&mut bins, &mut around).ok()?;
        around.rotate_right(DELAYS);
        around.truncate(2 * DELAYS);
        Some(around)
    }
}

/// Solves the normal equations of a filter: `autocorrelation` (Toeplitz) times the filter is
/// `cross`. Levinson's recursion (N. Levinson, 1947; any handbook of digital signal processing).
fn least_squares(autocorrelation: &[f64], cross: &[f64]) -> Vec<f64> {
    let r0 = autocorrelation[0] * (1.0 + RIDGE);
    let r = |lag: usize| if lag == 0 { r0 } else { autocorrelation[lag] };
    let mut predictor = vec![1.0];
    let mut error = r0;
    let mut filter = vec![cross[0] / r0];
    for (order, wanted) in cross.iter().enumerate().skip(1) {
        let miss: f64 = (0..order).map(|i| predictor[i] * r(order - i)).sum();
        let reflection = -miss / error;
        predictor.push(0.0);
        let turned: Vec<f64> = predictor.iter().rev().copied().collect();
        predictor.iter_mut().zip(&turned).for_each(|(p, t)| *p += reflection * t);
        error *= 1.0 - reflection * reflection;
        let told: f64 = (0..order).map(|i| filter[i] * r(order - i)).sum();
        let gain = (wanted - told) / error;
        filter.push(0.0);
        filter.iter_mut().zip(predictor.iter().rev()).for_each(|(f, p)| *f += gain * p);
    }
    filter
}

/// Standard deviation of the bulk of `values`, whatever stands out of it.
fn robust_deviation(values: &[f32]) -> f64 {
    let mut sizes: Vec<f32> = values.iter().map(|value| value.abs()).collect();
    sizes.sort_by(f32::total_cmp);
    sizes.get(sizes.len() / 2).map_or(0.0, |middle| 1.4826 * f64::from(*middle))
}

/// Spectrum of `samples` after `lead` zeros.
fn spectrum(
    transform: &dyn RealToComplex<f32>,
    samples: &[f32],
    lead: usize,
) -> Option<Vec<Complex<f32>>> {
    let mut input = transform.make_input_vec();
    input[lead..lead + samples.len()].copy_from_slice(samples);
    let mut output = transform.make_output_vec();
    transform.process(&mut input, &mut output).ok()?;
    Some(output)
}

/// The finding for a bleed that can be heard.
#[must_use]
pub fn guide_left_in(bleed: &Bleed) -> Option<Finding> {
    if bleed.depth_db < HEARD_DB {
        return None;
    }
    if bleed.likeness >= IS_THE_GUIDE {
        let says = "This is the guide, not your playing: hardly anything else can be heard. Please \
                    look for the file with your own recording in it and send that one.";
        let finding = Finding::new("guide_left_in", Severity::Asks, says);
        return Some(finding.measuring(bleed.depth_db, "dB"));
    }
    let says = format!(
        "The guide can be heard in your recording, {:.0} dB below your playing. Please use closed \
         headphones, turn the guide down a little, or check that you did not export it together \
         with your track.",
        -bleed.depth_db
    );
    let severity = if bleed.depth_db > -20.0 { Severity::Asks } else { Severity::Advice };
    Some(Finding::new("guide_left_in", severity, says).measuring(bleed.depth_db, "dB"))
}

#[cfg(test)]
mod tests {
    use super::*;

    const RATE_HZ: u32 = 48_000;

    fn noise(count: usize, mut seed: u64) -> impl Iterator<Item = f32> {
        (0..count).map(move |_| {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
            (seed >> 40) as f32 / (1u32 << 23) as f32 - 1.0
        })
    }

    /// Clicks and a drone.
    fn guide() -> Vec<f32> {
        let value = |at: usize| {
            let t = at as f32 / RATE_HZ as f32;
            let click = (-90.0 * (t % 0.45)).exp() * (9_000.0 * (t % 0.45)).sin();
            0.3 * click + 0.05 * (1_200.0 * t).sin()
        };
        (0..RATE_HZ as usize * 30).map(value).collect()
    }

    fn measure(stem: &[f32]) -> Option<Bleed> {
        let guide = Guide::new(&guide(), -4_800, RATE_HZ);
        let mut meter = BleedMeter::new(guide, RATE_HZ, 0, 0.0, mean_square(stem));
        for block in stem.chunks(4_096) {
            meter.push(&[block]);
        }
        meter.finish()
    }

    #[test]
    fn a_bleed_is_found_with_its_depth_and_its_delay_though_the_tempo_is_a_little_off() {
        let guide = guide();
        let count = RATE_HZ as usize * 28;
        let size = mean_square(&guide) / (1.0 / 3.0);
        for (depth_db, drift) in [(-10.0f64, 0.0), (-12.0, 4e-5), (-15.0, -6e-5)] {
            let gain = (10f64.powf(depth_db / 10.0) / size).sqrt();
            let stem: Vec<f32> = noise(count, 7)
                .enumerate()
                .map(|(at, noise)| {
                    let from = (at as f64 * (1.0 + drift)) as usize + 4_800 - 480;
                    noise + gain as f32 * guide[from]
                })
                .collect();
            let bleed = measure(&stem).unwrap();
            // White noise has a quarter of its power at the low rate.
            let off = bleed.depth_db - depth_db - 6.0;
            assert!(off.abs() < 2.0, "{depth_db}: {bleed:?}");
            assert!((bleed.delay_ms - 10.0).abs() < 1.5, "{bleed:?}");
        }
    }

    #[test]
    fn the_guide_itself_is_told_from_a_loud_bleed() {
        let guide = &guide()[4_800..RATE_HZ as usize * 28];
        let size = mean_square(guide);
        let says = |noise_db: f64| {
            let gain = (size * 3.0 * 10f64.powf(noise_db / 10.0)).sqrt() as f32;
            let stem: Vec<f32> =
                guide.iter().zip(noise(guide.len(), 5)).map(|(g, n)| 0.8 * g + gain * n).collect();
            measure(&stem).and_then(|bleed| guide_left_in(&bleed)).unwrap()
        };
        let alone = says(-60.0);
        assert!(alone.says.starts_with("This is the guide"), "{}", alone.says);
        assert_eq!(alone.severity, Severity::Asks);
        assert!(says(6.0).says.starts_with("The guide can be heard"));
    }

    #[test]
    fn noise_is_no_bleed_nor_a_player_who_plays_the_guide() {
        let count = RATE_HZ as usize * 28;
        let stem: Vec<f32> = noise(count, 9).collect();
        assert_eq!(measure(&stem), None);
        // A player who clicks along, some milliseconds about the beat.
        let click = |t: f32| (-90.0 * t).exp() * (9_000.0 * t).sin();
        let about = |beat: usize| 0.004 * (beat as f32 * 7.7).sin() + 0.1;
        let both: Vec<f32> = stem
            .iter()
            .enumerate()
            .map(|(at, noise)| {
                let t = at as f32 / RATE_HZ as f32;
                let since = t % 0.45 - about((t / 0.45) as usize);
                0.002 * noise + if since > 0.0 { click(since) } else { 0.0 }
            })
            .collect();
        assert_eq!(measure(&both), None);
    }
}
