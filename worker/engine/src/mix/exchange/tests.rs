#![allow(clippy::unwrap_used)]

use super::*;
use crate::bed::{StepsBuffer, StepsFile, StepsWriter};
use crate::mix::sum::tests::kept::{Kept, sloping};
use crate::mix::{Curve, MixSum};
use std::path::Path;

const MAGIC: [u8; 8] = *b"sumtest1";

/// Four blocks of a kept sum, of which the third is silent and the last holds steps up to `most`.
fn a_sum(path: &Path, most: i64) -> StepsFile {
    let mut random = fastrand::Rng::with_seed(most.cast_unsigned());
    let mut writer = StepsWriter::create(path, MAGIC, 0, 4, Vec::new()).unwrap();
    for most in [1 << 30, 1 << 30, 0, most] {
        let [left, right] = [(); 2]
            .map(|()| (0..BLOCK_FRAMES).map(|_| random.i64(-most..=most)).collect::<Vec<i64>>());
        writer.push([&left, &right]);
    }
    writer.save().unwrap();
    StepsFile::open(path, MAGIC, 0, 4).unwrap()
}

fn by_mix_sum(sum: &StepsFile, bed: &GroupBed<'_>, parts: &[Part]) -> [Vec<f32>; 2] {
    let mut all = MixSum::silent(4 * BLOCK_FRAMES);
    all.begin_with(sum, 0, &mut StepsBuffer::default()).unwrap();
    all.add_bed(bed, 0..4 * BLOCK_FRAMES, parts, &mut BedBuffer::default()).unwrap();
    all.samples()
}

#[test]
fn a_bed_exchanged_at_once_gives_what_the_sum_in_steps_does() {
    let kept = Kept::new();
    let path = kept.path().with_extension("sum");
    let silent = Curve::steady(f64::NEG_INFINITY);
    for (now, then) in [(0..9, 0..8), (0..8, 0..9), (1..10, 0..9), (2..8, 1..8), (0..8, 0..8)] {
        for curve in [&sloping(0.0), &Curve::steady(-6.0), &silent] {
            for (most, gain) in [(1 << 30, 0.7), (1 << 40, 0.7), (1 << 30, -1.3), (5, 1e6)] {
                let sum = a_sum(&path, most);
                let bed = kept.exchanging(now.clone(), then.clone()).unwrap();
                let bends = [curve, &sloping(-3.0)];
                for (other_gain, other) in
                    [(-gain, curve), (-1.03 * gain, curve), (-gain, bends[1])]
                {
                    let part =
                        |gain, curve: &Curve, former| Part { curve: curve.clone(), gain, former };
                    let mut parts = [part(gain, curve, false), part(other_gain, other, true)];
                    for _ in 0..2 {
                        let wanted = by_mix_sum(&sum, &bed, &parts);
                        assert!(
                            at_once(&sum, &bed, &parts) == wanted,
                            "{now:?} for {then:?}, {most}, {gain}"
                        );
                        parts.reverse();
                    }
                }
            }
        }
    }
}

/// The samples; what is said to be the most that any has moved by holds.
fn at_once(sum: &StepsFile, bed: &GroupBed<'_>, parts: &[Part]) -> [Vec<f32>; 2] {
    let mut exchange = Exchange::of(bed, parts).unwrap();
    let (mut steps, mut buffer) = (StepsBuffer::default(), BedBuffer::default());
    let mut samples = [Vec::new(), Vec::new()];
    for block in 0..4 {
        let (mut out, mut before) = ([Vec::new(), Vec::new()], [Vec::new(), Vec::new()]);
        let frames = block * BLOCK_FRAMES..(block + 1) * BLOCK_FRAMES;
        sum.append_samples(frames, &mut before, &mut StepsBuffer::default()).unwrap();
        let sum = sum.read(block, &mut steps).unwrap();
        let most = exchange.samples(block, sum, &mut buffer, &mut out).unwrap() / STEPS_PER_UNIT;
        for (new, old) in out.iter().flatten().zip(before.iter().flatten()) {
            let rounding = 1e-7 * f64::from(new.abs().max(old.abs()));
            assert!((f64::from(*new) - f64::from(*old)).abs() <= most + rounding, "{new} {old}");
        }
        samples.iter_mut().zip(out).for_each(|(all, out)| all.extend(out));
    }
    samples
}

/// Vectors of every width the processor has, and none.
#[test]
fn what_is_exchanged_does_not_depend_on_the_processor() {
    let mut random = fastrand::Rng::with_seed(6);
    let mut steps = || -> Vec<i32> { (0..BLOCK_FRAMES).map(|_| random.i32(..)).collect() };
    let (a, b) = (steps(), steps());
    let sum: Vec<[u8; 4]> = steps().into_iter().map(i32::to_le_bytes).collect();
    let moving: Vec<f64> = (0..BLOCK_FRAMES).map(|n| 1.1 - 0.0003 * n as f64).collect();
    let steady = [0.7; LANES];
    for gains in [[&moving[..], &moving[..]], [&steady, &moving], [&steady, &steady]] {
        let (a, b) = ((&a[..], gains[0]), (&b[..], gains[1]));
        let mut plain = vec![0.0; BLOCK_FRAMES];
        let most = body(&sum, a, b, &mut plain);
        assert!(most > 0.0);
        let mut quick = vec![0.0; BLOCK_FRAMES];
        assert_eq!(fast(&sum, a, b, &mut quick), most);
        assert!(quick == plain);
        #[cfg(target_arch = "x86_64")]
        if std::is_x86_feature_detected!("avx2") {
            quick.fill(0.0);
            // SAFETY: the processor has AVX2.
            #[allow(unsafe_code)]
            let avx2_most = unsafe { with_avx2(&sum, a, b, &mut quick) };
            assert!(avx2_most == most && quick == plain);
        }
    }
}
