//! How far a render is, stage by stage, each as long as it lasts.

use super::{RenderKind, RenderRequest};
use crate::plan::{Plan, PlannedStem};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Mutex, PoisonError};

/// How far a render is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Progress {
    /// Share of the whole work, 0 to 1; it never goes back.
    pub share: f32,
    /// What is being done.
    pub stage: Stage,
}

/// The stages of a render, in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// Beds are made or brought up to date, and measured.
    Levels,
    /// Groups are summed; group mixes are written on the way.
    Sum,
    /// Group mixes are finished.
    Groups,
    /// Gain and limiter.
    Master,
    /// The mix is written in its forms.
    Mix,
    /// Stems are written.
    Stems,
    /// Report, lists and checksums are written too.
    Papers,
}

/// The stages that are counted.
const STAGES: [Stage; 6] =
    [Stage::Levels, Stage::Sum, Stage::Groups, Stage::Master, Stage::Mix, Stage::Stems];

impl Stage {
    /// What is being done, in words.
    #[must_use]
    pub fn doing(self) -> &'static str {
        match self {
            Stage::Levels => "Adding up the takes",
            Stage::Sum => "Adding up the groups",
            Stage::Groups => "Writing the group mixes",
            Stage::Master => "Bringing the mix to its loudness",
            Stage::Mix => "Writing the mix",
            Stage::Stems => "Writing the aligned stems",
            Stage::Papers => "Writing the papers",
        }
    }
}

/// What stages cost, in nanoseconds a sample or frame, of finals with the beds of the preview
/// before them, on two cores and a disk of their own. Only how they compare counts.
mod cost_ns {
    /// A sample of a stem, looked for in kept beds or read into new ones.
    pub(super) const STEM_READ: f64 = 1.0;
    /// A frame of the mix.
    pub(super) const SUM: f64 = 40.0;
    /// A frame of a group mix, as it is summed and written.
    pub(super) const GROUP_SUM: f64 = 30.0;
    /// The same once more: to disk, and hashed.
    pub(super) const GROUP_SHOW: f64 = 15.0;
    /// A frame under the limiter.
    pub(super) const MASTER: f64 = 60.0;
    /// A frame of WAV, FLAC and preview together, and of the preview alone.
    pub(super) const MIX: f64 = 800.0;
    pub(super) const PREVIEW: f64 = 450.0;
    /// A sample of an aligned stem, read, written, hashed.
    pub(super) const STEM_WRITE: f64 = 32.0;
}

/// Tells how far a render is.
pub(super) struct Way<'a> {
    tell: &'a (dyn Fn(Progress) + Sync),
    /// Where each stage ends, as a share of the whole.
    ends: [f64; STAGES.len()],
    /// The share told last.
    told: &'a Mutex<f32>,
}

impl<'a> Way<'a> {
    pub(super) fn of(
        request: &RenderRequest<'_>,
        plan: &Plan,
        tell: &'a (dyn Fn(Progress) + Sync),
        told: &'a Mutex<f32>,
    ) -> Self {
        let costs = STAGES.map(|stage| cost(stage, request, plan));
        let whole: f64 = costs.iter().sum::<f64>().max(f64::MIN_POSITIVE);
        let mut so_far = 0.0;
        let ends = costs.map(|cost| {
            so_far += cost;
            so_far / whole
        });
        Self { tell, ends, told }
    }

    /// `done` of a stage, 0 to 1; from any thread, in any order.
    pub(super) fn at(&self, stage: Stage, done: f64) {
        let number = (stage as usize).min(STAGES.len() - 1);
        let from = number.checked_sub(1).map_or(0.0, |before| self.ends[before]);
        // The whole is done when the papers are written too.
        let share = (from + (self.ends[number] - from) * done.clamp(0.0, 1.0)).min(0.999) as f32;
        self.tell(share, stage);
    }

    pub(super) fn over(&self) {
        self.tell(1.0, Stage::Papers);
    }

    fn tell(&self, share: f32, stage: Stage) {
        // Held while it is told: else two threads could tell it in the wrong order.
        let mut told = self.told.lock().unwrap_or_else(PoisonError::into_inner);
        if share > *told {
            *told = share;
            (self.tell)(Progress { share, stage });
        }
    }
}

fn cost(stage: Stage, request: &RenderRequest<'_>, plan: &Plan) -> f64 {
    let is_final = request.kind == RenderKind::Final;
    let frames = (plan.range.end - plan.range.start).max(0) as f64;
    let heard = (plan.heard.end - plan.heard.start).max(0) as f64;
    let group_frames = match is_final && request.outputs.group_mixes {
        true => heard * (plan.groups.len() + 1) as f64,
        false => 0.0,
    };
    let samples = || {
        let stems = plan.groups.iter().flat_map(|group| &group.stems);
        let of = |stem: &PlannedStem| {
            let summary = stem.file.summary();
            (summary.end_sample() - summary.first_sample) as f64 * f64::from(summary.channels)
        };
        stems.map(of).sum::<f64>()
    };
    match stage {
        Stage::Levels => cost_ns::STEM_READ * samples(),
        Stage::Sum => cost_ns::SUM * frames + cost_ns::GROUP_SUM * group_frames,
        Stage::Groups => cost_ns::GROUP_SHOW * group_frames,
        Stage::Master => cost_ns::MASTER * frames,
        Stage::Mix if is_final => cost_ns::MIX * heard,
        Stage::Mix => cost_ns::PREVIEW * heard,
        Stage::Stems if is_final && request.outputs.aligned_stems => {
            cost_ns::STEM_WRITE * samples()
        }
        Stage::Stems | Stage::Papers => 0.0,
    }
}

/// Work done of some whole, counted from several threads.
pub(super) struct Count<'w, 'a> {
    way: &'w Way<'a>,
    stage: Stage,
    done: AtomicU64,
    whole: u64,
}

impl<'w, 'a> Count<'w, 'a> {
    pub(super) fn new(way: &'w Way<'a>, stage: Stage, whole: u64) -> Self {
        Self { way, stage, done: AtomicU64::new(0), whole: whole.max(1) }
    }

    pub(super) fn add(&self, work: u64) {
        let done = work + self.done.fetch_add(work, Ordering::Relaxed);
        self.way.at(self.stage, done as f64 / self.whole as f64);
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn what_is_told_never_goes_back_in_whatever_order_it_comes() {
        let told = Mutex::new(Vec::new());
        let tell = |progress: Progress| told.lock().unwrap().push(progress);
        let last = Mutex::new(-1.0);
        let way = Way { tell: &tell, ends: [0.1, 0.2, 0.3, 0.4, 0.5, 1.0], told: &last };
        let count = Count::new(&way, Stage::Stems, 40);
        way.at(Stage::Levels, 0.0);
        way.at(Stage::Sum, 0.5);
        way.at(Stage::Levels, 1.0);
        std::thread::scope(|scope| {
            for _ in 0..4 {
                scope.spawn(|| (0..10).for_each(|_| count.add(1)));
            }
        });
        way.over();
        let told = told.into_inner().unwrap();
        assert!(told.windows(2).all(|two| two[0].share < two[1].share), "{told:?}");
        assert_eq!((told[0].share, told[1].share), (0.0, 0.15));
        assert_eq!(told.last().unwrap().share, 1.0);
    }
}
