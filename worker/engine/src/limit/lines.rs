//! Reads the waveform at three points between every two samples.

use super::oversample::CHUNK;
use super::screen::Screen;
use crate::math::bessel::bessel_i0;
#[cfg(target_arch = "x86_64")]
use crate::math::processor;
use std::f64::consts::PI;
use std::ops::Range;
use std::sync::LazyLock;

/// Taps to either side of a point between samples.
pub(super) const HALF_TAPS: usize = 24;

/// Shape of the Kaiser window; 7 keeps the interpolator flat within 0.01 dB to 0.45 of the rate.
const KAISER_BETA: f64 = 7.0;

/// The last samples of every channel, and the taps that read between them.
pub(super) struct Lines {
    phases: &'static [Taps; 3],
    screen: &'static Screen,
    /// Largest sum of absolute taps: how far interpolation can overshoot.
    pub(super) gain: f32,
    pub(super) history: Vec<Vec<f32>>,
}

static READING: LazyLock<([Taps; 3], Screen)> = LazyLock::new(|| {
    let phases = [0.25, 0.5, 0.75].map(taps);
    let screen = Screen::new(&phases);
    (phases, screen)
});

static SILENCE: [f32; HALF_TAPS] = [0.0; HALF_TAPS];

impl Lines {
    pub(super) fn new(channels: usize) -> Self {
        let (phases, screen) = &*READING;
        // Any fraction's sum of absolute taps lies within a hundredth of the highest of these.
        let gain = phases
            .iter()
            .map(|taps| taps.iter().map(|tap| tap.abs()).sum::<f32>() * 1.02)
            .fold(1.0, f32::max);
        // Silence before the start lets the first sample have its full neighbourhood.
        Self { phases, screen, gain, history: vec![vec![0.0; HALF_TAPS - 1]; channels] }
    }

    /// As if the last `count` frames of `before` had been looked at already.
    pub(super) fn after(before: &[&[f32]], count: usize) -> Self {
        let mut lines = Self::new(before.len());
        for (history, before) in lines.history.iter_mut().zip(before) {
            history.clear();
            history.resize(count.saturating_sub(before.len()), 0.0);
            history.extend_from_slice(&before[before.len().saturating_sub(count)..]);
        }
        lines
    }

    /// Takes frames; gives how many can be looked at.
    pub(super) fn push(&mut self, channels: &[&[f32]]) -> usize {
        for (history, channel) in self.history.iter_mut().zip(channels) {
            history.extend_from_slice(channel);
        }
        let length = self.history.iter().map(Vec::len).min().unwrap_or(0);
        (length + 1).saturating_sub(2 * HALF_TAPS)
    }

    pub(super) fn drop_front(&mut self, count: usize) {
        for history in &mut self.history {
            history.drain(..count);
        }
    }

    pub(super) fn silence(&self) -> Vec<&'static [f32]> {
        self.history.iter().map(|_| &SILENCE[..]).collect()
    }

    /// Raises `peaks` to the samples' own values.
    pub(super) fn own(&self, from: usize, peaks: &mut [f32]) {
        for history in &self.history {
            raise_to_own(&history[from..], peaks);
        }
    }

    /// Makes the end of what is given all that was taken so far.
    pub(super) fn put(&mut self, channels: &[&[f32]]) {
        for (history, channel) in self.history.iter_mut().zip(channels) {
            history.clear();
            history.extend_from_slice(&channel[channel.len().saturating_sub(2 * HALF_TAPS - 1)..]);
        }
    }

    /// Raises `peaks` to the samples' own values and those between them, but not where those
    /// surely stay under `dull`. Of each of `channels` all from `from` on is given that the
    /// readings read. `bounds`, one for every [`GROUP`], say what peaks stay under as far as it is
    /// known, and afterwards what they do.
    pub(super) fn between<C: AsRef<[f32]>>(
        &self,
        channels: &[C],
        from: usize,
        peaks: &mut [f32],
        dull: f32,
        bounds: &mut [f32],
    ) {
        if dull > 0.0 {
            self.tell(channels, from, &mut bounds[..peaks.len() / GROUP], dull);
        }
        for (number, (peaks, bound)) in peaks.chunks_mut(GROUP).zip(bounds).enumerate() {
            if *bound < dull {
                continue;
            }
            let at = from + number * GROUP;
            for channel in channels {
                let reach = &channel.as_ref()[reach_of(at..at + peaks.len())];
                raise_to_own(reach, peaks);
                raise(reach, self.phases, peaks);
            }
            *bound = highest_of(peaks);
        }
    }

    /// Lowers the bounds of whole groups that are not under `dull`, where the screen can tell.
    fn tell<C: AsRef<[f32]>>(&self, channels: &[C], from: usize, bounds: &mut [f32], dull: f32) {
        let open = bounds.iter().filter(|bound| **bound >= dull).count();
        let at_once = if open > MOST_APART { bounds.len().max(1) } else { 1 };
        let mut screened = [0.0f32; CHUNK / GROUP];
        for (number, bounds) in bounds.chunks_mut(at_once).enumerate() {
            if bounds.iter().all(|bound| *bound < dull) {
                continue;
            }
            let screened = &mut screened[..bounds.len()];
            screened.fill(0.0);
            let at = from + number * at_once * GROUP;
            let reach = reach_of(at..at + bounds.len() * GROUP);
            for channel in channels {
                self.screen.raise(&channel.as_ref()[reach.clone()], screened);
            }
            for (bound, screened) in bounds.iter_mut().zip(screened) {
                // What is no number bounds nothing.
                *bound = if *screened < *bound { *screened } else { *bound };
            }
        }
    }
}

/// Groups of a chunk that are screened one by one; of more, screening all is less work.
const MOST_APART: usize = CHUNK / GROUP / 4;

/// What the readings of some frames read.
fn reach_of(frames: Range<usize>) -> Range<usize> {
    frames.start..frames.end + 2 * HALF_TAPS - 1
}

/// Raises `peaks` to the samples' own values.
fn raise_to_own(reach: &[f32], peaks: &mut [f32]) {
    for (peak, sample) in peaks.iter_mut().zip(&reach[HALF_TAPS - 1..]) {
        *peak = peak.max(sample.abs());
    }
}

/// The highest absolute value that the readings of `count` frames from `from` on read.
pub(super) fn highest_in_reach<C: AsRef<[f32]>>(channels: &[C], from: usize, count: usize) -> f32 {
    let reach = from..from + count + 2 * HALF_TAPS - 1;
    let each = channels.iter().map(|channel| highest_of(&channel.as_ref()[reach.clone()]));
    each.fold(0.0, f32::max)
}

/// The highest absolute value.
pub(super) fn highest_of(samples: &[f32]) -> f32 {
    #[cfg(target_arch = "x86_64")]
    if processor::has_fused_vectors() {
        // SAFETY: the processor has AVX2 and FMA.
        #[allow(unsafe_code)]
        return unsafe { highest_of_avx2(samples) };
    }
    highest_of_body(samples)
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
fn highest_of_avx2(samples: &[f32]) -> f32 {
    highest_of_body(samples)
}

/// In lanes that do not wait for each other.
#[inline(always)]
fn highest_of_body(samples: &[f32]) -> f32 {
    let mut lanes = [0.0f32; GROUP];
    let (groups, rest) = samples.as_chunks::<GROUP>();
    for group in groups {
        for (most, sample) in lanes.iter_mut().zip(group) {
            *most = if sample.abs() > *most { sample.abs() } else { *most };
        }
    }
    lanes.iter().chain(rest).fold(0.0f32, |most, sample| most.max(sample.abs()))
}

/// Frames whose sums are kept in registers at a time.
pub(super) const GROUP: usize = 16;

#[inline(always)]
fn raise_body(reach: &[f32], phases: &[Taps; 3], peaks: &mut [f32]) {
    let Ok(group) = <&mut [f32; GROUP]>::try_from(&mut *peaks) else {
        for (peak, reach) in peaks.iter_mut().zip(reach.windows(2 * HALF_TAPS)) {
            *peak = phases.iter().map(|taps| read(taps, reach).abs()).fold(*peak, f32::max);
        }
        return;
    };
    let mut lines = [[0.0f32; GROUP]; 3];
    for (tap, samples) in reach.array_windows::<GROUP>().enumerate().take(2 * HALF_TAPS) {
        for (line, taps) in lines.iter_mut().zip(phases) {
            for (value, sample) in line.iter_mut().zip(samples) {
                *value = taps[tap].mul_add(*sample, *value);
            }
        }
    }
    for line in lines {
        for (peak, value) in group.iter_mut().zip(line) {
            *peak = peak.max(value.abs());
        }
    }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
fn raise_avx2(reach: &[f32], phases: &[Taps; 3], peaks: &mut [f32]) {
    raise_body(reach, phases, peaks);
}

/// Raises `peaks` to what is read between the samples; wider vectors change nothing in the
/// result, since every lane adds its own sample's products in the same order.
fn raise(reach: &[f32], phases: &[Taps; 3], peaks: &mut [f32]) {
    #[cfg(target_arch = "x86_64")]
    if processor::has_fused_vectors() {
        // SAFETY: the processor has AVX2 and FMA.
        #[allow(unsafe_code)]
        return unsafe { raise_avx2(reach, phases, peaks) };
    }
    raise_body(reach, phases, peaks);
}

/// The highest of some readings at one place, told without a sign.
pub(super) fn highest_reading(all: &[Taps], reach: &[f32]) -> f32 {
    #[cfg(target_arch = "x86_64")]
    if processor::has_fused_vectors() {
        // SAFETY: the processor has AVX2 and FMA.
        #[allow(unsafe_code)]
        return unsafe { highest_reading_avx2(all, reach) };
    }
    highest_reading_body(all, reach)
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2,fma")]
fn highest_reading_avx2(all: &[Taps], reach: &[f32]) -> f32 {
    highest_reading_body(all, reach)
}

#[inline(always)]
fn highest_reading_body(all: &[Taps], reach: &[f32]) -> f32 {
    all.iter().map(|taps| read(taps, reach).abs()).fold(0.0, f32::max)
}

/// One reading.
#[inline(always)]
fn read(taps: &Taps, reach: &[f32]) -> f32 {
    taps.iter().zip(reach).fold(0.0f32, |sum, (tap, sample)| tap.mul_add(*sample, sum))
}

/// Taps that read the waveform at one fraction of a sample.
pub(super) type Taps = [f32; 2 * HALF_TAPS];

/// Windowed-sinc taps that read the waveform `fraction` of a sample after the middle.
pub(super) fn taps(fraction: f64) -> Taps {
    let half = HALF_TAPS as f64;
    let taps: [f64; 2 * HALF_TAPS] = std::array::from_fn(|tap| {
        let x = tap as f64 - (half - 1.0) - fraction;
        let sinc = if x.abs() < 1e-12 { 1.0 } else { (PI * x).sin() / (PI * x) };
        let inside = (1.0 - (x / half).powi(2)).max(0.0);
        sinc * bessel_i0(KAISER_BETA * inside.sqrt()) / bessel_i0(KAISER_BETA)
    });
    let sum: f64 = taps.iter().sum();
    taps.map(|tap| (tap / sum) as f32)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn vector_and_scalar_twins_agree_to_the_last_bit() {
        let mut random = fastrand::Rng::with_seed(9);
        let reach: Vec<f32> =
            (0..CHUNK + 2 * HALF_TAPS - 1).map(|_| random.f32() * 2.0 - 1.0).collect();
        let phases = [0.25, 0.5, 0.75].map(taps);
        for count in [GROUP, GROUP - 1, 1] {
            let reach = &reach[..count + 2 * HALF_TAPS - 1];
            let (mut plain, mut vector) = (vec![0.0; count], vec![0.0; count]);
            for (peak, reach) in plain.iter_mut().zip(reach.windows(2 * HALF_TAPS)) {
                *peak = phases.iter().map(|taps| read(taps, reach).abs()).fold(0.0, f32::max);
            }
            raise(reach, &phases, &mut vector);
            assert_eq!(plain, vector);
        }
    }
}
