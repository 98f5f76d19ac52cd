//! Sections and chords of a piece's document.

use super::TEXT_CHARS;
use crate::chart::{Chart, ChartRun, pattern_faults};
use crate::document::{Node, Notes, Place, Table, shorten};
use crate::piece::{MOST_BARS, Section};
use crate::tempo::TempoMap;

const MOST_SECTIONS: usize = 200;

pub(super) fn sections(
    table: &mut Table<'_>,
    last_bar: Option<i32>,
    tempo: Option<&TempoMap>,
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
    let chart = match tempo {
        Some(tempo) => Chart::lay_out(runs, tempo),
        None => Err(pattern_faults(&runs)),
    };
    let chart = chart.unwrap_or_else(|faults| {
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
