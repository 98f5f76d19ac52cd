use super::*;
use crate::demo::PIECE_TOML;
use crate::position::Position;
use crate::{Metre, MetreChange, TempoChange, TempoMap};

/// The demo's document with one piece of text replaced.
fn with(old: &str, new: &str) -> Result<Piece, Mistakes> {
    assert!(PIECE_TOML.contains(old), "{old}");
    Piece::from_toml(&PIECE_TOML.replacen(old, new, 1), "piece.toml")
}

/// The line of the demo's document a text stands in.
fn line_of(text: &str) -> u32 {
    PIECE_TOML.lines().position(|line| line.contains(text)).unwrap() as u32 + 1
}

fn only_mistake(result: Result<Piece, Mistakes>) -> crate::Mistake {
    let mut mistakes = result.unwrap_err().0;
    assert_eq!(mistakes.len(), 1, "{}", Mistakes(mistakes.clone()));
    mistakes.remove(0)
}

#[test]
fn a_misspelt_key_names_its_line_and_the_right_word() {
    let mistake = only_mistake(with("bpm = 132", "bmp = 132"));
    assert_eq!((mistake.line, mistake.column), (Some(line_of("bpm = 132")), Some(1)));
    assert_eq!(mistake.instead, "did you mean 'bpm'?");
}

#[test]
fn each_slip_is_told_once_at_its_line() {
    for (old, new, says) in [
        ("mode = \"mixolydian\"", "mode = \"mixolidian\"", "did you mean \"mixolydian\"?"),
        ("tonic = \"G\"", "tonic = \"H\"", "letter from A to G"),
        ("metre = \"5/4\"", "metre = \"5/3\"", "5/4"),
        ("bpm = 132", "bpm = 0", "5 to 2000"),
        ("bpm = 132", "bpm = \"fast\"", "beats a minute"),
        ("opening_bar = -1", "opening_bar = 3", "-64 to 0"),
        ("closing_bar = 66", "closing_bar = 64", "65 to 128"),
        ("time_zone = \"Europe/Lisbon\"", "time_zone = \"Europe/Lisbonn\"", "Europe/Lisbon"),
        ("2027-06-20T23:59:00+01:00", "20 June", "2027-05-01T23:59:00+01:00"),
        // The night the clocks of Lisbon go forward has no half past one; that in October has two.
        ("2027-06-20T23:59:00+01:00", "2027-03-28T01:30:00", "+01:00"),
        ("2027-06-20T23:59:00+01:00", "2027-10-31T01:30:00", "+01:00"),
        ("slug = \"nine-harbours\"", "slug = \"Nine Harbours\"", "small letters"),
        ("sample_rate_hz = 48000", "sample_rate_hz = 1", "8000 to 384000"),
        ("played_fade = true", "played_fade = \"yes\"", "true or false"),
        ("bits = 24", "bits = 20", "16, 24 or 32"),
        ("easing_strength = 0.0", "easing_strength = 0.9", "0 to 0.5"),
        ("G | % | F/G | G", "G | % | X/G | G", "Bbmaj7"),
        ("last_bar = 12\n", "last_bar = 13\n", "belong to one section"),
        ("first_bar = 57\nlast_bar = 64", "first_bar = 57\nbars = 9", "end it sooner"),
    ] {
        let mistake = only_mistake(with(old, new));
        assert!(mistake.instead.contains(says), "{old} -> {new}: {mistake}");
        assert!(mistake.line.is_some() && mistake.column.is_some(), "{mistake}");
    }
}

#[test]
fn a_deadline_without_offset_takes_that_of_the_zone() {
    for (written, kept) in [
        ("2027-06-20T23:59:00", "2027-06-20T23:59:00+01:00"),
        ("2027-01-20 18:00", "2027-01-20T18:00:00+00:00"),
        ("2027-06-20T23:59:00Z", "2027-06-20T23:59:00Z"),
    ] {
        let piece = with("2027-06-20T23:59:00+01:00", written).unwrap_or_else(|m| panic!("{m}"));
        assert_eq!(piece.deadline.as_deref(), Some(kept));
    }
}

#[test]
fn a_piece_that_would_last_for_days_is_refused() {
    let slow = PIECE_TOML
        .replace("last_bar = 64\n\n# (optional) Until", "last_bar = 10000\n\n# (optional) Until")
        .replace("closing_bar = 66\n", "")
        .replace("bpm = 132", "bpm = 5");
    let mistakes = Piece::from_toml(&slow, "p").unwrap_err().to_string();
    assert!(mistakes.contains("hours; keep to 3"), "{mistakes}");
    let far = PIECE_TOML
        .replace("opening_bar = -1", "opening_bar = -60")
        .replace("bpm = 132", "bpm = 40");
    let mistakes = Piece::from_toml(&far, "p").unwrap_err().to_string();
    assert!(mistakes.contains("the opening mark lies"), "{mistakes}");
}

#[test]
fn an_unquoted_word_is_told_to_take_quotes() {
    let mistakes = with("mode = \"mixolydian\"", "mode = mixolydian").unwrap_err();
    assert!(mistakes.0[0].instead.contains("quotes"), "{mistakes}");
}

#[test]
fn many_mistakes_are_told_at_once_in_the_order_of_the_text() {
    let text = PIECE_TOML
        .replace("mode = \"mixolydian\"", "mode = \"happy\"")
        .replace("bpm = 132", "bpm = -1\nswing = 0.5")
        .replace("name = \"Flood\"", "nmae = \"Flood\"")
        .replace("bits = 24", "bits = \"many\"");
    let mistakes = Piece::from_toml(&text, "piece.toml").unwrap_err();
    let whats: Vec<&str> = mistakes.0.iter().map(|mistake| mistake.what.as_str()).collect();
    assert_eq!(whats.len(), 5, "{mistakes}");
    let lines: Vec<_> = mistakes.0.iter().map(|mistake| mistake.line).collect();
    assert!(lines.is_sorted(), "{mistakes}");
}

#[test]
fn broken_toml_names_its_line() {
    let mistakes =
        Piece::from_toml("slug = \"a\"\ntitle = \nlast_bar = = 3\n", "p.toml").unwrap_err();
    assert_eq!(mistakes.0[0].line, Some(2), "{mistakes}");
    assert!(mistakes.0.len() >= 2, "{mistakes}");
}

#[test]
fn an_empty_document_says_what_a_piece_needs() {
    let mistakes = Piece::from_toml("", "piece.toml").unwrap_err().to_string();
    for key in ["slug", "title", "last_bar", "tempo", "metre", "key", "sections", "marks"] {
        assert!(mistakes.contains(&format!("has no '{key}'")), "{key}: {mistakes}");
    }
}

#[test]
fn a_place_written_as_a_number_is_asked_for_in_quotes() {
    let mistake = only_mistake(with("at = \"1\"", "at = 1.3"));
    assert_eq!(mistake.instead, "put a place in quotes: \"1.3\"");
}

#[test]
fn json_mistakes_carry_pointers() {
    let (piece, _) = crate::nine_harbours();
    let mut document = piece.to_json();
    document["sections"][1]["first_bar"] = serde_json::json!("x");
    document["tempo"][0]["bmp/~"] = serde_json::json!(1);
    let mistakes = Piece::from_json(&document.to_string(), "body").unwrap_err().0;
    let pointers: Vec<_> = mistakes.iter().filter_map(|m| m.pointer.as_deref()).collect();
    assert_eq!(pointers, ["/tempo/0/bmp~1~0", "/sections/1/first_bar"]);
    let broken = Piece::from_json("{\"slug\": }", "body").unwrap_err().0;
    assert_eq!(broken[0].line, Some(1));
}

#[test]
fn what_is_written_reads_back_the_same() {
    let (mut piece, _) = crate::nine_harbours();
    piece.deadline = None;
    piece.marks.own_file = Some("bell.wav".into());
    piece.conform.ensemble_lag_ms = Some(18.5);
    for piece in [piece, Piece::default(), crate::nine_harbours().0] {
        let again = Piece::from_toml(&piece.to_toml(), "again.toml");
        assert_eq!(again.unwrap_or_else(|m| panic!("{m}\n{}", piece.to_toml())), piece);
        let again = Piece::from_json(&piece.to_json().to_string(), "again.json");
        assert_eq!(again.unwrap_or_else(|m| panic!("{m}")), piece);
    }
}

#[test]
fn an_exact_tempo_survives_both_forms() {
    let piece = with("bpm = 132", "bpm = \"60000000/454545\"").unwrap();
    let again = Piece::from_json(&piece.to_json().to_string(), "again.json").unwrap();
    assert_eq!(again.tempo, piece.tempo);
    let decimal = with("bpm = 132", "bpm = 132.1").unwrap();
    // 132.1 exactly: 1 321 bars of five beats take 3 000 s.
    assert_eq!(decimal.tempo.sample_at(Position::bar_start(1_322), 1), 3_000);
}

#[test]
fn the_grid_has_every_beat_with_its_chord() {
    let (piece, _) = crate::nine_harbours();
    let grid = piece.grid();
    assert_eq!((grid.beats.len(), grid.bar_starts.len()), (320, 64));
    assert_eq!(grid.chroma.len(), 320);
    // Ten beats of 60 / 132 s before bar 1, on the nearest of 48 000 samples a second.
    assert_eq!(grid.opening_mark_s, -218_182.0 / 48_000.0);
    assert!(grid.closing_mark_s.unwrap() > piece.duration_s());
    // Bar 1 is G major, bar 3 F over G; the chart ends on a fifth.
    let notes =
        |beat: usize| (0..12).filter(|class| grid.chroma[beat][*class] > 0.0).collect::<Vec<_>>();
    assert_eq!(notes(0), [2, 7, 11]);
    assert_eq!(notes(10), [0, 5, 7, 9]);
    assert_eq!(notes(319), [2, 7]);
    assert_eq!(grid.sections_s[4].1, piece.duration_s());
}

/// Beats of each bar in the grid of so many bars at 60 seconds by `bpm` of `unit`.
fn felt(metre: (u32, u32), bpm: i128, unit: (i128, i128)) -> usize {
    let first = Position::bar_start(1);
    let unit = crate::exact::Fraction::new(unit.0, unit.1);
    let tempo = TempoChange::exact(first, crate::exact::Fraction::from_integer(bpm), unit, false);
    let metre = Metre::new(metre.0, metre.1).unwrap();
    let metres = vec![MetreChange { bar: 1, metre }];
    let tempo = TempoMap::new(vec![tempo.unwrap()], metres).unwrap();
    let grid = Piece { tempo, last_bar: 6, ..Piece::default() }.grid();
    assert_eq!(grid.bar_starts.len(), 6);
    assert_eq!(grid.chroma.len(), grid.beats.len());
    grid.beats.len() / 6
}

#[test]
fn quick_beats_are_felt_in_groups() {
    assert_eq!(felt((6, 8), 112, (3, 8)), 2);
    assert_eq!(felt((6, 8), 336, (1, 8)), 2);
    assert_eq!(felt((9, 8), 300, (1, 8)), 3);
    // Slow enough to count every eighth.
    assert_eq!(felt((6, 8), 60, (3, 8)), 6);
    assert_eq!(felt((4, 4), 150, (1, 2)), 2);
    assert_eq!(felt((4, 4), 300, (1, 4)), 2);
    // No even group fits a seven.
    assert_eq!(felt((7, 8), 320, (1, 8)), 7);
    assert_eq!(felt((8, 8), 300, (1, 8)), 4);
    assert_eq!(felt((5, 4), 132, (1, 4)), 5);
}

#[test]
fn a_bracket_left_open_is_told_of_once() {
    let text = PIECE_TOML.replacen("wanted = [", "wanted = [[", 1);
    let mistakes = Piece::from_toml(&text, "p").unwrap_err().0;
    assert_eq!(mistakes.len(), 1, "{mistakes:?}");
    assert!(mistakes[0].instead.contains("bracket"), "{mistakes:?}");
    // Faults before it are told of too, one a line.
    let text = text.replacen("last_bar = 64", "last_bar = = 64 64", 1);
    let mistakes = Piece::from_toml(&text, "p").unwrap_err().0;
    assert_eq!(mistakes.len(), 2, "{mistakes:?}");
}

#[test]
fn past_a_hundred_mistakes_the_rest_are_counted() {
    let text: String = (0..250).map(|n| format!("key_{n} = 1\n")).collect();
    let mistakes = Piece::from_toml(&format!("{text}{PIECE_TOML}"), "p").unwrap_err().0;
    assert_eq!(mistakes.len(), 101);
    assert_eq!(mistakes[100].what, "there are 150 more mistakes");
}

#[test]
fn nesting_without_end_is_refused() {
    let deep = format!("slug = {}{}", "[".repeat(100_000), "]".repeat(100_000));
    assert!(Piece::from_toml(&deep, "p").is_err());
    let deep = "[".repeat(100_000);
    assert!(Piece::from_json(&deep, "p").is_err());
}

proptest::proptest! {
    #[test]
    fn no_text_makes_the_reader_panic(text in "\\PC{0,200}") {
        let _ = Piece::from_toml(&text, "p");
        let _ = Piece::from_json(&text, "p");
    }

    #[test]
    fn no_change_to_a_good_document_makes_the_reader_panic(
        at in 0_usize..4_000, cut in 0_usize..40, new in "[-\"\\[\\]{}=#\\.0-9a-z\n |%/🎵]{0,12}",
    ) {
        let mut chars: Vec<char> = PIECE_TOML.chars().collect();
        let from = at.min(chars.len());
        let to = (from + cut).min(chars.len());
        chars.splice(from..to, new.chars());
        let text: String = chars.into_iter().collect();
        if let Err(mistakes) = Piece::from_toml(&text, "p") {
            proptest::prop_assert!(!mistakes.0.is_empty());
            // The one past a hundred only counts the rest.
            for mistake in mistakes.0.iter().take(100) {
                let line = mistake.line.unwrap_or(0) as usize;
                proptest::prop_assert!((1..=text.lines().count() + 1).contains(&line));
            }
        }
    }
}
