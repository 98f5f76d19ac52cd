//! Brings a kept bed up to date by the difference alone.

use super::kept::{GroupBed, KeptBed};
use super::sum::{Batch, batches, most_steps};
use super::{Bed, BedError, Contribution, Key};
use crate::stem::StemFile;
use std::collections::{BTreeMap, HashMap};
use std::path::Path;

/// Changes that are made each time a bed is read, before it is written anew: reading a stem again
/// is several times cheaper than writing a bed.
const MOST_CHANGES: usize = 8;

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

/// Stems by their content: those of a render, and those that may lie in beds from before.
#[derive(Default)]
pub struct Shelf<'a>(HashMap<[u8; 32], &'a StemFile>);

impl<'a> Shelf<'a> {
    /// A shelf of stems.
    #[must_use]
    pub fn of(stems: impl IntoIterator<Item = &'a StemFile>) -> Self {
        Self(stems.into_iter().map(|stem| (stem.summary().content_hash, stem)).collect())
    }

    /// How far apart, at most, a sum of some contents and one of others can lie in each block of a
    /// stretch, in steps, either side; none if that cannot be told.
    #[must_use]
    pub fn farthest(
        &self,
        contents: &BTreeMap<Key, u32>,
        others: &BTreeMap<Key, u32>,
        first_block: i64,
        blocks: usize,
    ) -> Option<Vec<i64>> {
        let mut farthest = vec![0i64; blocks];
        let mut different = missing(contents, others, self)?;
        different.extend(missing(others, contents, self)?);
        for stem in different {
            let most = most_steps(&stem)?;
            for run in stem.stem.runs_in(first_block..first_block + blocks as i64) {
                let from = (run.first_block - first_block) as usize;
                farthest[from..from + run.blocks as usize].iter_mut().for_each(|f| *f += most);
            }
        }
        Some(farthest)
    }

    fn contribution(&self, key: &Key) -> Option<Contribution<'a>> {
        let stem = *self.0.get(&key.content_hash)?;
        Some(Contribution { stem, gains: key.gain_bits.map(f32::from_bits) })
    }
}

/// What of `stems` sounds in a stretch, counted.
#[must_use]
pub fn contents_of(
    stems: &[Contribution<'_>],
    first_block: i64,
    blocks: usize,
) -> BTreeMap<Key, u32> {
    let mut contents = BTreeMap::new();
    for stem in stems.iter().filter(|stem| stem.sounds_in(first_block, blocks)) {
        *contents.entry(stem.key()).or_insert(0) += 1;
    }
    contents
}

/// Gives the bed of `wanted` over a stretch, from the one kept at `path` if that is less work.
/// What has to be taken out is looked for on `shelf`; a kept bed with something else in it is
/// made anew. A bed that is made anew, or to which much has come, is kept there. The steps are
/// the same bit for bit either way.
///
/// # Errors
/// [`BedError`] if a stem cannot be read or the bed cannot be written. What was kept is then
/// still there.
pub fn refresh<'a>(
    path: &Path,
    first_block: i64,
    blocks: usize,
    wanted: &[Contribution<'a>],
    shelf: &Shelf<'a>,
) -> Result<(GroupBed<'a>, Refreshed), BedError> {
    let wanted: Vec<_> =
        wanted.iter().filter(|stem| stem.sounds_in(first_block, blocks)).copied().collect();
    let contents = contents_of(&wanted, first_block, blocks);
    let most = wanted.len().saturating_sub(1);
    if let Ok(bed) = KeptBed::open(path, first_block, blocks)
        && let Some(difference) = Difference::of(&bed, &contents, shelf, most)
    {
        let done = difference.refreshed();
        if done.added + done.removed <= MOST_CHANGES {
            return Ok((bed.with(difference.batches()?), done));
        }
        // So many are opened a batch at a time.
        let mut bed = bed.with(Vec::new()).into_bed()?;
        bed.add(&difference.added)?;
        bed.subtract(&difference.removed)?;
        keep(&bed, path)?;
        return Ok((GroupBed::Made(bed), done));
    }
    let mut bed = Bed::silent(first_block, blocks);
    bed.add(&wanted)?;
    keep(&bed, path)?;
    Ok((GroupBed::Made(bed), Refreshed { added: wanted.len(), removed: 0, anew: true }))
}

/// The bed of just these contents, as it was or by at most `most` changes from the one kept at
/// `path`; none if that cannot be.
///
/// # Errors
/// [`BedError`] if a stem cannot be read.
pub fn recall<'a>(
    path: &Path,
    first_block: i64,
    blocks: usize,
    contents: &BTreeMap<Key, u32>,
    shelf: &Shelf<'a>,
) -> Result<Option<GroupBed<'a>>, BedError> {
    let Ok(bed) = KeptBed::open(path, first_block, blocks) else { return Ok(None) };
    match Difference::of(&bed, contents, shelf, 2 * MOST_CHANGES) {
        Some(difference) => Ok(Some(bed.with(difference.batches()?))),
        None => Ok(None),
    }
}

/// What turns a kept bed into one of other contents.
struct Difference<'a> {
    added: Vec<Contribution<'a>>,
    removed: Vec<Contribution<'a>>,
}

impl<'a> Difference<'a> {
    /// None if something is not at hand or it would be more than `most`.
    fn of(
        bed: &KeptBed,
        contents: &BTreeMap<Key, u32>,
        shelf: &Shelf<'a>,
        most: usize,
    ) -> Option<Self> {
        let added = missing(contents, bed.contents(), shelf)?;
        let removed = missing(bed.contents(), contents, shelf)?;
        (added.len() + removed.len() <= most).then_some(Self { added, removed })
    }

    fn refreshed(&self) -> Refreshed {
        Refreshed { added: self.added.len(), removed: self.removed.len(), anew: false }
    }

    /// All of it, open.
    fn batches(&self) -> Result<Vec<Batch<'a>>, BedError> {
        let mut changes = batches(&self.added, 1)?;
        changes.extend(batches(&self.removed, -1)?);
        Ok(changes)
    }
}

impl<'a> GroupBed<'a> {
    /// Lets it be read also as it was with other contents, if that can be told from what lies on
    /// disk; says whether it can.
    ///
    /// # Errors
    /// [`BedError`] if a stem cannot be read.
    pub fn remember(
        &mut self,
        contents: &BTreeMap<Key, u32>,
        shelf: &Shelf<'a>,
    ) -> Result<bool, BedError> {
        let GroupBed::Kept { bed, former, .. } = self else { return Ok(false) };
        let Some(difference) = Difference::of(bed, contents, shelf, 2 * MOST_CHANGES) else {
            return Ok(false);
        };
        *former = difference.batches()?;
        Ok(true)
    }
}

/// What `all` has and `there` has not; none if some of it is not at hand.
fn missing<'a>(
    all: &BTreeMap<Key, u32>,
    there: &BTreeMap<Key, u32>,
    shelf: &Shelf<'a>,
) -> Option<Vec<Contribution<'a>>> {
    let mut missing = Vec::new();
    for (key, count) in all {
        let short = count.saturating_sub(there.get(key).copied().unwrap_or(0));
        for _ in 0..short {
            missing.push(shelf.contribution(key)?);
        }
    }
    Some(missing)
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
