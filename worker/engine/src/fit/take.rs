//! A take and a piece side by side: what every way of fitting looks at.

use super::activity::{self, Run};
use super::beats::BeatClock;
use super::belief::{self, Ratios};
use super::harmony::Harmony;
use super::notes::Notes;
use super::pattern::Tables;
use super::search::{Anchor, Mode};
use super::track::Track;
use super::{Grid, Prior};
use crate::locate::Arrival;
use crate::onset::Playing;

pub(super) struct Take<'a> {
    pub(super) grid: &'a Grid,
    pub(super) beats: &'a BeatClock,
    pub(super) tables: &'a Tables,
    pub(super) playing: &'a Playing,
    pub(super) prior: &'a Prior,
    pub(super) harmony: Harmony,
    pub(super) notes: Notes,
}

/// Harmony and activity are models of taste; they are believed only so far.
const TEMPER: f64 = 0.6;

impl Take<'_> {
    pub(super) fn most_ratio(&self) -> f64 {
        self.prior.most_ratio_ppm * 1e-6
    }

    /// Hears the take so many semitones lower.
    pub(super) fn rotate(&mut self, semitones: usize) {
        self.harmony = Harmony::new(self.grid, self.beats, self.playing, semitones);
        self.notes = Notes::new(self.grid, self.playing, semitones);
    }

    /// Log likelihood of harmony and activity for one way to lay the take.
    pub(super) fn elsewhere(
        &self,
        anchor: Anchor,
        mode: &Mode,
        track: &Track,
        runs: &[Run],
    ) -> f64 {
        let piece_at = piece_at(anchor, mode, track);
        let chords = if self.harmony.is_written() {
            self.harmony.score(&file_at(anchor, mode, track))
        } else {
            0.0
        };
        let notes = self.notes.harmony(self.beats, &piece_at);
        let (sections, end_s) = (&self.grid.sections, self.beats.end_s());
        let beside = self.notes.beside_the_beat(self.beats, &piece_at);
        let accents = self.notes.accents(self.beats, beside, &piece_at);
        let beat_s = self.beats.beat_s();
        let activity = activity::score(runs, sections, end_s, beat_s, beside, &piece_at);
        TEMPER * (chords.max(notes) + accents + activity)
    }

    /// Lets the harmony learn from one way to lay the take how far to trust itself.
    pub(super) fn weigh_witnesses(&mut self, anchor: Anchor, mode: &Mode, track: &Track) {
        self.harmony.weigh_witnesses(&file_at(anchor, mode, track));
        let piece_at = piece_at(anchor, mode, track);
        self.notes.weigh_witnesses(self.beats, &piece_at);
    }

    /// Ratio by belief, the mark's skew and the changes of harmony, for a take whose strokes say
    /// nothing: the likeliest, and how far from it the others lie.
    pub(super) fn ratio_by_harmony(&self, anchor: Anchor, mark: Option<&Arrival>) -> (f64, f64) {
        let most = self.most_ratio();
        let count = 480;
        let ratios: Vec<f64> =
            (0..=count).map(|k| most * (2.0 * k as f64 / count as f64 - 1.0)).collect();
        let ratios: Vec<f64> = match belief::skew(mark) {
            // A narrow belief needs its own, finer grid.
            Some((value, sd)) => {
                let near = (-12..=12).map(|k| value + k as f64 * sd / 3.0);
                ratios.into_iter().chain(near).collect()
            }
            None => ratios,
        };
        let fine = (-12..=12).map(|k| k as f64 * self.prior.clock_sd_ppm * 1e-6 / 3.0);
        let mut ratios: Vec<f64> = ratios.into_iter().chain(fine).collect();
        ratios.sort_by(f64::total_cmp);
        let believed = Ratios::new(self.prior, mark);
        let scores: Vec<f64> = ratios
            .iter()
            .map(|&ratio| {
                let harmony = self.harmony.score(&|t| anchor.file_at(t, ratio));
                harmony + believed.log_density(ratio)
            })
            .collect();
        likeliest(&ratios, &scores)
    }
}

/// Where in the piece a file time lies, the drift and the jumps of a track taken off.
pub(super) fn piece_at(anchor: Anchor, mode: &Mode, track: &Track) -> impl Fn(f64) -> f64 {
    move |file_s| anchor.piece_at(file_s - mode.lag_s - track.at(file_s), mode.ratio)
}

/// Where in the file an instant of the piece lies, the track's drift and jumps put in.
pub(super) fn file_at(anchor: Anchor, mode: &Mode, track: &Track) -> impl Fn(f64) -> f64 {
    move |piece_s| {
        let file_s = anchor.file_at(piece_s, mode.ratio) + mode.lag_s;
        file_s + track.at(file_s)
    }
}

/// The middle of the highest hill of a log density given at ascending points, and the root mean
/// square distance of everything from there: a mean of several hills would lie on none of them.
fn likeliest(points: &[f64], scores: &[f64]) -> (f64, f64) {
    let Some(top) = (0..points.len()).max_by(|&a, &b| scores[a].total_cmp(&scores[b])) else {
        return (0.0, 0.0);
    };
    let density = |k: usize| (scores[k] - scores[top]).exp();
    let on_hill = |k: &usize| scores[*k] > scores[top] - HILL;
    let left = (0..top).rev().take_while(on_hill).last().unwrap_or(top);
    let right = (top..points.len()).take_while(on_hill).last().unwrap_or(top);
    let integral = |from: usize, to: usize, value: &dyn Fn(f64) -> f64| -> f64 {
        let between = |k: usize| {
            let (a, b) = (points[k], points[k + 1]);
            0.5 * (b - a) * (density(k) * value(a) + density(k + 1) * value(b))
        };
        (from..to).map(between).sum()
    };
    let mass = integral(left, right, &|_| 1.0);
    let middle =
        if mass > 0.0 { integral(left, right, &|point| point) / mass } else { points[top] };
    let last = points.len() - 1;
    let (squares, total) =
        (integral(0, last, &|point| (point - middle).powi(2)), integral(0, last, &|_| 1.0));
    (middle, (squares / total.max(f64::MIN_POSITIVE)).max(1e-14).sqrt())
}

/// A hill reaches down to so much less than its top: three standard deviations.
const HILL: f64 = 4.5;

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_likeliest_is_on_the_higher_hill_and_the_lower_counts_as_doubt() {
        let points: Vec<f64> = (-400..=400).map(|k| f64::from(k) * 0.05).collect();
        let hill = |x: f64, at: f64, share: f64| share * (-0.5 * (x - at).powi(2)).exp();
        let scores = |second: f64| -> Vec<f64> {
            points.iter().map(|&x| (hill(x, 1.0, 1.0) + hill(x, 11.0, second)).ln()).collect()
        };
        let (middle, sd) = likeliest(&points, &scores(0.0));
        assert!((middle - 1.0).abs() < 0.01 && (sd - 1.0).abs() < 0.01, "{middle} {sd}");
        let (middle, sd) = likeliest(&points, &scores(0.25));
        // A fifth of all lies ten off: 0.8 · 1 + 0.2 · (1 + 100) = 21.
        assert!((middle - 1.0).abs() < 0.01 && (sd - 21f64.sqrt()).abs() < 0.02, "{middle} {sd}");
    }
}
