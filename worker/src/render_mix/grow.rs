//! One stretch of the mix from its groups' beds, without knowing the stretch before.

use super::RenderError;
use super::bounds_since::Changes;
use super::bus::Bus;
use super::kept_beds::Beds;
use super::measures;
use super::shares::{KeptSum, Share, encode};
use super::stretch::{Foretold, Measured, Place, STRETCH_FRAMES};
use crate::plan::PlannedGroup;
use ripieno_engine::bed::{
    BedBuffer, BedError, Contribution, GroupBed, Refreshed, STRETCH_BLOCKS, StepsBuffer,
};
use ripieno_engine::limit::OwnPeak;
use ripieno_engine::mix::{Exchange, MixSum, Part};
use ripieno_engine::plane::Plane;
use ripieno_engine::stem::BLOCK_FRAMES;
use std::ops::Range;

/// Frames summed at a time in a mix without tone: they stay in a core's second-level cache.
const CHUNK_FRAMES: usize = 4 * BLOCK_FRAMES;

/// Beds that may have to be added or taken out before a sum is kept anew: for one group that
/// costs less than writing the sum. With two, the nights of a row would each begin with the change
/// of the night before.
const MOST_CHANGED: usize = 1;

/// One stretch as it grows.
pub(super) struct Growing {
    pub(super) stretch: i64,
    pub(super) place: Place,
    pub(super) mix: Mix,
    /// Groups that have a tone, or all where group mixes are wanted; an empty one is silent.
    pub(super) signals: Vec<Option<[Vec<f32>; 2]>>,
    pub(super) refreshed: Vec<Refreshed>,
    /// What is known of it from before.
    pub(super) measured: Option<Measured>,
    /// What is known of its peaks otherwise.
    pub(super) foretold: Option<Foretold>,
}

/// The mix so far.
pub(super) enum Mix {
    /// To which more is to be added.
    Sum(MixSum),
    /// That is done.
    Samples([Plane; 2]),
    /// That is just what was kept, to be read when it is wanted.
    Kept(KeptSum),
}

/// Block by block, of a kept sum in which one bed is exchanged; and by how many steps each block
/// has moved at most.
fn exchanged(
    base: &KeptSum,
    mut exchange: Exchange<'_, '_>,
    within: Range<usize>,
) -> Result<([Plane; 2], OwnPeak, Changes), BedError> {
    let mut planes = [0, 1].map(|_| Plane::with_room(within.len()));
    let (mut own, mut samples) = (OwnPeak::default(), [Vec::new(), Vec::new()]);
    let (mut steps, mut buffer) = (StepsBuffer::default(), BedBuffer::default());
    let mut changes = [0.0; STRETCH_BLOCKS];
    let end = within.end.div_ceil(BLOCK_FRAMES);
    for (block, change) in
        changes.iter_mut().enumerate().take(end).skip(within.start / BLOCK_FRAMES)
    {
        let sum = base.file.read(block, &mut steps).map_err(|source| base.damaged(source))?;
        *change = exchange.samples(block, sum, &mut buffer, &mut samples)?;
        let first = block * BLOCK_FRAMES;
        let heard = first.max(within.start) - first..within.end.min(first + BLOCK_FRAMES) - first;
        let samples = samples.each_ref().map(|side| &side[heard.clone()]);
        own.push(samples);
        planes.iter_mut().zip(samples).for_each(|(plane, samples)| plane.append(samples));
    }
    Ok((planes, own, changes))
}

/// A bed with what is to be made of it: put in, or one share of it taken out and another put in.
struct Source<'a> {
    bed: GroupBed<'a>,
    parts: Vec<Part>,
}

/// A sum to start from, the beds to add to it, and whether the result is to be kept.
struct Sources<'a> {
    base: Option<KeptSum>,
    beds: Vec<Source<'a>>,
    keep: bool,
}

impl<'a> Bus<'a> {
    /// Sums a stretch; where something kept turns out damaged, from the stems.
    pub(super) fn grow(&self, stretch: i64) -> Result<Growing, RenderError> {
        let work = || match self.keeps {
            true => self.grow_at_once(stretch),
            false => self.grow_apart(stretch),
        };
        match work() {
            Err(BedError::Kept { .. }) => {
                let groups = self.plan.groups.iter().map(|group| group.name.as_str());
                self.beds.forget(stretch, groups);
                Ok(work()?)
            }
            done => Ok(done?),
        }
    }

    /// Of a mix without tone: chunk by chunk, from what is kept of it.
    fn grow_at_once(&self, stretch: i64) -> Result<Growing, BedError> {
        let (place, within) = Place::of(stretch, &self.plan.range);
        let mut refreshed = vec![Refreshed::default(); self.plan.groups.len()];
        let (measured, before) = match measures::load(&self.beds.measures_path(stretch)) {
            Some(kept) if kept.fingerprint == *self.fingerprint(stretch) => {
                (Some(kept.measured), None)
            }
            before => (None, before),
        };
        let Sources { base, beds, keep } =
            self.sources(stretch, measured.is_some(), &mut refreshed)?;
        let base = match base {
            Some(kept) if beds.is_empty() && measured.is_some() => {
                let mix = Mix::Kept(kept);
                return Ok(Growing {
                    stretch,
                    place,
                    mix,
                    signals: Vec::new(),
                    refreshed,
                    measured,
                    foretold: None,
                });
            }
            base => base,
        };
        let exchange = match (&base, &beds[..], keep) {
            (Some(base), [Source { bed, parts }], false) => {
                Exchange::of(bed, parts).zip(Some(base))
            }
            _ => None,
        };
        let (planes, own, known) = match exchange {
            Some((exchange, base)) => {
                let (planes, own, changes) = exchanged(base, exchange, within.clone())?;
                let known = before.and_then(|kept| {
                    let same = kept.shares == encode(&base.shares);
                    let changes = same.then_some(changes);
                    self.bounds_since(stretch, &kept, changes)
                });
                (planes, own, known)
            }
            None => {
                let (planes, own) = self.summed(stretch, base.as_ref(), &beds, keep, within)?;
                (planes, own, before.and_then(|kept| self.bounds_since(stretch, &kept, None)))
            }
        };
        let (mix, signals) = (Mix::Samples(planes), Vec::new());
        let foretold = Some(Foretold { own, known: known.unwrap_or_default() });
        Ok(Growing { stretch, place, mix, signals, refreshed, measured, foretold })
    }

    /// Chunk by chunk, whatever is to be added and taken out.
    fn summed(
        &self,
        stretch: i64,
        base: Option<&KeptSum>,
        beds: &[Source<'_>],
        keep: bool,
        within: Range<usize>,
    ) -> Result<([Plane; 2], OwnPeak), BedError> {
        let shares = || encode(self.shares(stretch));
        let mut writer = keep.then(|| self.beds.sum_writer(stretch, shares())).flatten();
        let mut planes = [0, 1].map(|_| Plane::with_room(within.len()));
        let (mut own, mut block) = (OwnPeak::default(), [Vec::new(), Vec::new()]);
        let mut sum = MixSum::silent(CHUNK_FRAMES);
        let (mut steps, mut buffer) = (StepsBuffer::default(), BedBuffer::default());
        for first in (0..STRETCH_FRAMES as usize).step_by(CHUNK_FRAMES) {
            let chunk = first..first + CHUNK_FRAMES;
            let heard = chunk.start.max(within.start)..chunk.end.min(within.end);
            if heard.is_empty() && !keep {
                continue;
            }
            if let Some(base) = base {
                let kept = sum.begin_with(&base.file, first / BLOCK_FRAMES, &mut steps);
                kept.map_err(|source| base.damaged(source))?;
            } else {
                sum.clear();
            }
            for Source { bed, parts } in beds {
                sum.add_bed(bed, chunk.clone(), parts, &mut buffer)?;
            }
            if !heard.is_empty() {
                sum.samples_of(heard.start - first..heard.end - first, &mut block);
                own.push([&block[0], &block[1]]);
                planes.iter_mut().zip(&block).for_each(|(plane, block)| plane.append(block));
            }
            if let Some(writer) = &mut writer {
                writer.push(sum.planes());
            }
        }
        if let Some(writer) = writer {
            Beds::keep_sum(stretch, writer);
        }
        Ok((planes, own))
    }

    /// What a stretch is to be summed from; `known` says that it was made before just so. What has
    /// to be changed a second time is kept: it may be asked for a third.
    fn sources(
        &self,
        stretch: i64,
        known: bool,
        refreshed: &mut [Refreshed],
    ) -> Result<Sources<'a>, BedError> {
        let wanted = self.shares(stretch);
        if let Some(base) = KeptSum::open(&self.beds.sum_path(stretch), stretch)
            && let Some(beds) = self.changes(stretch, &base.shares, refreshed)?
        {
            let often = known && !beds.is_empty();
            let keep = self.whole_crowd() && (often || beds.len() > MOST_CHANGED);
            return Ok(Sources { base: Some(base), beds, keep });
        }
        let all = wanted.iter().map(|share| {
            let bed = self.bed(stretch, &share.group, refreshed)?;
            Ok(Source { bed, parts: vec![share.part()] })
        });
        let beds = all.collect::<Result<Vec<_>, BedError>>()?;
        Ok(Sources { base: None, beds, keep: self.whole_crowd() })
    }

    /// What turns the shares `before` into those that are wanted; none if summing all is less
    /// work, or something that was there is not at hand any more.
    fn changes(
        &self,
        stretch: i64,
        before: &[Share],
        refreshed: &mut [Refreshed],
    ) -> Result<Option<Vec<Source<'a>>>, BedError> {
        let wanted = self.shares(stretch);
        let gone: Vec<&Share> = before.iter().filter(|share| !wanted.contains(share)).collect();
        let come: Vec<&Share> = wanted.iter().filter(|share| !before.contains(share)).collect();
        if gone.len() + come.len() > wanted.len() {
            return Ok(None);
        }
        let mut sources = Vec::with_capacity(gone.len() + come.len());
        let mut alone = gone;
        for share in come {
            let mut bed = self.bed(stretch, &share.group, refreshed)?;
            let mut parts = vec![share.part()];
            if let Some(at) = alone.iter().position(|old| old.group == share.group) {
                let former = alone[at].contents != share.contents;
                if !former || bed.remember(&alone[at].contents, &self.shelf)? {
                    parts.push(Part { former, ..alone.swap_remove(at).taken_out() });
                }
            }
            sources.push(Source { bed, parts });
        }
        for share in alone {
            let recalled = self.beds.recall(&share.group, stretch, &share.contents, &self.shelf)?;
            let Some(bed) = recalled else { return Ok(None) };
            sources.push(Source { bed, parts: vec![share.taken_out()] });
        }
        Ok(Some(sources))
    }

    /// Of a mix with tone, or with group mixes: every group by itself where it must be.
    fn grow_apart(&self, stretch: i64) -> Result<Growing, BedError> {
        let (place, within) = Place::of(stretch, &self.plan.range);
        let mut mix = MixSum::silent(place.frames);
        let mut signals = Vec::with_capacity(self.plan.groups.len());
        let mut refreshed = vec![Refreshed::default(); self.plan.groups.len()];
        let mut buffer = BedBuffer::default();
        for (number, group) in self.plan.groups.iter().enumerate() {
            let share = self.shares(stretch).iter().find(|share| share.group == group.name);
            let apart = self.wants_groups || self.desk.has_tone(number);
            if share.is_none() {
                signals.push(apart.then(Default::default));
                continue;
            }
            let mut bed = self.bed(stretch, &group.name, &mut refreshed)?;
            bed.add(&spotlight(group))?;
            if !apart {
                mix.add_bed(&bed, within.clone(), &[whole(group)], &mut buffer)?;
                signals.push(None);
                continue;
            }
            let mut alone = MixSum::silent(place.frames);
            alone.add_bed(&bed, within.clone(), &[whole(group)], &mut buffer)?;
            if !self.desk.has_tone(number) {
                mix.add(&alone);
            }
            signals.push(Some(alone.samples()));
        }
        let mix = Mix::Sum(mix);
        Ok(Growing { stretch, place, mix, signals, refreshed, measured: None, foretold: None })
    }

    /// One group's bed of one stretch, brought up to date.
    fn bed(
        &self,
        stretch: i64,
        name: &str,
        refreshed: &mut [Refreshed],
    ) -> Result<GroupBed<'a>, BedError> {
        let number = self.plan.groups.iter().position(|group| group.name == name).unwrap_or(0);
        let stems: Vec<_> =
            self.plan.groups[number].stems.iter().map(|stem| stem.contribution()).collect();
        let (bed, how) = self.beds.refresh(name, stretch, &stems, &self.shelf)?;
        refreshed[number] = how;
        Ok(bed)
    }

    /// Whether all groups sound that the arrangement lets sound; only such a mix is kept.
    fn whole_crowd(&self) -> bool {
        self.request.groups.is_empty()
    }
}

fn whole(group: &PlannedGroup) -> Part {
    Part { curve: group.curve.clone(), gain: group.gain, former: false }
}

fn spotlight(group: &PlannedGroup) -> Vec<Contribution<'_>> {
    group.spotlight.iter().map(|stem| stem.contribution()).collect()
}
