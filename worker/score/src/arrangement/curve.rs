//! From cells to one curve of points in samples.

use serde::{Deserialize, Serialize};

use super::{Arrangement, Cell, same};
use crate::piece::{Piece, Section};
use crate::position::Position;

/// How a level goes from one point to the next; x runs from 0 to 1, a and b are the two
/// amplitudes.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// Stays, and steps at the next point.
    Hold,
    /// Straight in dB; straight in amplitude where one end is silent.
    #[default]
    Line,
    /// Constant power across two that cross: amplitude √(a²·cos²(πx/2) + b²·sin²(πx/2)).
    EqualPower,
    /// Slow at both ends: amplitude a + (b − a)·(1 − cos πx)/2.
    SCurve,
}

impl Shape {
    /// Every shape, by the name documents use.
    pub const NAMES: [(&'static str, Shape); 4] = [
        ("hold", Shape::Hold),
        ("line", Shape::Line),
        ("equal-power", Shape::EqualPower),
        ("s-curve", Shape::SCurve),
    ];

    /// The name documents use.
    pub fn name(self) -> &'static str {
        Shape::NAMES.iter().find(|(_, shape)| *shape == self).map_or("line", |(name, _)| name)
    }

    /// The amplitude at x (0 to 1) between two levels: what the shape means.
    pub fn amplitude_between(self, from_db: f64, to_db: f64, x: f64) -> f64 {
        let (a, b) = (amplitude(from_db), amplitude(to_db));
        let x = x.clamp(0.0, 1.0);
        match self {
            Shape::Hold if x < 1.0 => a,
            Shape::Hold => b,
            Shape::Line if a > 0.0 && b > 0.0 => amplitude(from_db + (to_db - from_db) * x),
            Shape::Line => a + (b - a) * x,
            Shape::EqualPower => {
                let (sin, cos) = (std::f64::consts::FRAC_PI_2 * x).sin_cos();
                (a * a * cos * cos + b * b * sin * sin).sqrt()
            }
            Shape::SCurve => a + (b - a) * (0.5 - 0.5 * (std::f64::consts::PI * x).cos()),
        }
    }
}

fn amplitude(db: f64) -> f64 {
    10_f64.powf(db / 20.0)
}

fn decibels(amplitude: f64) -> f64 {
    if amplitude > 0.0 { 20.0 * amplitude.log10() } else { f64::NEG_INFINITY }
}

/// A point of a group's curve on the master grid.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct CurvePoint {
    /// Sample on the master grid; bar 1 beat 1 is 0.
    pub at_sample: i64,
    /// Level in dB; −∞ is silence.
    pub db: f64,
    /// How it goes to the next point.
    pub shape: Shape,
}

pub(super) fn group_curve(map: &Arrangement, group: usize, piece: &Piece) -> Vec<CurvePoint> {
    let mut points = Vec::new();
    let mut next_bar = None;
    for section in &piece.sections {
        if next_bar.is_some_and(|bar| bar < section.first_bar) {
            // Bars between sections belong to none: everyone at 0 dB, unless muted.
            let from = piece.sample_at_bar(next_bar.unwrap_or(section.first_bar));
            let db = if is_muted(map, group) { f64::NEG_INFINITY } else { 0.0 };
            points.push(CurvePoint { at_sample: from, db, shape: Shape::Hold });
        }
        section_points(map, group, piece, section, &mut points);
        next_bar = Some(section.last_bar + 1);
    }
    if points.is_empty() {
        let db = if is_muted(map, group) { f64::NEG_INFINITY } else { 0.0 };
        points.push(CurvePoint { at_sample: 0, db, shape: Shape::Hold });
    }
    let step = (map.step_ms * 1e-3 * f64::from(piece.sample_rate_hz)).round().max(1.0) as i64;
    without_steps(&points, step)
}

fn is_muted(map: &Arrangement, group: usize) -> bool {
    map.groups.get(group).is_some_and(|group| group.mute)
}

/// The raw points of one section; a jump is two points at one sample, the first with `Hold`.
fn section_points(
    map: &Arrangement,
    group: usize,
    piece: &Piece,
    section: &Section,
    points: &mut Vec<CurvePoint>,
) {
    let range = piece.section_samples(section);
    let name = map.groups.get(group).map_or("", |group| group.name.as_str());
    let cell = map.cell(&section.name, name);
    let shut_out = map.sections.iter().any(|limit| {
        same(&limit.section, &section.name) && !limit.only.iter().any(|only| same(only, name))
    });
    let silent = is_muted(map, group) || shut_out || cell.is_some_and(|cell| cell.mute);
    let hold = |at_sample, db| CurvePoint { at_sample, db, shape: Shape::Hold };
    let Some(cell) = cell.filter(|_| !silent) else {
        points.push(hold(range.start, if silent { f64::NEG_INFINITY } else { 0.0 }));
        return;
    };
    let mut own = cell_points(cell, piece, &range);
    if let Some(enter) = cell.enter {
        own = cut_before(&own, sample_in(enter, piece, &range), range.start);
    }
    if let Some(exit) = cell.exit {
        own = cut_after(&own, sample_in(exit, piece, &range));
    }
    points.append(&mut own);
}

fn sample_in(position: Position, piece: &Piece, range: &std::ops::Range<i64>) -> i64 {
    piece.sample_at(position).clamp(range.start, range.end)
}

/// The cell's own level: at least a point at the section's start, none past its end.
fn cell_points(cell: &Cell, piece: &Piece, range: &std::ops::Range<i64>) -> Vec<CurvePoint> {
    let mut points: Vec<CurvePoint> = cell
        .curve
        .iter()
        .map(|point| CurvePoint {
            at_sample: sample_in(point.at, piece, range),
            db: point.db + cell.gain_db,
            shape: point.shape,
        })
        .collect();
    if let Some(last) = points.last_mut() {
        last.shape = Shape::Hold;
    }
    let first = points.first().map_or(cell.gain_db, |point| point.db);
    if points.first().is_none_or(|point| point.at_sample > range.start) {
        let start = CurvePoint { at_sample: range.start, db: first, shape: Shape::Hold };
        points.insert(0, start);
    }
    points
}

/// Level of a run of points at a sample.
fn level_at(points: &[CurvePoint], at_sample: i64) -> f64 {
    let after = points.partition_point(|point| point.at_sample <= at_sample);
    let Some(from) = points.get(after.wrapping_sub(1)) else {
        return points.first().map_or(0.0, |point| point.db);
    };
    match points.get(after) {
        Some(to) if from.shape != Shape::Hold => {
            let x = (at_sample - from.at_sample) as f64 / (to.at_sample - from.at_sample) as f64;
            decibels(from.shape.amplitude_between(from.db, to.db, x))
        }
        _ => from.db,
    }
}

fn cut_before(points: &[CurvePoint], enter: i64, start: i64) -> Vec<CurvePoint> {
    let db = level_at(points, enter);
    let before = points.partition_point(|point| point.at_sample <= enter);
    let shape = points.get(before.wrapping_sub(1)).map_or(Shape::Hold, |point| point.shape);
    let silent = CurvePoint { at_sample: start, db: f64::NEG_INFINITY, shape: Shape::Hold };
    let mut kept = vec![silent, CurvePoint { at_sample: enter, db, shape }];
    kept.extend_from_slice(&points[before..]);
    kept
}

fn cut_after(points: &[CurvePoint], exit: i64) -> Vec<CurvePoint> {
    let db = level_at(points, exit);
    let mut kept: Vec<_> = points.iter().copied().filter(|point| point.at_sample < exit).collect();
    if kept.last().is_some_and(|last| last.shape != Shape::Hold) {
        kept.push(CurvePoint { at_sample: exit, db, shape: Shape::Hold });
    }
    kept.push(CurvePoint { at_sample: exit, db: f64::NEG_INFINITY, shape: Shape::Hold });
    kept
}

/// Turns every jump into a ramp of `step` samples: upwards it ends where the jump was, so that the
/// first note is whole; downwards it begins there, so that the last one is. Where another point is
/// nearer than that the ramp is shorter.
fn without_steps(raw: &[CurvePoint], step: i64) -> Vec<CurvePoint> {
    let mut points: Vec<CurvePoint> = Vec::with_capacity(raw.len() * 2);
    let mut index = 0;
    while index < raw.len() {
        let point = raw[index];
        index += 1;
        let Some(before) = points.last().copied() else {
            points.push(point);
            continue;
        };
        let jumps = before.shape == Shape::Hold && before.db != point.db;
        if !jumps {
            let idle = before.shape == Shape::Hold && point.shape == Shape::Hold;
            match idle {
                true => {}
                false => push(&mut points, point),
            }
            continue;
        }
        if point.db > before.db {
            let from = (point.at_sample - step).max(before.at_sample);
            push(&mut points, CurvePoint { at_sample: from, db: before.db, shape: Shape::SCurve });
            push(&mut points, point);
        } else {
            let next = raw.get(index).map_or(i64::MAX, |next| next.at_sample);
            let to = (point.at_sample + step).min(next).max(point.at_sample);
            let start = CurvePoint { db: before.db, shape: Shape::SCurve, ..point };
            push(&mut points, start);
            let run: Vec<CurvePoint> = raw[index - 1..].to_vec();
            let db = level_at(&run[..run.len().min(2)], to);
            push(&mut points, CurvePoint { at_sample: to, db, shape: point.shape });
        }
    }
    points
}

/// Adds a point; one at the same sample gives way to it.
fn push(points: &mut Vec<CurvePoint>, point: CurvePoint) {
    match points.last_mut() {
        Some(last) if last.at_sample >= point.at_sample => {
            let at_sample = last.at_sample;
            *last = CurvePoint { at_sample, ..point };
        }
        _ => points.push(point),
    }
}
