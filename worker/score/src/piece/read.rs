//! Reads a piece from its document and notes every mistake in it.

mod policy;
mod sections;
mod time;

use super::{MOST_BARS, Piece};
use crate::document::{self, Node, Notes, Table, shorten};
use crate::mistake::Mistakes;

/// Longest one-line text.
const LINE_CHARS: usize = 200;
/// The longest piece; a decoded take may be as long.
const MOST_HOURS: f64 = 3.0;
/// How far a mark may lie from the music.
const MOST_MARK_S: f64 = 300.0;
/// Longest free text.
const TEXT_CHARS: usize = 20_000;

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
    let tempo = time::tempo(&mut table, notes);
    let key = time::key(&mut table, notes);
    let (sections, chart) = sections::sections(&mut table, last_bar, tempo.as_ref(), notes);
    let marks = policy::marks(&mut table, last_bar, notes);
    let (deadline, time_zone) = policy::deadline(&mut table, notes);
    let nightly = policy::nightly(&mut table, notes);
    let delivery = policy::delivery(&mut table, notes);
    let conform = policy::conform(&mut table, notes);
    let wanted = table.texts("wanted", 50, 1_000);
    let consent_wording = policy::consents(&mut table, notes);
    table.done();
    let piece = Piece {
        slug,
        title,
        about,
        composer_credit,
        sample_rate_hz,
        tempo: tempo.unwrap_or_default(),
        key,
        sections,
        marks,
        chart,
        last_bar: last_bar.unwrap_or(1),
        deadline,
        time_zone,
        nightly,
        delivery,
        conform,
        wanted,
        consent_wording,
    };
    if notes.clean() {
        length(&piece, root, notes);
    }
    Some(piece)
}

/// Notes a piece that goes on too long, or whose marks lie too far from the music.
fn length(piece: &Piece, root: &Node, notes: &Notes) {
    let hours = piece.duration_s() / 3600.0;
    if hours > MOST_HOURS {
        let what = format!("{} bars at this tempo last {hours:.1} hours", piece.last_bar);
        notes.note(&root.place, what, format!("keep to {MOST_HOURS}"));
    }
    let lead_s = -piece.opening_mark_s();
    let tail_s = piece.closing_mark_s().map_or(0.0, |at_s| at_s - piece.duration_s());
    for (which, apart_s) in [("opening", lead_s), ("closing", tail_s)] {
        if apart_s > MOST_MARK_S {
            let what = format!("the {which} mark lies {apart_s:.0} s from the music");
            notes.note(&root.place, what, format!("keep it within {MOST_MARK_S} s"));
        }
    }
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
