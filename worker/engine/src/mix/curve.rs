//! A level along the grid: points joined by named shapes, evaluated for every sample.

use super::amplitude;
use std::f64::consts::{FRAC_PI_2, PI};
use std::ops::Range;

/// How a level goes from one point to the next; x runs from 0 to 1, a and b are amplitudes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// Stays at a. A step at the next point becomes a ramp of [`Curve`]'s shortest length.
    Hold,
    /// Straight in dB; straight in amplitude where one end is silent.
    Line,
    /// √(a²·cos²(πx/2) + b²·sin²(πx/2)): two that cross keep their power.
    EqualPower,
    /// a + (b − a)·(1 − cos πx)/2: slow at both ends.
    SCurve,
}

/// A point of a curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurvePoint {
    /// Position on the master grid.
    pub at_sample: i64,
    /// Level in dB; −∞ is silence.
    pub db: f64,
    /// How it goes to the next point.
    pub shape: Shape,
}

/// A level along the grid. It never jumps: a rising step is done when its point comes, so that
/// the first note is whole, and a falling one begins there.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    points: Vec<CurvePoint>,
}

/// Slopes are evaluated at multiples of this on the grid and drawn straight in between: over a
/// full-scale ramp of 5 ms at 48 kHz that is off by at most 0.0007.
const GRAIN: i64 = 8;
/// A curve that bends from the straight line by more within a grain is followed sample by sample.
const STRAIGHT: f64 = 1e-4;

impl Curve {
    /// A curve through `points`, which are put in order. Before the first point and after the
    /// last the level holds; no points at all mean 0 dB. A step becomes a ramp of `step` samples
    /// or, where the neighbouring point is nearer, as long as there is room.
    #[must_use]
    pub fn new(points: &[CurvePoint], step: i64) -> Self {
        let mut raw: Vec<CurvePoint> =
            points.iter().filter(|point| !point.db.is_nan()).copied().collect();
        raw.sort_by_key(|point| point.at_sample);
        let step = step.max(1);
        let mut smooth: Vec<CurvePoint> = Vec::with_capacity(raw.len() * 2);
        for (index, point) in raw.iter().enumerate() {
            let Some(before) = smooth.last().copied() else {
                smooth.push(*point);
                continue;
            };
            let steps = before.shape == Shape::Hold || before.at_sample >= point.at_sample;
            if !steps || before.db == point.db {
                smooth.push(*point);
            } else if point.db > before.db {
                let at_sample = (point.at_sample - step).max(before.at_sample);
                smooth.push(CurvePoint { at_sample, db: before.db, shape: Shape::SCurve });
                smooth.push(*point);
            } else {
                let room = raw.get(index + 1).map_or(i64::MAX, |next| next.at_sample);
                let end = (point.at_sample + step).min(room).max(point.at_sample);
                smooth.push(CurvePoint { db: before.db, shape: Shape::SCurve, ..*point });
                smooth.push(CurvePoint { at_sample: end, ..*point });
            }
        }
        Self { points: smooth }
    }

    /// A curve through what [`Curve::points_over`] gave, as it was within that range.
    #[must_use]
    pub fn within(points: Vec<CurvePoint>) -> Self {
        Self { points }
    }

    /// The same level everywhere.
    #[must_use]
    pub fn steady(db: f64) -> Self {
        Self { points: vec![CurvePoint { at_sample: 0, db, shape: Shape::Hold }] }
    }

    /// The factor over the whole of a range, if it is one and the same.
    #[must_use]
    pub fn constant_over(&self, range: Range<i64>) -> Option<f64> {
        let from = self.points.partition_point(|point| point.at_sample <= range.start);
        let before = from.checked_sub(1).and_then(|at| self.points.get(at));
        let first = before.or(self.points.first());
        let level = first.map_or(0.0, |point| point.db);
        for point in &self.points[from..] {
            let idle = point.db == level;
            if !idle {
                let leaves = point.at_sample < range.end
                    || self.point_before(point.at_sample).is_some_and(slopes);
                return if leaves { None } else { Some(amplitude(level)) };
            }
            if point.at_sample >= range.end {
                break;
            }
        }
        Some(amplitude(level))
    }

    /// The points that decide the level within a range: two curves with the same ones there are
    /// the same there.
    #[must_use]
    pub fn points_over(&self, range: Range<i64>) -> Vec<CurvePoint> {
        let before = self.points.partition_point(|point| point.at_sample <= range.start);
        let from = before.saturating_sub(1);
        if self.constant_over(range.clone()).is_some() {
            let point = self.points.get(from).copied();
            let level =
                |point: CurvePoint| CurvePoint { at_sample: 0, shape: Shape::Hold, ..point };
            return point.map(level).into_iter().collect();
        }
        let upto = self.points.partition_point(|point| point.at_sample <= range.end);
        self.points[from..self.points.len().min(upto + 1)].to_vec()
    }

    fn point_before(&self, at_sample: i64) -> Option<&CurvePoint> {
        let index = self.points.partition_point(|point| point.at_sample < at_sample);
        index.checked_sub(1).and_then(|index| self.points.get(index))
    }

    /// The factor at one sample.
    #[must_use]
    pub fn at(&self, at_sample: i64) -> f64 {
        self.near(at_sample, &mut Ends::default())
    }

    /// The factor at one sample, by what is remembered of the last one that was asked for.
    fn near(&self, at_sample: i64, ends: &mut Ends) -> f64 {
        let after = self.points.partition_point(|point| point.at_sample <= at_sample);
        match self.sloping_up_to(after) {
            Ok((from, to)) => {
                let x =
                    (at_sample - from.at_sample) as f64 / (to.at_sample - from.at_sample) as f64;
                if ends.after != Some(after) {
                    let amplitudes = [from, to].map(|point| amplitude(point.db));
                    *ends = Ends { after: Some(after), amplitudes };
                }
                between(from, to, ends.amplitudes, x)
            }
            Err(db) => amplitude(db),
        }
    }

    /// The points between which it slopes up to the one numbered `after`, or the level in dB at
    /// which it stays till then.
    fn sloping_up_to(&self, after: usize) -> Result<(&CurvePoint, &CurvePoint), f64> {
        let Some(from) = after.checked_sub(1).and_then(|index| self.points.get(index)) else {
            return Err(self.points.first().map_or(0.0, |point| point.db));
        };
        match self.points.get(after) {
            Some(to) if slopes(from) && from.db != to.db => Ok((from, to)),
            _ => Err(from.db),
        }
    }

    /// The factors for consecutive samples from `first` on. They do not depend on how a range is
    /// cut into calls.
    pub fn fill(&self, first: i64, factors: &mut [f64]) {
        let end = first + factors.len() as i64;
        let mut from = first;
        let (mut known, mut ends) = (None, Ends::default());
        while from < end {
            let cell = from.div_euclid(GRAIN) * GRAIN;
            let next = self.points.partition_point(|point| point.at_sample <= cell);
            if let Err(db) = self.sloping_up_to(next) {
                let last = self.points.get(next).map_or(end, |next| next.at_sample - 1);
                let upto = end.min(last.div_euclid(GRAIN) * GRAIN);
                if upto > from {
                    factors[(from - first) as usize..(upto - first) as usize].fill(amplitude(db));
                    from = upto;
                    continue;
                }
            }
            let upto = (cell + GRAIN).min(end);
            let here = &mut factors[(from - first) as usize..(upto - first) as usize];
            let broken = self.points.get(next).is_some_and(|p| p.at_sample < cell + GRAIN);
            let low = match known {
                Some((at, level)) if at == cell => level,
                _ => self.near(cell, &mut ends),
            };
            let high = self.near(cell + GRAIN, &mut ends);
            known = Some((cell + GRAIN, high));
            // The foot of an equal-power fall bends too sharply for a straight line.
            let bent =
                (self.near(cell + GRAIN / 2, &mut ends) - 0.5 * (low + high)).abs() > STRAIGHT;
            if broken || bent {
                for (factor, at) in here.iter_mut().zip(from..) {
                    *factor = self.near(at, &mut ends);
                }
            } else {
                let slope = (high - low) / GRAIN as f64;
                for (factor, at) in here.iter_mut().zip(from - cell..) {
                    *factor = low + slope * at as f64;
                }
            }
            from = upto;
        }
    }
}

fn slopes(point: &CurvePoint) -> bool {
    point.shape != Shape::Hold
}

/// The amplitudes of two neighbouring points: a slope asks for them at every grain.
#[derive(Default)]
struct Ends {
    /// Number of the later point.
    after: Option<usize>,
    amplitudes: [f64; 2],
}

fn between(from: &CurvePoint, to: &CurvePoint, [a, b]: [f64; 2], x: f64) -> f64 {
    match from.shape {
        Shape::Hold => a,
        Shape::Line if a > 0.0 && b > 0.0 => amplitude(from.db + (to.db - from.db) * x),
        Shape::Line => a + (b - a) * x,
        Shape::EqualPower => {
            let (sin, cos) = (FRAC_PI_2 * x).sin_cos();
            (a * a * cos * cos + b * b * sin * sin).sqrt()
        }
        Shape::SCurve => a + (b - a) * (0.5 - 0.5 * (PI * x).cos()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const SILENT: f64 = f64::NEG_INFINITY;

    fn points_inside(curve: &Curve, cell: i64) -> bool {
        curve.points.iter().any(|p| p.at_sample > cell && p.at_sample < cell + GRAIN)
    }

    fn point(at_sample: i64, db: f64, shape: Shape) -> CurvePoint {
        CurvePoint { at_sample, db, shape }
    }

    #[test]
    fn shapes_are_what_they_say() {
        let line = Curve::new(&[point(0, -20.0, Shape::Line), point(1000, 0.0, Shape::Hold)], 1);
        assert!((line.at(500) - amplitude(-10.0)).abs() < 1e-12);
        let up =
            Curve::new(&[point(0, SILENT, Shape::EqualPower), point(960, 0.0, Shape::Hold)], 1);
        let down =
            Curve::new(&[point(0, 0.0, Shape::EqualPower), point(960, SILENT, Shape::Hold)], 1);
        for at in 0..=960 {
            assert!((up.at(at).powi(2) + down.at(at).powi(2) - 1.0).abs() < 1e-12);
        }
        assert_eq!(Curve::new(&[], 100).at(5), 1.0);
        assert_eq!(Curve::steady(SILENT).at(-5), 0.0);
    }

    #[test]
    fn entries_are_open_when_their_point_comes_and_exits_begin_there() {
        let points = [
            point(0, SILENT, Shape::Hold),
            point(10_000, 0.0, Shape::Hold),
            point(20_000, SILENT, Shape::Hold),
        ];
        let curve = Curve::new(&points, 240);
        assert_eq!(curve.at(9_759), 0.0);
        assert_eq!(curve.at(10_000), 1.0);
        assert_eq!(curve.at(20_000), 1.0);
        assert_eq!(curve.at(20_240), 0.0);
        assert_eq!(curve.constant_over(10_000..20_000), Some(1.0));
        assert_eq!(curve.constant_over(0..9_760), Some(0.0));
        assert_eq!(curve.constant_over(0..9_761), None);
        assert_eq!(curve.constant_over(20_240..1_000_000), Some(0.0));
    }

    fn any_points() -> impl Strategy<Value = Vec<CurvePoint>> {
        let shape = prop_oneof![
            Just(Shape::Hold),
            Just(Shape::Line),
            Just(Shape::EqualPower),
            Just(Shape::SCurve)
        ];
        let db = prop_oneof![Just(SILENT), Just(0.0), -40.0..6.0f64];
        prop::collection::vec((0i64..40, db, shape), 0..8).prop_map(|mut points| {
            points.sort_by_key(|point| point.0);
            points.dedup_by_key(|point| point.0);
            points.into_iter().map(|(at, db, shape)| point(at * 500, db, shape)).collect()
        })
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]
        /// A full-scale step over 5 ms at 48 kHz moves by at most π/2/240 a sample, and the
        /// steepest line these points can ask for (46 dB up to +6 dB in 500 samples) by
        /// 10^(6/20)·ln10/20·46/500; no zipper, no jump beyond these, wherever the points lie.
        #[test]
        fn no_level_ever_jumps(points in any_points()) {
            let curve = Curve::new(&points, 240);
            let mut factors = vec![0.0; 22_000];
            curve.fill(-1000, &mut factors);
            let most = factors.windows(2).map(|pair| (pair[1] - pair[0]).abs());
            let line = amplitude(6.0) * std::f64::consts::LN_10 / 20.0 * 46.0 / 500.0;
            prop_assert!(most.fold(0.0, f64::max) < line.max(2.0 * PI / 2.0 / 240.0));
        }

        /// Where it stays and where it slopes, each grain is drawn from the levels at its ends.
        #[test]
        fn levels_are_drawn_from_grain_to_grain(points in any_points(), from in -600i64..20_000) {
            let curve = Curve::new(&points, 240);
            let mut drawn = vec![0.0; 3000];
            curve.fill(from, &mut drawn);
            for (at, level) in (from..).zip(&drawn) {
                let cell = at.div_euclid(GRAIN) * GRAIN;
                let (low, high) = (curve.at(cell), curve.at(cell + GRAIN));
                let broken = points_inside(&curve, cell);
                let bent = (curve.at(cell + GRAIN / 2) - 0.5 * (low + high)).abs() > STRAIGHT;
                let straight = low + (high - low) / GRAIN as f64 * (at - cell) as f64;
                let wanted = if broken || bent { curve.at(at) } else { straight };
                prop_assert_eq!(*level, wanted);
            }
        }

        #[test]
        fn cuts_and_constants_agree_with_the_whole(
            points in any_points(), from in -600i64..20_000, frames in 1usize..3000
        ) {
            let curve = Curve::new(&points, 240);
            let mut whole = vec![0.0; 26_000];
            curve.fill(-1000, &mut whole);
            let mut part = vec![0.0; frames];
            curve.fill(from, &mut part);
            let start = (from + 1000) as usize;
            prop_assert_eq!(&part[..], &whole[start..start + frames]);
            let deciding = Curve { points: curve.points_over(from..from + frames as i64) };
            let mut decided = vec![0.0; frames];
            deciding.fill(from, &mut decided);
            for (decided, part) in decided.iter().zip(&part) {
                prop_assert!((decided - part).abs() < 1e-12);
            }
            if let Some(level) = curve.constant_over(from..from + frames as i64) {
                prop_assert!(part.iter().all(|&factor| (factor - level).abs() < 1e-12));
            }
            for (at, factor) in (from..).zip(&part) {
                prop_assert!((curve.at(at) - factor).abs() < 2e-3);
            }
        }
    }
}
