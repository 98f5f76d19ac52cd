//! Beds, curves and the sum: from the plan to the unmastered mix.

use super::spool::Spool;
use super::{BedCount, RenderError, RenderRequest};
use crate::plan::{Plan, PlannedGroup};
use rayon::prelude::*;
use ripieno_engine::bed::{Bed, Refreshed, STRETCH_BLOCKS, refresh};
use ripieno_engine::loudness::{Measure, Meter};
use ripieno_engine::mix::group_signal;
use ripieno_engine::stem::{BLOCK_FRAMES, StemFile};
use std::ops::Range;
use std::path::{Path, PathBuf};
use std::sync::mpsc::{Receiver, sync_channel};

/// Frames in a stretch.
const STRETCH_FRAMES: i64 = (STRETCH_BLOCKS * BLOCK_FRAMES) as i64;

/// Group signals in memory at a time: 4 MiB each.
const MOST_SIGNALS: usize = 24;

/// What came of the sum.
pub(super) struct Sum {
    /// The mix before the master.
    pub(super) spool: Spool,
    /// Its loudness.
    pub(super) lufs: Option<f64>,
    /// How the beds were come by.
    pub(super) beds: BedCount,
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
    let rate_hz = request.piece.sample_rate_hz;
    std::thread::scope(|scope| {
        let (sender, receiver) = sync_channel::<[Vec<f32>; 2]>(1);
        let keeper = scope.spawn(move || keep(spool, rate_hz, &receiver));
        let summed = sum_stretches(request, plan, &former, progress, &mut |mix| {
            // A keeper that has stopped tells why below.
            sender.send(mix).is_ok()
        });
        drop(sender);
        let kept = keeper
            .join()
            .unwrap_or_else(|_| Err(RenderError::Impossible("the meter stopped".into())))?;
        let beds = summed?;
        Ok(Sum { spool: kept.0, lufs: kept.1, beds })
    })
}

fn keep(
    mut spool: Spool,
    rate_hz: u32,
    mixes: &Receiver<[Vec<f32>; 2]>,
) -> Result<(Spool, Option<f64>), RenderError> {
    let mut meter = Meter::new(rate_hz, 2, Measure::Integrated)
        .map_err(|error| RenderError::Impossible(error.to_string()))?;
    for [left, right] in mixes {
        meter.push(&[&left, &right]);
        spool.push(&[&left, &right])?;
    }
    Ok((spool, meter.integrated_lufs()))
}

fn sum_stretches(
    request: &RenderRequest<'_>,
    plan: &Plan,
    former: &[&StemFile],
    progress: &(dyn Fn(f32) + Sync),
    give: &mut dyn FnMut([Vec<f32>; 2]) -> bool,
) -> Result<BedCount, RenderError> {
    let first = plan.range.start.div_euclid(STRETCH_FRAMES);
    let end = (plan.range.end + STRETCH_FRAMES - 1).div_euclid(STRETCH_FRAMES);
    let window = (MOST_SIGNALS / plan.groups.len().max(1))
        .clamp(1, 2 * rayon::current_num_threads().max(1)) as i64;
    let mut count = BedCount::default();
    let mut at = first;
    while at < end {
        let upto = end.min(at + window);
        let mut mixes: Vec<[Vec<f64>; 2]> = (at..upto)
            .map(|stretch| {
                let frames = part(stretch, &plan.range).len();
                [vec![0.0; frames], vec![0.0; frames]]
            })
            .collect();
        for groups in plan.groups.chunks(MOST_SIGNALS) {
            let tasks: Vec<(i64, &PlannedGroup)> = (at..upto)
                .flat_map(|stretch| groups.iter().map(move |group| (stretch, group)))
                .collect();
            let signals = tasks
                .par_iter()
                .map(|(stretch, group)| signal(request, plan, *stretch, group, former))
                .collect::<Result<Vec<_>, _>>()?;
            for ((stretch, _), signal) in tasks.iter().zip(signals) {
                add(&mut mixes[(stretch - at) as usize], &signal.planes);
                tally(&mut count, signal.refreshed);
            }
        }
        for mix in mixes {
            let narrow = mix.map(|plane| plane.iter().map(|&sample| sample as f32).collect());
            if !give(narrow) {
                return Ok(count);
            }
        }
        at = upto;
        progress((at - first) as f32 / (end - first) as f32);
    }
    Ok(count)
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

/// Where a group's bed of a stretch is kept.
fn bed_path(dir: &Path, group: &str, stretch: i64) -> Result<PathBuf, RenderError> {
    let name = blake3::hash(group.as_bytes()).to_hex();
    let folder = dir.join(&name.as_str()[..16]);
    std::fs::create_dir_all(&folder).map_err(|source| RenderError::io(&folder, source))?;
    Ok(folder.join(format!("{stretch}.bed")))
}

/// Stems that may have to be taken out; those that are gone are left to the beds to deal with.
fn open_former(paths: &[PathBuf]) -> Vec<StemFile> {
    paths.iter().filter_map(|path| StemFile::open(path).ok()).collect()
}
