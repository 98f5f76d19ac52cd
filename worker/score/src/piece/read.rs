//! Reads a piece from its document and notes every mistake in it.

use super::{ConformPolicy, ConsentWording, Delivery, MOST_BARS, Mark, Marks, Piece, Section};
use crate::chart::{Chart, ChartRun};
use crate::document::{self, Node, Notes, Place, Table, shorten};
use crate::exact::Fraction;
use crate::key::{Key, Mode};
use crate::mistake::{Mistakes, nearest};
use crate::tempo::{MOST_CHANGES, Metre, MetreChange, TempoChange, TempoEntry, TempoMap};

/// Longest one-line text.
const LINE_CHARS: usize = 200;
/// Longest free text.
const TEXT_CHARS: usize = 20_000;
const MOST_SECTIONS: usize = 200;

pub(super) fn from_toml(text: &str, file_name: &str) -> Result<Piece, Mistakes> {
    let notes = Notes::new(file_name);
    let piece = document::from_toml(text, &notes).and_then(|root| piece(&root, &notes));
    notes.finish(piece)
}

pub(super) fn from_json(text: &str, file_name: &str) -> Result<Piece, Mistakes> {
    let notes = Notes::new(file_name);
    let piece = document::from_json_text(text, &notes).and_then(|root| piece(&root, &notes));
    notes.finish(piece)
}

/// The piece; where something was noted its place holds a default, to go on checking.
fn piece(root: &Node, notes: &Notes) -> Option<Piece> {
    let mut table = Table::of(root, "the piece", notes)?;
    let slug = slug(&mut table, notes);
    table.need("title", "add title = \"…\"");
    let title = table.text("title", LINE_CHARS).unwrap_or_default();
    let about = table.text("about", TEXT_CHARS).unwrap_or_default();
    let composer_credit = table.text("composer_credit", LINE_CHARS).unwrap_or_default();
    let sample_rate_hz = table.whole("sample_rate_hz", 8_000..=384_000).unwrap_or(48_000) as u32;
    table.need("last_bar", "add last_bar, the last bar of the music");
    let last_bar = table.whole("last_bar", 1..=MOST_BARS.into()).map(|bar| bar as i32);
    let tempo = tempo(&mut table, notes);
    let key = key(&mut table, notes);
    let (sections, chart) = sections(&mut table, last_bar, &tempo, notes);
    let marks = marks(&mut table, last_bar, notes);
    let (deadline, time_zone) = deadline(&mut table, notes);
    let delivery = delivery(&mut table, notes);
    let conform = conform(&mut table, notes);
    let wanted = table.texts("wanted", 50, 1_000);
    let consent_wording = consents(&mut table, notes);
    table.done();
    Some(Piece {
        slug,
        title,
        about,
        composer_credit,
        sample_rate_hz,
        tempo,
        key,
        sections,
        marks,
        chart,
        last_bar: last_bar.unwrap_or(1),
        deadline,
        time_zone,
        delivery,
        conform,
        wanted,
        consent_wording,
    })
}

fn slug(table: &mut Table<'_>, notes: &Notes) -> String {
    let Some(node) = table.need("slug", "add slug = \"my-piece\"") else { return String::new() };
    let Some(slug) = notes.text(node, "slug", 64) else { return String::new() };
    let plain = |c: char| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '-';
    if slug.is_empty() || !slug.chars().all(plain) || slug.starts_with('-') || slug.ends_with('-') {
        let what = format!("'slug' is \"{}\"", shorten(&slug));
        notes.note(
            &node.place,
            what,
            "use small letters a–z, digits and single hyphens between them",
        );
    }
    slug
}

fn tempo(table: &mut Table<'_>, notes: &Notes) -> TempoMap {
    let before = notes.clean();
    table.need("tempo", "add [[tempo]] with at = \"1\" and bpm = …");
    let tempo_nodes = table.list("tempo", MOST_CHANGES);
    table.need("metre", "add [[metre]] with bar = 1 and metre = \"5/4\"");
    let metre_nodes = table.list("metre", MOST_CHANGES);
    let tempos: Vec<_> = tempo_nodes.iter().map(|node| tempo_change(node, notes)).collect();
    let metres: Vec<_> = metre_nodes.iter().map(|node| metre_change(node, notes)).collect();
    let all: Option<(Vec<_>, Vec<_>)> =
        tempos.into_iter().collect::<Option<_>>().zip(metres.into_iter().collect::<Option<_>>());
    let Some((tempos, metres)) =
        all.filter(|(tempos, metres)| !(tempos.is_empty() || metres.is_empty()))
    else {
        if before && notes.clean() {
            notes.note(table.place(), "the piece has no tempo or no metre", "give both for bar 1");
        }
        return TempoMap::default();
    };
    TempoMap::new(tempos, metres).unwrap_or_else(|faults| {
        for fault in faults {
            let node = match fault.entry {
                TempoEntry::Tempo(index) => tempo_nodes.get(index),
                TempoEntry::Metre(index) => metre_nodes.get(index),
            };
            let place = node.map_or(table.place(), |node| &node.place);
            notes.note(place, fault.what, fault.instead);
        }
        TempoMap::default()
    })
}

fn tempo_change(node: &Node, notes: &Notes) -> Option<TempoChange> {
    let mut table = Table::of(node, "a tempo", notes)?;
    table.need("at", "add at = \"1\", the bar it begins at");
    let at = table.position("at");
    let bpm_node = table.need("bpm", "add bpm = 132, beats a minute");
    let say = "write beats a minute, such as 132, 97.5 or \"264/2\"";
    let bpm = bpm_node.and_then(|node| notes.fraction(node, "bpm", say));
    let unit = match table.get("beat") {
        Some(node) => {
            notes.fraction(node, "beat", "write the note with the beat: \"1/4\", \"3/8\"")
        }
        None => Some(Fraction::new(1, 4)),
    };
    let glide = table.truth("glide").unwrap_or(false);
    let unit_place = table.get("beat").map_or(table.place().clone(), |node| node.place.clone());
    table.done();
    let (at, bpm, unit) = (at?, bpm?, unit?);
    let small = (1..=16).contains(unit.numer());
    if !small || *unit.denom() > 64 || !(*unit.denom() as u64).is_power_of_two() {
        notes.note(
            &unit_place,
            "'beat' is no note's length",
            "write such as \"1/4\", \"1/8\", \"3/8\"",
        );
        return None;
    }
    let change = TempoChange::exact(at, bpm, unit, glide);
    if change.is_none() {
        let place = bpm_node.map_or(&node.place, |node| &node.place);
        let what = "'bpm' is no tempo one can play";
        notes.note(place, what, "write a tempo of 5 to 2000 quarter notes a minute");
    }
    change
}

fn metre_change(node: &Node, notes: &Notes) -> Option<MetreChange> {
    let mut table = Table::of(node, "a metre", notes)?;
    table.need("bar", "add bar = 1, the bar it begins at");
    let bar = table.whole("bar", 1..=MOST_BARS.into());
    let metre_node = table.need("metre", "add metre = \"5/4\"");
    let text = table.text("metre", 16);
    table.done();
    let text = text?;
    let numbers = text.split_once('/').and_then(|(beats, unit)| {
        Metre::new(beats.trim().parse().ok()?, unit.trim().parse().ok()?)
    });
    if numbers.is_none() {
        let place = metre_node.map_or(&node.place, |node| &node.place);
        let what = format!("'metre' is \"{text}\"");
        notes.note(place, what, "write 1 to 64 over 1, 2, 4, 8, 16, 32 or 64, such as \"5/4\"");
    }
    Some(MetreChange { bar: bar? as i32, metre: numbers? })
}

fn key(table: &mut Table<'_>, notes: &Notes) -> Key {
    let need = "add [key] with tonic = \"G\" and mode = \"mixolydian\"";
    let Some(mut table) =
        table.need("key", need).and_then(|node| Table::of(node, "the key", notes))
    else {
        return Key::default();
    };
    let mut key = Key::default();
    if let Some(node) = table.need("tonic", "add tonic = \"G\"") {
        match notes.text(node, "tonic", 8).map(|text| text.parse()) {
            Some(Ok(tonic)) => key.tonic = tonic,
            Some(Err(error)) => {
                notes.note(
                    &node.place,
                    "'tonic' is no note",
                    crate::key::NotANote::to_string(&error),
                );
            }
            None => {}
        }
    }
    if let Some(node) = table.need("mode", "add mode = \"major\"")
        && let Some(name) = notes.text(node, "mode", 32)
    {
        match Mode::from_name(&name) {
            Some(mode) => key.mode = mode,
            None => {
                let known = Mode::NAMES.map(|(name, _)| name);
                let instead = match nearest(&name, known) {
                    Some(near) => format!("did you mean \"{near}\"?"),
                    None => format!("it may be {}", known.join(", ")),
                };
                notes.note(&node.place, format!("there is no mode \"{name}\""), instead);
            }
        }
    }
    table.done();
    key
}

fn sections(
    table: &mut Table<'_>,
    last_bar: Option<i32>,
    tempo: &TempoMap,
    notes: &Notes,
) -> (Vec<Section>, Chart) {
    table.need("sections", "add [[sections]] with name, first_bar and last_bar");
    let nodes = table.list("sections", MOST_SECTIONS);
    let read: Vec<_> = nodes.iter().map(|node| section(node, last_bar, notes)).collect();
    let mut placed: Vec<(&Section, &Place)> = Vec::new();
    for (section, node) in read.iter().zip(nodes) {
        let Some((section, _)) = section else { continue };
        section_faults(section, &node.place, &placed, notes);
        placed.push((section, &node.place));
    }
    let mut runs: Vec<(ChartRun, Place)> = Vec::new();
    for (section, chord_place) in read.iter().flatten() {
        if let (Some(pattern), Some(place)) = (&section.chords, chord_place) {
            let (first_bar, last_bar) = (section.first_bar, section.last_bar);
            runs.push((ChartRun { first_bar, last_bar, pattern: pattern.clone() }, place.clone()));
        }
    }
    for node in table.list("chords", 2_000) {
        runs.extend(chord_run(node, last_bar, notes));
    }
    let (runs, places): (Vec<_>, Vec<_>) = runs.into_iter().unzip();
    let chart = Chart::lay_out(runs, tempo).unwrap_or_else(|faults| {
        for fault in faults {
            notes.note(&places[fault.run], fault.what, fault.instead);
        }
        Chart::default()
    });
    let mut sections: Vec<Section> =
        read.into_iter().flatten().map(|(section, _)| section).collect();
    sections.sort_by_key(|section| section.first_bar);
    (sections, chart)
}

fn section_faults(section: &Section, place: &Place, before: &[(&Section, &Place)], notes: &Notes) {
    for (other, _) in before {
        if other.name.to_lowercase() == section.name.to_lowercase() {
            let what = format!("two sections are called \"{}\"", shorten(&section.name));
            notes.note(place, what, "give each a name of its own");
        }
        if section.first_bar <= other.last_bar && other.first_bar <= section.last_bar {
            let what = format!(
                "section \"{}\" (bars {}–{}) overlaps \"{}\" (bars {}–{})",
                shorten(&section.name),
                section.first_bar,
                section.last_bar,
                shorten(&other.name),
                other.first_bar,
                other.last_bar
            );
            notes.note(place, what, "let each bar belong to one section");
        }
    }
}

fn section(node: &Node, last_bar: Option<i32>, notes: &Notes) -> Option<(Section, Option<Place>)> {
    let mut table = Table::of(node, "a section", notes)?;
    let name_node = table.need("name", "add name = \"…\"");
    let name = table.text("name", 80).map(|name| name.trim().to_string());
    let bars = bar_range(&mut table, last_bar, notes);
    let played_fade = table.truth("played_fade").unwrap_or(false);
    let chords_place = table.get("chords").map(|node| node.place.clone());
    let chords = table.text("chords", TEXT_CHARS);
    table.done();
    let name = name?;
    if name.is_empty() {
        let place = name_node.map_or(&node.place, |node| &node.place);
        notes.note(place, "a section has an empty name", "name it");
        return None;
    }
    let (first_bar, last_bar) = bars?;
    Some((Section { name, first_bar, last_bar, played_fade, chords }, chords_place))
}

/// `first_bar` and either `last_bar` or `bars`, inside the piece.
fn bar_range(
    table: &mut Table<'_>,
    last_bar_of_piece: Option<i32>,
    notes: &Notes,
) -> Option<(i32, i32)> {
    let most = i64::from(last_bar_of_piece.unwrap_or(MOST_BARS));
    table.need("first_bar", "add first_bar");
    let first = table.whole("first_bar", 1..=most);
    let last_node = table.get("last_bar");
    let bars_node = table.get("bars");
    let last = table.whole("last_bar", 1..=most);
    let bars = table.whole("bars", 1..=most);
    let end = match (last_node, bars_node) {
        (Some(_), Some(both)) => {
            notes.note(&both.place, "'bars' stands beside 'last_bar'", "keep one of the two");
            None
        }
        (Some(_), None) => last,
        (None, Some(_)) => first.zip(bars).map(|(first, bars)| first + bars - 1),
        (None, None) => {
            notes.note(
                table.place(),
                "there is no 'last_bar'",
                "add last_bar, or bars for its length",
            );
            None
        }
    };
    let (first, end) = (first?, end?);
    let place = last_node.or(bars_node).map_or(table.place(), |node| &node.place);
    if end < first {
        notes.note(place, format!("the last bar {end} is before the first, {first}"), "swap them");
        return None;
    }
    if end > most {
        notes.note(place, format!("bar {end} is after the piece's last, {most}"), "end it sooner");
        return None;
    }
    Some((first as i32, end as i32))
}

fn chord_run(node: &Node, last_bar: Option<i32>, notes: &Notes) -> Option<(ChartRun, Place)> {
    let mut table = Table::of(node, "a run of chords", notes)?;
    let bars = bar_range(&mut table, last_bar, notes);
    let place = table.need("play", "add play = \"G | F\"").map(|node| node.place.clone());
    let pattern = table.text("play", TEXT_CHARS);
    table.done();
    let (first_bar, last_bar) = bars?;
    Some((ChartRun { first_bar, last_bar, pattern: pattern? }, place?))
}

fn marks(table: &mut Table<'_>, last_bar: Option<i32>, notes: &Notes) -> Marks {
    let mut marks = Marks::default();
    let need = "add [marks] with opening_bar = -1";
    let Some(mut table) =
        table.need("marks", need).and_then(|node| Table::of(node, "the marks", notes))
    else {
        return marks;
    };
    table.need("opening_bar", "add opening_bar, a bar of the lead-in such as -1");
    if let Some(bar) = table.whole("opening_bar", -64..=0) {
        marks.opening.bar = bar as i32;
    }
    let after = i64::from(last_bar.unwrap_or(1)) + 1;
    if let Some(bar) = table.whole("closing_bar", after..=after + 63) {
        marks.closing = Some(Mark { bar: bar as i32 });
    }
    if let Some(node) = table.get("own_file") {
        marks.own_file = notes.text(node, "own_file", LINE_CHARS).filter(|name| {
            let plain =
                !name.is_empty() && !name.contains(['/', '\\', ':']) && !name.starts_with('.');
            if !plain {
                let what = "'own_file' is no plain file name";
                notes.note(&node.place, what, "name a file beside this one, without folders");
            }
            plain
        });
    }
    table.done();
    marks
}

fn deadline(table: &mut Table<'_>, notes: &Notes) -> (Option<String>, Option<String>) {
    let deadline = table.get("deadline").and_then(|node| {
        let text = match &node.value {
            document::Value::Date(text) => text.clone(),
            _ => notes.text(node, "deadline", 64)?,
        };
        if text.parse::<jiff::Timestamp>().is_err() {
            let what = format!("'deadline' is \"{}\"", shorten(&text));
            let instead = "write date, time and offset: 2027-05-01T23:59:00+01:00";
            notes.note(&node.place, what, instead);
            return None;
        }
        Some(text)
    });
    let time_zone = table.get("time_zone").and_then(|node| {
        let name = notes.text(node, "time_zone", 64)?;
        if jiff::tz::db().get(&name).is_ok() {
            return Some(name);
        }
        let known: Vec<String> = jiff::tz::db().available().map(|zone| zone.to_string()).collect();
        let instead = match nearest(&name, known.iter().map(String::as_str)) {
            Some(near) => format!("did you mean \"{near}\"?"),
            None => "write a name of the IANA list, such as \"Europe/Lisbon\"".into(),
        };
        notes.note(&node.place, format!("there is no time zone \"{}\"", shorten(&name)), instead);
        None
    });
    (deadline, time_zone)
}

fn delivery(table: &mut Table<'_>, notes: &Notes) -> Delivery {
    let mut delivery = Delivery::default();
    let Some(mut table) =
        table.get("delivery").and_then(|node| Table::of(node, "the delivery", notes))
    else {
        return delivery;
    };
    delivery.target_lufs =
        table.number("target_lufs", -40.0..=-6.0).unwrap_or(delivery.target_lufs);
    delivery.max_dbtp = table.number("max_dbtp", -20.0..=0.0).unwrap_or(delivery.max_dbtp);
    if let Some(node) = table.get("bits")
        && let Some(bits) = notes.whole(node, "bits", 16..=32)
    {
        if [16, 24, 32].contains(&bits) {
            delivery.bits = bits as u16;
        } else {
            notes.note(&node.place, format!("'bits' is {bits}"), "write 16, 24 or 32");
        }
    }
    table.done();
    delivery
}

fn conform(table: &mut Table<'_>, notes: &Notes) -> ConformPolicy {
    let mut policy = ConformPolicy::default();
    let node = table.get("conform");
    let Some(mut table) = node.and_then(|node| Table::of(node, "the conform policy", notes)) else {
        return policy;
    };
    policy.resample_limit_cents =
        table.number("resample_limit_cents", 0.0..=50.0).unwrap_or(policy.resample_limit_cents);
    policy.easing_strength =
        table.number("easing_strength", 0.0..=0.5).unwrap_or(policy.easing_strength);
    policy.ease_blunders = table.truth("ease_blunders").unwrap_or(policy.ease_blunders);
    policy.ensemble_lag_ms = table.number("ensemble_lag_ms", -100.0..=200.0);
    table.done();
    policy
}

fn consents(table: &mut Table<'_>, notes: &Notes) -> ConsentWording {
    let mut wording = ConsentWording::default();
    let node = table.get("consent");
    let Some(mut table) = node.and_then(|node| Table::of(node, "the consent", notes)) else {
        return wording;
    };
    table.need("version", "add version = \"1\"; give changed words a new one");
    let mut fill = |key, most, field: &mut String| {
        let Some(node) = table.get(key) else { return };
        let Some(text) = notes.text(node, key, most) else { return };
        if text.trim().is_empty() {
            notes.note(&node.place, format!("'{key}' is empty"), "write it, or leave the key out");
        }
        *field = text;
    };
    fill("version", 40, &mut wording.version);
    fill("recording", 5_000, &mut wording.recording);
    fill("credit", 5_000, &mut wording.credit);
    fill("guardian", 5_000, &mut wording.guardian);
    table.done();
    wording
}
