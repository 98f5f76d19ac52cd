//! Peaks between the samples.

use std::f64::consts::PI;

/// Taps to either side of a point between samples.
const HALF_TAPS: usize = 24;

/// Shape of the Kaiser window; 7 keeps the interpolator flat within 0.01 dB to 0.45 of the rate.
const KAISER_BETA: f64 = 7.0;

/// Frames worked on at once.
const CHUNK: usize = 512;

/// Finds, for every sample, the highest absolute value of the waveform from it up to the next
/// one, read at `factor` points by windowed-sinc interpolation, over all channels.
///
/// Stretches that cannot reach `interesting` are not interpolated; there the sample's own value
/// is given.
pub struct PeakFinder {
    factor: usize,
    interesting: f32,
    phases: Vec<Vec<f32>>,
    /// Largest sum of absolute taps: how far interpolation can overshoot.
    gain: f32,
    history: Vec<Vec<f32>>,
}

impl PeakFinder {
    /// A finder for some channels.
    #[must_use]
    pub fn new(channels: usize, factor: usize, interesting: f32) -> Self {
        let phases: Vec<Vec<f32>> =
            (1..factor).map(|phase| taps(phase as f64 / factor as f64)).collect();
        let gain = phases
            .iter()
            .map(|taps| taps.iter().map(|tap| tap.abs()).sum::<f32>())
            .fold(1.0, f32::max);
        Self {
            factor,
            interesting,
            phases,
            gain,
            // Silence before the start lets the first sample have its full neighbourhood.
            history: vec![vec![0.0; HALF_TAPS - 1]; channels],
        }
    }

    /// Takes frames and appends the peaks that are known; they lag by [`HALF_TAPS`] frames.
    pub fn push(&mut self, channels: &[&[f32]], peaks: &mut Vec<f32>) {
        for (history, channel) in self.history.iter_mut().zip(channels) {
            history.extend_from_slice(channel);
        }
        let length = self.history.iter().map(Vec::len).min().unwrap_or(0);
        let ready = (length + 1).saturating_sub(2 * HALF_TAPS);
        for from in (0..ready).step_by(CHUNK) {
            self.chunk(from, CHUNK.min(ready - from), peaks);
        }
        for history in &mut self.history {
            history.drain(..ready);
        }
    }

    /// Appends the peaks of the last frames.
    pub fn finish(&mut self, peaks: &mut Vec<f32>) {
        let silence = [0.0; HALF_TAPS];
        let views: Vec<&[f32]> = self.history.iter().map(|_| &silence[..]).collect();
        self.push(&views, peaks);
    }

    fn chunk(&self, from: usize, count: usize, peaks: &mut Vec<f32>) {
        let start = peaks.len();
        peaks.resize(start + count, 0.0);
        let peaks = &mut peaks[start..];
        let mut line = [0.0f32; CHUNK];
        for history in &self.history {
            let reach = &history[from..from + count + 2 * HALF_TAPS - 1];
            let own = &reach[HALF_TAPS - 1..];
            for (peak, sample) in peaks.iter_mut().zip(own) {
                *peak = peak.max(sample.abs());
            }
            let highest = reach.iter().fold(0.0f32, |most, sample| most.max(sample.abs()));
            if highest * self.gain <= self.interesting {
                continue;
            }
            for taps in &self.phases {
                let line = &mut line[..count];
                line.fill(0.0);
                for (tap, reach) in taps.iter().zip(reach.windows(count)) {
                    for (value, sample) in line.iter_mut().zip(reach) {
                        *value += tap * sample;
                    }
                }
                for (peak, value) in peaks.iter_mut().zip(line) {
                    *peak = peak.max(value.abs());
                }
            }
        }
        debug_assert!(self.factor > 1);
    }
}

/// Windowed-sinc taps that read the waveform `fraction` of a sample after the middle.
fn taps(fraction: f64) -> Vec<f32> {
    let half = HALF_TAPS as f64;
    let taps: Vec<f64> = (0..2 * HALF_TAPS)
        .map(|tap| {
            let x = tap as f64 - (half - 1.0) - fraction;
            let sinc = if x.abs() < 1e-12 { 1.0 } else { (PI * x).sin() / (PI * x) };
            let inside = (1.0 - (x / half).powi(2)).max(0.0);
            sinc * bessel_i0(KAISER_BETA * inside.sqrt()) / bessel_i0(KAISER_BETA)
        })
        .collect();
    let sum: f64 = taps.iter().sum();
    taps.iter().map(|tap| (tap / sum) as f32).collect()
}

/// Modified Bessel function of the first kind, order 0, by its power series (Abramowitz and
/// Stegun 9.6.12).
fn bessel_i0(x: f64) -> f64 {
    let quarter = x * x / 4.0;
    let mut term = 1.0;
    let mut sum = 1.0;
    for k in 1..60 {
        term *= quarter / f64::from(k * k);
        sum += term;
    }
    sum
}

/// True peak in dBTP, read at sixteen points a sample; the limiter's own is read at four. Pushes
/// of a whole programme go through `each`, which calls what it is given with every block. None
/// for silence.
pub fn true_peak_16x(
    channels: usize,
    floor_dbtp: f64,
    each: impl FnOnce(&mut dyn FnMut(&[&[f32]])),
) -> Option<f64> {
    let floor = 10f64.powf(floor_dbtp / 20.0) as f32;
    let mut finder = PeakFinder::new(channels, 16, floor);
    let mut most = 0.0f32;
    let mut peaks = Vec::new();
    each(&mut |block| {
        peaks.clear();
        finder.push(block, &mut peaks);
        most = peaks.iter().copied().fold(most, f32::max);
    });
    peaks.clear();
    finder.finish(&mut peaks);
    most = peaks.iter().copied().fold(most, f32::max);
    (most > 0.0).then(|| 20.0 * f64::from(most).log10())
}
