//! A small bed on disk for tests, and stems that can come to it or leave it.

#![allow(clippy::unwrap_used)]

use crate::bed::{Contribution, GroupBed, Shelf, contents_of, refresh};
use crate::mix::{Curve, CurvePoint, Shape};
use crate::stem::{BLOCK_FRAMES, StemFile, StemWriter};
use std::ops::Range;
use std::path::Path;

/// Four blocks of noise, of which the second is silent.
fn a_stem(dir: &Path, number: u64) -> StemFile {
    let mut random = fastrand::Rng::with_seed(number);
    let rest = BLOCK_FRAMES..2 * BLOCK_FRAMES;
    let sound = |n: usize| if rest.contains(&n) { 0.0 } else { random.f32() - 0.5 };
    let plane: Vec<f32> = (0..4 * BLOCK_FRAMES).map(sound).collect();
    let path = dir.join(format!("{number}.stem"));
    let file = std::fs::File::create(&path).unwrap();
    let mut writer = StemWriter::create(file, 48_000, 1, 0).unwrap();
    writer.push(&[&plane]).unwrap();
    writer.finish().unwrap();
    StemFile::open(path).unwrap()
}

/// Twelve stems; the first eight of them lie in a bed of four blocks on disk.
pub(in crate::mix) struct Kept {
    dir: tempfile::TempDir,
    pub(in crate::mix) stems: Vec<StemFile>,
}

impl Kept {
    pub(in crate::mix) fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let stems: Vec<StemFile> = (0..12).map(|number| a_stem(dir.path(), number)).collect();
        let kept = Self { dir, stems };
        refresh(&kept.path(), 0, 4, &kept.parts(0..8), &Shelf::default()).unwrap();
        kept
    }

    pub(in crate::mix) fn path(&self) -> std::path::PathBuf {
        self.dir.path().join("bed")
    }

    pub(in crate::mix) fn parts(&self, which: Range<usize>) -> Vec<Contribution<'_>> {
        let stems = self.stems[which].iter();
        stems.map(|stem| Contribution { stem, gains: [0.3, 0.4] }).collect()
    }

    /// The bed of some stems, and what it was with others.
    pub(in crate::mix) fn exchanging(
        &self,
        now: Range<usize>,
        then: Range<usize>,
    ) -> Option<GroupBed<'_>> {
        let shelf = Shelf::of(&self.stems);
        let (mut bed, _) = refresh(&self.path(), 0, 4, &self.parts(now), &shelf).unwrap();
        let contents = contents_of(&self.parts(then), 0, 4);
        bed.remember(&contents, &shelf).unwrap().then_some(bed)
    }
}

/// A level that rises.
pub(in crate::mix) fn sloping(db: f64) -> Curve {
    let points = [
        CurvePoint { at_sample: 300, db: -20.0, shape: Shape::Line },
        CurvePoint { at_sample: 9_000, db, shape: Shape::Hold },
    ];
    Curve::new(&points, 240)
}
