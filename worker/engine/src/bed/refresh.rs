//! Brings a kept bed up to date by the difference alone.

use super::{Bed, BedError, Contribution, GroupBed, KeptBed, Key};
use crate::stem::StemFile;
use std::collections::BTreeMap;
use std::path::Path;

/// What it took.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Refreshed {
    /// Stems added to what was there.
    pub added: usize,
    /// Stems taken out.
    pub removed: usize,
    /// Whether nothing usable was there, or starting anew was less work.
    pub anew: bool,
}

impl Refreshed {
    /// Whether the kept bed was already what was wanted.
    #[must_use]
    pub fn was_fresh(&self) -> bool {
        !self.anew && self.added == 0 && self.removed == 0
    }
}

/// Gives the bed of `wanted` over a stretch, from the one kept at `path` if that is less work,
/// and keeps the result there. `former` holds stems that may have to be taken out; a kept bed
/// with something else in it is made anew. The bed is the same bit for bit either way.
///
/// # Errors
/// [`BedError`] if a stem cannot be read or the bed cannot be written. What was kept is then
/// still there.
pub fn refresh(
    path: &Path,
    first_block: i64,
    blocks: usize,
    wanted: &[Contribution<'_>],
    former: &[&StemFile],
) -> Result<(GroupBed, Refreshed), BedError> {
    let wanted: Vec<_> =
        wanted.iter().filter(|stem| stem.sounds_in(first_block, blocks)).copied().collect();
    if let Ok(bed) = KeptBed::load(path, first_block, blocks)
        && let Some((add, remove)) = difference(bed.contents(), &wanted, former)
        && add.len() + remove.len() < wanted.len().max(1)
    {
        let done = Refreshed { added: add.len(), removed: remove.len(), anew: false };
        if done.was_fresh() {
            return Ok((GroupBed::Kept(bed), done));
        }
        let mut bed = bed.into_bed();
        bed.subtract(&remove)?;
        bed.add(&add)?;
        keep(&bed, path)?;
        return Ok((GroupBed::Made(bed), done));
    }
    let mut bed = Bed::silent(first_block, blocks);
    bed.add(&wanted)?;
    keep(&bed, path)?;
    Ok((GroupBed::Made(bed), Refreshed { added: wanted.len(), removed: 0, anew: true }))
}

/// Keeps a bed; one whose folder has been tidied away meanwhile is simply not kept.
fn keep(bed: &Bed, path: &Path) -> Result<(), BedError> {
    match bed.save(path) {
        Err(source) if source.kind() != std::io::ErrorKind::NotFound => {
            Err(BedError::Keep { path: path.to_owned(), source })
        }
        _ => Ok(()),
    }
}

type Change<'a> = (Vec<Contribution<'a>>, Vec<Contribution<'a>>);

/// What must be added to and taken out of a bed with `contents`; none if something must go that is not at hand.
fn difference<'a>(
    contents: &BTreeMap<Key, u32>,
    wanted: &[Contribution<'a>],
    former: &[&'a StemFile],
) -> Option<Change<'a>> {
    let mut left_over = contents.clone();
    let mut add = Vec::new();
    for stem in wanted {
        match left_over.get_mut(&stem.key()) {
            Some(count) if *count > 0 => *count -= 1,
            _ => add.push(*stem),
        }
    }
    left_over.retain(|_, count| *count > 0);
    let mut at_hand: BTreeMap<[u8; 32], &'a StemFile> = BTreeMap::new();
    if !left_over.is_empty() {
        let all = wanted.iter().map(|stem| stem.stem).chain(former.iter().copied());
        at_hand.extend(all.map(|stem| (stem.summary().content_hash, stem)));
    }
    let mut remove = Vec::new();
    for (Key { content_hash, gain_bits }, count) in left_over {
        let stem = *at_hand.get(&content_hash)?;
        let gains = gain_bits.map(f32::from_bits);
        remove.extend((0..count).map(|_| Contribution { stem, gains }));
    }
    Some((add, remove))
}
