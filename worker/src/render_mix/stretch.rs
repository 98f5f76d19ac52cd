//! A stretch of the mix with what mastering needs to know of it, kept between renders.
//!
//! A kept stretch names by a fingerprint all that it depends on: the contents of the groups' beds,
//! their gains, the points of their curves that matter there, and the same of the stretch before,
//! from whose end the loudness filter and the peak reader start. One that fits is read instead of
//! the beds; anything else is made anew, and both give the same bits.

use crate::plan::{Plan, PlannedGroup};
use ripieno_engine::bed::STRETCH_BLOCKS;
use ripieno_engine::limit::{Peaks, peaks_of};
use ripieno_engine::loudness::hops::{PRE_ROLL_FRAMES, hop_frames, hop_sums};
use ripieno_engine::mix::Shape;
use ripieno_engine::stem::BLOCK_FRAMES;
use std::io::Write;
use std::ops::Range;
use std::path::Path;

/// Frames in a stretch.
pub(super) const STRETCH_FRAMES: i64 = (STRETCH_BLOCKS * BLOCK_FRAMES) as i64;

const MAGIC: [u8; 8] = *b"ripsum_1";

/// What decides the sound and the measures of a stretch.
pub(super) type Fingerprint = [u8; 32];

/// What was measured of a part of a programme, before any gain.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Measured {
    /// K-weighted sums by hop; the first and the last may be parts of hops.
    pub(super) hops: Vec<f64>,
    /// Its true peaks.
    pub(super) peaks: Peaks,
}

/// Where a part lies in the rendered range.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    /// Its first frame, counted from the first of the range.
    pub(super) first_frame: u64,
    pub(super) frames: usize,
    /// Whether nothing follows.
    pub(super) last: bool,
}

/// A stretch of the mix.
pub(super) struct Stretch {
    pub(super) planes: [Vec<f32>; 2],
    pub(super) measured: Measured,
}

impl Place {
    /// The part of a stretch that lies in `range`.
    pub(super) fn of(stretch: i64, range: &Range<i64>) -> (Place, Range<usize>) {
        let within = part(stretch, range);
        let first = stretch * STRETCH_FRAMES + within.start as i64 - range.start;
        let last = (stretch + 1) * STRETCH_FRAMES >= range.end;
        (Place { first_frame: first.max(0) as u64, frames: within.len(), last }, within)
    }

    /// Measures a part that follows `before`.
    pub(super) fn measure(&self, rate_hz: u32, before: [&[f32]; 2], part: [&[f32]; 2]) -> Measured {
        let phase = (self.first_frame % hop_frames(rate_hz) as u64) as usize;
        Measured {
            hops: hop_sums(rate_hz, before, part, phase),
            peaks: peaks_of(before, part, self.last),
        }
    }
}

/// The frames of a stretch that are rendered, counted from its first.
fn part(stretch: i64, range: &Range<i64>) -> Range<usize> {
    let first = stretch * STRETCH_FRAMES;
    let from = (range.start - first).clamp(0, STRETCH_FRAMES);
    let upto = (range.end - first).clamp(from, STRETCH_FRAMES);
    from as usize..upto as usize
}

/// The end of a programme so far, as long as a part's measures reach back.
#[derive(Default)]
pub(super) struct Tail(pub(super) [Vec<f32>; 2]);

impl Tail {
    pub(super) fn push(&mut self, planes: [&[f32]; 2]) {
        for (tail, plane) in self.0.iter_mut().zip(planes) {
            tail.extend_from_slice(&plane[plane.len().saturating_sub(PRE_ROLL_FRAMES)..]);
            let extra = tail.len().saturating_sub(PRE_ROLL_FRAMES);
            tail.drain(..extra);
        }
    }

    pub(super) fn planes(&self) -> [&[f32]; 2] {
        [&self.0[0], &self.0[1]]
    }
}

/// Whether a group is silent by its curve all through a part of a stretch.
pub(super) fn is_shut(group: &PlannedGroup, stretch: i64, within: &Range<usize>) -> bool {
    let first = stretch * STRETCH_FRAMES;
    let range = first + within.start as i64..first + within.end as i64;
    group.curve.constant_over(range) == Some(0.0)
}

/// Fingerprints of some stretches.
pub(super) fn fingerprints(plan: &Plan, stretches: Range<i64>) -> Vec<Fingerprint> {
    let own: Vec<Fingerprint> =
        stretches.clone().map(|stretch| own_fingerprint(plan, stretch)).collect();
    let joined = |at: usize| {
        let mut hasher = blake3::Hasher::new();
        hasher.update(&own[at]);
        hasher.update(at.checked_sub(1).map_or(&[0; 32], |before| &own[before]));
        *hasher.finalize().as_bytes()
    };
    (0..own.len()).map(joined).collect()
}

fn own_fingerprint(plan: &Plan, stretch: i64) -> Fingerprint {
    let (place, within) = Place::of(stretch, &plan.range);
    let mut hasher = blake3::Hasher::new();
    let mut put = |bytes: &[u8]| {
        hasher.update(&(bytes.len() as u64).to_le_bytes());
        hasher.update(bytes);
    };
    put(env!("CARGO_PKG_VERSION").as_bytes());
    for number in [stretch, within.start as i64, within.end as i64, i64::from(place.last)] {
        put(&number.to_le_bytes());
    }
    put(&place.first_frame.to_le_bytes());
    let first_block = stretch * STRETCH_BLOCKS as i64;
    let first = stretch * STRETCH_FRAMES;
    for group in &plan.groups {
        if is_shut(group, stretch, &within) {
            continue;
        }
        put(&group.gain.to_le_bytes());
        for point in group.curve.points_over(first + within.start as i64..first + within.end as i64)
        {
            let shape = match point.shape {
                Shape::Hold => 0u8,
                Shape::Line => 1,
                Shape::EqualPower => 2,
                Shape::SCurve => 3,
            };
            put(&[&point.at_sample.to_le_bytes()[..], &point.db.to_le_bytes(), &[shape]].concat());
        }
        let stems = group.stems.iter().map(|stem| stem.contribution());
        let mut keys: Vec<[u8; 40]> = stems
            .filter(|stem| stem.sounds_in(first_block, STRETCH_BLOCKS))
            .map(|stem| stem.key().bytes())
            .collect();
        keys.sort_unstable();
        put(&keys.concat());
    }
    *hasher.finalize().as_bytes()
}

impl Stretch {
    /// Keeps it; the old file or the new one is there, whatever happens. It is a cache: what
    /// cannot be written is not kept.
    pub(super) fn save(&self, path: &Path, fingerprint: &Fingerprint) -> std::io::Result<()> {
        let Measured { hops, peaks } = &self.measured;
        let samples = 2 * self.planes[0].len();
        let mut bytes =
            Vec::with_capacity(100 + 8 * hops.len() + 4 * peaks.bounds.len() + 4 * samples);
        bytes.extend(MAGIC);
        bytes.extend(fingerprint);
        for count in [hops.len(), peaks.bounds.len(), self.planes[0].len()] {
            bytes.extend((count as u64).to_le_bytes());
        }
        bytes.extend(hops.iter().flat_map(|sum| sum.to_le_bytes()));
        bytes.extend(peaks.highest.to_le_bytes());
        bytes.extend(peaks.bounds.iter().flat_map(|bound| bound.to_le_bytes()));
        for plane in &self.planes {
            bytes.extend(plane.iter().flat_map(|sample| sample.to_le_bytes()));
        }
        let hash = blake3::hash(&bytes);
        let folder = path.parent().unwrap_or(path);
        std::fs::create_dir_all(folder)?;
        let mut file = tempfile::NamedTempFile::new_in(folder)?;
        file.write_all(&bytes)?;
        file.write_all(hash.as_bytes())?;
        file.persist(path).map_err(|error| error.error)?;
        Ok(())
    }

    /// Reads it back, if what is there is whole and of this fingerprint.
    pub(super) fn load(path: &Path, fingerprint: &Fingerprint) -> Option<Self> {
        let mut head = [0u8; 40];
        std::io::Read::read_exact(&mut std::fs::File::open(path).ok()?, &mut head).ok()?;
        if head[..8] != MAGIC || head[8..] != *fingerprint {
            return None;
        }
        let bytes = std::fs::read(path).ok()?;
        let (body, hash) = bytes.split_last_chunk::<32>()?;
        if *blake3::hash(body).as_bytes() != *hash || body[..40] != head {
            return None;
        }
        let (counts, mut rest) = body[40..].split_at_checked(24)?;
        let counts = counts.as_chunks::<8>().0;
        let mut take = |count: [u8; 8], size: usize| {
            let count = usize::try_from(u64::from_le_bytes(count)).ok()?;
            let (head, tail) = rest.split_at_checked(count.checked_mul(size)?)?;
            rest = tail;
            Some(head)
        };
        let one = 1u64.to_le_bytes();
        let floats = |bytes: &[u8]| -> Vec<f32> {
            bytes.as_chunks::<4>().0.iter().map(|bytes| f32::from_le_bytes(*bytes)).collect()
        };
        let hops = take(counts[0], 8)?.as_chunks::<8>().0;
        let hops = hops.iter().map(|bytes| f64::from_le_bytes(*bytes)).collect();
        let highest = *floats(take(one, 4)?).first()?;
        let bounds = floats(take(counts[1], 4)?);
        let planes = [floats(take(counts[2], 4)?), floats(take(counts[2], 4)?)];
        Some(Self { planes, measured: Measured { hops, peaks: Peaks { highest, bounds } } })
    }
}

/// Mean powers by hop of a whole programme from those of its parts, each with a gain.
pub(super) fn powers<'a>(
    rate_hz: u32,
    parts: impl Iterator<Item = (&'a Place, &'a [f64], f64)>,
) -> Vec<f64> {
    let hop = hop_frames(rate_hz);
    let mut powers: Vec<f64> = Vec::new();
    for (place, hops, gain) in parts {
        let first = (place.first_frame / hop as u64) as usize;
        powers.resize(powers.len().max(first + hops.len()), 0.0);
        for (power, sum) in powers[first..].iter_mut().zip(hops) {
            *power += sum * (gain * gain / hop as f64);
        }
    }
    powers
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn a_kept_stretch_comes_back_whole_or_not_at_all() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("sums/3.sum");
        let plane: Vec<f32> = (0..9_000).map(|n| n as f32 * 1e-5).collect();
        let peaks = Peaks { highest: 0.5, bounds: vec![0.25, 0.5] };
        let measured = Measured { hops: vec![1.0, 2.0, 0.1], peaks };
        let stretch = Stretch { planes: [plane.clone(), plane], measured };
        stretch.save(&path, &[7; 32]).unwrap();
        let back = Stretch::load(&path, &[7; 32]).unwrap();
        assert_eq!((&back.planes, &back.measured), (&stretch.planes, &stretch.measured));
        assert!(Stretch::load(&path, &[8; 32]).is_none());
        let whole = std::fs::read(&path).unwrap();
        for cut in [0, 39, 50, whole.len() - 1] {
            std::fs::write(&path, &whole[..cut]).unwrap();
            assert!(Stretch::load(&path, &[7; 32]).is_none());
        }
        let mut flipped = whole;
        flipped[5_000] ^= 1;
        std::fs::write(&path, &flipped).unwrap();
        assert!(Stretch::load(&path, &[7; 32]).is_none());
    }
}
