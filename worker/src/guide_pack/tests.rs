use super::*;
use ripieno_score::nine_harbours;

/// Nine Harbours cut to its first eight bars: as good, and quick to write.
fn short() -> Piece {
    let (mut piece, _) = nine_harbours();
    piece.last_bar = 8;
    piece.sections.truncate(1);
    piece.sections[0].last_bar = 8;
    piece.marks.closing = Some(ripieno_score::Mark { bar: 10 });
    piece
}

fn samples(path: &Path) -> (hound::WavSpec, Vec<i32>) {
    let mut reader = hound::WavReader::open(path).unwrap();
    let spec = reader.spec();
    (spec, reader.samples::<i32>().map(Result::unwrap).collect())
}

#[test]
fn marks_and_clicks_lie_where_the_piece_says_to_the_sample() {
    let folder = tempfile::tempdir().unwrap();
    let piece = short();
    let index = write_pack(&piece, folder.path()).unwrap();
    let (spec, guide) = samples(&folder.path().join("guide.wav"));
    assert_eq!((spec.sample_rate, spec.bits_per_sample, spec.channels), (48_000, 24, 1));
    let bar1 = index.marks.bar1_beat1_sample;
    for (place, bar) in [(&index.marks.opening, -1), (index.marks.closing.as_ref().unwrap(), 10)] {
        assert_eq!(place.sample - bar1, piece.sample_at_bar(bar));
        assert_eq!(place.origin_sample.fract(), 0.0);
        let (_, mark) = samples(&folder.path().join(place.file));
        let first = (place.sample - place.origin_sample as i64) as usize;
        assert_eq!(guide[first..first + mark.len()], mark, "{}", place.file);
    }
    // Takes are laid by the very samples, not by where the marks' bars begin between two.
    let laid_s = |place: &MarkPlace| (place.sample - bar1) as f64 / 48_000.0;
    let grid = piece.grid();
    assert_eq!(grid.opening_mark_s, laid_s(&index.marks.opening));
    assert_eq!(grid.closing_mark_s, index.marks.closing.as_ref().map(laid_s));
    // The pulse is silent up to each beat's own sample and sounds from the next one on.
    let (_, pulse) = samples(&folder.path().join("pulse.wav"));
    let mut beats = 0;
    for beat in piece.tempo.beats(0, piece.last_bar) {
        let at = (piece.sample_at(beat.position) + bar1) as usize;
        assert!(pulse[at - 400..=at].iter().all(|s| s.abs() < 700), "{beat:?}");
        assert!(pulse[at + 1..at + 40].iter().any(|s| s.abs() > 200_000), "{beat:?}");
        beats += 1;
    }
    assert_eq!(beats, 9 * 5);
    // The layers make the guide: outside of the marks, to the rounding of three files.
    let (_, chords) = samples(&folder.path().join("chords.wav"));
    assert_eq!((pulse.len(), chords.len()), (guide.len(), guide.len()));
    let music = bar1 as usize..(bar1 + piece.end_sample()) as usize;
    assert!(music.into_iter().all(|i| (guide[i] - pulse[i] - chords[i]).abs() <= 1));
}

#[test]
fn the_guide_spares_the_ears() {
    let folder = tempfile::tempdir().unwrap();
    let index = write_pack(&short(), folder.path()).unwrap();
    let peak = |name| {
        let (_, samples) = samples(&folder.path().join(name));
        20.0 * (f64::from(samples.iter().map(|s| s.abs()).max().unwrap()) / 8_388_608.0).log10()
    };
    assert!(peak("guide.wav") <= -6.0, "{}", peak("guide.wav"));
    assert!((20.0 * f64::from(index.guide_peak).log10() - peak("guide.wav")).abs() < 0.01);
    for mark in ["mark-opening.wav", "mark-closing.wav"] {
        assert!((-9.5..=-9.0).contains(&peak(mark)), "{mark}: {}", peak(mark));
    }
    assert!((-22.0..=-12.0).contains(&peak("chords.wav")), "{}", peak("chords.wav"));
}

#[test]
fn the_locator_finds_the_guide_s_own_marks() {
    use ripieno_engine::locate::{Locator, Options, SURE};
    let folder = tempfile::tempdir().unwrap();
    let index = write_pack(&short(), folder.path()).unwrap();
    let (_, guide) = samples(&folder.path().join("guide.wav"));
    let guide: Vec<f32> = guide.iter().map(|s| *s as f32 / 8_388_608.0).collect();
    let (opening, closing) = (Mark::opening(48_000), Mark::closing(48_000));
    let mut locator = Locator::pair(&opening, &closing, Options::default());
    locator.push(&[&guide]);
    let found = locator.finish_pair();
    let sure = |arrivals: &[ripieno_engine::locate::Arrival]| -> Vec<f64> {
        arrivals.iter().filter(|a| a.score >= SURE).map(|a| a.at_s * 48_000.0).collect()
    };
    let (opening, closing) = (sure(&found.opening), sure(&found.closing));
    assert_eq!((opening.len(), closing.len()), (1, 1));
    assert!((opening[0] - index.marks.opening.sample as f64).abs() < 0.05);
    assert!((closing[0] - index.marks.closing.unwrap().sample as f64).abs() < 0.05);
}

#[test]
fn the_same_piece_gives_the_same_zip() {
    let folder = tempfile::tempdir().unwrap();
    let zip = |name: &str| {
        let pack = folder.path().join(name);
        let out = folder.path().join(format!("{name}.zip"));
        write_pack(&short(), &pack).unwrap();
        zip_pack(&pack, "nine-harbours", &out).unwrap();
        std::fs::read(out).unwrap()
    };
    let first = zip("a");
    assert_eq!(first, zip("b"));
    let mut archive = ::zip::ZipArchive::new(std::io::Cursor::new(first)).unwrap();
    assert_eq!(archive.len(), FILES.len());
    let mut json = String::new();
    let mut file = archive.by_name("nine-harbours/marks.json").unwrap();
    std::io::Read::read_to_string(&mut file, &mut json).unwrap();
    let account: serde_json::Value = serde_json::from_str(&json).unwrap();
    assert_eq!(account["sample_rate"], 48_000);
    assert_eq!(account["opening"]["bar"], -1);
    assert_eq!(account["closing"]["file"], "mark-closing.wav");
}

/// The zip of a pack, in two bars: as many mistakes to make as in sixty.
fn zip_of(piece: &Piece) -> Vec<u8> {
    let folder = tempfile::tempdir().unwrap();
    let (pack, out) = (folder.path().join("pack"), folder.path().join("pack.zip"));
    write_pack(piece, &pack).unwrap();
    zip_pack(&pack, &piece.slug, &out).unwrap();
    std::fs::read(out).unwrap()
}

fn two_bars() -> Piece {
    let text = r#"
slug = "two-bars"
title = "Two Bars"
about = "Shorter than most."
composer_credit = "The Harbour"
last_bar = 2
deadline = "2027-06-20T23:59:00+01:00"
time_zone = "Europe/Lisbon"
nightly = { at = "0 5 * * *" }
wanted = ["Voices."]
key = { tonic = "G", mode = "mixolydian" }
tempo = [{ at = "1", bpm = 132 }]
metre = [{ bar = 1, metre = "5/4" }]
marks = { opening_bar = 0, closing_bar = 4 }
sections = [{ name = "High water", first_bar = 1, last_bar = 2, chords = "G | F" }]
"#;
    Piece::from_toml(text, "piece.toml").unwrap_or_else(|mistakes| panic!("{mistakes}"))
}

#[test]
fn what_a_pack_does_not_tell_of_leaves_it_as_it_is() {
    let piece = two_bars();
    let changes: [fn(&mut Piece); 5] = [
        |p| {
            let at = "0 6 * * *".to_owned();
            let webhook = Some("https://example.org/".to_owned());
            p.nightly = Some(ripieno_score::Nightly { at, webhook, keep: Some(3) });
        },
        |p| p.nightly = None,
        |p| p.time_zone = Some("Pacific/Auckland".into()),
        |p| p.delivery = ripieno_score::Delivery { target_lufs: -23.0, max_dbtp: -3.0, bits: 16 },
        |p| {
            let policy = ripieno_score::ConformPolicy::default();
            p.conform = ripieno_score::ConformPolicy { easing_strength: 0.3, ..policy };
        },
    ];
    let (before, made) = (zip_of(&piece), made_of(&piece, None));
    for (number, change) in changes.into_iter().enumerate() {
        let mut changed = piece.clone();
        change(&mut changed);
        assert_ne!(changed, piece, "change {number} changes nothing");
        assert_eq!(made_of(&changed, None), made, "change {number}");
        assert!(zip_of(&changed) == before, "change {number} touches the pack");
    }
}

#[test]
fn what_a_pack_tells_of_has_it_written_anew() {
    let piece = two_bars();
    let made = made_of(&piece, None);
    let document = piece.to_json();
    let not_told = ["nightly", "time_zone", "delivery", "conform"];
    let mut told = 0;
    for (key, value) in document.as_object().unwrap() {
        let mut changed = document.clone();
        changed[key] = match (key.as_str(), value) {
            (key, _) if not_told.contains(&key) => continue,
            ("sample_rate_hz", _) => 44_100.into(),
            ("last_bar", _) => 3.into(),
            ("deadline", _) => "2027-06-21T23:59:00+01:00".into(),
            ("key", _) => serde_json::json!({ "tonic": "D", "mode": "dorian" }),
            ("tempo", _) => serde_json::json!([{ "at": "1", "bpm": 120 }]),
            ("metre", _) => serde_json::json!([{ "bar": 1, "metre": "4/4" }]),
            ("marks", _) => serde_json::json!({ "opening_bar": 0, "closing_bar": 5 }),
            ("sections", _) => {
                serde_json::json!([{ "name": "Low water", "first_bar": 1, "last_bar": 2 }])
            }
            ("chords", _) => {
                serde_json::json!([{ "first_bar": 1, "last_bar": 1, "play": "Dm" }])
            }
            ("wanted", _) => serde_json::json!(["Bells."]),
            ("consent", _) => serde_json::json!({ "version": "9", "recording": "I agree." }),
            ("slug", _) => "ten-harbours".into(),
            (_, serde_json::Value::String(text)) => format!("{text} and more").into(),
            (key, _) => panic!("{key} is new: does the pack tell of it?"),
        };
        let changed = match Piece::from_json(&changed.to_string(), "piece.json") {
            Ok(changed) => changed,
            Err(mistakes) => panic!("{key}: {mistakes}"),
        };
        assert_ne!(made_of(&changed, None), made, "{key}");
        told += 1;
    }
    assert!(told > 10, "only {told} were tried");
    assert_ne!(made_of(&piece, Some("a bell")), made);
    assert_ne!(made_of(&piece, Some("a bell")), made_of(&piece, Some("a clap")));
}

#[test]
fn a_piece_without_a_closing_mark_and_with_a_clap_of_its_own() {
    let folder = tempfile::tempdir().unwrap();
    let mut piece = short();
    piece.marks.closing = None;
    let clap: Vec<f32> = (0..4_000)
        .map(|i| if i < 1_000 { 0.0 } else { 0.9 * (-(i as f32 - 1_000.0) / 300.0).exp() })
        .collect();
    let own = OwnRecording { samples: &clap, rate_hz: 44_100 };
    let index = write_pack_with_own_mark(&piece, own, folder.path()).unwrap();
    assert!(index.marks.closing.is_none());
    assert!(index.files.iter().all(|f| f.name != "mark-closing.wav"));
    let (_, guide) = samples(&folder.path().join("guide.wav"));
    let (_, mark) = samples(&folder.path().join("mark-opening.wav"));
    let first = (index.marks.opening.sample - index.marks.opening.origin_sample as i64) as usize;
    assert_eq!(guide[first..first + mark.len()], mark);
    let peak = mark.iter().map(|s| s.abs()).max().unwrap();
    assert!(f64::from(peak) <= 8_388_608.0 * 0.3549, "an own mark is no louder than the others");
    for name in ["instructions.txt", "instructions.html"] {
        let text = std::fs::read_to_string(folder.path().join(name)).unwrap();
        let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(!text.contains("sweep"), "{name} tells of the designed mark");
        assert!(text.contains("the sound that mark-opening.wav holds"), "{name}");
    }
}

#[test]
fn names_that_are_markup_stay_names() {
    let folder = tempfile::tempdir().unwrap();
    let mut piece = short();
    piece.title = "<script>alert('&')</script>".into();
    piece.sections[0].name = "A \"quoted\" <b>".into();
    write_pack(&piece, folder.path()).unwrap();
    for name in ["chart.svg", "chart.html", "instructions.html"] {
        let text = std::fs::read_to_string(folder.path().join(name)).unwrap();
        assert!(!text.contains("<script>") && !text.contains("<b>"), "{name}");
    }
}

#[test]
fn instructions_say_what_the_piece_asks() {
    let folder = tempfile::tempdir().unwrap();
    write_pack(&short(), folder.path()).unwrap();
    let text = std::fs::read_to_string(folder.path().join("instructions.txt")).unwrap();
    let text = text.split_whitespace().collect::<Vec<_>>().join(" ");
    for said in [
        "48 kHz and 24 bits",
        "first beat of bar -1",
        "first beat of bar 10",
        "20 June 2027, 23:59 (UTC+01:00)",
        "No reverberation, no equaliser, no compressor",
        "parent or guardian",
        "volume all the way down",
    ] {
        assert!(text.contains(said), "{said}");
    }
}
