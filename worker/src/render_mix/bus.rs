//! Beds, curves and the sum: from the plan to the unmastered mix.

use super::desk::Desk;
use super::groups::GroupFiles;
use super::kept_beds::{bed_path, sum_path};
use super::spool::{Spool, Spooled};
use super::stretch::{
    Fingerprint, Measured, Place, STRETCH_FRAMES, Stretch, Tail, fingerprints, is_shut,
};
use super::{BedCount, OutputFile, RenderError, RenderRequest};
use crate::plan::{Plan, PlannedGroup};
use rayon::prelude::*;
use ripieno_engine::bed::{Bed, GroupBed, Refreshed, STRETCH_BLOCKS, refresh};
use ripieno_engine::mix::MixSum;
use ripieno_engine::stem::StemFile;
use std::ops::Range;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, sync_channel};

/// Group signals in memory at a time: 4 MiB each.
const MOST_SIGNALS: usize = 24;

/// What came of the sum.
pub(super) struct Sum {
    /// The mix before the master.
    pub(super) mix: Spooled,
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
    mix: [Vec<f32>; 2],
    /// The same before the tone of the mix, if it has one and group mixes are wanted.
    untoned: Option<[Vec<f32>; 2]>,
    /// One a group, the room last, where group mixes are wanted; an empty one is silent.
    groups: Vec<[Vec<f32>; 2]>,
}

/// Sums all groups over the plan's range.
///
/// Stretches are worked on a few at a time, side by side; all sums are in integers, so the mix
/// does not depend on threads. A second thread stores while the next stretches are summed.
pub(super) fn sum(
    request: &RenderRequest<'_>,
    plan: &Plan,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Sum, RenderError> {
    let former = open_former(&request.former_stems);
    let spool = Spool::new(&request.out_dir)?;
    let desk = Desk::new(request, plan)?;
    let files = GroupFiles::create(request, plan, desk.has_room())?;
    let heard = plan.heard_frames();
    let mut bus = Bus::new(request, plan, former.iter().collect(), desk, files.is_some());
    std::thread::scope(|scope| {
        let (sender, receiver) = sync_channel::<Ready>(1);
        let keeper = scope.spawn(move || keep(spool, files, heard, &receiver));
        // A keeper that has stopped tells why below.
        let summed = bus.run(progress, &mut |stretch| sender.send(stretch).is_ok());
        drop(sender);
        let (mix, files) = keeper
            .join()
            .unwrap_or_else(|_| Err(RenderError::Impossible("the sum could not be kept".into())))?;
        summed?;
        let files = files.map_or(Ok(Vec::new()), GroupFiles::show)?;
        Ok(Sum { mix, parts: bus.parts, beds: bus.count, files })
    })
}

fn keep(
    mut spool: Spool,
    mut files: Option<GroupFiles>,
    heard: Range<u64>,
    stretches: &Receiver<Ready>,
) -> Result<(Spooled, Option<GroupFiles>), RenderError> {
    for Ready { first_frame, mix, untoned, groups } in stretches {
        spool.push(&[&mix[0], &mix[1]])?;
        if let Some(files) = &mut files {
            let mix = untoned.unwrap_or(mix);
            let within =
                |frame: u64| frame.saturating_sub(first_frame).min(mix[0].len() as u64) as usize;
            files.push(&mix, &groups, within(heard.start)..within(heard.end))?;
        }
    }
    Ok((spool.finish()?, files))
}

/// What is at work while stretches are summed.
struct Bus<'a> {
    request: &'a RenderRequest<'a>,
    plan: &'a Plan,
    former: Vec<&'a StemFile>,
    desk: Desk,
    /// Whether group mixes are wanted.
    wants_groups: bool,
    /// Whether stretches may be read from what is kept, and kept.
    keeps: bool,
    first: i64,
    fingerprints: Vec<Fingerprint>,
    tail: Tail,
    parts: Vec<(Place, Measured)>,
    count: BedCount,
}

/// One stretch as it grows.
struct Growing {
    stretch: i64,
    place: Place,
    mix: MixSum,
    /// Groups that have a tone, or all where group mixes are wanted; an empty one is silent.
    signals: Vec<Option<[Vec<f32>; 2]>>,
    refreshed: Vec<Refreshed>,
    kept: Option<Stretch>,
}

impl<'a> Bus<'a> {
    fn new(
        request: &'a RenderRequest<'a>,
        plan: &'a Plan,
        former: Vec<&'a StemFile>,
        desk: Desk,
        wants_groups: bool,
    ) -> Self {
        let first = plan.range.start.div_euclid(STRETCH_FRAMES);
        let end = (plan.range.end + STRETCH_FRAMES - 1).div_euclid(STRETCH_FRAMES);
        let louder = plan.groups.iter().any(|group| group.spotlight.is_some());
        let keeps = request.beds_dir.is_some() && desk.is_flat() && !wants_groups && !louder;
        Self {
            request,
            plan,
            former,
            wants_groups,
            keeps,
            desk,
            first,
            fingerprints: fingerprints(plan, first..end),
            tail: Tail::default(),
            parts: Vec::new(),
            count: BedCount::default(),
        }
    }

    fn run(
        &mut self,
        progress: &(dyn Fn(f32) + Sync),
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
            for ready in self.finish(grown) {
                if !give(ready) {
                    return Ok(());
                }
            }
            at = upto;
            progress((at - self.first) as f32 / (end - self.first) as f32);
        }
        Ok(())
    }

    fn fingerprint(&self, stretch: i64) -> &Fingerprint {
        &self.fingerprints[(stretch - self.first) as usize]
    }

    /// What can be done to a stretch without knowing the one before.
    fn grow(&self, stretch: i64) -> Result<Growing, RenderError> {
        let (place, within) = Place::of(stretch, &self.plan.range);
        let kept = self.keeps.then_some(self.request.beds_dir.as_ref()).flatten().and_then(|dir| {
            Stretch::load(&sum_path(dir, stretch), self.fingerprint(stretch))
                .filter(|kept| kept.planes[0].len() == place.frames)
        });
        let frames = if kept.is_some() { 0 } else { place.frames };
        let mut growing = Growing {
            stretch,
            place,
            mix: MixSum::silent(frames),
            signals: Vec::new(),
            refreshed: Vec::new(),
            kept,
        };
        for (number, group) in self.plan.groups.iter().enumerate() {
            let shut = is_shut(group, stretch, &within);
            let apart = self.wants_groups || self.desk.has_tone(number);
            if shut || growing.kept.is_some() {
                growing.refreshed.push(Refreshed::default());
                growing.signals.push(apart.then(Default::default));
                continue;
            }
            let (bed, refreshed) = self.bed(stretch, group)?;
            growing.refreshed.push(refreshed);
            if !apart {
                growing.mix.add_bed(&bed, within.clone(), &group.curve, group.gain);
                growing.signals.push(None);
                continue;
            }
            let mut alone = MixSum::silent(place.frames);
            alone.add_bed(&bed, within.clone(), &group.curve, group.gain);
            if !self.desk.has_tone(number) {
                growing.mix.add(&alone);
            }
            growing.signals.push(Some(alone.samples()));
        }
        Ok(growing)
    }

    /// One group's bed of one stretch, brought up to date.
    fn bed(
        &self,
        stretch: i64,
        group: &PlannedGroup,
    ) -> Result<(GroupBed, Refreshed), RenderError> {
        let first_block = stretch * STRETCH_BLOCKS as i64;
        let stems: Vec<_> = group.stems.iter().map(|stem| stem.contribution()).collect();
        let (bed, refreshed) = match &self.request.beds_dir {
            Some(dir) => {
                let path = bed_path(dir, &group.name, stretch)?;
                refresh(&path, first_block, STRETCH_BLOCKS, &stems, &self.former)?
            }
            None => {
                let mut bed = Bed::silent(first_block, STRETCH_BLOCKS);
                bed.add(&stems)?;
                let added = stems.len();
                (GroupBed::Made(bed), Refreshed { added, removed: 0, anew: true })
            }
        };
        let Some(louder) = &group.spotlight else { return Ok((bed, refreshed)) };
        let mut bed = bed.into_bed();
        bed.add(&[louder.contribution()])?;
        Ok((GroupBed::Made(bed), refreshed))
    }

    /// Tone, in order; then measures, side by side.
    fn finish(&mut self, grown: Vec<Growing>) -> Vec<Ready> {
        let rate_hz = self.request.piece.sample_rate_hz;
        let mut ready = Vec::with_capacity(grown.len());
        let mut known = Vec::with_capacity(grown.len());
        for growing in grown {
            growing.refreshed.iter().for_each(|refreshed| tally(&mut self.count, *refreshed));
            let (stretch, place) = (growing.stretch, growing.place);
            let (done, measured) = self.tone(growing);
            known.push((stretch, place, std::mem::take(&mut self.tail), measured));
            let Tail(before) = &known[known.len() - 1].2;
            self.tail.push([&before[0], &before[1]]);
            self.tail.push([&done.mix[0], &done.mix[1]]);
            ready.push(done);
        }
        let parts: Vec<(Place, Measured)> = known
            .into_par_iter()
            .zip(&ready)
            .map(|((stretch, place, tail, measured), ready)| {
                let measured = measured.unwrap_or_else(|| {
                    let mix = [&ready.mix[0][..], &ready.mix[1][..]];
                    let measured = place.measure(rate_hz, tail.planes(), mix);
                    self.keep(stretch, ready, measured)
                });
                (place, measured)
            })
            .collect();
        self.parts.extend(parts);
        ready
    }

    fn keep(&self, stretch: i64, ready: &Ready, measured: Measured) -> Measured {
        let whole_crowd = self.request.groups.is_empty();
        let Some(dir) = self.request.beds_dir.as_ref().filter(|_| self.keeps && whole_crowd) else {
            return measured;
        };
        let made = Stretch { planes: ready.mix.clone(), measured };
        if let Err(error) = made.save(&sum_path(dir, stretch), self.fingerprint(stretch)) {
            tracing::debug!(%error, stretch, "the sum of a stretch is not kept");
        }
        made.measured
    }

    fn tone(&mut self, growing: Growing) -> (Ready, Option<Measured>) {
        let Growing { place, mut mix, signals, kept, .. } = growing;
        let first_frame = place.first_frame;
        if let Some(Stretch { planes, measured }) = kept {
            let ready = Ready { first_frame, mix: planes, untoned: None, groups: Vec::new() };
            return (ready, Some(measured));
        }
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

/// Stems that may have to be taken out; those that are gone are left to the beds to deal with.
fn open_former(paths: &[PathBuf]) -> Vec<StemFile> {
    paths.iter().filter_map(|path| StemFile::open(path).ok()).collect()
}
