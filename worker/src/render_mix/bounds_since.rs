//! What the peaks of a stretch stay under after takes have come or gone, by what was measured of it
//! before.
//!
//! A take among many moves the mix by little, and by how much at most its header says. Where the
//! waveform lay that far below the highest peak, it need not be looked at again.

use super::bus::Bus;
use super::measures::Kept;
use super::shares::{Share, decode};
use super::stretch::Place;
use ripieno_engine::bed::{STEPS_PER_UNIT, STRETCH_BLOCKS};
use ripieno_engine::stem::BLOCK_FRAMES;
use std::collections::BTreeMap;

/// Room for rounding to single precision.
const MARGIN: f64 = 1.000_001;

/// By how many steps every block of a stretch has moved at most, either side.
pub(super) type Changes = [f64; STRETCH_BLOCKS];

impl Bus<'_> {
    /// None if it cannot be told, as when a level has changed and no `changes` are given.
    pub(super) fn bounds_since(
        &self,
        stretch: i64,
        kept: &Kept,
        changes: Option<Changes>,
    ) -> Option<Vec<f32>> {
        let (place, within) = Place::of(stretch, &self.plan.range);
        if (&kept.within, kept.last) != (&within, place.last) {
            return None;
        }
        let changes = match changes {
            Some(changes) => changes,
            None => self.farthest(stretch, &decode(&kept.shares)?)?,
        };
        let changes = changes.map(|steps| (steps * MARGIN / STEPS_PER_UNIT) as f32);
        Some(kept.measured.peaks.raised(&changes, BLOCK_FRAMES, within.start))
    }

    /// By how much the mix can lie apart from one of other shares, as long as no level is another.
    fn farthest(&self, stretch: i64, others: &[Share]) -> Option<Changes> {
        let mut changes = [0.0; STRETCH_BLOCKS];
        let mut groups: BTreeMap<&str, [Option<&Share>; 2]> = BTreeMap::new();
        for (which, shares) in [others, self.shares(stretch)].into_iter().enumerate() {
            for share in shares {
                groups.entry(&share.group).or_default()[which] = Some(share);
            }
        }
        let (nothing, first_block) = (BTreeMap::new(), stretch * STRETCH_BLOCKS as i64);
        for shares in groups.into_values() {
            let any = shares[0].or(shares[1])?;
            if !shares.iter().flatten().all(|share| share.is_as_loud_as(any)) {
                return None;
            }
            let [old, new] = shares.map(|share| share.map_or(&nothing, |share| &share.contents));
            let steps = self.shelf.farthest(old, new, first_block, STRETCH_BLOCKS)?;
            for (change, steps) in changes.iter_mut().zip(steps).filter(|(_, steps)| *steps > 0) {
                // Both are rounded to the grid.
                *change += steps as f64 * any.most() + 1.0;
            }
        }
        Some(changes)
    }
}
