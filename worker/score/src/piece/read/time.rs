//! Tempo, metre and key of a piece's document.

use crate::document::{Node, Notes, Table, Value};
use crate::exact::Fraction;
use crate::key::{Key, Mode, NotANote};
use crate::mistake::nearest;
use crate::piece::MOST_BARS;
use crate::tempo::{
    MOST_CHANGES, Metre, MetreChange, TempoChange, TempoEntry, TempoError, TempoMap,
};

/// The tempo map, if both lists are right: else what hangs on it goes unchecked for now.
pub(super) fn tempo(table: &mut Table<'_>, notes: &Notes) -> Option<TempoMap> {
    let both = "give one for bar 1";
    let tempo_node = table.need("tempo", "add [[tempo]] with at = \"1\" and bpm = …");
    let tempo_nodes = table.list("tempo", MOST_CHANGES);
    let metre_node = table.need("metre", "add [[metre]] with bar = 1 and metre = \"5/4\"");
    let metre_nodes = table.list("metre", MOST_CHANGES);
    for (key, node) in [("tempo", tempo_node), ("metre", metre_node)] {
        if let Some(Node { value: Value::List(items), place }) = node
            && items.is_empty()
        {
            notes.note(place, format!("the list '{key}' is empty"), both);
        }
    }
    let tempos: Vec<_> = tempo_nodes.iter().map(|node| tempo_change(node, notes)).collect();
    let metres: Vec<_> = metre_nodes.iter().map(|node| metre_change(node, notes)).collect();
    let tempos: Vec<_> = tempos.into_iter().collect::<Option<_>>()?;
    let metres: Vec<_> = metres.into_iter().collect::<Option<_>>()?;
    if tempos.is_empty() || metres.is_empty() {
        return None;
    }
    let note = |fault: TempoError| {
        let node = match fault.entry {
            TempoEntry::Tempo(index) => tempo_nodes.get(index),
            TempoEntry::Metre(index) => metre_nodes.get(index),
        };
        let place = node.map_or(table.place(), |node| &node.place);
        notes.note(place, fault.what, fault.instead);
    };
    TempoMap::new(tempos, metres).map_err(|faults| faults.into_iter().for_each(note)).ok()
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

pub(super) fn key(table: &mut Table<'_>, notes: &Notes) -> Key {
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
                notes.note(&node.place, "'tonic' is no note", NotANote::to_string(&error));
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
