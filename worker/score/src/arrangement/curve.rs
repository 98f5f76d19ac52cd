//! From cells to one curve of points in samples.

#[cfg(test)]
mod tests;

use std::collections::HashMap;

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
    let name = map.groups.get(group).map_or("", |group| group.name.as_str());
    let of_group = map.cells.iter().filter(|cell| same(&cell.group, name));
    let cells: HashMap<String, &Cell> =
        of_group.map(|cell| (cell.section.to_lowercase(), cell)).collect();
    let mut points = Vec::new();
    let mut next_bar = 1;
    for section in &piece.sections {
        let cell = cells.get(&section.name.to_lowercase()).copied();
        between_sections(map, group, piece, next_bar..section.first_bar, &mut points);
        section_points(map, group, piece, (section, cell), &mut points);
        next_bar = section.last_bar + 1;
    }
    between_sections(map, group, piece, next_bar..piece.last_bar + 1, &mut points);
    let step = (map.step_ms * 1e-3 * f64::from(piece.sample_rate_hz)).round().max(1.0) as i64;
    without_steps(&without_idle(&points), step)
}

/// Bars that belong to no section: everyone at 0 dB, unless muted all along.
fn between_sections(
    map: &Arrangement,
    group: usize,
    piece: &Piece,
    bars: std::ops::Range<i32>,
    points: &mut Vec<CurvePoint>,
) {
    if !bars.is_empty() {
        let db = if is_muted(map, group) { f64::NEG_INFINITY } else { 0.0 };
        let at_sample = piece.sample_at_bar(bars.start);
        points.push(CurvePoint { at_sample, db, shape: Shape::Hold });
    }
}

fn is_muted(map: &Arrangement, group: usize) -> bool {
    map.groups.get(group).is_some_and(|group| group.mute)
}

/// The raw points of one section; a jump is two points at one sample, the first with `Hold`.
fn section_points(
    map: &Arrangement,
    group: usize,
    piece: &Piece,
    (section, cell): (&Section, Option<&Cell>),
    points: &mut Vec<CurvePoint>,
) {
    let range = piece.section_samples(section);
    let name = map.groups.get(group).map_or("", |group| group.name.as_str());
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

/// Silence until `enter`, then the points as they are.
fn cut_before(points: &[CurvePoint], enter: i64, start: i64) -> Vec<CurvePoint> {
    let after = points.partition_point(|point| point.at_sample <= enter);
    let silent = CurvePoint { at_sample: start, db: f64::NEG_INFINITY, shape: Shape::Hold };
    let mut kept = vec![silent];
    let end = points.get(after).map_or(enter, |next| next.at_sample);
    kept.extend(part_of(points, enter, end));
    kept.extend_from_slice(&points[after..]);
    kept
}

/// The points as they are until `exit`, then silence.
fn cut_after(points: &[CurvePoint], exit: i64) -> Vec<CurvePoint> {
    let after = points.partition_point(|point| point.at_sample < exit);
    let mut kept: Vec<CurvePoint> = points[..after].to_vec();
    if let Some(last) = kept.pop() {
        kept.extend(part_of(points, last.at_sample, exit));
        if last.shape != Shape::Hold {
            let db = level_at(points, exit);
            kept.push(CurvePoint { at_sample: exit, db, shape: Shape::Hold });
        }
    }
    kept.push(CurvePoint { at_sample: exit, db: f64::NEG_INFINITY, shape: Shape::Hold });
    kept
}

/// Points that go as `points` do from `from` to `to`, which lie in one stretch of them; `to` itself
/// is left to the caller. A part of a bent shape is no such shape, so it is drawn in short lines.
fn part_of(points: &[CurvePoint], from: i64, to: i64) -> Vec<CurvePoint> {
    const LINES: i64 = 32;
    let index = points.partition_point(|point| point.at_sample <= from).saturating_sub(1);
    let whole = points.get(index + 1).is_some_and(|next| next.at_sample == to)
        && points[index].at_sample == from;
    let straight = |from_db: f64, to_db: f64| from_db.is_finite() && to_db.is_finite();
    let next_db = points.get(index + 1).map_or(0.0, |next| next.db);
    let lines = match points[index].shape {
        _ if whole => 1,
        Shape::Hold => 1,
        Shape::Line if straight(points[index].db, next_db) => 1,
        _ => LINES.min(to - from).max(1),
    };
    let shape = if lines == 1 { points[index].shape } else { Shape::Line };
    (0..lines)
        .map(|line| from + (to - from) * line / lines)
        .map(|at_sample| CurvePoint { at_sample, db: level_at(points, at_sample), shape })
        .collect()
}

/// Leaves out points that change nothing: those that last no time, and those that go on holding
/// what is held.
fn without_idle(raw: &[CurvePoint]) -> Vec<CurvePoint> {
    let mut points: Vec<CurvePoint> = Vec::with_capacity(raw.len());
    for (index, point) in raw.iter().enumerate() {
        let held = points.last().filter(|last| last.shape == Shape::Hold).map(|last| last.db);
        let is_target = !points.is_empty() && held.is_none();
        let instant = raw.get(index + 1).is_some_and(|next| next.at_sample == point.at_sample);
        let goes_on = point.shape == Shape::Hold && held == Some(point.db);
        if is_target || !(instant || goes_on) {
            points.push(*point);
        }
    }
    points
}

/// Turns every jump into a ramp of `step` samples: upwards it ends where the jump was, so that the
/// first note is whole; downwards it begins there, so that the last one is. Where another point is
/// nearer than that the ramp is shorter.
fn without_steps(raw: &[CurvePoint], step: i64) -> Vec<CurvePoint> {
    let mut points: Vec<CurvePoint> = Vec::with_capacity(raw.len() * 2);
    for (index, point) in raw.iter().enumerate() {
        let held = points.last().copied().filter(|last| last.shape == Shape::Hold);
        let Some(before) = held.filter(|before| before.db != point.db) else {
            points.push(*point);
            continue;
        };
        let start = (point.at_sample - step).max(before.at_sample);
        if point.db > before.db && start < point.at_sample {
            ramp(&mut points, start, before.db);
            points.push(*point);
        } else {
            ramp(&mut points, point.at_sample, before.db);
            let run = &raw[index..raw.len().min(index + 2)];
            let next = run.get(1).map_or(i64::MAX, |next| next.at_sample);
            let at_sample = (point.at_sample + step).min(next - 1).max(point.at_sample + 1);
            let end = run.get(1).map_or(at_sample, |next| next.at_sample);
            points.extend(part_of(run, at_sample, end));
        }
    }
    points
}

/// Begins a ramp; a point that stands there already becomes its beginning.
fn ramp(points: &mut Vec<CurvePoint>, at_sample: i64, db: f64) {
    let start = CurvePoint { at_sample, db, shape: Shape::SCurve };
    match points.last_mut() {
        Some(last) if last.at_sample == at_sample => *last = start,
        _ => points.push(start),
    }
}
