//! What mastering needs to know of a stretch of the mix, kept between renders.
//!
//! The fingerprint names all that the measures depend on: the shares of the groups, where the
//! stretch lies in what is rendered, and the same of the stretch before, from whose end the
//! loudness filter and the peak reader start. The shares are kept too: measures of a stretch that a
//! few takes have come to or left still say where no peak can be.

use super::sealed;
use super::stretch::Measured;
use ripieno_engine::limit::Peaks;
use std::ops::Range;
use std::path::Path;

const MAGIC: [u8; 8] = *b"ripmea_4";

/// What decides the measures of a stretch.
pub(super) type Fingerprint = [u8; 32];

/// What is kept of a stretch.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Kept {
    pub(super) fingerprint: Fingerprint,
    /// Which frames of the stretch are in the render, and whether nothing follows.
    pub(super) within: Range<usize>,
    pub(super) last: bool,
    /// The shares of the groups, as bytes.
    pub(super) shares: Vec<u8>,
    pub(super) measured: Measured,
}

/// Keeps measures; the old file or the new one is there, whatever happens. Of a bound half the
/// bits are kept: the others are zero.
pub(super) fn save(kept: &Kept, path: &Path) -> std::io::Result<()> {
    let Measured { hops, peaks } = &kept.measured;
    let numbers = [kept.within.start, kept.within.end, usize::from(kept.last), kept.shares.len()];
    let more = 8 * hops.len() + 2 * peaks.bounds.len();
    let mut bytes = Vec::with_capacity(100 + kept.shares.len() + more);
    bytes.extend(kept.fingerprint);
    bytes.extend(numbers.iter().flat_map(|number| (*number as u64).to_le_bytes()));
    bytes.extend(&kept.shares);
    bytes.extend((hops.len() as u64).to_le_bytes());
    bytes.extend(hops.iter().flat_map(|sum| sum.to_le_bytes()));
    bytes.extend(peaks.highest.to_le_bytes());
    let half = |bound: &f32| ((bound.to_bits() >> 16) as u16).to_le_bytes();
    bytes.extend(peaks.bounds.iter().flat_map(half));
    sealed::save(path, &MAGIC, &bytes)
}

/// Reads them back, if what is there is whole.
pub(super) fn load(path: &Path) -> Option<Kept> {
    let bytes = sealed::load(path, &MAGIC)?;
    let (fingerprint, rest) = bytes.split_first_chunk::<32>()?;
    let (numbers, rest) = rest.split_first_chunk::<32>()?;
    let number = |bytes: &[u8; 8]| usize::try_from(u64::from_le_bytes(*bytes)).ok();
    let numbers = numbers.as_chunks::<8>().0.iter().map(number).collect::<Option<Vec<_>>>()?;
    let [start, end, last, length] = numbers[..] else { return None };
    let (shares, rest) = rest.split_at_checked(length)?;
    let (count, rest) = rest.split_first_chunk::<8>()?;
    let (hops, rest) = rest.split_at_checked(number(count)?.checked_mul(8)?)?;
    let (highest, bounds) = rest.split_first_chunk::<4>()?;
    let whole = |half: &[u8; 2]| f32::from_bits(u32::from(u16::from_le_bytes(*half)) << 16);
    let peaks = Peaks {
        highest: f32::from_le_bytes(*highest),
        bounds: bounds.as_chunks::<2>().0.iter().map(whole).collect(),
    };
    let hops = hops.as_chunks::<8>().0.iter().map(|sum| f64::from_le_bytes(*sum)).collect();
    Some(Kept {
        fingerprint: *fingerprint,
        within: start..end,
        last: last != 0,
        shares: shares.to_vec(),
        measured: Measured { hops, peaks },
    })
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used)]
    use super::*;

    #[test]
    fn measures_come_back_whole_or_not_at_all() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("3.measures");
        let peaks = Peaks { highest: 0.5, bounds: vec![0.25, 0.5] };
        let measured = Measured { hops: vec![1.0, 2.0, 0.1], peaks };
        let (within, shares) = (17..524_288, vec![1, 2, 3]);
        let kept = Kept { fingerprint: [7; 32], within, last: true, shares, measured };
        save(&kept, &path).unwrap();
        assert_eq!(load(&path), Some(kept));
        let whole = std::fs::read(&path).unwrap();
        for cut in [0, 39, 50, whole.len() - 1] {
            std::fs::write(&path, &whole[..cut]).unwrap();
            assert_eq!(load(&path), None);
        }
        let mut flipped = whole;
        flipped[60] ^= 1;
        std::fs::write(&path, &flipped).unwrap();
        assert_eq!(load(&path), None);
    }
}
