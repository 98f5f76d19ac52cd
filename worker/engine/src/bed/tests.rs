#![allow(clippy::unwrap_used, clippy::expect_used)]

use super::*;
use crate::stem::StemWriter;
use proptest::prelude::*;
use std::path::PathBuf;

struct Crowd {
    dir: tempfile::TempDir,
    stems: Vec<StemFile>,
}

impl Crowd {
    /// `count` stems of noise with rests; every fifth is stereo, some are hot.
    fn new(count: usize, frames: usize, loudest: f32) -> Self {
        let dir = tempfile::tempdir().unwrap();
        let stems = (0..count)
            .map(|number| {
                let mut random = fastrand::Rng::with_seed(number as u64);
                let level = loudest * random.f32();
                let mut plane = || -> Vec<f32> {
                    (0..frames)
                        .map(|n| {
                            let rest = (n / 10_000 + number) % 3 == 0;
                            if rest { 0.0 } else { level * (random.f32() * 2.0 - 1.0) }
                        })
                        .collect()
                };
                let planes = if number % 5 == 0 { vec![plane(), plane()] } else { vec![plane()] };
                let first = (number as i64 * 977) - 5_000;
                write(dir.path().join(number.to_string()), first, &planes)
            })
            .collect();
        Self { dir, stems }
    }

    fn parts(&self) -> Vec<Contribution<'_>> {
        let gain = |n: usize| 0.2 + (n % 7) as f32 * 0.1;
        let parts = self.stems.iter().enumerate();
        parts.map(|(n, stem)| Contribution { stem, gains: [gain(n), gain(n + 3)] }).collect()
    }
}

fn write(path: PathBuf, first: i64, planes: &[Vec<f32>]) -> StemFile {
    let file = std::fs::File::create(&path).unwrap();
    let mut writer = StemWriter::create(file, 48_000, planes.len() as u16, first).unwrap();
    writer.push(&planes.iter().map(Vec::as_slice).collect::<Vec<_>>()).unwrap();
    writer.finish().unwrap();
    StemFile::open(path).unwrap()
}

/// The slow, obvious twin: every stem read whole, one sample at a time, in `i64`.
fn obvious(parts: &[Contribution<'_>], first_block: i64, blocks: usize) -> [Vec<i64>; 2] {
    let first = first_block * BLOCK_FRAMES as i64;
    let mut sums = [0, 1].map(|_| vec![0i64; blocks * BLOCK_FRAMES]);
    for part in parts {
        let planes = part.stem.read(first..first + (blocks * BLOCK_FRAMES) as i64).unwrap();
        let peak = part.stem.summary().peak;
        let hot = part.gains.iter().any(|gain| gain * peak > 8.0);
        for (side, sum) in sums.iter_mut().enumerate() {
            let plane = &planes[side.min(planes.len() - 1)];
            for (sum, &sample) in sum.iter_mut().zip(plane) {
                let gain = part.gains[side] * (1u64 << 27) as f32;
                *sum += if hot {
                    (f64::from(sample) * f64::from(gain)).round_ties_even() as i64
                } else {
                    f64::from(sample * gain).round_ties_even() as i64
                };
            }
        }
    }
    sums
}

#[test]
fn a_bed_is_what_the_obvious_sum_gives() {
    // With many threads a batch is smaller than the crowd, with one it is not.
    for (loudest, threads) in [(0.3, 8), (1.0, 1), (3.0, 8), (3.0, 1), (30.0, 1), (3000.0, 1)] {
        let crowd = Crowd::new(40, 60_000, loudest);
        let mut bed = Bed::silent(-2, 20);
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| bed.add(&crowd.parts())).unwrap();
        assert_eq!(*bed.planes(), obvious(&crowd.parts(), -2, 20), "{loudest} {threads}");
    }
}

/// Against a float64 sum the integer grid costs at most half a step and an `f32` product a stem.
#[test]
fn a_bed_is_within_its_bound_of_the_float64_sum() {
    let crowd = Crowd::new(100, 20_000, 0.5);
    let mut bed = Bed::silent(0, 4);
    bed.add(&crowd.parts()).unwrap();
    let mut exact = vec![0.0f64; 4 * BLOCK_FRAMES];
    for part in crowd.parts() {
        let planes = part.stem.read(0..4 * BLOCK_FRAMES as i64).unwrap();
        for (sum, &sample) in exact.iter_mut().zip(&planes[0]) {
            *sum += f64::from(sample) * f64::from(part.gains[0]);
        }
    }
    let worst = bed.planes()[0]
        .iter()
        .zip(&exact)
        .map(|(&steps, exact)| (steps as f64 / STEPS_PER_UNIT - exact).abs());
    let worst = worst.fold(0.0, f64::max);
    let bound = 100.0 * (0.5 / STEPS_PER_UNIT + 0.5 * 2f64.powi(-24));
    assert!(worst < bound, "{worst}");
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]
    /// Order, the cut into stretches, and what was added and taken out on the way never change
    /// a bed.
    #[test]
    fn history_never_changes_a_bed(
        seed: u64, cut in 1usize..19, loudest in prop_oneof![Just(0.5f32), Just(20.0)]
    ) {
        let crowd = Crowd::new(24, 60_000, loudest);
        let mut random = fastrand::Rng::with_seed(seed);
        let mut parts = crowd.parts();
        let (kept, extra) = parts.split_at_mut(18);
        let mut scratch = Bed::silent(-2, 20);
        scratch.add(kept).unwrap();
        let mut walked = Bed::silent(-2, 20);
        random.shuffle(kept);
        for group in kept.chunks(random.usize(1..6)) {
            walked.add(group).unwrap();
            walked.add(extra).unwrap();
            walked.subtract(extra).unwrap();
        }
        prop_assert!(walked == scratch);
        let mut parts_of = [Bed::silent(-2, cut), Bed::silent(-2 + cut as i64, 20 - cut)];
        for bed in &mut parts_of {
            bed.add(kept).unwrap();
        }
        for side in 0..2 {
            let joined: Vec<i64> =
                parts_of.iter().flat_map(|bed| bed.planes()[side].clone()).collect();
            prop_assert!(joined == scratch.planes()[side]);
        }
    }

    /// Refreshing a kept bed gives, bit for bit, what starting anew gives.
    #[test]
    fn incremental_equals_from_scratch(
        seed: u64, loudest in prop_oneof![Just(0.5f32), Just(6.0), Just(20.0)]
    ) {
        let crowd = Crowd::new(16, 60_000, loudest);
        let mut random = fastrand::Rng::with_seed(seed);
        let kept = crowd.dir.path().join("kept.bed");
        let shelf = Shelf::of(&crowd.stems);
        for _ in 0..5 {
            let mut wanted = crowd.parts();
            random.shuffle(&mut wanted);
            wanted.truncate(random.usize(0..16));
            if random.bool() && let Some(first) = wanted.first_mut() {
                first.gains[0] *= 0.5;
            }
            let (bed, _) = refresh(&kept, -2, 20, &wanted, &shelf).unwrap();
            let mut scratch = Bed::silent(-2, 20);
            scratch.add(&wanted).unwrap();
            let (mut buffer, mut planes) = (BedBuffer::default(), [Vec::new(), Vec::new()]);
            for block in 0..20 {
                let sides = read_out(&bed, block, &mut buffer);
                planes.iter_mut().zip(sides).for_each(|(plane, side)| plane.extend(side));
            }
            prop_assert!(planes == *scratch.planes());
            prop_assert!(bed.into_bed().unwrap() == scratch);
            let recalled = recall(&kept, -2, 20, &contents_of(&wanted, -2, 20), &shelf).unwrap();
            if let Some(recalled) = recalled {
                prop_assert!(recalled.into_bed().unwrap() == scratch);
            }
        }
    }
}

fn read_out(bed: &GroupBed<'_>, block: usize, buffer: &mut BedBuffer) -> [Vec<i64>; 2] {
    bed.read(block, buffer).unwrap().map(|steps| {
        let mut spread = vec![7; BLOCK_FRAMES];
        steps.copy_to(&mut spread);
        spread
    })
}

/// 31 bits hold less than 16 times full scale.
#[test]
fn a_change_that_outgrows_narrow_steps_is_whole() {
    let dir = tempfile::tempdir().unwrap();
    let stems = [6.5f32, 6.25, 6.0, -6.5]
        .map(|level| write(dir.path().join(level.to_string()), 0, &[vec![level; BLOCK_FRAMES]]));
    let parts = |numbers: &[usize]| -> Vec<Contribution<'_>> {
        numbers.iter().map(|&n| Contribution { stem: &stems[n], gains: [1.0, -1.0] }).collect()
    };
    let shelf = Shelf::of(&stems);
    for (before, after) in [
        (&[0, 1][..], &[0, 1, 2][..]),
        (&[0, 1, 3], &[0, 1, 2]),
        (&[0, 1, 2], &[0, 1]),
        (&[0, 3], &[0]),
        (&[0, 1], &[1, 3]),
    ] {
        let path = dir.path().join("kept.bed");
        let _ = std::fs::remove_file(&path);
        refresh(&path, 0, 1, &parts(before), &shelf).unwrap();
        let (bed, how) = refresh(&path, 0, 1, &parts(after), &shelf).unwrap();
        let planes = read_out(&bed, 0, &mut BedBuffer::default());
        assert_eq!(planes, obvious(&parts(after), 0, 1), "{before:?} to {after:?}, {how:?}");
        let changed = matches!(bed, GroupBed::Kept { ref changes, .. } if !changes.is_empty());
        assert!(changed || how.anew, "{how:?}");
    }
}

#[test]
fn refreshing_touches_only_what_changed() {
    let crowd = Crowd::new(30, 60_000, 0.5);
    let path = crowd.dir.path().join("b");
    let parts = crowd.parts();
    let shelf = Shelf::of(&crowd.stems);
    let (_, first) = refresh(&path, 0, 10, &parts[..12], &shelf).unwrap();
    assert!(first.anew);
    let written = std::fs::read(&path).unwrap();
    let (_, again) = refresh(&path, 0, 10, &parts[..12], &shelf).unwrap();
    assert!(again.was_fresh());
    let (_, one) = refresh(&path, 0, 10, &parts[..13], &shelf).unwrap();
    assert_eq!(one, Refreshed { added: 1, removed: 0, anew: false });
    assert_eq!(std::fs::read(&path).unwrap(), written, "a few changes write nothing");
    let (_, out) = refresh(&path, 0, 10, &parts[1..12], &shelf).unwrap();
    assert_eq!(out, Refreshed { added: 0, removed: 1, anew: false });
    let (_, many) = refresh(&path, 0, 10, &parts, &shelf).unwrap();
    assert_eq!(many, Refreshed { added: 18, removed: 0, anew: false });
    let (_, kept) = refresh(&path, 0, 10, &parts, &shelf).unwrap();
    assert!(kept.was_fresh(), "many changes are kept");
    let (_, fewer) = refresh(&path, 0, 10, &parts[10..], &shelf).unwrap();
    assert_eq!(fewer, Refreshed { added: 0, removed: 10, anew: false });
    let few = Shelf::of(&crowd.stems[12..]);
    let (_, gone) = refresh(&path, 0, 10, &parts[12..], &few).unwrap();
    assert!(gone.anew, "a stem that is not at hand cannot be subtracted");
}

#[test]
fn a_bed_file_that_is_not_whole_is_made_anew() {
    let crowd = Crowd::new(6, 60_000, 0.5);
    let path = crowd.dir.path().join("b");
    let fresh = || refresh(&path, 0, 10, &crowd.parts(), &Shelf::of(&crowd.stems)).unwrap();
    let bed = fresh().0.into_bed().unwrap();
    let whole = std::fs::read(&path).unwrap();
    for cut in [0, 10, 40, 600, whole.len() / 2, whole.len() - 1] {
        std::fs::write(&path, &whole[..cut]).unwrap();
        let (again, how) = fresh();
        assert!(how.anew && again.into_bed().unwrap() == bed);
    }
    let mut flipped = whole.clone();
    flipped[60] ^= 4;
    std::fs::write(&path, &flipped).unwrap();
    assert!(KeptBed::open(&path, 0, 10).is_err(), "the front has a hash");
    for at in [whole.len() / 2, whole.len() - 1] {
        let mut flipped = whole.clone();
        flipped[at] ^= 4;
        std::fs::write(&path, &flipped).unwrap();
        assert!(matches!(fresh().0.into_bed(), Err(BedError::Kept { .. })), "blocks have sums");
    }
    std::fs::write(&path, &whole).unwrap();
    assert!(KeptBed::open(&path, 1, 10).is_err() && KeptBed::open(&path, 0, 9).is_err());
}

#[test]
fn silent_stretches_cost_next_to_nothing_on_disk() {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("b");
    Bed::silent(0, STRETCH_BLOCKS).save(&path).unwrap();
    assert!(std::fs::metadata(&path).unwrap().len() < 2_000);
}

#[test]
fn a_stem_that_is_gone_or_a_gain_that_is_no_number_is_a_typed_error() {
    let crowd = Crowd::new(2, 60_000, 0.5);
    let mut bed = Bed::silent(0, 10);
    let mut parts = crowd.parts();
    parts[0].gains[0] = f32::NAN;
    assert!(matches!(bed.add(&parts), Err(BedError::Gain { .. })));
    std::fs::remove_file(crowd.stems[1].path()).unwrap();
    assert!(matches!(bed.add(&parts[1..]), Err(BedError::Stem { .. })));
}

/// N equal incoherent sources are 10·log₁₀ N louder than one (power addition of uncorrelated
/// signals; any acoustics handbook, e.g. ISO 1683 levels).
#[test]
fn incoherent_stems_grow_by_ten_log_n() {
    let dir = tempfile::tempdir().unwrap();
    let stems: Vec<StemFile> = (0u64..64)
        .map(|number| {
            // Neighbouring seeds give correlated streams.
            let mut random = fastrand::Rng::with_seed(number.wrapping_mul(0x9e37_79b9_7f4a_7c15));
            let plane = (0..65_536).map(|_| random.f32() * 0.2 - 0.1).collect();
            write(dir.path().join(number.to_string()), 0, &[plane])
        })
        .collect();
    let level = |count: usize| {
        let parts: Vec<_> = stems[..count]
            .iter()
            .map(|stem| Contribution { stem, gains: [0.5f32.sqrt(); 2] })
            .collect();
        let mut bed = Bed::silent(0, 16);
        bed.add(&parts).unwrap();
        let powers = GroupBed::Made(bed).powers(48_000, &mut BedBuffer::default()).unwrap();
        10.0 * (powers.iter().sum::<f64>() / 16.0).log10()
    };
    let one = level(1);
    for count in [2, 8, 64] {
        let growth = level(count) - one;
        assert!((growth - 10.0 * (count as f64).log10()).abs() < 0.15, "{count}: {growth}");
    }
}
