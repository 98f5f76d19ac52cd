//! Level, peak and mean along a file, a few numbers every twentieth of a second.

use crate::math::vectors::in_vectors;

/// Entries a second.
const HOPS_PER_S: u32 = 20;

/// What a file is like along its length. Memory is 1 kB a minute and channel.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    /// Frames an entry stands for.
    pub hop_frames: usize,
    /// Length of an entry in seconds.
    pub hop_s: f64,
    /// One record a channel, all equally long.
    pub channels: Vec<ChannelProfile>,
    /// Mean product of the first two channels over each hop; empty for mono.
    pub cross: Vec<f32>,
}

/// One channel along the file.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ChannelProfile {
    /// Highest absolute sample of each hop.
    pub peak: Vec<f32>,
    /// Mean square of each hop.
    pub mean_square: Vec<f32>,
    /// Mean of each hop.
    pub mean: Vec<f32>,
}

impl Profile {
    /// Which entries lie within `span_s` of file time.
    #[must_use]
    pub fn hops_in(&self, span_s: (f64, f64)) -> std::ops::Range<usize> {
        let hops = self.channels.first().map_or(0, |channel| channel.peak.len());
        let at = |s: f64| ((s / self.hop_s).round().max(0.0) as usize).min(hops);
        let begin = at(span_s.0);
        begin..at(span_s.1).max(begin)
    }

    /// Level of the channels together in dB re full scale (mean square), for one entry.
    #[must_use]
    pub fn level_db(&self, hop: usize) -> f64 {
        let sum: f64 =
            self.channels.iter().map(|channel| f64::from(channel.mean_square[hop])).sum();
        10.0 * (sum / self.channels.len().max(1) as f64).max(1e-14).log10()
    }

    /// Mean square of the channels together within a span.
    #[must_use]
    pub fn mean_square(&self, span_s: (f64, f64)) -> f64 {
        let hops = self.hops_in(span_s);
        let all = self.channels.iter().flat_map(|channel| &channel.mean_square[hops.clone()]);
        let count = (hops.len() * self.channels.len()).max(1) as f64;
        all.copied().map(f64::from).sum::<f64>() / count
    }

    /// Levels within a span, ascending.
    #[must_use]
    pub fn sorted_levels_db(&self, span_s: (f64, f64)) -> Vec<f64> {
        let mut levels: Vec<f64> = self.hops_in(span_s).map(|hop| self.level_db(hop)).collect();
        levels.sort_by(f64::total_cmp);
        levels
    }

    /// Highest absolute sample within a span, over all channels.
    #[must_use]
    pub fn peak(&self, span_s: (f64, f64)) -> f32 {
        let hops = self.hops_in(span_s);
        let all = self.channels.iter().flat_map(|channel| &channel.peak[hops.clone()]);
        all.copied().fold(0.0, f32::max)
    }
}

/// The value a share of a sorted list lies below; −140 for an empty one.
pub(super) fn quantile(sorted: &[f64], share: f64) -> f64 {
    let last = sorted.len().saturating_sub(1);
    sorted.get((share * last as f64).round() as usize).copied().unwrap_or(-140.0)
}

/// Makes a [`Profile`] as blocks come in.
pub(super) struct Profiler {
    profile: Profile,
    /// Sums of the hop under way.
    frames: usize,
    sums: Vec<Sums>,
    cross: f64,
}

#[derive(Clone, Copy, Default)]
struct Sums {
    peak: f32,
    square: f64,
    sum: f64,
}

impl Profiler {
    pub(super) fn new(rate_hz: u32, channels: usize) -> Self {
        let hop_frames = (rate_hz / HOPS_PER_S).max(1) as usize;
        Self {
            profile: Profile {
                hop_frames,
                hop_s: hop_frames as f64 / f64::from(rate_hz.max(1)),
                channels: vec![ChannelProfile::default(); channels],
                cross: Vec::new(),
            },
            frames: 0,
            sums: vec![Sums::default(); channels],
            cross: 0.0,
        }
    }

    pub(super) fn push(&mut self, channels: &[&[f32]]) {
        let frames = channels.first().map_or(0, |channel| channel.len());
        let mut from = 0;
        while from < frames {
            let upto = frames.min(from + self.profile.hop_frames - self.frames);
            for (sums, channel) in self.sums.iter_mut().zip(channels) {
                sums.add(&channel[from..upto]);
            }
            if let [left, right, ..] = channels {
                self.cross += product(&left[from..upto], &right[from..upto]);
            }
            self.frames += upto - from;
            from = upto;
            if self.frames == self.profile.hop_frames {
                self.end_hop();
            }
        }
    }

    pub(super) fn finish(mut self) -> Profile {
        // A last hop of less than a half would give rough figures.
        if self.frames * 2 >= self.profile.hop_frames {
            self.end_hop();
        }
        self.profile
    }

    fn end_hop(&mut self) {
        let frames = self.frames as f64;
        for (sums, channel) in self.sums.iter_mut().zip(&mut self.profile.channels) {
            channel.peak.push(sums.peak);
            channel.mean_square.push((sums.square / frames) as f32);
            channel.mean.push((sums.sum / frames) as f32);
            *sums = Sums::default();
        }
        if self.sums.len() > 1 {
            self.profile.cross.push((self.cross / frames) as f32);
        }
        self.cross = 0.0;
        self.frames = 0;
    }
}

/// Lanes that a compiler turns into vectors; a hop's worth of f32 sums a lane loses nothing that
/// matters at 10⁻⁶.
const LANES: usize = 16;

impl Sums {
    fn add(&mut self, samples: &[f32]) {
        add(self, samples);
    }
}

in_vectors! {
    fn add(sums: &mut Sums, samples: &[f32]) {
        let (mut peak, mut square, mut sum) = ([0.0f32; LANES], [0.0f32; LANES], [0.0f32; LANES]);
        let (whole, rest) = samples.as_chunks::<LANES>();
        for chunk in whole {
            for lane in 0..LANES {
                let sample = chunk[lane];
                peak[lane] = peak[lane].max(sample.abs());
                square[lane] += sample * sample;
                sum[lane] += sample;
            }
        }
        for (lane, sample) in rest.iter().enumerate() {
            peak[lane] = peak[lane].max(sample.abs());
            square[lane] += sample * sample;
            sum[lane] += sample;
        }
        sums.peak = peak.iter().copied().fold(sums.peak, f32::max);
        sums.square += square.iter().map(|lane| f64::from(*lane)).sum::<f64>();
        sums.sum += sum.iter().map(|lane| f64::from(*lane)).sum::<f64>();
    }
}

in_vectors! {
    fn product(left: &[f32], right: &[f32]) -> f64 {
        let mut sums = [0.0f32; LANES];
        let ((lefts, left_rest), (rights, right_rest)) =
            (left.as_chunks::<LANES>(), right.as_chunks::<LANES>());
        for (left, right) in lefts.iter().zip(rights) {
            for lane in 0..LANES {
                sums[lane] += left[lane] * right[lane];
            }
        }
        for (lane, (left, right)) in left_rest.iter().zip(right_rest).enumerate() {
            sums[lane] += left * right;
        }
        sums.iter().map(|lane| f64::from(*lane)).sum()
    }
}
