//! Peaks between the samples.

use std::f64::consts::PI;

/// Taps to either side of a point between samples.
const HALF_TAPS: usize = 24;

/// Shape of the Kaiser window; 7 keeps the interpolator flat within 0.01 dB to 0.45 of the rate.
const KAISER_BETA: f64 = 7.0;

/// Frames worked on at once.
const CHUNK: usize = 512;

/// Finds, for every sample, the highest absolute value of the waveform from it up to the next
/// one, read at four points by windowed-sinc interpolation, over all channels.
///
/// Stretches that cannot reach `interesting` are not interpolated; there the sample's own value
/// is given.
pub struct PeakFinder {
    interesting: f32,
    lines: Lines,
}

impl PeakFinder {
    /// A finder for some channels.
    #[must_use]
    pub fn new(channels: usize, interesting: f32) -> Self {
        Self { interesting, lines: Lines::new(channels, 4) }
    }

    /// A finder for what follows `before`.
    pub(super) fn after(before: &[&[f32]], interesting: f32) -> Self {
        Self { interesting, lines: Lines::after(before, 4, HALF_TAPS - 1) }
    }

    /// Takes frames and appends the peaks that are known; they lag by `HALF_TAPS` frames.
    pub fn push(&mut self, channels: &[&[f32]], peaks: &mut Vec<f32>) {
        let ready = self.lines.push(channels);
        for from in (0..ready).step_by(CHUNK) {
            let count = CHUNK.min(ready - from);
            let start = peaks.len();
            peaks.resize(start + count, 0.0);
            let peaks = &mut peaks[start..];
            if self.lines.own(from, peaks) * self.lines.gain > self.interesting {
                self.lines.between(from, peaks);
            }
        }
        self.lines.drop_front(ready);
    }

    /// Appends the peaks of the last frames.
    pub fn finish(&mut self, peaks: &mut Vec<f32>) {
        let silence = self.lines.silence();
        self.push(&silence, peaks);
    }
}

/// Reads the highest true peak of a programme at sixteen points a sample, which under-reads by at
/// most 0.03 dB at 0.45 of the sample rate (20·log₁₀cos(π·0.45/16)).
///
/// Only what may exceed the peak so far is looked at closely.
pub struct TruePeak {
    most: f32,
    coarse: Lines,
    fine: Vec<Vec<f32>>,
    peaks: Vec<f32>,
    bounds: Vec<f32>,
}

/// Frames one of the [`Peaks::bounds`] stands for.
pub const BOUND_FRAMES: usize = CHUNK;

/// Frames by which a bound lies earlier than its number says: what lies between two samples is
/// known only when those after it are.
pub const BOUND_LAG: usize = HALF_TAPS;

/// The true peaks of a part of a programme.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Peaks {
    /// The highest, linear, read at sixteen points a sample.
    pub highest: f32,
    /// For every [`BOUND_FRAMES`], [`BOUND_LAG`] frames earlier, what the waveform stays under,
    /// read at four points a sample: the peak itself where that is higher than all before it in
    /// the part, else perhaps more.
    pub bounds: Vec<f32>,
}

/// The true peaks of a part that follows `before`, of which the last [`PEAK_REACH`] frames count.
/// `last` says that silence follows.
#[must_use]
pub fn peaks_of(before: [&[f32]; 2], part: [&[f32]; 2], last: bool) -> Peaks {
    let mut reader = TruePeak::new(2);
    reader.coarse = Lines::after(&before, 4, PEAK_REACH);
    reader.push(&part);
    if last {
        let silence = reader.coarse.silence();
        reader.push(&silence);
    }
    Peaks { highest: reader.most, bounds: reader.bounds }
}

/// Frames before a part that its peaks depend on.
pub const PEAK_REACH: usize = 2 * HALF_TAPS - 1;

impl TruePeak {
    /// A reader for some channels.
    #[must_use]
    pub fn new(channels: usize) -> Self {
        Self {
            most: 0.0,
            coarse: Lines::new(channels, 4),
            fine: (1..16)
                .filter(|phase| phase % 4 != 0)
                .map(|p| taps(f64::from(p) / 16.0))
                .collect(),
            peaks: vec![0.0; CHUNK],
            bounds: Vec::new(),
        }
    }

    /// Takes frames, one slice a channel.
    pub fn push(&mut self, channels: &[&[f32]]) {
        let ready = self.coarse.push(channels);
        for from in (0..ready).step_by(CHUNK) {
            self.chunk(from, CHUNK.min(ready - from));
        }
        self.coarse.drop_front(ready);
    }

    fn chunk(&mut self, from: usize, count: usize) {
        let peaks = &mut self.peaks[..count];
        peaks.fill(0.0);
        let bound = self.coarse.own(from, peaks) * self.coarse.gain;
        if bound <= self.most {
            self.bounds.push(bound);
            return;
        }
        self.coarse.between(from, peaks);
        let highest = peaks.iter().copied().fold(0.0, f32::max);
        self.bounds.push(highest);
        self.most = self.most.max(highest);
        // Four points under-read by at most 0.55 dB at 0.45 of the rate.
        let near = self.most * 0.9;
        for at in (0..count).filter(|&at| self.peaks[at] >= near) {
            for history in &self.coarse.history {
                let reach = &history[from + at..from + at + 2 * HALF_TAPS];
                for taps in &self.fine {
                    let value: f32 = taps.iter().zip(reach).map(|(tap, s)| tap * s).sum();
                    self.most = self.most.max(value.abs());
                }
            }
        }
    }

    /// The peak in dBTP; none for silence.
    #[must_use]
    pub fn finish(mut self) -> Option<f64> {
        let silence = self.coarse.silence();
        self.push(&silence);
        (self.most > 0.0).then(|| 20.0 * f64::from(self.most).log10())
    }
}

/// The last samples of every channel, and the taps that read between them.
struct Lines {
    phases: Vec<Vec<f32>>,
    /// Largest sum of absolute taps: how far interpolation can overshoot.
    gain: f32,
    history: Vec<Vec<f32>>,
}

static SILENCE: [f32; HALF_TAPS] = [0.0; HALF_TAPS];

impl Lines {
    fn new(channels: usize, factor: usize) -> Self {
        let phases: Vec<Vec<f32>> =
            (1..factor).map(|phase| taps(phase as f64 / factor as f64)).collect();
        // Any fraction's sum of absolute taps lies within a hundredth of the highest of these.
        let gain = phases
            .iter()
            .map(|taps| taps.iter().map(|tap| tap.abs()).sum::<f32>() * 1.02)
            .fold(1.0, f32::max);
        // Silence before the start lets the first sample have its full neighbourhood.
        Self { phases, gain, history: vec![vec![0.0; HALF_TAPS - 1]; channels] }
    }

    /// As if the last `count` frames of `before` had been looked at already.
    fn after(before: &[&[f32]], factor: usize, count: usize) -> Self {
        let mut lines = Self::new(before.len(), factor);
        for (history, before) in lines.history.iter_mut().zip(before) {
            history.clear();
            history.resize(count.saturating_sub(before.len()), 0.0);
            history.extend_from_slice(&before[before.len().saturating_sub(count)..]);
        }
        lines
    }

    /// Takes frames; gives how many can be looked at.
    fn push(&mut self, channels: &[&[f32]]) -> usize {
        for (history, channel) in self.history.iter_mut().zip(channels) {
            history.extend_from_slice(channel);
        }
        let length = self.history.iter().map(Vec::len).min().unwrap_or(0);
        (length + 1).saturating_sub(2 * HALF_TAPS)
    }

    fn drop_front(&mut self, count: usize) {
        for history in &mut self.history {
            history.drain(..count);
        }
    }

    fn silence(&self) -> Vec<&'static [f32]> {
        self.history.iter().map(|_| &SILENCE[..]).collect()
    }

    /// Raises `peaks` to the samples' own values; gives the highest in reach.
    fn own(&self, from: usize, peaks: &mut [f32]) -> f32 {
        let mut highest = 0.0f32;
        for history in &self.history {
            let reach = &history[from..from + peaks.len() + 2 * HALF_TAPS - 1];
            for (peak, sample) in peaks.iter_mut().zip(&reach[HALF_TAPS - 1..]) {
                *peak = peak.max(sample.abs());
            }
            highest = reach.iter().fold(highest, |most, sample| most.max(sample.abs()));
        }
        highest
    }

    /// Raises `peaks` to the values between the samples.
    fn between(&self, from: usize, peaks: &mut [f32]) {
        for history in &self.history {
            let reach = &history[from..from + peaks.len() + 2 * HALF_TAPS - 1];
            for taps in &self.phases {
                raise(reach, taps, peaks);
            }
        }
    }
}

/// Samples whose sums are kept in registers at a time.
const LANES: usize = 32;

#[inline(always)]
fn raise_body(reach: &[f32], taps: &[f32], peaks: &mut [f32]) {
    let (groups, rest) = peaks.as_chunks_mut::<LANES>();
    let done = groups.len() * LANES;
    for (number, group) in groups.iter_mut().enumerate() {
        let mut line = [0.0f32; LANES];
        for (tap, reach) in taps.iter().zip(reach[number * LANES..].windows(LANES)) {
            for (value, sample) in line.iter_mut().zip(reach) {
                *value += tap * sample;
            }
        }
        for (peak, value) in group.iter_mut().zip(line) {
            *peak = peak.max(value.abs());
        }
    }
    for (peak, reach) in rest.iter_mut().zip(reach[done..].windows(taps.len())) {
        let value = taps.iter().zip(reach).fold(0.0f32, |sum, (tap, sample)| sum + tap * sample);
        *peak = peak.max(value.abs());
    }
}

#[cfg(target_arch = "x86_64")]
#[target_feature(enable = "avx2")]
fn raise_avx2(reach: &[f32], taps: &[f32], peaks: &mut [f32]) {
    raise_body(reach, taps, peaks);
}

/// Raises `peaks` to what `taps` read; wider vectors change nothing in the result, since every
/// lane adds its own sample's products in the same order.
fn raise(reach: &[f32], taps: &[f32], peaks: &mut [f32]) {
    #[cfg(target_arch = "x86_64")]
    if std::is_x86_feature_detected!("avx2") {
        // SAFETY: the processor has AVX2.
        #[allow(unsafe_code)]
        return unsafe { raise_avx2(reach, taps, peaks) };
    }
    raise_body(reach, taps, peaks);
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn vector_and_scalar_twins_agree_to_the_last_bit() {
        let mut random = fastrand::Rng::with_seed(9);
        let reach: Vec<f32> =
            (0..CHUNK + 2 * HALF_TAPS - 1).map(|_| random.f32() * 2.0 - 1.0).collect();
        for fraction in [0.25, 0.5, 0.75] {
            let (mut plain, mut vector) = ([0.0; CHUNK], [0.0; CHUNK]);
            raise_body(&reach, &taps(fraction), &mut plain);
            raise(&reach, &taps(fraction), &mut vector);
            assert_eq!(plain, vector);
        }
    }

    /// The obvious reading: every sample at every one of sixteen fractions.
    #[test]
    fn looking_closely_only_where_it_matters_misses_nothing() {
        for seed in 0..20u64 {
            let mut random = fastrand::Rng::with_seed(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15));
            let signal: Vec<f32> = (0..3000).map(|_| random.f32() * 2.0 - 1.0).collect();
            let mut reader = TruePeak::new(1);
            for part in signal.chunks(700) {
                reader.push(&[part]);
            }
            let padded = [&[0.0; HALF_TAPS - 1][..], &signal[..], &[0.0; HALF_TAPS][..]].concat();
            let mut most = 0.0f32;
            for phase in 0..16 {
                let taps = taps(f64::from(phase) / 16.0);
                for reach in padded.windows(2 * HALF_TAPS) {
                    let value: f32 = taps.iter().zip(reach).map(|(tap, s)| tap * s).sum();
                    most = most.max(value.abs());
                }
            }
            let read = reader.finish().unwrap_or(-200.0);
            assert!((read - 20.0 * f64::from(most).log10()).abs() < 0.02, "{read} {most}");
        }
    }

    /// Parts on their own bound what the whole has, and the highest of them is the whole's.
    #[test]
    fn peaks_of_parts_are_those_of_the_whole() {
        let mut random = fastrand::Rng::with_seed(11);
        let planes: [Vec<f32>; 2] = [0, 1]
            .map(|_| (0..40_000).map(|n| (random.f32() - 0.5) * (n % 9_000) as f32).collect());
        let mut whole = TruePeak::new(2);
        whole.push(&[&planes[0], &planes[1]]);
        let whole = whole.finish().unwrap_or(0.0);
        let mut most = 0.0f32;
        for (from, upto) in [(0, 17_001), (17_001, 30_000), (30_000, 40_000)] {
            let before = [&planes[0][..from], &planes[1][..from]];
            let part = [&planes[0][from..upto], &planes[1][from..upto]];
            let peaks = peaks_of(before, part, upto == 40_000);
            assert!(peaks.bounds.len() * BOUND_FRAMES >= upto - from);
            let known = if upto == 40_000 { upto } else { upto - BOUND_LAG };
            for (number, bound) in peaks.bounds.iter().enumerate() {
                let first = (from + number * BOUND_FRAMES).saturating_sub(BOUND_LAG);
                let last = (from + (number + 1) * BOUND_FRAMES - BOUND_LAG).min(known);
                for plane in &planes {
                    let own = plane[first.min(last)..last]
                        .iter()
                        .fold(0.0f32, |most, s| most.max(s.abs()));
                    assert!(own <= *bound, "{own} {bound}");
                }
            }
            most = most.max(peaks.highest);
        }
        assert!((20.0 * f64::from(most).log10() - whole).abs() < 0.01);
    }
}
