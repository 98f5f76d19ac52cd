//! One piece at the desk: its takes, and its renders.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use maud::{Markup, html};
use ripieno_score::TakeState;
use ripieno_store::{StateCount, TakeSummary, Which};
use serde::Deserialize;

use super::crowd::Crowd;
use super::renders::Renders;
use super::{MOST_TAKES, door, links};
use crate::http::extract::{Path, Query};
use crate::http::identity::Organiser;
use crate::http::pieces::{self, LoadedPiece};
use crate::http::problem::{Answer, Problem};
use crate::http::{App, AppState};
use crate::pages::layout::{Page, PageAnswer};
use crate::pages::words;

/// What takes that were replaced are called in an address.
const REPLACED: &str = "replaced";

/// Takes on one page.
const PAGE: i64 = 100;

/// Which takes to show.
#[derive(Debug, Default, Deserialize)]
pub struct Shown {
    state: Option<String>,
    after: Option<String>,
    /// Words to look for.
    find: Option<String>,
    /// Renders asked for before the one of this id.
    before: Option<String>,
}

/// The page.
pub async fn piece(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(slug): Path<String>,
    Query(shown): Query<Shown>,
) -> PageAnswer {
    let loaded = pieces::load(&app, &slug).await?;
    Ok(show(&app, &loaded, &shown).await?)
}

async fn show(app: &App, loaded: &LoadedPiece, shown: &Shown) -> Answer<Response> {
    let id = &loaded.record.id;
    let slug = &loaded.record.slug;
    let which = which_called(shown.state.as_deref().unwrap_or_default());
    let find = shown.find.as_deref().map(str::trim).filter(|find| !find.is_empty());
    let takes = match find {
        Some(find) => found(app.store.list_takes(id, which, None, MOST_TAKES).await?, find),
        None => app.store.list_takes(id, which, shown.after.as_deref(), PAGE).await?,
    };
    let counts = app.store.count_takes(id).await?;
    let more = (find.is_none() && takes.len() as i64 == PAGE)
        .then(|| takes.last().map(|t| t.id.clone()))
        .flatten();
    let crowd = Crowd::of(app, loaded).await;
    let renders = Renders::of(app, loaded, shown.before.as_deref()).await?;
    let main = html! {
        h1 { (loaded.record.title) }
        (ways(slug, &counts))
        (door::show(loaded))
        @match &crowd {
            Ok(crowd) => (crowd.show(loaded)),
            Err(problem) => section.sheet #crowd { h2 { "Who plays" } (misfit(slug, problem)) },
        }
        (renders.show(crowd.as_ref().ok()))
        section.sheet #takes {
            h2 { "Takes" }
            (which_takes(slug, which, &counts))
            (find_form(slug, which, find))
            (takes_table(slug, &takes))
            @if let Some(after) = more {
                @let only = word_of(which).map(|word| format!("&state={word}")).unwrap_or_default();
                p { a.button.quiet href={ "/desk/" (slug) "?after=" (after) (only) "#takes" } {
                    "Later takes" } }
            }
        }
    };
    let title = format!("{} – desk", loaded.record.title);
    let page = Page {
        title: &title,
        scripts: &["desk.js"],
        links: links(),
        private: true,
        refresh_s: None,
        main,
    };
    Ok(page.answer(StatusCode::OK))
}

/// The ways from here, the questions that wait first.
fn ways(slug: &str, counts: &[StateCount]) -> Markup {
    let asking = counts.iter().find(|count| count.state == TakeState::Asks).map_or(0, open_takes);
    html! {
        nav aria-label="On this piece" {
            p.row {
                @if asking > 0 {
                    a href={ "/desk/" (slug) "?state=asks#takes" } {
                        @if asking == 1 { "1 question waits" } @else { (asking) " questions wait" }
                    }
                }
                a href="#crowd" { "Who plays" }
                a href={ "/desk/" (slug) "/arrangement" } { "Arrangement" }
                a href="#renders" { "Renders" }
                a href="#takes" { "Takes" }
                a href={ "/" (slug) } { "The call, as contributors see it" }
            }
        }
    }
}

/// Which takes a word in the address asks for; every one if it is no such word.
fn which_called(word: &str) -> Which {
    match word.parse() {
        Ok(state) => Which::Standing(state),
        Err(_) if word == REPLACED => Which::Replaced,
        Err(_) => Which::All,
    }
}

/// The word that asks for them.
fn word_of(which: Which) -> Option<&'static str> {
    match which {
        Which::In(state) | Which::Standing(state) => Some(state.word()),
        Which::Replaced => Some(REPLACED),
        Which::All | Which::Sounding => None,
    }
}

/// Takes in a state that no later one has replaced.
fn open_takes(count: &StateCount) -> i64 {
    count.takes - count.replaced
}

fn which_takes(slug: &str, which: Which, counts: &[StateCount]) -> Markup {
    let all: i64 = counts.iter().map(|c| c.takes).sum();
    let replaced: i64 = counts.iter().map(|c| c.replaced).sum();
    let way = |to: Which, name: &str, takes: i64| {
        let query = word_of(to).map(|word| format!("?state={word}")).unwrap_or_default();
        html! {
            a href={ "/desk/" (slug) (query) "#takes" }
                aria-current=[(which == to).then_some("page")] { (name) " " (takes) }
        }
    };
    html! {
        nav aria-label="Which takes" {
            p.row {
                (way(Which::All, "All", all))
                @for count in counts {
                    @let name = words::state_word(count.state);
                    (way(Which::Standing(count.state), name, open_takes(count)))
                }
                @if replaced > 0 { (way(Which::Replaced, "replaced by a later one", replaced)) }
            }
        }
    }
}

fn find_form(slug: &str, which: Which, find: Option<&str>) -> Markup {
    html! {
        form.row method="get" action={ "/desk/" (slug) "#takes" } role="search" {
            @if let Some(word) = word_of(which) { input type="hidden" name="state" value=(word); }
            label for="f-find" { "By name, instrument or place" }
            input #f-find type="text" name="find" value=[find] autocomplete="off";
            button.quiet type="submit" { "Find" }
        }
    }
}

/// The takes of which the form holds every one of some words, as many as a page takes.
fn found(takes: Vec<TakeSummary>, find: &str) -> Vec<TakeSummary> {
    let words: Vec<String> = find.split_whitespace().map(str::to_lowercase).collect();
    let holds = |take: &TakeSummary| {
        let fields = ["name", "credit", "instrument", "place", "institution"];
        let text: Vec<&str> = fields.iter().filter_map(|name| take.form[*name].as_str()).collect();
        let text = text.join("\n").to_lowercase();
        take.id == find || words.iter().all(|word| text.contains(word.as_str()))
    };
    takes.into_iter().filter(holds).take(PAGE as usize).collect()
}

/// The arrangement does not fit the piece any more, and what to do about it.
fn misfit(slug: &str, problem: &Problem) -> Markup {
    html! {
        p.wrong { (problem.body().detail) }
        p { a href={ "/desk/" (slug) "/arrangement" } { "Put the arrangement map right" } }
    }
}

fn takes_table(slug: &str, takes: &[TakeSummary]) -> Markup {
    html! {
        @if takes.is_empty() { p { "None." } } @else {
            table.cards {
                thead { tr {
                    th scope="col" { "Who" }
                    th scope="col" { "Instrument" }
                    th scope="col" { "Where it stands" }
                    th scope="col" { "First of what was found" }
                    th scope="col" { "Came" }
                } }
                tbody { @for take in takes { (take_row(slug, take)) } }
            }
        }
    }
}

fn take_row(slug: &str, take: &TakeSummary) -> Markup {
    let text = |name: &str| take.form[name].as_str().unwrap_or_default();
    let name = match text("name") {
        "" => "(withdrawn)",
        name => name,
    };
    let says = take.findings[0]["says"].as_str().unwrap_or_default();
    html! {
        tr {
            td.who { a href={ "/desk/" (slug) "/take/" (take.id) } { bdi { (name) } } }
            td.played { bdi { (text("instrument")) } }
            td.stands { (words::standing(take)) }
            td.found { (first_sentence(says)) }
            td.came { (words::instant_short(take.created_at)) }
        }
    }
}

/// A list has room for one sentence; the rest is on the take's own page.
fn first_sentence(text: &str) -> &str {
    text.find(". ").map_or(text, |end| &text[..=end])
}
