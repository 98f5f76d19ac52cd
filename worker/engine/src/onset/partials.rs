//! The partials that a new note brings, and when they began to sound: under a note that is still
//! held the level hardly rises, but the new pitch's own bands do.

use super::attack::{Rise, carried_back, crossing};
use std::collections::VecDeque;

/// How much of the past is kept.
const KEPT_S: f64 = 2.0;
/// How far around the flux's peak the partials are followed.
const REACH_S: (f64, f64) = (0.150, 0.250);
/// A new partial is known by its level so long before the peak, and so long after it.
const OLD_S: (f64, f64) = (0.070, 0.035);
const NEW_S: (f64, f64) = (0.010, 0.090);
/// By how much it has grown in between, in amplitude: 9 dB.
const GROWTH: f32 = 2.8;
/// Partials weaker than the strongest new one by more than this do not count.
const FAINT: f32 = 0.03;
/// The rise of a sudden sound from 20 % to 80 % as a Hann window sees it, in window lengths:
/// where u − sin(2πu)/2π is 0.2 and 0.8.
const WINDOW_RISE: f64 = 0.328;

/// The band levels of the last frames.
pub(super) struct Past {
    hop_s: f64,
    window_s: f64,
    frames: VecDeque<Vec<f32>>,
    first_frame: usize,
}

impl Past {
    pub(super) fn new(hop_s: f64, window_s: f64) -> Self {
        Self { hop_s, window_s, frames: VecDeque::new(), first_frame: 0 }
    }

    pub(super) fn push(&mut self, levels: &[f32]) {
        let mut frame = Vec::new();
        if self.frames.len() as f64 * self.hop_s > KEPT_S {
            frame = self.frames.pop_front().unwrap_or_default();
            self.first_frame += 1;
        }
        frame.clear();
        frame.extend_from_slice(levels);
        self.frames.push_back(frame);
    }

    /// When the partials that are new about `peak_s` began; `None` where there are none.
    pub(super) fn time_new_partials(&self, peak_s: f64) -> Option<Rise> {
        let old = self.span(peak_s - OLD_S.0, peak_s - OLD_S.1);
        let new = self.span(peak_s + NEW_S.0, peak_s + NEW_S.1);
        let (from, to) = self.span(peak_s - REACH_S.0, peak_s + REACH_S.1);
        if old.0 >= old.1 || new.0 >= new.1 || to - from < 20 {
            return None;
        }
        let weights = self.new_bands(old, new)?;
        let level = |frame: &Vec<f32>| {
            weights.iter().map(|&(band, weight)| weight * frame[band]).sum::<f32>()
        };
        let curve: Vec<f32> = self.frames.range(from..to).map(level).collect();
        let peak = self.index(peak_s) - from;
        let mut rise = self.begins(&curve, peak)?;
        rise.at_s += (self.first_frame + from) as f64 * self.hop_s;
        Some(rise)
    }

    /// Bands that grew, each weighed so that weak partials count beside the strong.
    fn new_bands(&self, old: (usize, usize), new: (usize, usize)) -> Option<Vec<(usize, f32)>> {
        let mean = |(from, to): (usize, usize), band: usize| {
            let levels = self.frames.range(from..to).map(|frame| frame[band]);
            levels.sum::<f32>() / (to - from) as f32
        };
        let bands = self.frames[old.0].len();
        let grown: Vec<(f32, f32)> =
            (0..bands).map(|band| (mean(old, band), mean(new, band))).collect();
        let is_new = |(before, after): &(f32, f32)| *after > GROWTH * before;
        let strongest =
            grown.iter().filter(|pair| is_new(pair)).fold(0.0f32, |most, pair| most.max(pair.1));
        let new = |(band, pair): (usize, &(f32, f32))| {
            (is_new(pair) && pair.1 > FAINT * strongest).then(|| (band, pair.1.sqrt().recip()))
        };
        let weights: Vec<(usize, f32)> = grown.iter().enumerate().filter_map(new).collect();
        (!weights.is_empty()).then_some(weights)
    }

    /// Where the curve of the new partials begins to climb, in seconds from its first point.
    fn begins(&self, curve: &[f32], peak: usize) -> Option<Rise> {
        let reach = (0.045 / self.hop_s) as usize;
        let last = curve.len() - 1;
        let climb = |k: usize| curve[k + 1] - curve[k - 1];
        let steepest = (peak.saturating_sub(reach).max(1)..(peak + reach).min(last))
            .max_by(|&a, &b| climb(a).total_cmp(&climb(b)))?;
        let mut low = steepest;
        while low > 0 && curve[low - 1] < 0.98 * curve[low] {
            low -= 1;
        }
        let mut high = steepest;
        while high < last && curve[high + 1] > 1.03 * curve[high] {
            high += 1;
        }
        let (floor, top) = (curve[low], curve[high]);
        let crossing = |share: f32| {
            let wanted = floor + share * (top - floor);
            crossing(&curve[..=high], low, wanted).map(|frame| frame * self.hop_s)
        };
        let (fifth, half, most) = (crossing(0.2)?, crossing(0.5)?, crossing(0.8)?);
        let seen_s = most - fifth;
        let window_s = WINDOW_RISE * self.window_s;
        // The window adds to the rise as the square root of the sum of squares, nearly.
        let own_s = (seen_s * seen_s - window_s * window_s).max(0.0).sqrt();
        let bend = (most - half) / (half - fifth).max(1e-3);
        let at_s = half - own_s * 0.5 * (1.0 + carried_back(bend));
        let contrast = (top / floor.max(1e-9)) as f64;
        Some(Rise { at_s, sd_s: 0.004 + 0.2 * own_s + 0.01 / (contrast - 1.0).max(0.1) })
    }

    fn span(&self, from_s: f64, to_s: f64) -> (usize, usize) {
        (self.index(from_s), self.index(to_s))
    }

    fn index(&self, time_s: f64) -> usize {
        let frame = (time_s / self.hop_s).round() as i64 - self.first_frame as i64;
        frame.clamp(0, self.frames.len() as i64) as usize
    }
}
