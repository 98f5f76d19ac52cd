//! What mastering needs to know of a stretch of the mix, kept between renders.
//!
//! The fingerprint names all that the measures depend on: the shares of the groups, where the
//! stretch lies in what is rendered, and the same of the stretch before, from whose end the
//! loudness filter and the peak reader start.

use super::sealed;
use super::stretch::Measured;
use ripieno_engine::limit::Peaks;
use std::path::Path;

const MAGIC: [u8; 8] = *b"ripmea_3";

/// What decides the measures of a stretch.
pub(super) type Fingerprint = [u8; 32];

/// Keeps measures; the old file or the new one is there, whatever happens.
pub(super) fn save(
    measured: &Measured,
    path: &Path,
    fingerprint: &Fingerprint,
) -> std::io::Result<()> {
    let Measured { hops, peaks } = measured;
    let mut bytes = Vec::with_capacity(100 + 8 * hops.len() + 4 * peaks.bounds.len());
    bytes.extend(fingerprint);
    bytes.extend((hops.len() as u64).to_le_bytes());
    bytes.extend(hops.iter().flat_map(|sum| sum.to_le_bytes()));
    bytes.extend(peaks.highest.to_le_bytes());
    bytes.extend(peaks.bounds.iter().flat_map(|bound| bound.to_le_bytes()));
    sealed::save(path, &MAGIC, &bytes)
}

/// Reads them back, if what is there is whole and of this fingerprint.
pub(super) fn load(path: &Path, fingerprint: &Fingerprint) -> Option<Measured> {
    let bytes = sealed::load(path, &MAGIC)?;
    let (count, rest) = bytes.strip_prefix(fingerprint)?.split_first_chunk::<8>()?;
    let count = usize::try_from(u64::from_le_bytes(*count)).ok()?;
    let (hops, rest) = rest.split_at_checked(count.checked_mul(8)?)?;
    let (highest, bounds) = rest.split_first_chunk::<4>()?;
    let hops = hops.as_chunks::<8>().0.iter().map(|sum| f64::from_le_bytes(*sum)).collect();
    let bounds = bounds.as_chunks::<4>().0.iter().map(|bound| f32::from_le_bytes(*bound)).collect();
    Some(Measured { hops, peaks: Peaks { highest: f32::from_le_bytes(*highest), bounds } })
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
        save(&measured, &path, &[7; 32]).unwrap();
        assert_eq!(load(&path, &[7; 32]), Some(measured));
        assert_eq!(load(&path, &[8; 32]), None);
        let whole = std::fs::read(&path).unwrap();
        for cut in [0, 39, 50, whole.len() - 1] {
            std::fs::write(&path, &whole[..cut]).unwrap();
            assert_eq!(load(&path, &[7; 32]), None);
        }
        let mut flipped = whole;
        flipped[60] ^= 1;
        std::fs::write(&path, &flipped).unwrap();
        assert_eq!(load(&path, &[7; 32]), None);
    }
}
