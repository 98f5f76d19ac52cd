//! What each group gives to a stretch of the mix, and the exact sum of that, kept between renders.
//!
//! A kept sum says what went into it: of every group the contents of its bed, its gain and the
//! points of its curve. Where only one group has changed since, its old share is taken out and
//! its new one added, in integers; the other groups' beds are not read.

use super::measures::Fingerprint;
use super::stretch::{Place, grid_range, is_shut, stretches};
use crate::plan::Plan;
use ripieno_engine::bed::{
    BedError, Key, STRETCH_BLOCKS, StepsBuffer, StepsError, StepsFile, contents_of,
    decode_contents, encode_contents,
};
use ripieno_engine::mix::{Curve, CurvePoint, Part, Shape, amplitude};
use std::collections::BTreeMap;
use std::ops::Range;
use std::path::{Path, PathBuf};

/// What kept sums are called inside.
pub(super) const MAGIC: [u8; 8] = *b"ripsum_2";

/// One group's share of one stretch: all that decides it.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Share {
    pub(super) group: String,
    pub(super) gain: f64,
    points: Vec<CurvePoint>,
    pub(super) contents: BTreeMap<Key, u32>,
}

impl Share {
    /// What of the group's bed it is.
    pub(super) fn part(&self) -> Part {
        Part { curve: Curve::within(self.points.clone()), gain: self.gain, former: false }
    }

    /// The level it is at, at most.
    pub(super) fn most(&self) -> f64 {
        let levels = self.points.iter().map(|point| amplitude(point.db));
        self.gain.abs() * levels.reduce(f64::max).unwrap_or(1.0)
    }

    /// Whether another is at the same level all along.
    pub(super) fn is_as_loud_as(&self, other: &Share) -> bool {
        self.gain == other.gain && self.points == other.points
    }

    /// What takes it out of a sum again.
    pub(super) fn taken_out(&self) -> Part {
        Part { gain: -self.gain, ..self.part() }
    }
}

/// The shares of every stretch of a plan; a group that is shut there has none.
pub(super) fn shares(plan: &Plan) -> Vec<Vec<Share>> {
    let stems: Vec<Vec<_>> = plan
        .groups
        .iter()
        .map(|group| group.stems.iter().map(|stem| stem.contribution()).collect())
        .collect();
    let of = |stretch: i64| {
        let open = plan.groups.iter().zip(&stems).filter(|(group, _)| !is_shut(group, stretch));
        open.map(|(group, stems)| Share {
            group: group.name.clone(),
            gain: group.gain,
            points: group.curve.points_over(grid_range(stretch)),
            contents: contents_of(stems, stretch * STRETCH_BLOCKS as i64, STRETCH_BLOCKS),
        })
        .collect()
    };
    stretches(plan).map(of).collect()
}

/// Fingerprints of the measures of every stretch.
pub(super) fn fingerprints(plan: &Plan, shares: &[Vec<Share>]) -> Vec<Fingerprint> {
    let own: Vec<Fingerprint> = stretches(plan)
        .zip(shares)
        .map(|(stretch, shares)| {
            let (place, within) = Place::of(stretch, &plan.range);
            let mut hasher = blake3::Hasher::new();
            hasher.update(env!("CARGO_PKG_VERSION").as_bytes());
            for number in [stretch, within.start as i64, within.end as i64, i64::from(place.last)] {
                hasher.update(&number.to_le_bytes());
            }
            hasher.update(&place.first_frame.to_le_bytes());
            *hasher.update(&encode(shares)).finalize().as_bytes()
        })
        .collect();
    let joined = |at: usize| {
        let before = at.checked_sub(1).map_or(&[0; 32], |before| &own[before]);
        *blake3::Hasher::new().update(&own[at]).update(before).finalize().as_bytes()
    };
    (0..own.len()).map(joined).collect()
}

/// The sum of all groups over one stretch, as it was kept.
pub(super) struct KeptSum {
    path: PathBuf,
    pub(super) file: StepsFile,
    pub(super) shares: Vec<Share>,
}

impl KeptSum {
    /// Opens it, if it is there and whole.
    pub(super) fn open(path: &Path, stretch: i64) -> Option<Self> {
        let first_block = stretch * STRETCH_BLOCKS as i64;
        let file = StepsFile::open(path, MAGIC, first_block, STRETCH_BLOCKS).ok()?;
        let shares = decode(file.head())?;
        Some(Self { path: path.to_owned(), file, shares })
    }

    /// Appends some frames as samples, left and right, counted from the first of the stretch.
    pub(super) fn append_samples(
        &self,
        frames: Range<usize>,
        out: &mut [Vec<f32>; 2],
        buffer: &mut StepsBuffer,
    ) -> Result<(), BedError> {
        let read = self.file.append_samples(frames, out, buffer);
        read.map_err(|source| self.damaged(source))
    }

    /// That it is no longer what was written.
    pub(super) fn damaged(&self, source: StepsError) -> BedError {
        BedError::Kept { path: self.path.clone(), source }
    }
}

/// Shares as bytes.
pub(super) fn encode(shares: &[Share]) -> Vec<u8> {
    let mut bytes = Vec::new();
    let put = |bytes: &mut Vec<u8>, part: &[u8]| {
        bytes.extend((part.len() as u64).to_le_bytes());
        bytes.extend(part);
    };
    for share in shares {
        put(&mut bytes, share.group.as_bytes());
        put(&mut bytes, &share.gain.to_le_bytes());
        put(&mut bytes, &share.points.iter().flat_map(encode_point).collect::<Vec<u8>>());
        put(&mut bytes, &encode_contents(&share.contents));
    }
    bytes
}

/// The reverse of [`encode`]; none if the bytes are no such thing.
pub(super) fn decode(mut bytes: &[u8]) -> Option<Vec<Share>> {
    let mut shares = Vec::new();
    while !bytes.is_empty() {
        let mut part = || {
            let (length, rest) = bytes.split_first_chunk::<8>()?;
            let (part, rest) = rest.split_at_checked(u64::from_le_bytes(*length) as usize)?;
            bytes = rest;
            Some(part)
        };
        let group = String::from_utf8(part()?.to_vec()).ok()?;
        let gain = f64::from_le_bytes(part()?.try_into().ok()?);
        let points = part()?.as_chunks::<17>().0.iter().map(decode_point).collect::<Option<_>>()?;
        shares.push(Share { group, gain, points, contents: decode_contents(part()?)? });
    }
    Some(shares)
}

const SHAPES: [Shape; 4] = [Shape::Hold, Shape::Line, Shape::EqualPower, Shape::SCurve];

fn encode_point(point: &CurvePoint) -> Vec<u8> {
    let shape = SHAPES.iter().position(|shape| *shape == point.shape).unwrap_or(0) as u8;
    [&point.at_sample.to_le_bytes()[..], &point.db.to_le_bytes(), &[shape]].concat()
}

fn decode_point(bytes: &[u8; 17]) -> Option<CurvePoint> {
    let (at_sample, rest) = bytes.split_first_chunk::<8>()?;
    let (db, shape) = rest.split_first_chunk::<8>()?;
    let shape = *SHAPES.get(usize::from(*shape.first()?))?;
    Some(CurvePoint {
        at_sample: i64::from_le_bytes(*at_sample),
        db: f64::from_le_bytes(*db),
        shape,
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn shares_come_back_as_they_went() {
        let point = |at_sample, db, shape| CurvePoint { at_sample, db, shape };
        let shares = vec![
            Share {
                group: "Glocken über allem".into(),
                gain: 0.123,
                points: vec![
                    point(-5, f64::NEG_INFINITY, Shape::SCurve),
                    point(1 << 33, -3.5, Shape::EqualPower),
                ],
                contents: BTreeMap::new(),
            },
            Share { group: String::new(), gain: 1.0, points: vec![], contents: BTreeMap::new() },
        ];
        let bytes = encode(&shares);
        assert_eq!(decode(&bytes).unwrap(), shares);
        assert!(decode(&bytes[..bytes.len() - 1]).is_none());
    }
}
