#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use super::*;
use ripieno_engine::stem::StemWriter;
use ripieno_score::{
    Arrangement, Consents, Nightly, Piece, TakeFacts, TakeForm, TakeOffset, nine_harbours,
};
use std::f64::consts::TAU;
use std::path::Path;

mod nights;

/// The demo piece cut down to eight bars in two sections, 18 s.
fn short_piece() -> Piece {
    let (mut piece, _) = nine_harbours();
    piece.sections.truncate(2);
    piece.sections[0].last_bar = piece.sections[0].first_bar + 3;
    piece.sections[1].first_bar = piece.sections[0].last_bar + 1;
    piece.sections[1].last_bar = piece.sections[0].last_bar + 4;
    piece.last_bar = piece.sections[1].last_bar;
    piece
}

fn arrangement(text: &str, piece: &Piece) -> Arrangement {
    Arrangement::from_toml(text, "arrangement.toml", piece).unwrap()
}

const TWO_GROUPS: &str = r#"
[[groups]]
name = "Bells"
rules = [{ family = "bells" }]
[[groups]]
name = "Rest"
rest = true
"#;

/// A stem of plucked notes, different for every number.
fn stem(dir: &Path, number: u64, level: f32) -> StemEntry {
    stem_of(dir, number, level, 48_000 * 18)
}

fn stem_of(dir: &Path, number: u64, level: f32, frames: u64) -> StemEntry {
    let path = dir.join(format!("take-{number}.stem"));
    let channels = if number.is_multiple_of(4) { 2 } else { 1 };
    let file = std::fs::File::create(&path).unwrap();
    let mut writer = StemWriter::create(file, 48_000, channels, -4800).unwrap();
    let pitch_hz = 110.0 * 2f64.powf((number * 7 % 36) as f64 / 12.0);
    let plane: Vec<f32> = (0..frames)
        .map(|n| {
            let since = (n as f64 / 48_000.0 + number as f64 * 0.013) % 0.4545;
            let phase = TAU * pitch_hz * n as f64 / 48_000.0 + number as f64;
            level * (phase.sin() * (-since * 9.0).exp()) as f32
        })
        .collect();
    let planes = vec![&plane[..]; usize::from(channels)];
    writer.push(&planes).unwrap();
    writer.finish().unwrap();
    let family = if number.is_multiple_of(3) { "bells" } else { "plucked" };
    StemEntry {
        take_id: format!("take-{number}"),
        facts: TakeFacts { family: family.into(), ..TakeFacts::default() },
        path,
        credit: None,
        form: Some(TakeForm {
            name: format!("Player {number}"),
            credit: format!("P. {number}"),
            consents: Consents { recording: true, credit: number != 3, ..Default::default() },
            ..Default::default()
        }),
        offset: Some(TakeOffset {
            take: format!("take-{number}"),
            file: format!("{number}.wav"),
            bar1_beat1_s: 4.0,
            duration_s: 24.0,
            ..Default::default()
        }),
    }
}

fn request<'a>(piece: &'a Piece, arrangement: &'a Arrangement, dir: &Path) -> RenderRequest<'a> {
    RenderRequest {
        piece,
        arrangement,
        arrangement_version: "1".into(),
        stems: Vec::new(),
        former_stems: Vec::new(),
        kind: RenderKind::Preview,
        sections: Vec::new(),
        groups: Vec::new(),
        spotlight: None,
        tone: MixTone::default(),
        impulse: None,
        outputs: Outputs::default(),
        out_dir: dir.join("out"),
        beds_dir: Some(dir.join("beds")),
        threads: 2,
    }
}

fn mix_hash(report: &RenderReport) -> String {
    report.files.iter().find(|file| file.name == "preview.ogg").unwrap().blake3.clone()
}

/// What a report says of the sound, to the last bit.
fn measured(report: &RenderReport) -> serde_json::Value {
    let mut report = serde_json::to_value(report).unwrap();
    for how in ["beds", "files"] {
        assert!(report.as_object_mut().unwrap().remove(how).is_some());
    }
    report
}

#[test]
fn a_final_reaches_its_loudness_and_stays_under_its_peak() {
    let dir = tempfile::tempdir().unwrap();
    let webhook = Some("https://quay.example/secret".into());
    let nightly = Some(Nightly { at: "0 5 * * *".into(), webhook, keep: None });
    let piece = Piece { nightly, ..short_piece() };
    let map = arrangement(TWO_GROUPS, &piece);
    let mut request = request(&piece, &map, dir.path());
    request.kind = RenderKind::Final;
    request.outputs = Outputs { group_mixes: true, aligned_stems: true };
    request.stems = (0..12).map(|number| stem(dir.path(), number, 0.3)).collect();
    let report = render(&request, &|_| {}).unwrap();
    let lufs = report.loudness.integrated_lufs.unwrap();
    assert!((lufs - piece.delivery.target_lufs).abs() <= 0.2, "{lufs}");
    assert!(report.loudness.true_peak_dbtp.unwrap() <= piece.delivery.max_dbtp);
    for name in [
        "mix.wav",
        "mix.flac",
        "preview.ogg",
        "report.json",
        "report.html",
        "manifest.json",
        "checksums.txt",
        "stems/take-3.wav",
        "credits.csv",
        "offsets.otio",
    ] {
        assert!(request.out_dir.join(name).is_file(), "{name}");
    }
    let names: Vec<String> = std::fs::read_dir(&request.out_dir)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    assert!(!names.iter().any(|name| name.ends_with(".part")), "{names:?}");
    assert_eq!(report.sections.len(), 2);
    assert_eq!(report.sections[0].takes.len(), 12);
    let manifest = std::fs::read_to_string(request.out_dir.join("manifest.json")).unwrap();
    assert!(manifest.contains("0 5 * * *") && !manifest.contains("quay.example"), "{manifest}");
    let credits = std::fs::read_to_string(request.out_dir.join("credits.txt")).unwrap();
    assert!(credits.contains("P. 4") && !credits.contains("P. 3"), "{credits}");
    group_mixes_sum_to_the_mix(&request.out_dir.join("groups"));
    a_stem_says_where_it_lies(&request);
}

/// Told in small steps: what is not counted would show as a leap.
#[test]
fn a_final_tells_evenly_how_far_it_is() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let map = arrangement(TWO_GROUPS, &piece);
    let mut request = request(&piece, &map, dir.path());
    request.kind = RenderKind::Final;
    request.outputs = Outputs { group_mixes: true, aligned_stems: true };
    request.stems = (0..24).map(|number| stem(dir.path(), number, 0.3)).collect();
    let told = std::sync::Mutex::new(Vec::new());
    render(&request, &|progress| told.lock().unwrap().push(progress)).unwrap();
    let told = told.into_inner().unwrap();
    assert_eq!((told[0].share, told.last().unwrap().share), (0.0, 1.0));
    for two in told.windows(2) {
        let step = two[1].share - two[0].share;
        assert!(step > 0.0 && step < 0.08, "{two:?}");
    }
    let mut stages: Vec<Stage> = told.iter().map(|progress| progress.stage).collect();
    stages.dedup();
    assert!(stages.is_sorted() && stages.len() == 7, "{stages:?}");
}

#[test]
fn the_same_stems_give_the_same_files_however_they_came() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let map = arrangement(TWO_GROUPS, &piece);
    let stems: Vec<StemEntry> = (0..10).map(|number| stem(dir.path(), number, 0.2)).collect();
    let mut request = request(&piece, &map, dir.path());
    request.stems = stems[..9].to_vec();
    render(&request, &|_| {}).unwrap();
    request.stems = stems.iter().rev().cloned().collect();
    let grown = render(&request, &|_| {}).unwrap();
    assert!(grown.beds.anew == 0 && grown.beds.updated > 0 && grown.beds.stems_removed == 0);
    request.beds_dir = None;
    request.threads = 1;
    let scratch = render(&request, &|_| {}).unwrap();
    assert_eq!(mix_hash(&grown), mix_hash(&scratch));
    request.beds_dir = Some(dir.path().join("beds"));
    request.stems = stems[1..].to_vec();
    request.former_stems = vec![stems[0].path.clone()];
    let without = render(&request, &|_| {}).unwrap();
    assert!(without.beds.anew == 0 && without.beds.stems_removed > 0);
    request.beds_dir = None;
    assert_eq!(mix_hash(&without), mix_hash(&render(&request, &|_| {}).unwrap()));
}

#[test]
fn a_curve_change_reads_no_stem() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let map = arrangement(TWO_GROUPS, &piece);
    let mut request = request(&piece, &map, dir.path());
    request.stems = (0..6).map(|number| stem(dir.path(), number, 0.2)).collect();
    let first = render(&request, &|_| {}).unwrap();
    let section = &piece.sections[0].name;
    let changed = arrangement(
        &format!(
            "{TWO_GROUPS}\n[[cells]]\nsection = \"{section}\"\ngroup = \"Bells\"\ngain_db = -6\n"
        ),
        &piece,
    );
    request.arrangement = &changed;
    let second = render(&request, &|_| {}).unwrap();
    assert_eq!((second.beds.anew, second.beds.updated, second.beds.stems_added), (0, 0, 0));
    assert_ne!(mix_hash(&first), mix_hash(&second));
}

#[test]
fn group_levels_hold_as_takes_arrive() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let map = Arrangement::default();
    let mut request = request(&piece, &map, dir.path());
    request.beds_dir = None;
    let mut levels = Vec::new();
    for count in [2, 16] {
        request.stems = (0..count).map(|number| stem(dir.path(), number, 0.1)).collect();
        let report = render(&request, &|_| {}).unwrap();
        levels.push(report.unmastered_lufs.unwrap());
    }
    let moved = (levels[1] - levels[0]).abs();
    assert!(moved < 0.5, "{levels:?}");
    assert!((levels[1] - crate::plan::GROUP_LUFS).abs() < 0.5, "{levels:?}");
}

/// Sixteen times one recording are 24 dB louder than one, not 12: the level holds all the same.
#[test]
fn a_crowd_of_copies_is_no_louder_than_one_of_strangers() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let map = Arrangement::default();
    let mut request = request(&piece, &map, dir.path());
    let mut levels = Vec::new();
    for count in [1, 4, 16] {
        let one = stem(dir.path(), 1, 0.1);
        let copy = |number| StemEntry { take_id: format!("copy-{number}"), ..one.clone() };
        request.stems = (0..count).map(copy).collect();
        let report = render(&request, &|_| {}).unwrap();
        levels.push((report.unmastered_lufs.unwrap(), report.groups[0].level_gain_db));
    }
    let spread = (levels[2].0 - levels[0].0).abs().max((levels[1].0 - levels[0].0).abs());
    // Pans differ, so the copies do not add up fully on either side.
    assert!(spread < 0.6, "{levels:?}");
    assert!((16.0..24.5).contains(&(levels[0].1 - levels[2].1)), "{levels:?}");
}

/// Muting a group in one section moves no fader in another.
#[test]
fn a_groups_level_does_not_depend_on_where_it_is_heard() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let map = arrangement(TWO_GROUPS, &piece);
    let mut request = request(&piece, &map, dir.path());
    request.stems = (0..6).map(|number| stem(dir.path(), number, 0.2)).collect();
    let open = render(&request, &|_| {}).unwrap();
    let section = &piece.sections[1].name;
    let text = format!(
        "{TWO_GROUPS}\n[[cells]]\nsection = \"{section}\"\ngroup = \"Bells\"\nmute = true\n"
    );
    let muted = arrangement(&text, &piece);
    request.arrangement = &muted;
    let shut = render(&request, &|_| {}).unwrap();
    assert_eq!(open.groups, shut.groups);
    // It goes in the first moment of the section, and is not heard in it for that.
    let heard = |report: &RenderReport| -> Vec<usize> {
        report.sections.iter().map(|section| section.takes.len()).collect()
    };
    let (open, shut) = (heard(&open), heard(&shut));
    assert!(open[0] == shut[0] && shut[1] < open[1], "{open:?} {shut:?}");
}

/// A walk through changes of every kind: each render from what is kept is, to the last bit, the
/// one from nothing.
#[test]
fn any_history_of_changes_gives_the_mix_made_from_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let section = &piece.sections[1].name;
    let cell = |group: &str, what: &str| {
        format!("\n[[cells]]\nsection = \"{section}\"\ngroup = \"{group}\"\n{what}\n")
    };
    let maps = [
        TWO_GROUPS.to_owned(),
        format!("{TWO_GROUPS}{}", cell("Bells", "gain_db = -4")),
        format!("{TWO_GROUPS}{}{}", cell("Bells", "mute = true"), cell("Rest", "gain_db = 2")),
    ];
    let maps = maps.map(|text| arrangement(&text, &piece));
    let stems: Vec<StemEntry> = (0..24).map(|number| stem(dir.path(), number, 0.2)).collect();
    let mut random = fastrand::Rng::with_seed(42);
    for step in 0..12 {
        let mut request = request(&piece, &maps[random.usize(..3)], dir.path());
        request.former_stems = stems.iter().map(|stem| stem.path.clone()).collect();
        request.stems = stems.iter().filter(|_| random.usize(..8) > step % 4).cloned().collect();
        if step == 5 {
            request.groups = vec!["Bells".into()];
        }
        if step == 7 {
            for entry in std::fs::read_dir(dir.path().join("beds/mix")).unwrap() {
                damage(&entry.unwrap().path());
            }
        }
        if step == 9 {
            for entry in std::fs::read_dir(dir.path().join("beds")).unwrap() {
                for file in std::fs::read_dir(entry.unwrap().path()).unwrap() {
                    damage(&file.unwrap().path());
                }
            }
        }
        let kept = render(&request, &|_| {}).unwrap();
        request.beds_dir = None;
        request.threads = 1;
        let scratch = render(&request, &|_| {}).unwrap();
        assert_eq!(mix_hash(&kept), mix_hash(&scratch), "{step}");
        assert_eq!(measured(&kept), measured(&scratch), "{step}");
    }
}

/// A stretch in which nothing has changed is read only as the files are written.
#[test]
fn a_kept_sum_damaged_unnoticed_is_made_anew() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let map = arrangement(TWO_GROUPS, &piece);
    let mut request = request(&piece, &map, dir.path());
    request.beds_dir = Some(dir.path().join("beds"));
    request.stems = (0..3).map(|number| stem(dir.path(), number, 0.1)).collect();
    let first = mix_hash(&render(&request, &|_| {}).unwrap());
    let sums = dir.path().join("beds/mix");
    let sums = std::fs::read_dir(sums).unwrap().map(|entry| entry.unwrap().path());
    let sums: Vec<_> = sums.filter(|path| path.extension().is_some_and(|e| e == "sum")).collect();
    assert!(!sums.is_empty());
    sums.iter().for_each(|path| damage(path));
    assert_eq!(first, mix_hash(&render(&request, &|_| {}).unwrap()));
    assert_eq!(first, mix_hash(&render(&request, &|_| {}).unwrap()));
}

/// Flips a bit in the middle.
fn damage(path: &Path) {
    let mut bytes = std::fs::read(path).unwrap();
    let middle = bytes.len() * 3 / 4;
    bytes[middle] ^= 8;
    std::fs::write(path, bytes).unwrap();
}

#[test]
fn nothing_to_mix_and_unknown_names_are_said() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let map = arrangement(TWO_GROUPS, &piece);
    let mut request = request(&piece, &map, dir.path());
    assert!(matches!(render(&request, &|_| {}), Err(RenderError::NoStems)));
    request.stems = vec![stem(dir.path(), 1, 0.2)];
    request.groups = vec!["Bells".into()];
    assert!(matches!(render(&request, &|_| {}), Err(RenderError::NoStems)));
    request.groups = vec!["Choir".into()];
    let error = render(&request, &|_| {}).unwrap_err();
    assert!(matches!(error, RenderError::UnknownGroup { .. }), "{error}");
    assert!(error.to_string().contains("Bells, Rest"));
    request.groups.clear();
    request.sections = vec!["Coda".into()];
    assert!(matches!(render(&request, &|_| {}), Err(RenderError::UnknownSection { .. })));
    request.sections.clear();
    request.spotlight = Some(Spotlight { take_id: "nobody".into(), gain_db: 6.0 });
    assert!(matches!(render(&request, &|_| {}), Err(RenderError::UnknownTake { .. })));
    request.spotlight = None;
    std::fs::write(&request.stems[0].path, b"not a stem").unwrap();
    assert!(matches!(render(&request, &|_| {}), Err(RenderError::Stem { .. })));
    assert!(!request.out_dir.join("preview.ogg").exists());
}

#[test]
fn sections_groups_and_one_take_can_be_heard_alone_or_louder() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let map = arrangement(TWO_GROUPS, &piece);
    let mut request = request(&piece, &map, dir.path());
    request.stems = (0..6).map(|number| stem(dir.path(), number, 0.2)).collect();
    let whole = render(&request, &|_| {}).unwrap();
    request.sections = vec![piece.sections[1].name.clone()];
    let part = render(&request, &|_| {}).unwrap();
    let samples = piece.section_samples(&piece.sections[1]);
    assert_eq!(
        (part.first_sample, part.frames),
        (samples.start, (samples.end - samples.start) as u64)
    );
    assert_eq!(part.groups, whole.groups, "levels are the whole piece's");
    let (whole_gain, part_gain) = (whole.master_gain_db, part.master_gain_db);
    assert_eq!(whole_gain, part_gain, "a section is as loud as it is in the whole");
    let of_whole = whole.sections.iter().find(|section| section.name == part.sections[0].name);
    assert_eq!(of_whole.unwrap().lufs, part.sections[0].lufs);
    assert!(part.notes[0].contains("whole piece"), "{:?}", part.notes);
    request.groups = vec!["Bells".into()];
    assert_eq!(render(&request, &|_| {}).unwrap().groups.len(), 1);
    request.groups.clear();
    request.spotlight = Some(Spotlight { take_id: "take-1".into(), gain_db: 9.0 });
    let louder = render(&request, &|_| {}).unwrap();
    assert!(louder.unmastered_lufs > part.unmastered_lufs);
    assert_eq!(louder.beds.fresh, part.beds.fresh + part.beds.updated);
}

/// Samples of a float WAV, interleaved.
fn floats(path: &Path) -> Vec<f32> {
    hound::WavReader::open(path).unwrap().samples::<f32>().map(Result::unwrap).collect()
}

fn group_mixes_sum_to_the_mix(dir: &Path) {
    let mix = floats(&dir.join("mix-before-master.wav"));
    let (bells, rest) = (floats(&dir.join("1-Bells.wav")), floats(&dir.join("2-Rest.wav")));
    assert!(mix.len() == bells.len() && mix.len() == rest.len());
    let lsb = 2f32.powi(-23);
    assert!(mix.iter().zip(bells.iter().zip(&rest)).all(|(m, (a, b))| (m - (a + b)).abs() < lsb));
    assert!(mix.iter().any(|sample| sample.abs() > 0.01));
}

/// The bext time reference lies at byte 338 of the chunk (EBU Tech 3285).
fn a_stem_says_where_it_lies(request: &RenderRequest<'_>) {
    let bytes = std::fs::read(request.out_dir.join("stems/take-3.wav")).unwrap();
    let chunk = bytes.windows(4).position(|name| name == b"bext").unwrap() + 8;
    let reference = u64::from_le_bytes(bytes[chunk + 338..chunk + 346].try_into().unwrap());
    assert_eq!(reference, 3600 * 48_000 - 4800);
    let stem = ripieno_engine::stem::StemFile::open(&request.stems[3].path).unwrap();
    let samples: Vec<i32> =
        hound::WavReader::new(&bytes[..]).unwrap().samples::<i32>().map(Result::unwrap).collect();
    let planes = stem.read(-4800..stem.summary().end_sample()).unwrap();
    assert_eq!(samples.len(), planes[0].len());
    let off = |(&int, &float): (&i32, &f32)| (int as f32 / 8_388_608.0 - float).abs();
    assert!(samples.iter().zip(&planes[0]).all(|pair| off(pair) < 1.0 / 8_388_608.0));
}

#[test]
fn a_final_of_one_section_has_its_stems_cut_to_it() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let map = arrangement(TWO_GROUPS, &piece);
    let mut request = request(&piece, &map, dir.path());
    request.kind = RenderKind::Final;
    request.outputs = Outputs { group_mixes: false, aligned_stems: true };
    request.stems = (1..4).map(|number| stem(dir.path(), number, 0.2)).collect();
    let early = dir.path().join("early.stem");
    let mut writer =
        StemWriter::create(std::fs::File::create(&early).unwrap(), 48_000, 1, 0).unwrap();
    writer.push(&[&[0.5; 9_000]]).unwrap();
    writer.finish().unwrap();
    request.stems[2].path = early;
    let section = &piece.sections[1];
    request.sections = vec![section.name.clone()];
    let report = render(&request, &|_| {}).unwrap();
    let inside = piece.section_samples(section);
    for entry in &request.stems[..2] {
        let name = format!("stems/{}.wav", entry.take_id);
        let bytes = std::fs::read(request.out_dir.join(name)).unwrap();
        let chunk = bytes.windows(4).position(|name| name == b"bext").unwrap() + 8;
        let reference = u64::from_le_bytes(bytes[chunk + 338..chunk + 346].try_into().unwrap());
        assert_eq!(reference, (3600 * 48_000 + inside.start) as u64);
        let wav = hound::WavReader::new(&bytes[..]).unwrap();
        let samples: Vec<i32> = wav.into_samples::<i32>().map(Result::unwrap).collect();
        let stem = ripieno_engine::stem::StemFile::open(&entry.path).unwrap();
        let end = inside.end.min(stem.summary().end_sample());
        let planes = stem.read(inside.start..end).unwrap();
        assert_eq!(samples.len(), planes[0].len(), "just the section");
        let off = |(&int, &float): (&i32, &f32)| (int as f32 / 8_388_608.0 - float).abs();
        assert!(samples.iter().zip(&planes[0]).all(|pair| off(pair) < 1.0 / 8_388_608.0));
    }
    let silent = "stems/take-3.wav";
    assert!(report.files.iter().all(|file| file.name != silent), "who is silent there has none");
    let offsets = std::fs::read_to_string(request.out_dir.join("offsets.csv")).unwrap();
    assert!(offsets.contains("stems/take-1.wav") && !offsets.contains(silent), "{offsets}");
}

/// A stem whose only sound are its first 9 000 samples after bar 1.
fn early_stem(dir: &Path, like: &StemEntry, take_id: &str) -> StemEntry {
    let path = dir.join(format!("{take_id}.stem"));
    let file = std::fs::File::create(&path).unwrap();
    let mut writer = StemWriter::create(file, 48_000, 1, 0).unwrap();
    writer.push(&[&[0.5; 9_000]]).unwrap();
    writer.finish().unwrap();
    let line = format!("Credit of {take_id}");
    let form = like.form.clone().map(|form| TakeForm { name: line.clone(), credit: line, ..form });
    let offset = like.offset.clone().map(|offset| TakeOffset { take: take_id.into(), ..offset });
    StemEntry { take_id: take_id.into(), path, form, offset, ..like.clone() }
}

/// Report, credits, offsets, manifest and stems tell of the same takes.
#[test]
fn a_final_of_one_section_is_of_those_who_are_heard_there() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let names = [0, 1].map(|at| piece.sections[at].name.clone());
    let entry = piece.sections[0].first_bar + 2;
    let map = format!(
        "{TWO_GROUPS}\n[[sections]]\nsection = \"{}\"\nonly = [\"Rest\"]\n\
         [[cells]]\nsection = \"{}\"\ngroup = \"Bells\"\nenter = \"{entry}\"\n",
        names[1], names[0]
    );
    let map = arrangement(&map, &piece);
    let mut request = request(&piece, &map, dir.path());
    request.kind = RenderKind::Final;
    request.outputs = Outputs { group_mixes: true, aligned_stems: true };
    request.stems = [1, 2, 6].map(|number| stem(dir.path(), number, 0.2)).to_vec();
    // Before the bells come in, and before all of the second section.
    request.stems.push(early_stem(dir.path(), &request.stems[2], "early-bell"));
    request.stems.push(early_stem(dir.path(), &request.stems[1], "early"));
    let all = ["early", "early-bell", "take-1", "take-2", "take-6"];
    let of = |section: Option<&String>, heard: &[&str], groups: &[&str]| {
        let sections = section.into_iter().cloned().collect();
        let report = render(&RenderRequest { sections, ..request.clone() }, &|_| {}).unwrap();
        assert_eq!(report.heard().into_iter().collect::<Vec<_>>(), heard, "{section:?}");
        assert_eq!(report.stems.len(), all.len(), "its levels are of the whole crowd");
        let mixes = report.files.iter().filter_map(|file| file.name.strip_prefix("groups/"));
        let named: Vec<&str> = mixes.collect();
        assert_eq!(named, [groups, &["mix-before-master.wav"]].concat(), "{section:?}");
        let text = |name: &str| std::fs::read_to_string(request.out_dir.join(name)).unwrap();
        let manifest: serde_json::Value = serde_json::from_str(&text("manifest.json")).unwrap();
        for (take, stem) in all.iter().zip(manifest["stems"].as_array().unwrap()) {
            let is_heard = heard.contains(take);
            assert_eq!((stem["take_id"].as_str(), &stem["heard"]), (Some(*take), &is_heard.into()));
            let file = format!("stems/{take}.wav");
            assert_eq!(report.files.iter().any(|written| written.name == file), is_heard, "{take}");
            let form = request.stems.iter().find(|entry| entry.take_id == *take).unwrap();
            let line = &form.form.as_ref().unwrap().credit;
            for list in ["credits.txt", "credits.csv"] {
                let named = text(list).lines().any(|named| named.contains(line.as_str()));
                assert_eq!(named, is_heard, "{take} in {list} of {section:?}");
            }
            for list in ["offsets.csv", "offsets.otio"] {
                assert_eq!(text(list).contains(&file), is_heard, "{take} in {list}");
            }
        }
    };
    let both = ["1-Bells.wav", "2-Rest.wav"];
    of(None, &all, &both);
    of(Some(&names[0]), &["early", "take-1", "take-2", "take-6"], &both);
    of(Some(&names[1]), &["take-1", "take-2"], &["2-Rest.wav"]);
    let [mix, rest] = ["mix-before-master.wav", "2-Rest.wav"]
        .map(|name| floats(&request.out_dir.join("groups").join(name)));
    let step = 2 * heard::step(&request) as usize;
    assert!(mix[step..] == rest[step..] && rest.iter().any(|sample| sample.abs() > 0.01));
}

/// From the manifest, a heap of stems and what the takes' forms say, in another folder.
#[test]
fn the_manifest_makes_the_same_render_again() {
    let dir = tempfile::tempdir().unwrap();
    // Its chords go on to where the whole piece ends.
    let piece = Piece { chart: Default::default(), ..short_piece() };
    let map = arrangement(TWO_GROUPS, &piece);
    let mut request = request(&piece, &map, dir.path());
    request.kind = RenderKind::Final;
    request.outputs = Outputs { group_mixes: true, aligned_stems: true };
    request.stems = (0..6).map(|number| stem(dir.path(), number, 0.2)).collect();
    request.sections = vec![piece.sections[0].name.clone()];
    let made = render(&request, &|_| {}).unwrap();

    let text = std::fs::read_to_string(request.out_dir.join("manifest.json")).unwrap();
    let manifest: serde_json::Value = serde_json::from_str(&text).unwrap();
    let piece = Piece::from_json(&manifest["piece"].to_string(), "piece").unwrap();
    let map = Arrangement::from_json(&manifest["arrangement"].to_string(), "map", &piece).unwrap();
    let heap: std::collections::BTreeMap<String, &StemEntry> = request
        .stems
        .iter()
        .map(|entry| (StemFile::open(&entry.path).unwrap().summary().content_hex(), entry))
        .collect();
    let named = manifest["stems"].as_array().unwrap();
    let stems = named.iter().rev().map(|stem| heap[stem["content_hash"].as_str().unwrap()].clone());
    let again = RenderRequest {
        piece: &piece,
        arrangement: &map,
        stems: stems.collect(),
        sections: serde_json::from_value(manifest["sections"].clone()).unwrap(),
        groups: serde_json::from_value(manifest["groups"].clone()).unwrap(),
        tone: serde_json::from_value(manifest["tone"].clone()).unwrap(),
        out_dir: dir.path().join("again"),
        beds_dir: None,
        threads: 1,
        ..request
    };
    let again = render(&again, &|_| {}).unwrap();
    assert_eq!(again.files, made.files, "every file to the last bit");
    for (stem, said) in made.stems.iter().zip(named) {
        let told = (said["group"].as_str(), said["pan"].as_f64(), said["mute"].as_bool());
        assert_eq!(told, (stem.group.as_deref(), Some(stem.pan), Some(stem.mute)));
    }
}

#[test]
fn tone_is_heard_and_a_room_is_a_group_of_its_own() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let map = arrangement(TWO_GROUPS, &piece);
    let mut request = request(&piece, &map, dir.path());
    request.stems = (0..3).map(|number| stem(dir.path(), number, 0.2)).collect();
    request.sections = vec![piece.sections[0].name.clone()];
    let dry = render(&request, &|_| {}).unwrap();
    let tone = r#"{"groups": {"bells": {"bands": [{"kind": "high-pass", "hz": 100.0}], "send_db": -6.0}},
                   "mix": {"compressor": {"threshold_db": -30.0}}}"#;
    request.tone = serde_json::from_str(tone).unwrap();
    request.kind = RenderKind::Final;
    request.outputs.group_mixes = true;
    let wet = render(&request, &|_| {}).unwrap();
    assert_ne!(mix_hash(&dry), mix_hash(&wet));
    let names: Vec<&str> = wet.files.iter().map(|file| file.name.as_str()).collect();
    assert!(names.contains(&"groups/3-Room.wav"), "{names:?}");
    request.tone = MixTone::default();
    let written = TWO_GROUPS.replacen(
        "name = \"Bells\"",
        "name = \"Bells\"\ntone = { bands = [{ kind = \"high-pass\", hz = 100 }], send_db = -6 }",
        1,
    );
    let toned =
        arrangement(&format!("{written}\n[mix]\ncompressor = {{ threshold_db = -30 }}\n"), &piece);
    request.arrangement = &toned;
    assert_eq!(mix_hash(&wet), mix_hash(&render(&request, &|_| {}).unwrap()));
    request.tone.groups.insert("Choir".into(), Default::default());
    assert!(matches!(render(&request, &|_| {}), Err(RenderError::UnknownGroup { .. })));
}

/// A recorded room that is one tap a second late gives back, a second later, what was sent to it.
#[test]
fn a_recorded_rooms_tail_crosses_the_borders_of_sections() {
    let dir = tempfile::tempdir().unwrap();
    let piece = short_piece();
    let response = dir.path().join("late.wav");
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 48_000,
        bits_per_sample: 32,
        sample_format: hound::SampleFormat::Float,
    };
    let mut writer = hound::WavWriter::create(&response, spec).unwrap();
    for frame in 0..=48_000 {
        writer.write_sample(if frame == 48_000 { 0.25f32 } else { 0.0 }).unwrap();
    }
    writer.finalize().unwrap();
    let text = "[room]\nimpulse = \"late.wav\"\n\n[[groups]]\nname = \"Everyone\"\nrest = true\ntone = { send_db = 0 }\n";
    let map = arrangement(text, &piece);
    let mut request = request(&piece, &map, dir.path());
    request.stems = (0..3).map(|number| stem(dir.path(), number, 0.2)).collect();
    request.kind = RenderKind::Final;
    request.outputs.group_mixes = true;
    assert!(matches!(render(&request, &|_| {}), Err(RenderError::Impossible(_))), "no file");
    request.impulse = Some(response);
    render(&request, &|_| {}).unwrap();
    let folder = request.out_dir.join("groups");
    let (dry, room) = (floats(&folder.join("1-Everyone.wav")), floats(&folder.join("2-Room.wav")));
    let late = 2 * 48_000;
    assert!(room[..late].iter().all(|sample| sample.abs() < 1e-6));
    let off = dry.iter().zip(&room[late..]).map(|(dry, room)| (dry - room).abs());
    assert!(off.fold(0.0, f32::max) < 1e-6);
}

/// Runs this very test again in a process that may write no file beyond 2 MiB, which is what a
/// full disk looks like from inside.
#[test]
fn a_full_disk_is_said_and_leaves_nothing_half_made() {
    let dir = tempfile::tempdir().unwrap();
    if std::env::var_os("RIPIENO_TEST_SMALL_FILES").is_none() {
        let itself = std::env::current_exe().unwrap();
        let script = "trap '' XFSZ; ulimit -f 2048; exec \"$0\" --exact --nocapture \
                      render_mix::tests::a_full_disk_is_said_and_leaves_nothing_half_made";
        let status = std::process::Command::new("bash")
            .args(["-c", script])
            .arg(itself)
            .env("RIPIENO_TEST_SMALL_FILES", "1")
            .status()
            .unwrap();
        assert!(status.success());
        return;
    }
    let piece = short_piece();
    let map = arrangement(TWO_GROUPS, &piece);
    let mut request = request(&piece, &map, dir.path());
    request.kind = RenderKind::Final;
    request.stems = vec![stem_of(dir.path(), 1, 0.3, 48_000 * 8)];
    for beds in [Some(dir.path().join("beds")), None] {
        request.beds_dir = beds;
        let error = render(&request, &|_| {}).unwrap_err();
        assert!(matches!(error, RenderError::DiskFull { .. }), "{error}");
        assert!(error.retryable());
    }
    let left: Vec<_> = std::fs::read_dir(&request.out_dir).unwrap().collect();
    assert!(left.is_empty(), "{left:?}");
}
