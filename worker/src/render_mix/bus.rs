//! Beds, curves and the sum: from the plan to the unmastered mix.

use super::desk::Desk;
use super::groups::GroupFiles;
use super::kept_beds::bed_path;
use super::spool::{Spool, Spooled};
use super::{BedCount, OutputFile, RenderError, RenderRequest};
use crate::plan::{Plan, PlannedGroup};
use rayon::prelude::*;
use ripieno_engine::bed::{Bed, Refreshed, STRETCH_BLOCKS, refresh};
use ripieno_engine::loudness::{Measure, Meter};
use ripieno_engine::mix::group_signal;
use ripieno_engine::stem::{BLOCK_FRAMES, StemFile};
use std::ops::Range;
use std::path::PathBuf;
use std::sync::mpsc::{Receiver, sync_channel};

/// Frames in a stretch.
const STRETCH_FRAMES: i64 = (STRETCH_BLOCKS * BLOCK_FRAMES) as i64;

/// Group signals in memory at a time: 4 MiB each.
const MOST_SIGNALS: usize = 24;

/// What came of the sum.
pub(super) struct Sum {
    /// The mix before the master.
    pub(super) mix: Spooled,
    /// Its loudness.
    pub(super) lufs: Option<f64>,
    /// How the beds were come by.
    pub(super) beds: BedCount,
    /// Group mixes, if they were asked for.
    pub(super) files: Vec<OutputFile>,
}

/// One stretch on its way to the meter and the files.
struct Stretch {
    mix: [Vec<f32>; 2],
    /// The same before the tone of the mix, if it has one and group mixes are wanted.
    untoned: Option<[Vec<f32>; 2]>,
    /// One a group, the room last, where group mixes are wanted; an empty one is silent.
    groups: Vec<[Vec<f32>; 2]>,
}

/// One group over the part of one stretch that is rendered.
struct Signal {
    planes: [Vec<f32>; 2],
    refreshed: Refreshed,
}

/// Sums all groups over the plan's range.
///
/// Stretches are worked on a few at a time, all their groups in parallel; group signals are then
/// added in the arrangement's order in `f64`, so the mix does not depend on threads. A second
/// thread meters and stores while the next stretches are summed.
pub(super) fn sum(
    request: &RenderRequest<'_>,
    plan: &Plan,
    progress: &(dyn Fn(f32) + Sync),
) -> Result<Sum, RenderError> {
    let former = open_former(&request.former_stems);
    let former: Vec<&StemFile> = former.iter().collect();
    let spool = Spool::new(&request.out_dir)?;
    let mut desk = Desk::new(request, plan)?;
    let files = GroupFiles::create(request, plan, desk.has_room())?;
    let rate_hz = request.piece.sample_rate_hz;
    std::thread::scope(|scope| {
        let (sender, receiver) = sync_channel::<Stretch>(1);
        let keeper = scope.spawn(move || keep(spool, files, rate_hz, &receiver));
        let summed = sum_stretches(request, plan, &former, &mut desk, progress, &mut |stretch| {
            // A keeper that has stopped tells why below.
            sender.send(stretch).is_ok()
        });
        drop(sender);
        let (mix, lufs, files) = keeper
            .join()
            .unwrap_or_else(|_| Err(RenderError::Impossible("the meter stopped".into())))?;
        let files =
            summed.and_then(|beds| Ok((beds, files.map_or(Ok(Vec::new()), GroupFiles::show)?)));
        files.map(|(beds, files)| Sum { mix, lufs, beds, files })
    })
}

type Kept = (Spooled, Option<f64>, Option<GroupFiles>);

fn keep(
    mut spool: Spool,
    mut files: Option<GroupFiles>,
    rate_hz: u32,
    stretches: &Receiver<Stretch>,
) -> Result<Kept, RenderError> {
    let mut meter = Meter::new(rate_hz, 2, Measure::Integrated)
        .map_err(|error| RenderError::Impossible(error.to_string()))?;
    for Stretch { mix: [left, right], untoned, groups } in stretches {
        meter.push(&[&left, &right]);
        spool.push(&[&left, &right])?;
        if let Some(files) = &mut files {
            files.push(&untoned.unwrap_or([left, right]), &groups)?;
        }
    }
    Ok((spool.finish()?, meter.integrated_lufs(), files))
}

fn sum_stretches(
    request: &RenderRequest<'_>,
    plan: &Plan,
    former: &[&StemFile],
    desk: &mut Desk,
    progress: &(dyn Fn(f32) + Sync),
    give: &mut dyn FnMut(Stretch) -> bool,
) -> Result<BedCount, RenderError> {
    let first = plan.range.start.div_euclid(STRETCH_FRAMES);
    let end = (plan.range.end + STRETCH_FRAMES - 1).div_euclid(STRETCH_FRAMES);
    let window = (MOST_SIGNALS / plan.groups.len().max(1))
        .clamp(1, 2 * rayon::current_num_threads().max(1)) as i64;
    let mut count = BedCount::default();
    let mut at = first;
    while at < end {
        let upto = end.min(at + window);
        for stretch in sum_window(request, plan, former, desk, at..upto, &mut count)? {
            if !give(stretch) {
                return Ok(count);
            }
        }
        at = upto;
        progress((at - first) as f32 / (end - first) as f32);
    }
    Ok(count)
}

/// The sum of one stretch as it grows.
struct Growing {
    frames: usize,
    mix: [Vec<f64>; 2],
    sent: [Vec<f32>; 2],
    groups: Vec<[Vec<f32>; 2]>,
}

/// Sums some neighbouring stretches.
fn sum_window(
    request: &RenderRequest<'_>,
    plan: &Plan,
    former: &[&StemFile],
    desk: &mut Desk,
    stretches: Range<i64>,
    count: &mut BedCount,
) -> Result<Vec<Stretch>, RenderError> {
    let silent = |stretch: i64| {
        let frames = part(stretch, &plan.range).len();
        let mix = [vec![0.0; frames], vec![0.0; frames]];
        Growing { frames, mix, sent: Default::default(), groups: Vec::new() }
    };
    let mut sums: Vec<Growing> = stretches.clone().map(silent).collect();
    let numbered: Vec<(usize, &PlannedGroup)> = plan.groups.iter().enumerate().collect();
    for groups in numbered.chunks(MOST_SIGNALS) {
        let tasks: Vec<(i64, usize, &PlannedGroup)> = stretches
            .clone()
            .flat_map(|stretch| groups.iter().map(move |&(number, group)| (stretch, number, group)))
            .collect();
        let signals = tasks
            .par_iter()
            .map(|(stretch, _, group)| signal(request, plan, *stretch, group, former))
            .collect::<Result<Vec<_>, _>>()?;
        for ((stretch, number, _), mut signal) in tasks.into_iter().zip(signals) {
            let sum = &mut sums[(stretch - stretches.start) as usize];
            desk.group(number, sum.frames, &mut signal.planes, &mut sum.sent);
            add(&mut sum.mix, &signal.planes);
            tally(count, signal.refreshed);
            if request.outputs.group_mixes {
                sum.groups.push(signal.planes);
            }
        }
    }
    Ok(sums.into_iter().map(|sum| sum.finish(request, desk)).collect())
}

impl Growing {
    fn finish(mut self, request: &RenderRequest<'_>, desk: &mut Desk) -> Stretch {
        if desk.has_room() {
            let room = desk.room(self.frames, &mut self.sent);
            add(&mut self.mix, &room);
            if request.outputs.group_mixes {
                self.groups.push(room);
            }
        }
        let narrow = |plane: Vec<f64>| plane.iter().map(|&sample| sample as f32).collect();
        let mut mix = self.mix.map(narrow);
        let untoned = request.outputs.group_mixes.then(|| mix.clone());
        desk.mix(&mut mix);
        Stretch { mix, untoned, groups: self.groups }
    }
}

/// The frames of a stretch that are rendered, counted from its first.
fn part(stretch: i64, range: &Range<i64>) -> Range<usize> {
    let first = stretch * STRETCH_FRAMES;
    let from = (range.start - first).clamp(0, STRETCH_FRAMES);
    let upto = (range.end - first).clamp(from, STRETCH_FRAMES);
    from as usize..upto as usize
}

fn add(mix: &mut [Vec<f64>; 2], planes: &[Vec<f32>; 2]) {
    for (mix, plane) in mix.iter_mut().zip(planes) {
        for (sum, &sample) in mix.iter_mut().zip(plane) {
            *sum += f64::from(sample);
        }
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

/// One group's signal over one stretch. A group whose curve is shut there costs nothing.
fn signal(
    request: &RenderRequest<'_>,
    plan: &Plan,
    stretch: i64,
    group: &PlannedGroup,
    former: &[&StemFile],
) -> Result<Signal, RenderError> {
    let frames = part(stretch, &plan.range);
    let first_sample = stretch * STRETCH_FRAMES + frames.start as i64;
    let shut = group.curve.constant_over(first_sample..first_sample + frames.len() as i64);
    if shut == Some(0.0) {
        let refreshed = Refreshed::default();
        return Ok(Signal { planes: [Vec::new(), Vec::new()], refreshed });
    }
    let first_block = stretch * STRETCH_BLOCKS as i64;
    let stems: Vec<_> = group.stems.iter().map(|stem| stem.contribution()).collect();
    let (mut bed, refreshed) = match &request.beds_dir {
        Some(dir) => {
            let path = bed_path(dir, &group.name, stretch)?;
            refresh(&path, first_block, STRETCH_BLOCKS, &stems, former)?
        }
        None => {
            let mut bed = Bed::silent(first_block, STRETCH_BLOCKS);
            bed.add(&stems)?;
            (bed, Refreshed { added: stems.len(), removed: 0, anew: true })
        }
    };
    if let Some(louder) = &group.spotlight {
        bed.add(&[louder.contribution()])?;
    }
    let mut planes = [Vec::new(), Vec::new()];
    group_signal(&bed, frames, &group.curve, group.gain, &mut planes);
    Ok(Signal { planes, refreshed })
}

/// Stems that may have to be taken out; those that are gone are left to the beds to deal with.
fn open_former(paths: &[PathBuf]) -> Vec<StemFile> {
    paths.iter().filter_map(|path| StemFile::open(path).ok()).collect()
}
