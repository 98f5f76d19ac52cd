#![allow(clippy::unwrap_used)]

use super::*;
use crate::bed::{Bed, Shelf, contents_of, recall, refresh};
use kept::{Kept, sloping};
use proptest::prelude::*;

pub(in crate::mix) mod kept;

#[test]
fn fast_and_plain_ways_agree_to_the_last_bit() {
    let mut random = fastrand::Rng::with_seed(3);
    for most in [1i64, 1 << 20, 1 << 31, 1 << 44, 1 << 49, 1 << 60] {
        let steps: Vec<i64> = (0..5003).map(|_| random.i64(-most..=most)).collect();
        let gains: Vec<f64> = (0..5003).map(|_| random.f64() * 2.0).collect();
        let most = gains.iter().copied().fold(0.0, f64::max);
        for gain in [Gain::Steady(0.5), Gain::Steady(1.3), Gain::Moving { gains: &gains, most }] {
            let (mut plain, mut quick) = (vec![7i64; 5003], vec![7i64; 5003]);
            add_plainly(&mut plain, steps.iter().copied(), gain);
            add_wide(&mut quick, &steps, gain);
            assert_eq!(plain, quick);
            let bytes: Vec<[u8; 4]> = steps.iter().map(|s| (*s as i32).to_le_bytes()).collect();
            let words = bytes.iter().map(|bytes| i64::from(i32::from_le_bytes(*bytes)));
            let (mut plain, mut quick) = (vec![7i64; 5003], vec![7i64; 5003]);
            add_plainly(&mut plain, words, gain);
            add_short(&mut quick, &bytes, gain, i32::from_le_bytes);
            assert_eq!(plain, quick);
        }
    }
}

fn a_bed(seed: u64) -> GroupBed<'static> {
    let mut random = fastrand::Rng::with_seed(seed);
    GroupBed::Made(Bed::of_steps(-1, &mut || random.i64(-(1 << 33)..1 << 33), 3))
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::with_cases(24) })]
    /// Any order of groups, any cut, kept or made: one mix.
    #[test]
    fn a_mix_depends_on_neither_order_nor_cuts(cut in 1usize..12_287, gain in 0.01f64..4.0) {
        let dir = tempfile::tempdir().map_err(|e| TestCaseError::fail(e.to_string()))?;
        let beds = [a_bed(1), a_bed(2)];
        let curve = Curve::new(&[
            crate::mix::CurvePoint { at_sample: 0, db: -20.0, shape: crate::mix::Shape::Line },
            crate::mix::CurvePoint { at_sample: 4000, db: 0.0, shape: crate::mix::Shape::Hold },
        ], 240);
        let steady = Curve::steady(-3.0);
        let mut buffer = BedBuffer::default();
        let mut add = |sum: &mut MixSum, bed: &GroupBed<'_>, range, curve: &Curve, gain| {
            let part = Part { curve: curve.clone(), gain, former: false };
            sum.add_bed(bed, range, &[part], &mut buffer).map_err(|error| TestCaseError::fail(error.to_string()))
        };
        let mut whole = MixSum::silent(12_288);
        add(&mut whole, &beds[0], 0..12_288, &curve, gain)?;
        let alone = whole.clone();
        add(&mut whole, &beds[1], 0..12_288, &steady, gain)?;
        let path = dir.path().join("b");
        if let GroupBed::Made(bed) = &beds[0] {
            bed.save(&path).map_err(|e| TestCaseError::fail(e.to_string()))?;
        }
        let bed = crate::bed::KeptBed::open(&path, -1, 3)
            .map_err(|e| TestCaseError::fail(e.to_string()))?;
        let kept = GroupBed::Kept { bed, changes: Vec::new(), former: Vec::new() };
        let mut planes = [Vec::new(), Vec::new()];
        for range in [0..cut, cut..12_288] {
            let mut part = MixSum::silent(range.len());
            add(&mut part, &beds[1], range.clone(), &steady, gain)?;
            add(&mut part, &kept, range, &curve, gain)?;
            for (plane, part) in planes.iter_mut().zip(&part.planes) {
                plane.extend_from_slice(part);
            }
        }
        prop_assert!(whole.planes == planes);
        add(&mut whole, &beds[1], 0..12_288, &steady, -gain)?;
        prop_assert!(whole == alone, "what was added is taken out to the last bit");
    }
}

/// One reading takes out the old share and puts in the new one, as two readings would.
#[test]
fn a_bed_read_once_for_both_its_shares_gives_what_two_readings_do() {
    let kept = Kept::new();
    let curves =
        [sloping(0.0), sloping(-3.0), Curve::steady(-6.0), Curve::steady(f64::NEG_INFINITY)];
    let shelf = Shelf::of(&kept.stems);
    for (now, then) in [(0..9, 0..8), (0..8, 0..9), (1..10, 0..9), (2..8, 1..8), (0..8, 0..8)] {
        for (case, curve) in curves.iter().enumerate() {
            for (gain, old_gain) in [(0.7, 0.7), (0.7, 0.71)] {
                for old_curve in [curve, &curves[0]] {
                    let mut buffer = BedBuffer::default();
                    let part =
                        |curve: &Curve, gain| Part { curve: curve.clone(), gain, former: false };
                    let add = [part(curve, gain)];
                    let out = [part(old_curve, -old_gain)];
                    let frames = 100..4 * BLOCK_FRAMES - 100;
                    let mut twice = MixSum::silent(frames.len());
                    let (bed, _) =
                        refresh(&kept.path(), 0, 4, &kept.parts(now.clone()), &shelf).unwrap();
                    twice.add_bed(&bed, frames.clone(), &add, &mut buffer).unwrap();
                    let contents = contents_of(&kept.parts(then.clone()), 0, 4);
                    let bed = recall(&kept.path(), 0, 4, &contents, &shelf).unwrap().unwrap();
                    twice.add_bed(&bed, frames.clone(), &out, &mut buffer).unwrap();
                    let mut once = MixSum::silent(frames.len());
                    let bed = kept.exchanging(now.clone(), then.clone()).unwrap();
                    let [add, out] = [add, out].map(|[part]| part);
                    let parts = [add, Part { former: true, ..out }];
                    once.add_bed(&bed, frames, &parts, &mut buffer).unwrap();
                    assert!(once == twice, "{now:?} for {then:?}, {case}, {old_gain}");
                }
            }
        }
    }
}

/// Where no stem has come or gone under the same level, nothing is read.
#[test]
fn a_block_without_change_is_not_read() {
    let kept = Kept::new();
    let mut bytes = std::fs::read(kept.path()).unwrap();
    // Blocks of two planes of four bytes a frame; the second is silent and takes no room.
    let rest = bytes.len() - 2 * 8 * BLOCK_FRAMES;
    bytes[rest - 100] ^= 1;
    std::fs::write(kept.path(), &bytes).unwrap();
    let exchange = |now: Range<usize>, curve: Curve, from: usize| {
        let bed = kept.exchanging(now, 0..8).unwrap();
        let part = |gain, former| Part { curve: curve.clone(), gain, former };
        let frames = from * BLOCK_FRAMES..4 * BLOCK_FRAMES;
        let mut sum = MixSum::silent(frames.len());
        sum.add_bed(&bed, frames, &[part(0.5, false), part(-0.5, true)], &mut BedBuffer::default())
    };
    assert!(exchange(0..8, sloping(0.0), 0).is_ok(), "nothing changed");
    assert!(exchange(0..9, sloping(0.0), 1).is_ok(), "the first block is not asked for");
    assert!(matches!(exchange(0..9, sloping(0.0), 0), Err(BedError::Kept { .. })));
}

#[test]
fn a_bed_just_made_or_too_far_from_what_it_was_remembers_nothing() {
    let kept = Kept::new();
    assert!(kept.exchanging(0..12, 0..8).is_some());
    std::fs::remove_file(kept.path()).unwrap();
    assert!(kept.exchanging(0..12, 0..8).is_none(), "it was made anew");
}
