use super::*;
use crate::arrangement::difference::difference;
use crate::demo::ARRANGEMENT_TOML;
use crate::nine_harbours;

const MAP: &str = r#"# How it sounds on the quay.
note = "Bells first."

[[groups]]
name = "Bells" # the nine of them
rules = [{ instrument = "bells" }]
gain_db = 1.50 # loud enough

[[groups]]
name = "Low"
rest = true

# The tide is out.
[[sections]]
section = "Slack water"
only = ["Low"]

[[cells]]
section = "Flood"
group = ["Bells", "Low"]
gain_db = -3

# They come late.
[[cells]]
section = "Crest"
group = "bells"
enter = "41" # with the horns
curve = [
    { at = 41, db = -9.0 }, # softly
    { at = "44.1", db = 0, shape = "s-curve" },
]
"#;

fn read(text: &str) -> Arrangement {
    Arrangement::from_toml(text, "a", &nine_harbours().0).unwrap_or_else(|m| panic!("{m}\n{text}"))
}

fn cell(section: &str, group: &str, typed: TypedCell) -> Change {
    Change::Cell { section: section.into(), group: group.into(), typed }
}

/// The document after a change, and what the change is in words.
fn after(text: &str, change: &Change) -> (String, Vec<String>) {
    let new = changed(text, change).unwrap();
    let said = difference(&read(text), &read(&new), &|take| take.into());
    (new, said)
}

fn point(at: &str, db: &str, shape: &str) -> TypedPoint {
    TypedPoint { at: at.into(), db: db.into(), shape: shape.into() }
}

fn crest() -> TypedCell {
    TypedCell {
        enter: "41".into(),
        points: vec![point("41", "-9", "line"), point("44.1", "0", "s-curve"), point("", "", "")],
        ..TypedCell::default()
    }
}

#[test]
fn what_is_not_changed_stays_as_it_was_written_to_the_letter() {
    let same_cell = cell("crest", "BELLS", crest());
    assert_eq!(changed(MAP, &same_cell).unwrap(), MAP);
    let same_group = Change::Group { group: "Bells".into(), gain_db: "1.5".into(), mute: false };
    assert_eq!(changed(MAP, &same_group).unwrap(), MAP);
    let same_limit =
        Change::Section { section: "Slack water".into(), only: Some(vec!["Low".into()]) };
    assert_eq!(changed(MAP, &same_limit).unwrap(), MAP);
    let open = Change::Section { section: "Ebb".into(), only: None };
    assert_eq!(changed(MAP, &open).unwrap(), MAP);
}

#[test]
fn a_place_that_is_saved_as_it_stands_changes_no_letter() {
    let (piece, _) = nine_harbours();
    for text in [MAP, ARRANGEMENT_TOML] {
        let map = read(text);
        for section in piece.sections.iter().map(|section| section.name.as_str()) {
            for group in map.groups().iter().map(|group| group.name.as_str()) {
                // An entry for several groups is parted: the same, in more words.
                let change = Change::standing(&map, Some(section), Some(group)).unwrap();
                assert_eq!(after(text, &change).1, [""; 0], "{change:?}");
            }
            let change = Change::standing(&map, Some(section), None).unwrap();
            assert_eq!(changed(text, &change).unwrap(), text);
        }
        for group in map.groups() {
            let change = Change::standing(&map, None, Some(&group.name)).unwrap();
            assert_eq!(changed(text, &change).unwrap(), text);
        }
        assert_eq!(Change::standing(&map, Some("Flood"), Some("Nobody")), None);
    }
    let crest = Change::standing(&read(MAP), Some("Crest"), Some("Bells")).unwrap();
    assert_eq!(changed(MAP, &crest).unwrap(), MAP);
}

#[test]
fn a_level_is_changed_in_its_place_and_every_comment_stays() {
    let typed = TypedCell { gain_db: "−4,5".into(), ..crest() };
    let (new, said) = after(MAP, &cell("Crest", "Bells", typed));
    assert_eq!(said, ["Bells in Crest goes from 0 dB to -4.5 dB."]);
    for line in MAP.lines() {
        assert!(new.contains(line), "{line} is gone:\n{new}");
    }
    let quieter = Change::Group { group: "Bells".into(), gain_db: "-2".into(), mute: true };
    let (new, said) = after(MAP, &quieter);
    assert_eq!(said, ["Group Bells goes from +1.5 dB to -2 dB.", "Group Bells is muted."]);
    assert!(new.contains("gain_db = -2 # loud enough"), "{new}");
    let (_, back) =
        after(&new, &Change::Group { group: "Bells".into(), gain_db: "".into(), mute: false });
    assert_eq!(back, ["Group Bells goes from -2 dB to 0 dB.", "Group Bells is heard again."]);
}

#[test]
fn one_of_several_groups_of_an_entry_gets_one_of_its_own() {
    let typed = TypedCell { mute: true, gain_db: "-3".into(), ..TypedCell::default() };
    let (new, said) = after(MAP, &cell("Flood", "Low", typed));
    assert_eq!(said, ["Low in Flood is muted."], "{new}");
    let map = read(&new);
    assert_eq!(map.cell("Flood", "Bells").unwrap().gain_db, -3.0);
}

#[test]
fn a_curve_is_written_with_the_shapes_that_were_chosen() {
    let typed = TypedCell {
        exit: "61.3".into(),
        points: vec![
            point("57", "silence", "equal-power"),
            point("", "", "line"),
            point(" 60 ", "+1.5", "hold"),
            point("61", "0", ""),
        ],
        ..TypedCell::default()
    };
    let (new, said) = after(MAP, &cell("Ebb", "Low", typed));
    assert_eq!(
        said,
        [
            "Low in Ebb leaves at 61.3.",
            "Low in Ebb follows a new curve: silence at 57, by equal-power to +1.5 dB at 60, held \
             until 0 dB at 61.",
        ],
        "{new}"
    );
    let (_, said) = after(&new, &cell("Ebb", "Low", TypedCell::default()));
    assert_eq!(
        said,
        ["Low in Ebb plays to the section's end.", "Low in Ebb has no curve any more."]
    );
}

#[test]
fn a_section_is_limited_and_opened_again() {
    let only = |names: &[&str]| Some(names.iter().map(|name| name.to_string()).collect());
    let limit = |section: &str, only| Change::Section { section: section.into(), only };
    let (new, said) = after(MAP, &limit("Ebb", only(&["Bells", "Low"])));
    assert_eq!(said, ["In Ebb only these are heard: Bells, Low."]);
    let (new, said) = after(&new, &limit("Ebb", only(&[])));
    assert_eq!(said, ["In Ebb only these are heard: no group."]);
    let (_, said) = after(&new, &limit("ebb", None));
    assert_eq!(said, ["In Ebb every group may be heard again."]);
}

#[test]
fn the_demo_s_map_and_one_that_was_never_written_take_every_change() {
    let (piece, map) = nine_harbours();
    let written_by_program = [map.to_toml(), Arrangement::default().to_toml()];
    let texts = [ARRANGEMENT_TOML].into_iter().chain(written_by_program.iter().map(String::as_str));
    for text in texts {
        for group in read(text).groups() {
            for section in &piece.sections {
                let (first, last) = (section.first_bar, section.last_bar);
                let typed = TypedCell {
                    gain_db: "-7.25".into(),
                    points: vec![
                        point(&first.to_string(), "-20", "s-curve"),
                        point(&last.to_string(), "0", "line"),
                    ],
                    ..TypedCell::default()
                };
                let new = changed(text, &cell(&section.name, &group.name, typed)).unwrap();
                let map = read(&new);
                let cell = map.cell(&section.name, &group.name).unwrap();
                assert_eq!((cell.gain_db, cell.curve.len()), (-7.25, 2), "{new}");
                let others = |map: &Arrangement| {
                    let other = |c: &&crate::Cell| {
                        !(same(&c.group, &group.name) && same(&c.section, &section.name))
                    };
                    map.cells().iter().filter(other).cloned().collect::<Vec<_>>()
                };
                let (mut before, mut after) = (others(&read(text)), others(&map));
                let key = |c: &crate::Cell| (c.section.clone(), c.group.clone());
                before.sort_by_key(key);
                after.sort_by_key(key);
                assert_eq!(before, after);
            }
        }
    }
}

#[test]
fn what_is_no_number_or_place_is_left_to_the_reader_to_name() {
    let (piece, _) = nine_harbours();
    for typed in [
        TypedCell { gain_db: "loud".into(), ..TypedCell::default() },
        TypedCell { gain_db: "inf".into(), ..TypedCell::default() },
        TypedCell { enter: "at dawn".into(), ..TypedCell::default() },
        TypedCell { points: vec![point("57", "", "line")], ..TypedCell::default() },
        TypedCell { points: vec![point("57", "0", "wavy")], ..TypedCell::default() },
        TypedCell { points: vec![point("1", "0", "line")], ..TypedCell::default() },
    ] {
        let new = changed(MAP, &cell("Ebb", "Low", typed.clone())).unwrap();
        assert!(Arrangement::from_toml(&new, "a", &piece).is_err(), "{typed:?}\n{new}");
    }
    assert!(changed("note = ", &cell("Ebb", "Low", TypedCell::default())).is_err());
}
