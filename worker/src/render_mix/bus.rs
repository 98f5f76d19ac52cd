//! Beds, curves and the sum: from the plan to the unmastered mix.

use super::desk::Desk;
use super::groups::GroupFiles;
use super::grow::{Growing, Mix};
use super::kept_beds::Beds;
use super::measures::{self, Fingerprint, Kept};
use super::progress::{Stage, Way};
use super::shares::{KeptSum, Share, encode, fingerprints, shares};
use super::spool::{Spool, Spooled};
use super::stretch::{Measured, Place, Tail, stretches};
use super::{BedCount, OutputFile, RenderError, RenderKind, RenderRequest};
use crate::plan::Plan;
use rayon::prelude::*;
use ripieno_engine::bed::{BedError, Refreshed, Shelf, StepsBuffer};
use ripieno_engine::loudness::hops::PRE_ROLL_FRAMES;
use ripieno_engine::plane::Plane;
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;
use std::sync::mpsc::{Receiver, sync_channel};

/// Group signals in memory at a time: 4 MiB each.
const MOST_SIGNALS: usize = 24;

/// What came of the sum.
pub(super) struct Sum {
    /// The mix before the master.
    pub(super) mix: Arc<Spooled>,
    /// What was measured of it, part by part.
    pub(super) parts: Vec<(Place, Measured)>,
    /// How the beds were come by.
    pub(super) beds: BedCount,
    /// Group mixes, if they were asked for.
    pub(super) files: Vec<OutputFile>,
}

/// One stretch on its way to the files.
struct Ready {
    first_frame: u64,
    mix: Sound,
    /// The same before the tone of the mix, if it has one and group mixes are wanted.
    untoned: Option<[Vec<f32>; 2]>,
    /// One a group, the room last, where group mixes are wanted; an empty one is silent.
    groups: Vec<[Vec<f32>; 2]>,
}

impl Ready {
    /// A mix without group mixes.
    fn alone(first_frame: u64, mix: Sound) -> Self {
        Self { first_frame, mix, untoned: None, groups: Vec::new() }
    }
}

/// The mix of a stretch.
enum Sound {
    Made([Plane; 2]),
    /// These frames of what was kept of it.
    Kept(KeptSum, Range<usize>),
}

impl Sound {
    /// What comes after it reaches back into this.
    fn tail(&self) -> Result<Tail, BedError> {
        let mut tail = Tail::default();
        match self {
            Sound::Made(mix) => tail.push([&mix[0], &mix[1]]),
            Sound::Kept(kept, frames) => {
                let from = frames.start.max(frames.end.saturating_sub(PRE_ROLL_FRAMES));
                let buffer = &mut StepsBuffer::default();
                kept.append_samples(from..frames.end, &mut tail.0, buffer)?;
            }
        }
        Ok(tail)
    }
}

/// Sums all groups over the plan's range.
///
/// Stretches are worked on a few at a time, side by side; all sums are in integers, so the mix
/// does not depend on threads. A second thread stores while the next stretches are summed.
pub(super) fn sum(
    request: &RenderRequest<'_>,
    plan: &Plan,
    beds: &Beds,
    shelf: Shelf<'_>,
    refreshed: BTreeMap<(usize, i64), Refreshed>,
    way: &Way<'_>,
) -> Result<Sum, RenderError> {
    let spool = Spool::new(&request.out_dir);
    let mut bus = Bus::new(request, plan, beds, shelf, refreshed)?;
    let files = GroupFiles::create(request, plan, bus.desk.has_room())?;
    let heard = plan.heard_frames();
    std::thread::scope(|scope| {
        let (sender, receiver) = sync_channel::<Ready>(1);
        let keeper = scope.spawn(move || keep(spool, files, heard, &receiver));
        // A keeper that has stopped tells why below.
        let summed = bus.run(way, &mut |stretch| sender.send(stretch).is_ok());
        drop(sender);
        let (mix, files) = keeper
            .join()
            .unwrap_or_else(|_| Err(RenderError::Impossible("the sum could not be kept".into())))?;
        summed?;
        let files = files.map_or(Ok(Vec::new()), |files| files.show(way))?;
        Ok(Sum { mix: Arc::new(mix), parts: bus.parts, beds: bus.count, files })
    })
}

fn keep(
    mut spool: Spool,
    mut files: Option<GroupFiles>,
    heard: Range<u64>,
    stretches: &Receiver<Ready>,
) -> Result<(Spooled, Option<GroupFiles>), RenderError> {
    for Ready { first_frame, mix, untoned, groups } in stretches {
        let mix = match mix {
            Sound::Made(mix) => mix,
            Sound::Kept(kept, frames) => {
                spool.take_kept(kept, frames);
                continue;
            }
        };
        if let Some(files) = &mut files {
            let toned = mix.each_ref().map(|plane| &**plane);
            let untoned = untoned.as_ref().map(|mix| mix.each_ref().map(Vec::as_slice));
            let mix = untoned.unwrap_or(toned);
            let within =
                |frame: u64| frame.saturating_sub(first_frame).min(mix[0].len() as u64) as usize;
            files.push(mix, &groups, within(heard.start)..within(heard.end))?;
        }
        spool.take(mix)?;
    }
    Ok((spool.finish()?, files))
}

/// What is at work while stretches are summed.
pub(super) struct Bus<'a> {
    pub(super) request: &'a RenderRequest<'a>,
    pub(super) plan: &'a Plan,
    pub(super) beds: &'a Beds,
    pub(super) shelf: Shelf<'a>,
    pub(super) desk: Desk,
    /// Whether group mixes are wanted.
    pub(super) wants_groups: bool,
    /// Whether stretches may be read from what is kept, and kept.
    pub(super) keeps: bool,
    first: i64,
    shares: Vec<Vec<Share>>,
    fingerprints: Vec<Fingerprint>,
    tail: Tail,
    parts: Vec<(Place, Measured)>,
    refreshed: BTreeMap<(usize, i64), Refreshed>,
    count: BedCount,
}

impl<'a> Bus<'a> {
    fn new(
        request: &'a RenderRequest<'a>,
        plan: &'a Plan,
        beds: &'a Beds,
        shelf: Shelf<'a>,
        refreshed: BTreeMap<(usize, i64), Refreshed>,
    ) -> Result<Self, RenderError> {
        let desk = Desk::new(request, plan)?;
        let louder = plan.groups.iter().any(|group| group.spotlight.is_some());
        let wants_groups = request.kind == RenderKind::Final && request.outputs.group_mixes;
        let keeps = request.beds_dir.is_some() && desk.is_flat() && !wants_groups && !louder;
        let shares = shares(plan);
        Ok(Self {
            request,
            plan,
            beds,
            shelf,
            wants_groups,
            keeps,
            desk,
            first: stretches(plan).start,
            fingerprints: fingerprints(plan, &shares),
            shares,
            tail: Tail::default(),
            parts: Vec::new(),
            refreshed,
            count: BedCount::default(),
        })
    }

    pub(super) fn shares(&self, stretch: i64) -> &[Share] {
        &self.shares[(stretch - self.first) as usize]
    }

    pub(super) fn fingerprint(&self, stretch: i64) -> &Fingerprint {
        &self.fingerprints[(stretch - self.first) as usize]
    }

    fn run(
        &mut self,
        way: &Way<'_>,
        give: &mut dyn FnMut(Ready) -> bool,
    ) -> Result<(), RenderError> {
        let end = self.first + self.fingerprints.len() as i64;
        let at_once = 2 * rayon::current_num_threads().max(1);
        let signals = match self.wants_groups || !self.desk.is_flat() {
            true => self.plan.groups.len().max(1),
            false => 1,
        };
        let window = (MOST_SIGNALS / signals).clamp(1, at_once) as i64;
        let mut at = self.first;
        while at < end {
            let upto = end.min(at + window);
            let grown = (at..upto)
                .into_par_iter()
                .map(|stretch| self.grow(stretch))
                .collect::<Result<Vec<_>, _>>()?;
            for ready in self.finish(grown)? {
                if !give(ready) {
                    return Ok(());
                }
            }
            at = upto;
            way.at(Stage::Sum, (at - self.first) as f64 / (end - self.first) as f64);
        }
        Ok(())
    }

    /// Tone, in order; then measures, side by side.
    fn finish(&mut self, grown: Vec<Growing>) -> Result<Vec<Ready>, RenderError> {
        let rate_hz = self.request.piece.sample_rate_hz;
        let mut ready = Vec::with_capacity(grown.len());
        let mut known = Vec::with_capacity(grown.len());
        for mut growing in grown {
            let (stretch, place) = (growing.stretch, growing.place);
            let foretold = growing.foretold.take();
            for (number, how) in growing.refreshed.iter().enumerate() {
                let measured = self.refreshed.get(&(number, stretch));
                tally(&mut self.count, *measured.unwrap_or(how));
            }
            let (done, measured) = self.tone(growing);
            let Tail(own) = done.mix.tail()?;
            let before = self.tail.clone();
            self.tail.push([&own[0], &own[1]]);
            known.push((stretch, place, before, measured, foretold));
            ready.push(done);
        }
        let parts: Vec<(Place, Measured)> = known
            .into_par_iter()
            .zip(&ready)
            .map(|((stretch, place, tail, measured, foretold), ready)| {
                let measured = match (measured, &ready.mix) {
                    (None, Sound::Made(mix)) => {
                        let mix = [&mix[0][..], &mix[1][..]];
                        let measured = place.measure(rate_hz, tail.planes(), mix, foretold);
                        self.keep(stretch, &measured);
                        measured
                    }
                    // What was kept comes with its measures.
                    (measured, _) => measured.unwrap_or_default(),
                };
                (place, measured)
            })
            .collect();
        self.parts.extend(parts);
        Ok(ready)
    }

    fn keep(&self, stretch: i64, measured: &Measured) {
        if !self.keeps || !self.request.groups.is_empty() {
            return;
        }
        let (place, within) = Place::of(stretch, &self.plan.range);
        let kept = Kept {
            fingerprint: *self.fingerprint(stretch),
            within,
            last: place.last,
            shares: encode(self.shares(stretch)),
            measured: measured.clone(),
        };
        if let Err(error) = measures::save(&kept, &self.beds.measures_path(stretch)) {
            tracing::debug!(%error, stretch, "the measures of a stretch are not kept");
        }
    }

    fn tone(&mut self, growing: Growing) -> (Ready, Option<Measured>) {
        let Growing { stretch, place, mix, signals, measured, .. } = growing;
        let first_frame = place.first_frame;
        let mut mix = match mix {
            Mix::Sum(sum) => sum,
            Mix::Samples(mix) => {
                return (Ready::alone(first_frame, Sound::Made(mix)), measured);
            }
            Mix::Kept(kept) => {
                let (_, within) = Place::of(stretch, &self.plan.range);
                return (Ready::alone(first_frame, Sound::Kept(kept, within)), measured);
            }
        };
        let mut sent: [Vec<f32>; 2] = Default::default();
        let mut groups = Vec::new();
        for (number, signal) in signals.into_iter().enumerate() {
            let Some(mut signal) = signal else { continue };
            if self.desk.group(number, place.frames, &mut signal, &mut sent) {
                mix.add_signal(&signal);
            }
            if self.wants_groups {
                groups.push(signal);
            }
        }
        if self.desk.has_room() {
            let room = self.desk.room(place.frames, &mut sent);
            mix.add_signal(&room);
            if self.wants_groups {
                groups.push(room);
            }
        }
        let mut mix = mix.samples();
        let untoned = (self.wants_groups && self.desk.has_mix_tone()).then(|| mix.clone());
        self.desk.mix(&mut mix);
        let mix = Sound::Made(mix.map(Plane::from));
        (Ready { first_frame, mix, untoned, groups }, None)
    }
}

fn tally(count: &mut BedCount, refreshed: Refreshed) {
    count.stems_added += refreshed.added;
    count.stems_removed += refreshed.removed;
    match refreshed {
        refreshed if refreshed.was_fresh() => count.fresh += 1,
        Refreshed { anew: true, .. } => count.anew += 1,
        _ => count.updated += 1,
    }
}
