use std::collections::BTreeMap;

use proptest::strategy::Strategy;

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
    let cells = "[[cells]]\nsection = \"Flood\"\ngroup = \"A\"\nenter = \"15.2\"\nexit = \"20\"";
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
    let cells = "[[cells]]\nsection = \"Slack water\"\ngroup = \"A\"\nenter = \"1\"\ngain_db = -3";
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

/// A cell as the property draws it; places are bars from the section's first.
#[derive(Clone, Debug)]
struct Drawn {
    section: usize,
    gain_db: i32,
    enter: Option<i32>,
    exit: Option<i32>,
    points: BTreeMap<i32, (Option<i32>, Shape)>,
}

fn any_cell() -> impl Strategy<Value = Drawn> {
    let shape = (0..Shape::NAMES.len()).prop_map(|at| Shape::NAMES[at].1);
    let point = (proptest::option::of(-30..3), shape);
    let points = proptest::collection::btree_map(0..=8, point, 0..4);
    let place = proptest::option::of(0..=8);
    (0_usize..5, -20..6, place.clone(), place, points).prop_map(
        |(section, gain_db, enter, exit, points)| {
            let enter = enter.map(|bar: i32| bar.min(7));
            let exit = exit.map(|bar: i32| bar.max(enter.unwrap_or(0) + 1));
            Drawn { section, gain_db, enter, exit, points }
        },
    )
}

impl Drawn {
    fn to_toml(&self, piece: &Piece) -> String {
        let section = &piece.sections[self.section];
        let bar = |from_first: i32| section.first_bar + from_first;
        let mut text = format!("[[cells]]\nsection = \"{}\"\ngroup = \"A\"\n", section.name);
        text += &format!("gain_db = {}\n", self.gain_db);
        for (key, place) in [("enter", self.enter), ("exit", self.exit)] {
            if let Some(place) = place {
                text += &format!("{key} = {}\n", bar(place));
            }
        }
        let point = |(at, (db, shape)): (&i32, &(Option<i32>, Shape))| {
            let db = db.map_or("-inf".to_string(), |db| db.to_string());
            format!("{{ at = {}, db = {db}, shape = \"{}\" }}", bar(*at), shape.name())
        };
        let points: Vec<String> = self.points.iter().map(point).collect();
        text + &format!("curve = [{}]\n", points.join(", "))
    }

    /// The amplitude in the middle of a bar, straight from what a cell means.
    fn amplitude_in(&self, bar: i32) -> f64 {
        let silent = self.enter.is_some_and(|enter| bar < enter)
            || self.exit.is_some_and(|exit| bar >= exit);
        if silent {
            return 0.0;
        }
        let level = |db: &Option<i32>| db.map_or(f64::NEG_INFINITY, f64::from);
        let before = self.points.range(..=bar).next_back();
        let after = self.points.range(bar + 1..).next();
        let curve = match (before, after) {
            (None, None) => 1.0,
            (None, Some((_, (db, _)))) | (Some((_, (db, _))), None) => amplitude(level(db)),
            (Some((from, (a, shape))), Some((to, (b, _)))) => {
                let x = (f64::from(bar - from) + 0.5) / f64::from(to - from);
                shape.amplitude_between(level(a), level(b), x)
            }
        };
        curve * amplitude(self.gain_db.into())
    }
}

proptest::proptest! {
    #![proptest_config(proptest::test_runner::Config::with_cases(100))]

    #[test]
    fn a_curve_means_what_its_cells_say_and_never_jumps(
        cells in proptest::collection::vec(any_cell(), 0..6),
    ) {
        let (piece, _) = nine_harbours();
        let by_section: BTreeMap<usize, Drawn> =
            cells.into_iter().map(|cell| (cell.section, cell)).collect();
        let text: String = by_section.values().map(|cell| cell.to_toml(&piece)).collect();
        let (piece, points) = curve(&text);
        proptest::prop_assert_eq!(points[0].at_sample, 0);
        for pair in points.windows(2) {
            let length = (pair[1].at_sample - pair[0].at_sample) as f64;
            let jumps = pair[0].shape == Shape::Hold && pair[0].db != pair[1].db;
            // No steeper than from silence to +8 dB in one step.
            let steep = (amplitude(pair[1].db) - amplitude(pair[0].db)).abs() / length;
            proptest::prop_assert!(!jumps && steep < 2.6 / STEP as f64, "{:?}", pair);
        }
        for (index, section) in piece.sections.iter().enumerate() {
            for bar in 0..section.bars() {
                let first = piece.sample_at_bar(section.first_bar + bar);
                let middle = (first + piece.sample_at_bar(section.first_bar + bar + 1)) / 2;
                let found = amplitude(level_at(&points, middle));
                let meant = by_section.get(&index).map_or(1.0, |cell| cell.amplitude_in(bar));
                // A step cuts 15 ms of a bar's 2.3 s off a slope that begins there.
                let apart = (found - meant).abs();
                proptest::prop_assert!(apart < 0.02, "bar {bar}: {found} is not {meant}");
            }
        }
    }
}
