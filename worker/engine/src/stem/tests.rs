#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::*;
use proptest::prelude::*;
use std::fs::File;

fn write(path: &std::path::Path, first: i64, planes: &[Vec<f32>], step: usize) -> StemSummary {
    let mut file = File::create(path).unwrap();
    let mut writer = StemWriter::create(&mut file, 48_000, planes.len() as u16, first).unwrap();
    let frames = planes[0].len();
    for from in (0..frames).step_by(step) {
        let views: Vec<&[f32]> =
            planes.iter().map(|plane| &plane[from..frames.min(from + step)]).collect();
        writer.push(&views).unwrap();
    }
    writer.finish().unwrap()
}

fn noise(seed: u64, frames: usize, holes: bool) -> Vec<f32> {
    let mut random = fastrand::Rng::with_seed(seed);
    (0..frames)
        .map(|n| if holes && (n / 9_000) % 2 == 1 { 0.0 } else { random.f32() - 0.5 })
        .collect()
}

#[test]
fn what_is_read_is_what_was_written_wherever_it_starts() {
    let dir = tempfile::tempdir().unwrap();
    for (number, first) in
        [-10_000i64, -4096, -1, 0, 1, 4095, 4096, 1_000_003].into_iter().enumerate()
    {
        let planes = vec![noise(1, 50_001, true), noise(2, 50_001, true)];
        let path = dir.path().join(number.to_string());
        let written = write(&path, first, &planes, 777);
        let stem = StemFile::open(&path).unwrap();
        assert_eq!(stem.summary(), &written);
        assert_eq!(stem.read(first..first + 50_001).unwrap(), planes);
        let wide = stem.read(first - 5000..first + 55_001).unwrap();
        assert!(wide[0][..5000].iter().all(|&s| s == 0.0));
        assert_eq!(wide[0][5000..55_001], planes[0][..]);
        stem.verify().unwrap();
    }
}

#[test]
fn silence_is_not_stored() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("s");
    let mut plane = vec![0.0f32; 100 * BLOCK_FRAMES];
    plane[50 * BLOCK_FRAMES + 3] = -0.25;
    let summary = write(&path, 0, &[plane], 10_000);
    assert_eq!(summary.stored_frames, BLOCK_FRAMES as u64);
    assert_eq!(summary.peak, 0.25);
    let length = std::fs::metadata(&path).unwrap().len();
    assert_eq!(length, (HEADER_BYTES + BLOCK_BYTES + 8 + 16 + 4) as u64);
    let empty = write(&path, 0, &[vec![]], 1);
    assert_eq!((empty.frames, empty.active_lufs), (0, None));
    assert!(StemFile::open(&path).unwrap().runs().is_empty());
}

/// A 997 Hz sine at 0 dBFS on one channel reads −3.01 LUFS (ITU-R BS.1770-4, annex 1).
#[test]
fn summary_and_block_powers_tell_the_loudness_of_the_active_part() {
    let dir = tempfile::tempdir().unwrap();
    let sine: Vec<f32> = (0..48_000 * 20)
        .map(|n| {
            let playing = (48_000 * 5..48_000 * 10).contains(&n);
            let phase = std::f64::consts::TAU * 997.0 * f64::from(n) / 48_000.0;
            if playing { phase.sin() as f32 } else { 0.0 }
        })
        .collect();
    let summary = write(&dir.path().join("s"), 0, &[sine], 4800);
    assert!((summary.active_lufs.unwrap() + 3.01).abs() < 0.3, "{summary:?}");
    assert!((summary.active_frames as i64 - 240_000).abs() <= 2 * BLOCK_FRAMES as i64);
    assert!(summary.low_share < 0.1);
    let stem = StemFile::open(dir.path().join("s")).unwrap();
    let middle = stem.block_powers().nth(30).unwrap().1;
    assert!((-0.691 + 10.0 * middle.log10() + 3.01).abs() < 0.05, "{middle}");
}

#[test]
fn the_content_hash_tells_content_and_place_apart_but_not_push_sizes() {
    let dir = tempfile::tempdir().unwrap();
    let planes = [noise(3, 30_000, false)];
    let one = write(&dir.path().join("a"), 5, &planes, 64);
    let two = write(&dir.path().join("b"), 5, &planes, 30_000);
    let moved = write(&dir.path().join("c"), 6, &planes, 64);
    let other = write(&dir.path().join("d"), 5, &[noise(4, 30_000, false)], 64);
    assert_eq!(one.content_hash, two.content_hash);
    assert_ne!(one.content_hash, moved.content_hash);
    assert_ne!(one.content_hash, other.content_hash);
}

#[test]
fn misuse_and_numbers_that_are_not_finite_are_refused() {
    let mut out = std::io::Cursor::new(Vec::new());
    assert!(StemWriter::create(&mut out, 48_000, 3, 0).is_err());
    assert!(StemWriter::create(&mut out, 48_000, 1, i64::MIN).is_err());
    let mut writer = StemWriter::create(&mut out, 48_000, 1, 0).unwrap();
    assert!(writer.push(&[&[0.0], &[0.0]]).is_err());
    assert!(matches!(writer.push(&[&[0.0, f32::NAN]]), Err(StemError::NotFinite { frame: 1 })));
}

#[test]
fn a_file_cut_short_or_never_finished_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("s");
    write(&path, 0, &[noise(5, 20_000, false)], 1000);
    let whole = std::fs::read(&path).unwrap();
    for length in [0, 7, 4095, 4096, whole.len() / 2, whole.len() - 1] {
        std::fs::write(&path, &whole[..length]).unwrap();
        assert!(StemFile::open(&path).is_err(), "{length}");
    }
    std::fs::write(&path, [&whole[..], b"x"].concat()).unwrap();
    assert!(StemFile::open(&path).is_err());
    let mut unfinished = whole.clone();
    unfinished[..HEADER_BYTES].fill(0);
    std::fs::write(&path, unfinished).unwrap();
    assert!(StemFile::open(&path).is_err());
}

#[test]
fn a_file_cut_short_after_it_was_opened_is_an_error_not_a_crash() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("s");
    write(&path, 0, &[noise(6, 200_000, false)], 1000);
    let stem = StemFile::open(&path).unwrap();
    File::options().write(true).open(&path).unwrap().set_len(20_000).unwrap();
    assert!(matches!(stem.read(0..200_000), Err(StemError::Io(_))));
    assert!(stem.verify().is_err());
}

#[test]
fn one_changed_sample_is_found_by_verify() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("s");
    write(&path, 0, &[noise(7, 20_000, false)], 1000);
    let mut bytes = std::fs::read(&path).unwrap();
    bytes[HEADER_BYTES + 100] ^= 1;
    std::fs::write(&path, bytes).unwrap();
    assert!(matches!(StemFile::open(&path).unwrap().verify(), Err(StemError::Damaged(_))));
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, failure_persistence: None, ..ProptestConfig::default() })]
    /// Any flipped byte in header or index, even with its hash made to fit, never panics.
    #[test]
    fn hostile_headers_never_panic(at in 8usize..200, byte: u8, fix: bool) {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("s");
        write(&path, -9000, &[noise(8, 40_000, true)], 5000);
        let mut bytes = std::fs::read(&path).unwrap();
        let end = bytes.len();
        let at = if at < 104 { at } else { end - (at - 103).min(32) };
        bytes[at] = byte;
        if fix {
            let stored = u64::from_le_bytes(bytes[32..40].try_into().unwrap());
            let index_at = HEADER_BYTES as u64 + stored.wrapping_mul(BLOCK_BYTES as u64);
            if let Some(index) = usize::try_from(index_at).ok().and_then(|at| bytes.get(at..)) {
                let mut hasher = blake3::Hasher::new();
                hasher.update(&bytes[..HEADER_BYTES - 32]);
                hasher.update(index);
                let hash = *hasher.finalize().as_bytes();
                bytes[HEADER_BYTES - 32..HEADER_BYTES].copy_from_slice(&hash);
            }
        }
        std::fs::write(&path, &bytes).unwrap();
        if let Ok(stem) = StemFile::open(&path) {
            let _ = stem.read(-10_000..40_000);
            let _ = stem.verify();
        }
    }
}
