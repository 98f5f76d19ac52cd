//! From spectral flux to attacks.

use super::Onset;
use super::attack::Envelope;
use super::ending::{Ending, ending};
use super::partials::Past;

/// A peak must be the highest within this time to either side.
const ALONE_S: f64 = 0.030;
/// It must stand above the mean of the flux from so long before to so long after.
const BEFORE_S: f64 = 0.100;
const AFTER_S: f64 = 0.070;
/// The envelope must reach this far past a peak before it is timed.
const LOOKAHEAD_S: f64 = 0.350;

pub(super) struct Picker {
    hop_s: f64,
    next: usize,
    peaks: Vec<Peak>,
}

/// The level times a stroke to the millisecond, but only where it rises with the new partials:
/// while one note gives way to another it beats, and tops out late. The less sure its edge, the
/// nearer to them it must lie.
const SAME_RISE_S: f64 = 0.018;

/// Both ways of timing an attack.
#[derive(Clone, Copy)]
pub(super) struct Levels<'a> {
    pub(super) envelope: &'a Envelope,
    pub(super) past: &'a Past,
}

impl Levels<'_> {
    /// When the attack whose flux peaks at `peak_s` begins, and how surely, both in seconds; `None`
    /// where something ends and nothing begins.
    fn time_attack(&self, peak_s: f64) -> Option<(f64, f64)> {
        let level = self.envelope.time_rise(peak_s);
        if let Some(ending) = ending(self.envelope, peak_s) {
            // What spreads over the bands is the end of the old: the new is told by its level.
            let level = level.filter(|_| ending == Ending::WithAnother);
            return level.map(|rise| (rise.at_s, rise.sd_s));
        }
        let partials = self.past.time_new_partials(peak_s);
        let best = match (level, partials) {
            (Some(level), Some(partials)) => {
                let agree = (level.at_s - partials.at_s).abs() < SAME_RISE_S - 4.0 * level.sd_s;
                Some(if agree && level.sd_s < partials.sd_s { level } else { partials })
            }
            (level, partials) => level.or(partials),
        };
        // Neither rises: only the flux tells.
        Some(best.map_or((peak_s, 0.015), |rise| (rise.at_s, rise.sd_s)))
    }
}

/// An attack and the frame of the flux it peaks at.
struct Peak {
    frame: usize,
    onset: Onset,
}

impl Picker {
    pub(super) fn new(hop_s: f64) -> Self {
        Self { hop_s, next: 1, peaks: Vec::new() }
    }

    /// Takes and times every peak for which enough is known of what follows.
    pub(super) fn advance(&mut self, novelty: &[f32], heard: Levels<'_>) {
        let after = (AFTER_S / self.hop_s) as usize;
        while self.next + after + 1 < novelty.len()
            && self.next as f64 * self.hop_s + LOOKAHEAD_S < heard.envelope.end_s()
        {
            self.consider(novelty, heard);
        }
    }

    pub(super) fn finish(
        mut self,
        novelty: &[f32],
        heard: Levels<'_>,
        duration_s: f64,
    ) -> Vec<Onset> {
        while self.next + 1 < novelty.len() {
            self.consider(novelty, heard);
        }
        let clear = clear_ones(self.peaks, novelty, self.hop_s);
        let mut onsets = strong_ones(loud_ones(clear, heard.envelope.levels_db(), self.hop_s));
        onsets.sort_by(|a, b| a.at_s.total_cmp(&b.at_s));
        onsets.retain(|onset| onset.at_s <= duration_s);
        merge_close(onsets)
    }

    fn consider(&mut self, novelty: &[f32], heard: Levels<'_>) {
        let at = self.next;
        self.next += 1;
        let value = novelty[at];
        let alone = (ALONE_S / self.hop_s) as usize;
        let around = &novelty[at.saturating_sub(alone)..(at + alone + 1).min(novelty.len())];
        if value <= 0.0 || around.iter().any(|&other| other > value) || novelty[at - 1] == value {
            return;
        }
        let from = at.saturating_sub((BEFORE_S / self.hop_s) as usize);
        let to = (at + 1 + (AFTER_S / self.hop_s) as usize).min(novelty.len());
        let mean = novelty[from..to].iter().sum::<f32>() / (to - from) as f32;
        let strength = value - mean;
        if strength < LEAST_STRENGTH.max(ROUGHNESS * mean) {
            return;
        }
        let peak_s = (at as f64 + vertex(novelty[at - 1], value, novelty.get(at + 1))) * self.hop_s;
        let Some((at_s, sd_s)) = heard.time_attack(peak_s) else { return };
        self.peaks.push(Peak { frame: at, onset: Onset { at_s, strength, sd_s } });
    }
}

/// Below this a peak is the spectrogram's own roughness.
const LEAST_STRENGTH: f32 = 0.4;
/// Nor is it an attack that stands out of a rough sound by less than this part of it.
const ROUGHNESS: f32 = 0.6;
/// An attack this much weaker than the take's strong ones is left out.
const WEAK: f32 = 0.2;
/// Nor is there any so far below the take's loud parts.
const FAINT_DB: f32 = 48.0;

/// An attack stands out of the flux around it by this many times what the flux wavers by: that of
/// plain noise peaks at two to four, that of an organ heard through noise at eight and more.
const CLEAR: f32 = 4.5;
/// The flux is known from so long before to so long after.
const AROUND_S: f64 = 1.0;
/// And is looked at anew at this spacing.
const LOOK_S: f64 = 0.25;

/// Peaks that stand out of the roughness of the sound about them. Roughness is taken from the
/// lower half of the flux's values, which attacks do not reach.
fn clear_ones(peaks: Vec<Peak>, novelty: &[f32], hop_s: f64) -> Vec<Onset> {
    let step = ((LOOK_S / hop_s) as usize).max(1);
    let reach = (AROUND_S / hop_s) as usize;
    let mut values = Vec::with_capacity(2 * reach + 1);
    let floors: Vec<(f32, f32)> = (0..novelty.len().div_ceil(step))
        .map(|look| {
            let middle = look * step;
            let to = (middle + reach + 1).min(novelty.len());
            values.clear();
            values.extend_from_slice(&novelty[middle.saturating_sub(reach)..to]);
            let at = |part: f64| ((values.len() - 1) as f64 * part) as usize;
            let (half, fifth) = (at(0.5), at(0.2));
            let (lower, median, _) = values.select_nth_unstable_by(half, f32::total_cmp);
            let median = *median;
            let fifth = match lower.is_empty() {
                true => median,
                false => *lower.select_nth_unstable_by(fifth, f32::total_cmp).1,
            };
            (median, (median - fifth) / GAUSSIAN_FIFTH)
        })
        .collect();
    let stands_out = |peak: &Peak| {
        let look = (peak.frame + step / 2) / step;
        let (level, wavering) = floors[look.min(floors.len() - 1)];
        novelty[peak.frame] - level > CLEAR * wavering
    };
    peaks.into_iter().filter(stands_out).map(|peak| peak.onset).collect()
}

/// Distance from the median to the lowest fifth of a normal distribution, in standard deviations.
const GAUSSIAN_FIFTH: f32 = 0.842;

/// Peaks where there is sound at all: the hiss before a take is not its first attack.
fn loud_ones(peaks: Vec<Onset>, levels_db: &[f32], hop_s: f64) -> Vec<Onset> {
    let mut sorted = levels_db.to_vec();
    sorted.sort_by(f32::total_cmp);
    let Some(loud) = sorted.get(sorted.len() * 19 / 20) else { return peaks };
    let least = loud - FAINT_DB;
    let is_loud = |peak: &Onset| {
        let from = ((peak.at_s / hop_s).max(0.0) as usize).min(levels_db.len());
        let to = (from + 20).min(levels_db.len());
        levels_db[from..to].iter().any(|&level| level > least)
    };
    peaks.into_iter().filter(is_loud).collect()
}

fn strong_ones(peaks: Vec<Onset>) -> Vec<Onset> {
    let mut strengths: Vec<f32> = peaks.iter().map(|peak| peak.strength).collect();
    if strengths.is_empty() {
        return peaks;
    }
    strengths.sort_by(f32::total_cmp);
    let strong = strengths[(strengths.len() - 1) * 4 / 5];
    peaks.into_iter().filter(|peak| peak.strength >= WEAK * strong).collect()
}

/// Attacks closer than this are one: a swell may bring its partials one by one.
fn apart_s(a: &Onset, b: &Onset) -> f64 {
    0.020 + (1.5 * (a.sd_s + b.sd_s)).min(0.030)
}

/// Two peaks timed on the same rise are one attack.
fn merge_close(onsets: Vec<Onset>) -> Vec<Onset> {
    let mut kept: Vec<Onset> = Vec::with_capacity(onsets.len());
    for onset in onsets {
        match kept.last_mut() {
            Some(last) if onset.at_s - last.at_s < apart_s(last, &onset) => {
                last.strength = last.strength.max(onset.strength);
                if onset.sd_s < last.sd_s {
                    last.at_s = onset.at_s;
                    last.sd_s = onset.sd_s;
                }
            }
            _ => kept.push(onset),
        }
    }
    kept
}

/// Where a parabola through a peak and its neighbours is highest, in steps from the peak.
fn vertex(before: f32, peak: f32, after: Option<&f32>) -> f64 {
    let after = after.copied().unwrap_or(before);
    let curve = before - 2.0 * peak + after;
    if curve < 0.0 { (0.5 * (before - after) / curve).clamp(-0.5, 0.5) as f64 } else { 0.0 }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_does_not_stand_out_of_the_hiss_is_no_attack() {
        let mut random = fastrand::Rng::with_seed(3);
        let mut novelty: Vec<f32> = (0..4_000).map(|_| 2.0 + random.f32() + random.f32()).collect();
        let attacks = [700, 1_500, 2_900];
        attacks.iter().for_each(|&frame| novelty[frame] = 9.0);
        let peaks = (0..4_000).step_by(20).map(|frame| {
            let onset = Onset { at_s: frame as f64 * 0.005, strength: 1.0, sd_s: 0.01 };
            Peak { frame, onset }
        });
        let clear = clear_ones(peaks.collect(), &novelty, 0.005);
        let frames: Vec<usize> = clear.iter().map(|o| (o.at_s / 0.005).round() as usize).collect();
        assert_eq!(frames, attacks);
    }
}
