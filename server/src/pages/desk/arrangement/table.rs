//! The map as a table of groups by sections; every place of it leads to its form.

use maud::{Markup, html};
use ripieno_score::{Arrangement, Piece};

use super::place::address;

/// The sheet.
pub(super) fn table(slug: &str, map: &Arrangement, piece: &Piece) -> Markup {
    html! {
        section.sheet {
            h2 { "Who is heard where" }
            @if !map.note().is_empty() { p { (map.note()) } }
            p { "Choose a level to change it, or a section to say who is heard in it." }
            div.across tabindex="0" role="region" aria-label="Groups by sections" {
                table.map {
                    thead { tr {
                        th scope="col" { "Group" }
                        th scope="col" { "All along" }
                        @for section in &piece.sections { th scope="col" {
                            a href=(address(slug, Some(&section.name), None)) { (section.name) }
                        } }
                    } }
                    tbody { @for group in map.groups() { tr {
                        th scope="row" { (group.name) }
                        @let words = Arrangement::all_along_in_words(group);
                        td data-in="All along" {
                            (place(slug, None, &group.name, &words, group.mute)) }
                        @for section in &piece.sections {
                            @let words = map.in_words(&section.name, &group.name);
                            @let silent = !map.plays(&section.name, &group.name);
                            td data-in=(section.name) {
                                (place(slug, Some(&section.name), &group.name, &words, silent)) }
                        }
                    } } }
                }
            }
            // Where the table has no head, on a phone, the sections stand here.
            nav.sections aria-label="Who is heard in a section" {
                h3 { "Section by section" }
                ul { @for section in &piece.sections { li {
                    a href=(address(slug, Some(&section.name), None)) { (section.name) }
                } } }
            }
        }
    }
}

fn place(slug: &str, section: Option<&str>, group: &str, words: &str, silent: bool) -> Markup {
    let whole = section.map_or_else(|| "all along".to_owned(), |name| format!("in {name}"));
    html! {
        a.silent[silent] href=(address(slug, section, Some(group)))
            aria-label={ (group) " " (whole) ": " (words) } { (words) }
    }
}
