use super::*;
use crate::demo::ARRANGEMENT_TOML;
use crate::nine_harbours;

fn with(old: &str, new: &str) -> Result<Arrangement, Mistakes> {
    assert!(ARRANGEMENT_TOML.contains(old), "{old}");
    let text = ARRANGEMENT_TOML.replacen(old, new, 1);
    Arrangement::from_toml(&text, "arrangement.toml", &nine_harbours().0)
}

/// What changed, with a name for each take.
fn changes(old: &Arrangement, new: &Arrangement) -> Vec<String> {
    difference(old, new, &|take| format!("The player of {take}"))
}

fn facts(family: &str, register: &str, tags: &[&str]) -> TakeFacts {
    TakeFacts {
        family: family.into(),
        register: register.into(),
        tags: tags.iter().map(|tag| tag.to_string()).collect(),
        ..TakeFacts::default()
    }
}

#[test]
fn the_first_rule_that_fits_decides_and_the_rest_have_a_home() {
    let (_, map) = nine_harbours();
    let group = |facts: TakeFacts| map.groups()[map.group_of(&facts).unwrap()].name.clone();
    assert_eq!(group(facts("squeezebox", "low", &[])), "Squeezeboxes");
    assert_eq!(group(facts("bowed", "low", &[])), "Low");
    assert_eq!(group(facts("bowed", "", &[])), "Strings");
    assert_eq!(group(facts("Voice", "high", &["shimmer"])), "Bells");
    assert_eq!(group(facts("keys", "", &[])), "Everyone else");
    assert_eq!(Arrangement::default().group_of(&facts("keys", "", &[])), Some(0));
}

#[test]
fn a_take_may_be_put_elsewhere_and_nobody_else_is() {
    let extra =
        format!("{ARRANGEMENT_TOML}\n[[stems]]\ntake = \"t1\"\ngroup = \"voices\"\npan = -0.5\n");
    let map = Arrangement::from_toml(&extra, "a", &nine_harbours().0).unwrap();
    let bells = facts("bells", "", &[]);
    assert_eq!(map.group_of_take("t1", &bells), map.group_named("Voices"));
    assert_eq!(map.group_of_take("t2", &bells), map.group_named("Bells"));
    assert_eq!(map.exception_for("t1").and_then(|stem| stem.pan), Some(-0.5));
}

#[test]
fn words_may_begin_or_end_with_a_star() {
    let rule = |word: &str| Rule { instrument: vec![word.into()], ..Rule::default() };
    let facts = TakeFacts { instrument: "Bass Accordion".into(), ..TakeFacts::default() };
    for (word, fits) in [
        ("*accordion", true),
        ("bass*", true),
        ("*s acc*", true),
        ("accordion", false),
        ("*", true),
    ] {
        assert_eq!(rule(word).fits(&facts), fits, "{word}");
    }
}

#[test]
fn each_slip_is_told_at_its_line_with_the_right_word() {
    for (old, new, says) in [
        ("section = \"Flood\"", "section = \"Floot\"", "did you mean \"Flood\"?"),
        ("group = \"Bells\"", "group = \"Bels\"", "did you mean \"Bells\"?"),
        ("group = \"Bells\"", "group = \"Choir of angels\"", "it may be Squeezeboxes"),
        ("enter = \"5\"", "enter = \"25\"", "name a place from \"1\" to \"13\""),
        ("enter = \"5\"", "enter = \"5.6\"", "a beat from 1 to 5"),
        ("{ at = \"5\", db = 0 }", "{ at = \"1\", db = 0 }", "in order"),
        ("db = -9", "db = 90", "-120 to 24"),
        ("db = -inf", "db = inf", "-120 to 24"),
        ("shape = \"s-curve\"", "shape = \"s-curf\"", "did you mean \"s-curve\"?"),
        ("family = \"whistle\"", "family = \"whistels\"", "did you mean \"whistle\"?"),
        ("register = \"low\"", "register = \"lwo\"", "did you mean \"low\"?"),
        ("pan = 0.3", "pan = 3", "-1 to 1"),
        ("rest = true", "rules = [{}]", "rest = true"),
        ("name = \"Voices\"", "name = \"whistles\"", "a name of its own"),
        ("only = [\"Squeezeboxes\"", "only = [\"Squeezeboxs\"", "did you mean \"Squeezeboxes\"?"),
    ] {
        let mistakes = with(old, new).unwrap_err();
        assert!(mistakes.0[0].line.is_some(), "{mistakes}");
        assert!(mistakes.0.iter().any(|m| m.instead.contains(says)), "{old} -> {new}: {mistakes}");
    }
}

#[test]
fn a_second_cell_for_the_same_place_is_a_mistake() {
    let text = format!(
        "{ARRANGEMENT_TOML}\n[[cells]]\nsection = \"crest\"\ngroup = \"bells\"\nmute = true\n"
    );
    let mistakes = Arrangement::from_toml(&text, "a", &nine_harbours().0).unwrap_err();
    assert_eq!(mistakes.0.len(), 1, "{mistakes}");
    assert!(mistakes.0[0].what.contains("two cells"));
}

#[test]
fn what_is_written_reads_back_the_same() {
    let (piece, map) = nine_harbours();
    let again = Arrangement::from_toml(&map.to_toml(), "again", &piece);
    assert_eq!(again.unwrap_or_else(|m| panic!("{m}\n{}", map.to_toml())), map);
    let again = Arrangement::from_json(&map.to_json().to_string(), "again", &piece);
    assert_eq!(again.unwrap_or_else(|m| panic!("{m}")), map);
    assert_eq!(map.check(&piece), Ok(()));
    assert!(map.check(&Piece::default()).is_err());
}

#[test]
fn a_difference_is_said_in_words() {
    let (_, old) = nine_harbours();
    assert_eq!(changes(&old, &old), Vec::<String>::new());
    let new = with("gain_db = 1.5", "gain_db = -2").unwrap();
    assert_eq!(changes(&old, &new), ["Bells in Crest goes from +1.5 dB to -2 dB."]);
    let new = with("enter = \"17\"", "enter = \"18\"\nexit = \"20.2\"").unwrap();
    assert_eq!(
        changes(&old, &new),
        ["Hands and drums in Flood enters at 18.", "Hands and drums in Flood leaves at 20.2."]
    );
    let said = changes(&old, &Arrangement::default());
    assert!(said.contains(&"Group Bells is gone.".to_string()), "{said:?}");
    assert!(said.contains(&"Group Everyone is new, at 0 dB.".to_string()), "{said:?}");
}

#[test]
fn a_difference_calls_takes_as_it_is_told() {
    let with = |stems: &str| {
        let text = format!("[[groups]]\nname = \"All\"\nrest = true\n{stems}");
        Arrangement::from_toml(&text, "a", &nine_harbours().0).unwrap()
    };
    let (none, one) = (with(""), with("[[stems]]\ntake = \"a1\"\ngain_db = -4\n"));
    let other = with("[[stems]]\ntake = \"a1\"\nmute = true\npan = -0.5\ngroup = \"All\"\n");
    assert_eq!(changes(&none, &one), ["The player of a1 goes from 0 dB to -4 dB."]);
    assert_eq!(
        changes(&one, &other),
        [
            "The player of a1 is left out.",
            "The player of a1 goes from -4 dB to 0 dB.",
            "The player of a1 is placed 50 % left.",
            "The player of a1 plays with All.",
        ]
    );
    assert_eq!(changes(&one, &none), ["The player of a1 is treated like the others again."]);
}

proptest::proptest! {
    #[test]
    fn no_change_to_a_good_document_makes_reader_or_curve_panic(
        at in 0_usize..6_000, cut in 0_usize..40, new in "[-\"\\[\\]{}=#\\.0-9a-z\n +/]{0,12}",
    ) {
        let (piece, _) = nine_harbours();
        let mut chars: Vec<char> = ARRANGEMENT_TOML.chars().collect();
        let from = at.min(chars.len());
        let to = (from + cut).min(chars.len());
        chars.splice(from..to, new.chars());
        let text: String = chars.into_iter().collect();
        match Arrangement::from_toml(&text, "a", &piece) {
            Ok(map) => {
                for group in 0..=map.groups().len() {
                    proptest::prop_assert!(!map.group_curve(group, &piece).is_empty());
                }
            }
            Err(mistakes) => proptest::prop_assert!(!mistakes.0.is_empty()),
        }
    }
}

#[test]
fn tone_is_read_written_compared_and_its_mistakes_are_said() {
    let piece = crate::nine_harbours().0;
    let plain = "[[groups]]\nname = \"Bells\"\nrest = true\n";
    let toned = format!(
        "{plain}tone = {{ bands = [{{ kind = \"bell\", hz = 400, gain_db = -3 }}], send_db = -12 }}\n\
         [room]\nrt60_s = 2.5\n[mix]\ncompressor = {{ ratio = 2 }}\n"
    );
    let map = Arrangement::from_toml(&toned, "a", &piece).unwrap();
    let tone = &map.groups()[0].tone;
    assert_eq!((tone.bands[0].hz, tone.bands[0].gain_db, tone.send_db), (400.0, -3.0, Some(-12.0)));
    assert_eq!(map.mix_tone().compressor.as_ref().unwrap().threshold_db, -24.0);
    assert_eq!(Arrangement::from_toml(&map.to_toml(), "a", &piece).unwrap(), map);
    let json = map.to_json().to_string();
    assert_eq!(Arrangement::from_json(&json, "a", &piece).unwrap(), map);
    let before = Arrangement::from_toml(plain, "a", &piece).unwrap();
    assert_eq!(
        changes(&before, &map),
        [
            "The room that groups send to is another.",
            "The tone of the whole mix is another.",
            "Group Bells has another tone.",
        ]
    );
    let wrong = toned.replace("bell\"", "bel\"").replace("hz = 400", "hz = 90000");
    let said = Arrangement::from_toml(&wrong, "a", &piece).unwrap_err().to_string();
    assert!(said.contains("high-pass, low-pass") && said.contains("hz"), "{said}");
    let wrong = toned.replace("ratio = 2 }", "ratio = 2 }\nsend_db = -3");
    assert!(Arrangement::from_toml(&wrong, "a", &piece).is_err(), "the mix sends nowhere");
}

#[test]
fn a_recorded_room_is_named_by_its_file_and_brings_its_own_times() {
    let piece = crate::nine_harbours().0;
    let with = |room: &str| {
        let text = format!("[room]\n{room}\n[[groups]]\nname = \"All\"\nrest = true\n");
        Arrangement::from_toml(&text, "a", &piece)
    };
    let map = with("impulse = \"hall.wav\"").unwrap();
    let room = map.room().unwrap();
    assert_eq!((room.impulse.as_deref(), room.pre_delay_ms), (Some("hall.wav"), 0.0));
    assert_eq!(Arrangement::from_toml(&map.to_toml(), "a", &piece).unwrap(), map);
    let json = map.to_json().to_string();
    assert_eq!(Arrangement::from_json(&json, "a", &piece).unwrap(), map);
    let both = with("impulse = \"hall.wav\"\nrt60_s = 2").unwrap_err().to_string();
    assert!(both.contains("rt60_s") && both.contains("line 3"), "{both}");
    for name in ["../hall.wav", "a b.wav", "", ".hidden"] {
        assert!(with(&format!("impulse = \"{name}\"")).is_err(), "{name}");
    }
}

#[test]
fn a_change_of_a_curve_names_its_shapes() {
    let piece = crate::nine_harbours().0;
    let with = |shape: &str| {
        let text = format!(
            "[[groups]]\nname = \"All\"\nrest = true\n[[cells]]\nsection = \"Flood\"\n\
             group = \"All\"\ncurve = [{{ at = \"13\", db = -9, shape = \"{shape}\" }}, \
             {{ at = \"21\", db = 0 }}]\n"
        );
        Arrangement::from_toml(&text, "a", &piece).unwrap()
    };
    assert_eq!(
        changes(&with("line"), &with("s-curve")),
        ["All in Flood follows a new curve: -9 dB at 13, by s-curve to 0 dB at 21."]
    );
    assert_eq!(with("hold").in_words("Flood", "All"), "-9 dB at 13, held until 0 dB at 21");
}

#[test]
fn what_a_group_does_in_a_section_is_said_in_a_few_words() {
    let (piece, map) = crate::nine_harbours();
    let words = |section, group| map.in_words(section, group);
    assert_eq!(words("Slack water", "Whistles"), "from 5");
    assert_eq!(words("Slack water", "Voices"), "from 9; -4 dB");
    assert_eq!(words("Slack water", "Strings"), "silent", "not among those let in");
    assert_eq!(words("Flood", "bells"), "silent", "its cell is muted");
    assert_eq!(words("Undertow", "Hands and drums"), "until 33.3");
    assert_eq!(words("Undertow", "Low"), "+2 dB");
    assert_eq!(words("Ebb", "Low"), "0 dB");
    assert!(!map.plays("Flood", "Nobody"));
    let quiet = "[[groups]]\nname = \"All\"\nrest = true\nmute = true\n";
    let quiet = Arrangement::from_toml(quiet, "a", &piece).unwrap();
    assert!(!quiet.plays("Flood", "All"));
}
