//! The level of every group, by the measured power of its beds.
//!
//! What a crowd adds up to depends on how alike its players are: strangers add as power, players
//! of one track copied over add as amplitude. So nothing is reckoned from the number of stems or
//! from their own loudness; the sum itself is measured, all along the piece, wherever the
//! arrangement lets it be heard, so that no fader moves another.

use super::kept_beds::Beds;
use super::progress::{Count, Stage, Way};
use super::stretch::stretches;
use super::{RenderError, RenderRequest, sealed};
use crate::plan::{Plan, PlannedGroup, group_lufs};
use rayon::prelude::*;
use ripieno_engine::bed::{
    BedBuffer, Contribution, Refreshed, STRETCH_BLOCKS, Shelf, contents_of, encode_contents,
};
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Mutex;

const MAGIC: [u8; 8] = *b"riplev_3";

/// Bytes of one stretch: its number, what decides it, a power a block.
const ENTRY_BYTES: usize = 8 + 32 + 8 * STRETCH_BLOCKS;

/// What was measured, and what it took.
pub(super) struct Levels {
    /// Gated loudness of every group, LUFS.
    pub(super) lufs: Vec<Option<f64>>,
    /// Beds that were brought up to date for it, by group and stretch.
    pub(super) refreshed: BTreeMap<(usize, i64), Refreshed>,
}

/// The powers of one stretch and the fingerprint of the contents they were measured of.
type Powers = ([u8; 32], Vec<f64>);

/// Measures what has changed since it was measured last.
pub(super) fn measure(
    request: &RenderRequest<'_>,
    plan: &Plan,
    beds: &Beds,
    shelf: &Shelf<'_>,
    way: &Way<'_>,
) -> Result<Levels, RenderError> {
    let in_a_group = stretches(plan).count();
    let stems: usize = plan.groups.iter().map(|group| group.stems.len()).sum();
    let count = Count::new(way, Stage::Levels, (in_a_group * stems) as u64);
    let spare: Mutex<Vec<BedBuffer>> = Mutex::default();
    let of = |group: &PlannedGroup| {
        let measured = group_powers(request, plan, beds, shelf, group, (&count, &spare))?;
        let known = in_a_group.saturating_sub(measured.1.len());
        count.add((known * group.stems.len()) as u64);
        Ok::<_, RenderError>(measured)
    };
    let measured = plan.groups.par_iter().map(of).collect::<Result<Vec<_>, _>>()?;
    let mut levels = Levels { lufs: Vec::new(), refreshed: BTreeMap::new() };
    for (number, (powers, refreshed)) in measured.into_iter().enumerate() {
        levels.lufs.push(group_lufs(&powers));
        let keyed = refreshed.into_iter().map(|(stretch, how)| ((number, stretch), how));
        levels.refreshed.extend(keyed);
    }
    Ok(levels)
}

type GroupPowers = (Vec<f64>, Vec<(i64, Refreshed)>);

fn group_powers(
    request: &RenderRequest<'_>,
    plan: &Plan,
    beds: &Beds,
    shelf: &Shelf<'_>,
    group: &PlannedGroup,
    (count, spare): (&Count<'_, '_>, &Mutex<Vec<BedBuffer>>),
) -> Result<GroupPowers, RenderError> {
    let path = beds.levels_path(&group.name)?;
    let mut known = load(&path).unwrap_or_default();
    let stems: Vec<Contribution<'_>> = group.stems.iter().map(|stem| stem.contribution()).collect();
    let wanted: Vec<(i64, [u8; 32])> = stretches(plan)
        .map(|stretch| (stretch, (stretch * STRETCH_BLOCKS as i64, STRETCH_BLOCKS)))
        .map(|(stretch, (first, blocks))| (stretch, contents_of(&stems, first, blocks)))
        .filter(|(_, contents)| !contents.is_empty())
        .map(|(stretch, contents)| (stretch, *blake3::hash(&encode_contents(&contents)).as_bytes()))
        .collect();
    let stale = |(stretch, print): &&(i64, [u8; 32])| {
        known.get(stretch).is_none_or(|(of, _): &Powers| of != print)
    };
    let rate_hz = request.piece.sample_rate_hz;
    let anew = wanted
        .par_iter()
        .filter(stale)
        .map(|(stretch, print)| {
            let mut buffer =
                spare.lock().ok().and_then(|mut spare| spare.pop()).unwrap_or_default();
            let measured = beds.whole(&group.name, *stretch, || {
                let (bed, how) = beds.refresh(&group.name, *stretch, &stems, shelf)?;
                Ok((*stretch, (*print, bed.powers(rate_hz, &mut buffer)?), how))
            });
            if let Ok(mut spare) = spare.lock() {
                spare.push(buffer);
            }
            count.add(stems.len() as u64);
            measured
        })
        .collect::<Result<Vec<_>, RenderError>>()?;
    let changed = !anew.is_empty();
    let mut refreshed = Vec::with_capacity(anew.len());
    for (stretch, powers, how) in anew {
        known.insert(stretch, powers);
        refreshed.push((stretch, how));
    }
    known.retain(|stretch, _| wanted.iter().any(|(wanted, _)| wanted == stretch));
    if changed && let Err(error) = save(&path, &known) {
        tracing::debug!(%error, group = group.name, "the powers of a group are not kept");
    }
    Ok((known.into_values().flat_map(|(_, powers)| powers).collect(), refreshed))
}

fn save(path: &Path, known: &BTreeMap<i64, Powers>) -> std::io::Result<()> {
    let mut bytes = Vec::with_capacity(known.len() * ENTRY_BYTES);
    for (stretch, (print, powers)) in known {
        bytes.extend(stretch.to_le_bytes());
        bytes.extend(print);
        bytes.extend(powers.iter().flat_map(|power| power.to_le_bytes()));
    }
    sealed::save(path, &MAGIC, &bytes)
}

fn load(path: &Path) -> Option<BTreeMap<i64, Powers>> {
    let bytes = sealed::load(path, &MAGIC)?;
    let (entries, rest) = bytes.as_chunks::<ENTRY_BYTES>();
    let entry = |entry: &[u8; ENTRY_BYTES]| {
        let (stretch, rest) = entry.split_first_chunk::<8>()?;
        let (print, powers) = rest.split_first_chunk::<32>()?;
        let powers = powers.as_chunks::<8>().0.iter().map(|power| f64::from_le_bytes(*power));
        Some((i64::from_le_bytes(*stretch), (*print, powers.collect())))
    };
    rest.is_empty().then(|| entries.iter().map(entry).collect())?
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn powers_come_back_whole_or_not_at_all() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("levels");
        let powers = |level: f64| vec![level; STRETCH_BLOCKS];
        let known = BTreeMap::from([
            (-1, ([1; 32], powers(0.5))),
            (7, ([2; 32], powers(f64::MIN_POSITIVE))),
        ]);
        save(&path, &known).unwrap();
        assert_eq!(load(&path).unwrap(), known);
        let whole = std::fs::read(&path).unwrap();
        for cut in [0, 7, 100, whole.len() - 1] {
            std::fs::write(&path, &whole[..cut]).unwrap();
            assert!(load(&path).is_none());
        }
    }
}
