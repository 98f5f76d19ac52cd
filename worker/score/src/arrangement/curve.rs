//! From cells to one curve of points in samples.

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
            points.push(CurvePoint { at_sample, db: level_at(run, at_sample), shape: point.shape });
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::nine_harbours;

    const STEP: i64 = 720; // 15 ms at 48 kHz

    fn map(cells: &str) -> (Piece, Arrangement) {
        let (piece, _) = nine_harbours();
        let text = format!("[[groups]]\nname = \"A\"\nrest = true\n{cells}");
        let map = Arrangement::from_toml(&text, "a.toml", &piece);
        (piece, map.unwrap_or_else(|mistakes| panic!("{mistakes}")))
    }

    fn curve(cells: &str) -> (Piece, Vec<CurvePoint>) {
        let (piece, map) = map(cells);
        let curve = map.group_curve(0, &piece);
        assert!(curve.windows(2).all(|pair| pair[0].at_sample < pair[1].at_sample), "{curve:?}");
        (piece, curve)
    }

    fn levels(points: &[CurvePoint]) -> Vec<(i64, f64)> {
        points.iter().map(|point| (point.at_sample, point.db)).collect()
    }

    #[test]
    fn without_cells_a_group_is_one_level_all_along() {
        let (_, points) = curve("");
        assert_eq!(levels(&points), [(0, 0.0)]);
    }

    #[test]
    fn an_entry_is_up_when_its_place_comes_and_an_exit_begins_at_its_place() {
        let cells =
            "[[cells]]\nsection = \"Flood\"\ngroup = \"A\"\nenter = \"15.2\"\nexit = \"20\"";
        let (piece, points) = curve(cells);
        let (enter, exit) = (piece.sample_at("15.2".parse().unwrap()), piece.sample_at_bar(20));
        let (start, end) = (piece.sample_at_bar(13), piece.sample_at_bar(29));
        let silent = f64::NEG_INFINITY;
        let expected = [
            (0, 0.0),
            (start, 0.0),
            (start + STEP, silent),
            (enter - STEP, silent),
            (enter, 0.0),
            (exit, 0.0),
            (exit + STEP, silent),
            (end - STEP, silent),
            (end, 0.0),
        ];
        assert_eq!(levels(&points), expected);
    }

    #[test]
    fn an_entry_at_the_start_of_the_piece_needs_no_ramp() {
        let cells =
            "[[cells]]\nsection = \"Slack water\"\ngroup = \"A\"\nenter = \"1\"\ngain_db = -3";
        let (piece, points) = curve(cells);
        let end = piece.sample_at_bar(13);
        assert_eq!(levels(&points), [(0, -3.0), (end - STEP, -3.0), (end, 0.0)]);
    }

    #[test]
    fn a_curve_that_meets_the_next_section_keeps_its_own_end() {
        let cells = r#"
            [[cells]]
            section = "Flood"
            group = "A"
            curve = [{ at = "13", db = 0 }, { at = "29", db = -12 }]
            [[cells]]
            section = "Undertow"
            group = "A"
            gain_db = 3
        "#;
        let (piece, points) = curve(cells);
        let (from, to) = (piece.sample_at_bar(13), piece.sample_at_bar(29));
        let end = piece.sample_at_bar(41);
        let expected =
            [(0, 0.0), (from, 0.0), (to, -12.0), (to + STEP, 3.0), (end, 3.0), (end + STEP, 0.0)];
        assert_eq!(levels(&points), expected);
        assert_eq!(points[1].shape, Shape::Line);
    }

    #[test]
    fn only_these_and_mutes_silence_a_group() {
        let (piece, points) = curve("[[sections]]\nsection = \"Ebb\"\nonly = []");
        let ebb = piece.sample_at_bar(57);
        assert_eq!(levels(&points), [(0, 0.0), (ebb, 0.0), (ebb + STEP, f64::NEG_INFINITY)]);
        let (piece, mut map) = map("");
        map.groups[0].mute = true;
        assert_eq!(levels(&map.group_curve(0, &piece)), [(0, f64::NEG_INFINITY)]);
    }

    #[test]
    fn bars_of_no_section_are_at_0_db() {
        let (mut piece, map) = map("[[cells]]\nsection = \"Flood\"\ngroup = \"A\"\ngain_db = -6");
        piece.sections.retain(|section| section.name == "Flood");
        let (from, to) = (piece.sample_at_bar(13), piece.sample_at_bar(29));
        let expected = [(0, 0.0), (from, 0.0), (from + STEP, -6.0), (to - STEP, -6.0), (to, 0.0)];
        assert_eq!(levels(&map.group_curve(0, &piece)), expected);
    }

    #[test]
    fn shapes_meet_their_ends_and_their_middles() {
        for (_, shape) in Shape::NAMES {
            assert!((shape.amplitude_between(-6.0, 0.0, 0.0) - amplitude(-6.0)).abs() < 1e-12);
            assert!((shape.amplitude_between(-6.0, 0.0, 1.0) - 1.0).abs() < 1e-12);
        }
        // Half way between two levels in dB; two crossing fades of constant power meet at −3 dB.
        let line = Shape::Line.amplitude_between(-6.0, 0.0, 0.5);
        assert!((decibels(line) + 3.0).abs() < 1e-9);
        let equal = Shape::EqualPower.amplitude_between(f64::NEG_INFINITY, 0.0, 0.5);
        assert!((equal * equal - 0.5).abs() < 1e-12);
        for x in [0.1, 0.35, 0.8] {
            let up = Shape::EqualPower.amplitude_between(f64::NEG_INFINITY, 0.0, x);
            let down = Shape::EqualPower.amplitude_between(0.0, f64::NEG_INFINITY, x);
            assert!((up * up + down * down - 1.0).abs() < 1e-12);
        }
        let middle = Shape::SCurve.amplitude_between(f64::NEG_INFINITY, 0.0, 0.5);
        assert!((middle - 0.5).abs() < 1e-12);
        assert_eq!(Shape::Line.amplitude_between(f64::NEG_INFINITY, 0.0, 0.25), 0.25);
    }

    proptest::proptest! {
        #[test]
        fn no_curve_jumps(
            cells in proptest::collection::vec(
                (0_usize..5, -20_i32..6, proptest::option::of(0_u32..12), proptest::option::of(1_u32..12),
                 proptest::collection::btree_map(0_u32..9, (-30_i32..3, 0_usize..4), 0..4)),
                0..5,
            ),
        ) {
            let (piece, _) = nine_harbours();
            let mut text = String::new();
            let mut used = std::collections::HashSet::new();
            for (section, gain, enter, exit, points) in cells {
                if !used.insert(section) { continue }
                let section = &piece.sections[section];
                let first = section.first_bar as u32;
                text += &format!("[[cells]]\nsection = \"{}\"\ngroup = \"A\"\ngain_db = {gain}\n", section.name);
                let bars = section.bars() as u32;
                let enter = enter.map(|enter| enter.min(bars - 1));
                if let Some(enter) = enter { text += &format!("enter = \"{}\"\n", first + enter) }
                if let Some(exit) = exit {
                    text += &format!("exit = \"{}\"\n", first + exit.min(bars).max(enter.unwrap_or(0) + 1));
                }
                let point = |(bar, (db, shape)): (&u32, &(i32, usize))| {
                    let db = if *db < -25 { "-inf".to_string() } else { db.to_string() };
                    format!("{{ at = \"{}\", db = {db}, shape = \"{}\" }}", first + bar.min(&bars), Shape::NAMES[*shape].0)
                };
                let unique: std::collections::BTreeMap<u32, (i32, usize)> =
                    points.into_iter().map(|(bar, point)| (bar.min(bars), point)).collect();
                text += &format!("curve = [{}]\n", unique.iter().map(point).collect::<Vec<_>>().join(", "));
            }
            let (piece, points) = curve(&text);
            // No amplitude moves by more than a ramp of 15 ms from silence to +8 dB would.
            proptest::prop_assert_eq!(points[0].at_sample, 0);
            for pair in points.windows(2) {
                let length = (pair[1].at_sample - pair[0].at_sample) as f64;
                let jump = pair[0].shape == Shape::Hold && pair[0].db != pair[1].db;
                let steep = (amplitude(pair[1].db) - amplitude(pair[0].db)).abs() / length;
                proptest::prop_assert!(!jump && steep < 2.6 / STEP as f64, "{:?}", pair);
            }
            proptest::prop_assert!(points.last().unwrap().at_sample <= piece.end_sample() + STEP);
        }
    }
}
