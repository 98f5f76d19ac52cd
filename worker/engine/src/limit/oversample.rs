//! Peaks between the samples.

use super::lines::{
    GROUP, HALF_TAPS, Lines, Taps, highest_in_reach, highest_of, highest_reading, taps,
};
use std::sync::LazyLock;

/// Frames worked on at once.
pub(super) const CHUNK: usize = 512;

/// Groups in a chunk.
const GROUPS: usize = CHUNK / GROUP;

/// Frames taken in at once by what reads a long part: whole chunks that stay in the first-level
/// cache.
const PIECE: usize = 4 * CHUNK;

/// Four points a sample under-read by at most 0.55 dB at 0.45 of the rate; what they read below
/// this share of a peak cannot pass it.
const UNDER_READ: f32 = 0.9;

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
        Self { interesting, lines: Lines::new(channels) }
    }

    /// A finder for what follows `before`.
    pub(super) fn after(before: &[&[f32]], interesting: f32) -> Self {
        Self { interesting, lines: Lines::after(before, HALF_TAPS - 1) }
    }

    /// Takes frames and appends the peaks that are known; they lag by `HALF_TAPS` frames.
    pub fn push(&mut self, channels: &[&[f32]], peaks: &mut Vec<f32>) {
        let ready = self.lines.push(channels);
        for from in (0..ready).step_by(CHUNK) {
            let count = CHUNK.min(ready - from);
            let start = peaks.len();
            peaks.resize(start + count, 0.0);
            let peaks = &mut peaks[start..];
            let lines = &self.lines;
            if highest_in_reach(&lines.history, from, count) * lines.gain > self.interesting {
                lines.between(&lines.history, from, peaks, 0.0, &mut [f32::INFINITY; GROUPS]);
            } else {
                lines.own(from, peaks);
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
    /// What the highest peak is at least.
    least: f32,
    coarse: Lines,
    fine: &'static [Taps],
    peaks: Vec<f32>,
    bounds: Vec<f32>,
    /// What bounds are known to be at most, if anything is known.
    known: Vec<f32>,
    /// Chunks that are not worth a look at the samples alone: those before were too loud for it.
    loud: usize,
}

/// Chunks after a loud one that are taken to be as loud.
const LOUD_CHUNKS: usize = 8;

/// Between the points that [`Lines`] reads.
static FINE: LazyLock<Vec<Taps>> = LazyLock::new(|| {
    (1..16).filter(|phase| phase % 4 != 0).map(|phase| taps(f64::from(phase) / 16.0)).collect()
});

/// Frames one of the [`Peaks::bounds`] stands for.
pub const BOUND_FRAMES: usize = GROUP;

/// Frames by which a bound lies earlier than its number says: what lies between two samples is
/// known only when those after it are.
pub const BOUND_LAG: usize = HALF_TAPS;

/// The true peaks of a part of a programme.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Peaks {
    /// The highest, linear, read at sixteen points a sample.
    pub highest: f32,
    /// For every [`BOUND_FRAMES`], [`BOUND_LAG`] frames earlier, what the waveform stays under,
    /// read at four points a sample: perhaps more than the peak. The last few may lie up to
    /// [`BOUND_FRAMES`] earlier.
    pub bounds: Vec<f32>,
}

impl Peaks {
    /// What the bounds are at most once no sample has changed by more than `changes` tell, one for
    /// every `block_frames` of which the first begins `before` frames before the part. Infinite
    /// where they depend on what lies outside the part.
    #[must_use]
    pub fn raised(&self, changes: &[f32], block_frames: usize, before: usize) -> Vec<f32> {
        let overshoot = Lines::new(0).gain;
        let change = |block: usize| changes.get(block).or(changes.last()).copied().unwrap_or(0.0);
        let mut raised = self.bounds.clone();
        let mut from = 0;
        // Most groups read what lies in one block, as their neighbours do.
        while from < raised.len() {
            let (first, last) =
                ((from * GROUP).saturating_sub(PEAK_REACH), from * GROUP + GROUP - 1);
            let [first, last] = [first, last].map(|frame| (before + frame) / block_frames);
            let end = |block: usize| (block + 1) * block_frames - before;
            let first_leaves = (end(first) + PEAK_REACH).div_ceil(GROUP);
            let last_leaves = end(last) / GROUP;
            let upto = first_leaves.min(last_leaves).clamp(from + 1, raised.len());
            let change = change(first).max(change(last));
            if change != 0.0 {
                let more = overshoot * (change + ROUNDING * (self.highest + change));
                raised[from..upto].iter_mut().for_each(|bound| *bound = rounded_up(*bound + more));
            }
            from = upto;
        }
        let early = PEAK_REACH.div_ceil(GROUP).min(raised.len());
        raised[..early].fill(f32::INFINITY);
        let inner = raised.len().saturating_sub(1 + (BOUND_LAG + GROUP) / GROUP);
        raised[inner..].fill(f32::INFINITY);
        raised
    }
}

/// What the rounding of two readings can come to, as a share of what the taps can add up to.
const ROUNDING: f32 = 1e-5;

/// The next higher number that needs half the bits.
fn rounded_up(bound: f32) -> f32 {
    f32::from_bits(bound.to_bits().saturating_add(0xffff) & 0xffff_0000)
}

/// The true peaks of a part that follows `before`, of which the last [`PEAK_REACH`] frames count.
/// `last` says that silence follows.
#[must_use]
pub fn peaks_of(before: [&[f32]; 2], part: [&[f32]; 2], last: bool) -> Peaks {
    let mut own = OwnPeak::default();
    own.push(part);
    peaks_from(before, part, last, own)
}

/// The highest of the samples of a part, told as they come, but for its last [`BOUND_LAG`]: those
/// are looked at with what follows.
#[derive(Debug, Clone, Copy, Default)]
pub struct OwnPeak {
    /// Of all samples but the last.
    settled: f32,
    last: [f32; BOUND_LAG],
}

impl OwnPeak {
    /// Takes the next frames.
    pub fn push(&mut self, block: [&[f32]; 2]) {
        let [left, right] = block;
        let settled = left.len().min(right.len()).saturating_sub(BOUND_LAG);
        if settled > 0 {
            self.settled = self.last.into_iter().fold(self.settled, f32::max);
            self.last = [0.0; BOUND_LAG];
        }
        let most = highest_of(&left[..settled]).max(highest_of(&right[..settled]));
        self.settled = self.settled.max(most);
        for (left, right) in left[settled..].iter().zip(&right[settled..]) {
            self.settled = self.settled.max(self.last[0]);
            self.last.rotate_left(1);
            self.last[BOUND_LAG - 1] = left.abs().max(right.abs());
        }
    }
}

/// The same as [`peaks_of`], where the samples' own peak is known already.
#[must_use]
pub fn peaks_from(before: [&[f32]; 2], part: [&[f32]; 2], last: bool, own: OwnPeak) -> Peaks {
    peaks_within(before, part, last, own, Vec::new())
}

/// The same as [`peaks_from`], where it is known what the bounds are at most: what cannot be the
/// highest is not read. Only the bounds may be others than those of a part of which nothing is
/// known.
#[must_use]
pub fn peaks_within(
    before: [&[f32]; 2],
    part: [&[f32]; 2],
    last: bool,
    own: OwnPeak,
    known: Vec<f32>,
) -> Peaks {
    let mut reader = TruePeak::new(2);
    reader.known = known;
    reader.least = own.settled;
    reader.coarse = Lines::after(&before, PEAK_REACH);
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
            least: 0.0,
            coarse: Lines::new(channels),
            fine: &FINE,
            peaks: vec![0.0; CHUNK],
            bounds: Vec::new(),
            known: Vec::new(),
            loud: 0,
        }
    }

    /// Takes frames, one slice a channel.
    pub fn push(&mut self, channels: &[&[f32]]) {
        let frames = channels.iter().map(|channel| channel.len()).min().unwrap_or(0);
        let mut first = 0;
        while first < frames {
            let end = frames.min(first + PIECE);
            let piece: Vec<&[f32]> = channels.iter().map(|channel| &channel[first..end]).collect();
            let ready = self.coarse.push(&piece);
            let history = std::mem::take(&mut self.coarse.history);
            self.look(&history, ready);
            self.coarse.history = history;
            self.coarse.drop_front(ready);
            first = end;
            if first >= PEAK_REACH && self.coarse.history[0].len() == PEAK_REACH {
                // From here on all that is read lies in what was handed in.
                let whole = (frames - first) / CHUNK * CHUNK;
                let reach = first - PEAK_REACH..first + whole;
                let reach: Vec<&[f32]> = channels.iter().map(|c| &c[reach.clone()]).collect();
                self.look(&reach, whole);
                self.coarse.put(&reach);
                first += whole;
            }
        }
    }

    /// Looks at some frames; of each channel all is given that their readings read.
    fn look<C: AsRef<[f32]>>(&mut self, channels: &[C], frames: usize) {
        for from in (0..frames).step_by(CHUNK) {
            self.chunk(channels, from, CHUNK.min(frames - from));
        }
    }

    fn chunk<C: AsRef<[f32]>>(&mut self, channels: &[C], from: usize, count: usize) {
        let at = self.bounds.len();
        let mut bounds = [f32::INFINITY; GROUPS];
        let bounds = &mut bounds[..count.div_ceil(GROUP)];
        let known = self.known.get(at..at + bounds.len());
        let dull = self.most.max(self.least) * UNDER_READ;
        if let Some(known) = known {
            bounds.copy_from_slice(known);
            if bounds.iter().all(|bound| *bound < dull) {
                self.bounds.extend_from_slice(bounds);
                return;
            }
        } else if self.loud == 0 {
            let bound = highest_in_reach(channels, from, count) * self.coarse.gain;
            if bound <= self.most {
                self.bounds.resize(at + bounds.len(), rounded_up(bound));
                return;
            }
            self.loud = if bound > 1.5 * self.most { LOUD_CHUNKS } else { 0 };
        } else {
            self.loud -= 1;
        }
        let peaks = &mut self.peaks[..count];
        peaks.fill(0.0);
        self.coarse.between(channels, from, peaks, dull, bounds);
        self.bounds.extend(bounds.iter().map(|bound| rounded_up(*bound)));
        let highest = highest_of(peaks);
        self.most = self.most.max(highest);
        let near = self.most.max(self.least) * UNDER_READ;
        if highest < near {
            return;
        }
        for at in (0..count).filter(|&at| self.peaks[at] >= near) {
            for channel in channels {
                let reach = &channel.as_ref()[from + at..from + at + 2 * HALF_TAPS];
                self.most = self.most.max(highest_reading(self.fine, reach));
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

#[cfg(test)]
mod tests {
    use super::super::lines::taps;
    use super::*;

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

    fn noise(seed: u64, frames: usize) -> [Vec<f32>; 2] {
        let mut random = fastrand::Rng::with_seed(seed);
        let loud = |n: usize| if (n / 5_000).is_multiple_of(3) { 1.0 } else { 0.8 };
        [(); 2].map(|()| (0..frames).map(|n| (random.f32() - 0.5) * loud(n)).collect())
    }

    fn sides(planes: &[Vec<f32>; 2]) -> [&[f32]; 2] {
        [&planes[0], &planes[1]]
    }

    /// Changes of every size, here and there: what is known of the part before them says enough.
    #[test]
    fn what_is_known_of_a_part_before_a_change_hides_no_peak_after_it() {
        let (frames, block, early) = (40_000, 4_096, 1_000);
        let (before, old) = (noise(1, 200), noise(2, frames));
        let mut left_alone = 0;
        for (case, level) in [0.0f32, 0.001, 0.01, 0.1, 1.0].into_iter().enumerate() {
            let mut random = fastrand::Rng::with_seed(case as u64);
            let changes: Vec<f32> =
                (0..11).map(|_| level * f32::from(u8::from(random.bool()))).collect();
            let mut new = old.clone();
            for plane in &mut new {
                for (n, sample) in plane.iter_mut().enumerate() {
                    *sample += changes[(early + n) / block] * (random.f32() * 2.0 - 1.0);
                }
            }
            for last in [false, true] {
                let known = peaks_of(sides(&before), sides(&old), last);
                let known = known.raised(&changes, block, early);
                let fresh = peaks_of(sides(&before), sides(&new), last);
                let mut own = OwnPeak::default();
                own.push(sides(&new));
                let peaks = peaks_within(sides(&before), sides(&new), last, own, known.clone());
                assert_eq!(peaks.highest, fresh.highest, "changed by {level}");
                assert_eq!(peaks.bounds.len(), fresh.bounds.len());
                let exact = every_peak(sides(&before), sides(&new), last);
                for (number, (bound, exact)) in
                    peaks.bounds.iter().zip(exact.chunks(GROUP)).enumerate()
                {
                    assert!(exact.iter().all(|peak| peak <= bound), "{level}: group {number}");
                }
                left_alone += peaks.bounds.iter().zip(&known).filter(|(a, b)| a == b).count();
            }
        }
        assert!(left_alone > 2_500, "only {left_alone} groups were left alone");
    }

    /// The obvious twin: every group for itself, by the two blocks that its readings lie in.
    #[test]
    fn every_group_is_raised_by_what_it_reads() {
        let mut random = fastrand::Rng::with_seed(3);
        let (blocks, block) = (6, 512);
        for early in [0, 1, 15, 47, 100, 300, 511] {
            for zeros in [0, 2] {
                let change = |at: usize| if at < zeros { 0.0 } else { 0.01 * at as f32 + 0.003 };
                let mut changes: Vec<f32> = (0..blocks).map(change).collect();
                changes[4] = f32::INFINITY;
                let bounds: Vec<f32> =
                    (0..(blocks * block - early) / GROUP + 4).map(|_| random.f32()).collect();
                let peaks = Peaks { highest: 0.9, bounds };
                let of = |(number, bound): (usize, &f32)| {
                    let (first, end) = (number * GROUP, (number + 1) * GROUP);
                    let outer = end + BOUND_LAG + GROUP >= peaks.bounds.len() * GROUP;
                    if first < PEAK_REACH || outer {
                        return f32::INFINITY;
                    }
                    let at = |frame: usize| changes[((early + frame) / block).min(blocks - 1)];
                    match at(first - PEAK_REACH).max(at(end - 1)) {
                        0.0 => *bound,
                        most => {
                            let more = most + ROUNDING * (peaks.highest + most);
                            rounded_up(bound + Lines::new(0).gain * more)
                        }
                    }
                };
                let plain: Vec<f32> = peaks.bounds.iter().enumerate().map(of).collect();
                assert_eq!(peaks.raised(&changes, block, early), plain, "{early} before");
            }
        }
        let nothing = Peaks::default().raised(&[], block, 0);
        assert!(nothing.is_empty());
    }

    /// Peaks read at four points a sample, all of them.
    fn every_peak(before: [&[f32]; 2], part: [&[f32]; 2], last: bool) -> Vec<f32> {
        let mut lines = Lines::after(&before, PEAK_REACH);
        let mut ready = lines.push(&part);
        if last {
            let silence = lines.silence();
            ready = lines.push(&silence);
        }
        let mut peaks = vec![0.0; ready];
        for (number, peaks) in peaks.chunks_mut(CHUNK).enumerate() {
            let all = &mut [f32::INFINITY; GROUPS];
            lines.between(&lines.history, number * CHUNK, peaks, 0.0, all);
        }
        peaks
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
                let end = (from + (number + 1) * BOUND_FRAMES).saturating_sub(BOUND_LAG);
                let last = end.min(known);
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
