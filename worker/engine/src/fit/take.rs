//! A take and a piece side by side: what every way of fitting looks at.

use super::activity::{self, Run};
use super::beats::BeatClock;
use super::harmony::Harmony;
use super::notes::Notes;
use super::pattern::Tables;
use super::search::{Anchor, Mode};
use super::track::Track;
use super::{Grid, Prior, belief};
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
    /// nothing: mean and standard deviation.
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
        let scores: Vec<f64> = ratios
            .iter()
            .map(|&ratio| {
                let harmony = self.harmony.score(&|t| anchor.file_at(t, ratio));
                harmony + belief::log_ratio(ratio, self.prior) + belief::log_skew(ratio, mark)
            })
            .collect();
        moments(&ratios, &scores)
    }
}

fn piece_at(anchor: Anchor, mode: &Mode, track: &Track) -> impl Fn(f64) -> f64 {
    move |file_s| anchor.piece_at(file_s - mode.lag_s - track.at(file_s), mode.ratio)
}

fn file_at(anchor: Anchor, mode: &Mode, track: &Track) -> impl Fn(f64) -> f64 {
    move |piece_s| {
        let file_s = anchor.file_at(piece_s, mode.ratio) + mode.lag_s;
        file_s + track.at(file_s)
    }
}

/// Mean and standard deviation of a log density given at ascending points.
fn moments(points: &[f64], scores: &[f64]) -> (f64, f64) {
    let most = scores.iter().copied().fold(f64::MIN, f64::max);
    let (mut total, mut sum, mut squares) = (0.0, 0.0, 0.0);
    for (pair, score) in points.windows(2).zip(scores.windows(2)) {
        let mass = (pair[1] - pair[0]) * ((score[0] - most).exp() + (score[1] - most).exp());
        let middle = 0.5 * (pair[0] + pair[1]);
        total += mass;
        sum += mass * middle;
        squares += mass * middle * middle;
    }
    let mean = sum / total;
    (mean, (squares / total - mean * mean).max(1e-14).sqrt())
}
