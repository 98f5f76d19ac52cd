//! The forms themselves.

use maud::{Markup, html};
use ripieno_score::{Arrangement, Change, Section, Shape, TypedCell, TypedPoint};

use super::address;
use super::typed::Typed;
use crate::http::pieces::LoadedPiece;

/// Rows for points that are not there yet.
const SPARE_POINTS: usize = 2;

/// The form of a place, with what is typed in it.
pub(super) fn form(loaded: &LoadedPiece, map: &Arrangement, version: i64, typed: &Typed) -> Markup {
    let slug = &loaded.record.slug;
    let behind = typed.over.unwrap_or(typed.read) != version;
    html! {
        form.sheet method="post" action={ "/desk/" (slug) "/arrangement/place" } {
            input type="hidden" name="read" value=(typed.read);
            @if let Some(section) = typed.section() {
                input type="hidden" name="section" value=(section);
            }
            @if let Some(group) = typed.group() {
                input type="hidden" name="group" value=(group);
            }
            @match &typed.change {
                Change::Cell { section, group, typed } => {
                    (why_silent(slug, map, section, group))
                    (heard(typed.mute, "Silent in this section"))
                    (level("Level in the whole section, dB", &typed.gain_db))
                    (entrance(section_of(loaded, section), typed))
                    (curve(&typed.points))
                }
                Change::Group { gain_db, mute, .. } => {
                    (heard(*mute, "Silent all along"))
                    (level("Level all along, dB", gain_db))
                }
                Change::Section { only, .. } => { (let_in(map, only.as_deref())) }
            }
            @if behind {
                label.tick {
                    input type="checkbox" name="over" value=(version) required;
                    span { "Make this change in version " (version) }
                }
            }
            p.row {
                button type="submit" { "Save" }
                a.button.quiet href={ "/desk/" (slug) "/arrangement" } { "Leave it as it is" }
            }
        }
    }
}

fn section_of<'p>(loaded: &'p LoadedPiece, name: &str) -> Option<&'p Section> {
    loaded.piece.section_named(name).map(|at| &loaded.piece.sections[at])
}

/// Whatever else keeps a group silent in a section, so that nobody looks for it in vain.
fn why_silent(slug: &str, map: &Arrangement, section: &str, group: &str) -> Markup {
    let muted = map.group_named(group).is_some_and(|at| map.groups()[at].mute);
    html! {
        @if muted {
            p { "It is silent here whatever stands below, since it is "
                a href=(address(slug, None, Some(group))) { "silent all along" } "." }
        }
        @if !map.lets_in(section, group) {
            p { "It is silent here whatever stands below, since "
                a href=(address(slug, Some(section), None)) { "only some groups are let in" } "." }
        }
    }
}

fn heard(mute: bool, silent: &str) -> Markup {
    html! {
        fieldset {
            legend { "Heard or not" }
            label.tick { input type="radio" name="heard" value="yes" checked[!mute];
                span { "Heard" } }
            label.tick { input type="radio" name="heard" value="no" checked[mute];
                span { (silent) } }
        }
    }
}

fn level(says: &str, typed: &str) -> Markup {
    html! {
        label for="f-level" { (says) }
        input #f-level type="number" name="gain_db" value=(typed) step="any" min="-120" max="24"
            aria-describedby="h-level";
        span.hint #h-level { "0 leaves it as it is; -3 is a little softer, -10 about half as loud." }
    }
}

fn entrance(section: Option<&Section>, typed: &TypedCell) -> Markup {
    html! {
        fieldset {
            legend { "Entrance and exit" }
            @if let Some(section) = section {
                p.hint #h-places { "A bar, such as " (section.first_bar) ", or bar and beat, such "
                    "as " (section.first_bar) ".2. The section goes from bar " (section.first_bar)
                    " to bar " (section.last_bar) "." }
            }
            div.point {
                div {
                    label for="f-enter" { "Enters at" }
                    input #f-enter type="text" name="enter" value=(typed.enter)
                        aria-describedby="h-places" autocomplete="off";
                }
                div {
                    label for="f-exit" { "Leaves at" }
                    input #f-exit type="text" name="exit" value=(typed.exit)
                        aria-describedby="h-places" autocomplete="off";
                }
            }
        }
    }
}

fn curve(points: &[TypedPoint]) -> Markup {
    let spare = std::iter::repeat_with(TypedPoint::default).take(SPARE_POINTS);
    let written = points.iter().filter(|p| !(p.at.trim().is_empty() && p.db.trim().is_empty()));
    let rows: Vec<TypedPoint> = written.cloned().chain(spare).collect();
    html! {
        fieldset {
            legend { "Curve" }
            p.hint { "Its level moves from point to point, on top of the level above. Empty a row "
                "to take its point out; a level may be " code { "silence" } "." }
            @for (row, point) in rows.iter().enumerate() {
                @let number = row + 1;
                div.point role="group" aria-label={ "Point " (number) } {
                    div {
                        label for={ "f-at-" (number) } { "Point " (number) ", at" }
                        input #{ "f-at-" (number) } type="text" name="at" value=(point.at)
                            autocomplete="off";
                    }
                    div {
                        label for={ "f-db-" (number) } { "Level, dB" }
                        input #{ "f-db-" (number) } type="text" name="db" value=(point.db)
                            autocomplete="off";
                    }
                    div {
                        label for={ "f-shape-" (number) } { "Then on by" }
                        select #{ "f-shape-" (number) } name="shape" { (shapes(&point.shape)) }
                    }
                }
            }
        }
    }
}

fn shapes(chosen: &str) -> Markup {
    let chosen = if chosen.is_empty() { Shape::default().name() } else { chosen };
    let says = |shape| match shape {
        Shape::Hold => "stays, then steps",
        Shape::Line => "even, in dB",
        Shape::EqualPower => "for two that cross",
        Shape::SCurve => "slow at both ends",
    };
    html! {
        @for (name, shape) in Shape::NAMES {
            option value=(name) selected[name == chosen] { (name) ": " (says(shape)) }
        }
    }
}

fn let_in(map: &Arrangement, only: Option<&[String]>) -> Markup {
    let ticked =
        |at| only.is_none_or(|only| only.iter().any(|name| map.group_named(name) == Some(at)));
    html! {
        fieldset {
            legend { "Who is let in" }
            label.tick { input type="radio" name="let" value="all" checked[only.is_none()];
                span { "Every group, as its own level says" } }
            label.tick { input type="radio" name="let" value="some" checked[only.is_some()];
                span { "Only these" } }
            div.ticks role="group" aria-label="Groups let in" {
                @for (at, group) in map.groups().iter().enumerate() {
                    label.tick {
                        input type="checkbox" name="only" value=(group.name) checked[ticked(at)];
                        span { (group.name) }
                    }
                }
            }
        }
    }
}
