//! The arrangement map at the desk: read as a table, changed place by place or as a text, compared
//! and restored.

pub mod place;
mod table;
mod versions;

use axum::Form;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use maud::{Markup, html};
use ripieno_score::Arrangement;
use ripieno_store::{Document, DocumentFormat};
use serde::Deserialize;

use super::links;
use crate::http::arrangements::names::changes_in_words;
use crate::http::arrangements::{self, versions::changes_between};
use crate::http::extract::{Path, Query};
use crate::http::identity::Organiser;
use crate::http::pieces::{self, LoadedPiece};
use crate::http::problem::{Answer, Problem};
use crate::http::{App, AppState};
use crate::pages::layout::{Page, PageAnswer, go_to};

/// Which version to compare with the one that stands.
#[derive(Debug, Default, Deserialize)]
pub struct Shown {
    compare: Option<i64>,
}

/// A change of the map.
#[derive(Debug, Deserialize)]
pub struct Change {
    /// The version that was read.
    read: i64,
    /// A newer version it is to stand over all the same.
    over: Option<i64>,
    text: String,
}

/// A version to stand again.
#[derive(Debug, Deserialize)]
pub struct Restore {
    version: i64,
    read: i64,
}

/// The page.
pub async fn show(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(slug): Path<String>,
    Query(shown): Query<Shown>,
) -> PageAnswer {
    let loaded = pieces::load(&app, &slug).await?;
    let view = View { compare: shown.compare, ..View::default() };
    Ok(page(&app, &loaded, view, StatusCode::OK).await?)
}

/// Saves a change; what cannot be saved comes back with its text.
pub async fn save(
    State(app): State<AppState>,
    organiser: Organiser,
    Path(slug): Path<String>,
    Form(change): Form<Change>,
) -> PageAnswer {
    let loaded = pieces::load(&app, &slug).await?;
    // Browsers send every line's end as two characters.
    let text = change.text.replace("\r\n", "\n");
    let expected = change.over.unwrap_or(change.read);
    let saved =
        arrangements::put(&app, &loaded, expected, DocumentFormat::Toml, &text, &organiser.name);
    let problem = match saved.await {
        Ok(_) => return Ok(go_to(&format!("/desk/{slug}/arrangement?compare={expected}#saved"))),
        Err(problem) => problem,
    };
    let status = problem.status();
    let view = match status {
        StatusCode::PRECONDITION_FAILED | StatusCode::UNPROCESSABLE_ENTITY => View {
            typed: Some(Typed { read: change.read, text }),
            problem: Some(problem),
            ..View::default()
        },
        _ => return Err(problem.into()),
    };
    Ok(page(&app, &loaded, view, status).await?)
}

/// Makes an earlier version stand again.
pub async fn restore(
    State(app): State<AppState>,
    organiser: Organiser,
    Path(slug): Path<String>,
    Form(wish): Form<Restore>,
) -> PageAnswer {
    let loaded = pieces::load(&app, &slug).await?;
    let restored = arrangements::versions::stand_again(
        &app,
        &loaded,
        wish.version,
        wish.read,
        &organiser.name,
    );
    match restored.await {
        Ok(_) => Ok(go_to(&format!("/desk/{slug}/arrangement?compare={}#saved", wish.read))),
        Err(problem) if problem.status() == StatusCode::PRECONDITION_FAILED => {
            let view = View { problem: Some(problem), ..View::default() };
            Ok(page(&app, &loaded, view, StatusCode::PRECONDITION_FAILED).await?)
        }
        Err(problem) => Err(problem.into()),
    }
}

/// What the page shows besides what stands.
#[derive(Default)]
struct View {
    compare: Option<i64>,
    typed: Option<Typed>,
    problem: Option<Problem>,
}

/// A text that could not be saved, and the version it was made from.
struct Typed {
    read: i64,
    text: String,
}

async fn page(app: &App, loaded: &LoadedPiece, view: View, status: StatusCode) -> Answer<Response> {
    let slug = &loaded.record.slug;
    let (version, document) = arrangements::standing(app, &loaded.record.id).await?;
    let map = arrangements::map_of(loaded, document.as_ref());
    let text = text_of(document.as_ref(), map.as_ref().ok());
    let versions = versions::Versions::of(app, loaded, version, view.compare).await?;
    let clash = clash(app, loaded, &view, version).await;
    let main = html! {
        p { a href={ "/desk/" (slug) } { "Back to " (loaded.record.title) } }
        h1 { "Arrangement map" }
        @if let Some(problem) = &view.problem {
            @match clash { Some(clash) => (clash.show()), None => (refused(problem)) }
        }
        @match &map {
            Ok(map) => (table::table(slug, map, &loaded.piece)),
            Err(problem) => section.sheet { h2 { "It does not fit the piece any more" }
                (mistakes(problem)) },
        }
        (versions.compared(slug))
        (editor(slug, version, &text, view.typed.as_ref()))
        (versions.list(slug))
    };
    let title = format!("Arrangement of {} – desk", loaded.record.title);
    let page =
        Page { title: &title, scripts: &[], links: links(), private: true, refresh_s: None, main };
    Ok(page.answer(status))
}

/// What stands as a text to change: as it was written, if that was TOML.
fn text_of(document: Option<&Document>, map: Option<&Arrangement>) -> String {
    match (document, map) {
        (Some(d), _) if d.format == DocumentFormat::Toml => d.text.clone(),
        (_, Some(map)) => map.to_toml(),
        (Some(d), None) => d.text.clone(),
        (None, None) => String::new(),
    }
}

fn editor(slug: &str, version: i64, standing: &str, typed: Option<&Typed>) -> Markup {
    let behind = typed.filter(|typed| typed.read != version);
    html! {
        section.sheet #change {
            h2 { "Change it as a text" }
            p { "Groups and their rules, then what each does section by section. The demo's "
                code { "arrangement.toml" } " explains every key. Saving keeps the version before." }
            form method="post" action={ "/desk/" (slug) "/arrangement" } {
                input type="hidden" name="read" value=(typed.map_or(version, |typed| typed.read));
                label for="f-text" { "The map as text (TOML)" }
                textarea.document #f-text name="text" rows="24" spellcheck="false"
                    autocapitalize="off" autocomplete="off" required {
                    // The first line feed in a text area is not part of its text.
                    "\n" (typed.map_or(standing, |typed| &typed.text))
                }
                @if behind.is_some() {
                    label.tick {
                        input type="checkbox" name="over" value=(version);
                        span { "Put this text in place of version " (version) }
                    }
                }
                p.row { button type="submit" { "Save" } }
            }
        }
    }
}

/// What two people did meanwhile, in words: the other's changes, then one's own.
struct Clash {
    read: i64,
    standing: i64,
    theirs: Vec<String>,
    own: Vec<String>,
    /// What has become of one's own change.
    kept: &'static str,
    /// What to do now.
    next: &'static str,
}

async fn clash(app: &App, loaded: &LoadedPiece, view: &View, standing: i64) -> Option<Clash> {
    let faster = StatusCode::PRECONDITION_FAILED;
    view.problem.as_ref().filter(|problem| problem.status() == faster)?;
    let typed = view.typed.as_ref().filter(|typed| typed.read != standing)?;
    let theirs = changes_between(app, loaded, typed.read, standing).await.ok()?;
    let read = arrangements::versions::at(app, loaded, typed.read).await.ok()?;
    let own = own_changes(app, loaded, &read, &typed.text).await.ok()?;
    Some(Clash {
        read: typed.read,
        standing,
        theirs,
        own,
        kept: "your text is in the field below, and theirs is kept.",
        next: "Add their changes to your text and tick the box under it to save; or copy yours, \
               and begin anew from theirs.",
    })
}

/// What a text that was not saved changes in the version it was made from; nothing where it is no
/// map.
async fn own_changes(
    app: &App,
    loaded: &LoadedPiece,
    before: &Arrangement,
    text: &str,
) -> Answer<Vec<String>> {
    match Arrangement::from_toml(text, "arrangement.toml", &loaded.piece) {
        Ok(own) => changes_in_words(app, before, &own).await,
        Err(_) => Ok(Vec::new()),
    }
}

impl Clash {
    fn show(&self) -> Markup {
        html! {
            section.sheet role="alert" {
                h2 { "Not saved: somebody else was faster" }
                p { "You began from version " (self.read) "; version " (self.standing)
                    " stands now. Nothing of yours is lost: " (self.kept) }
                h3 { "What they changed" }
                (sentences(&self.theirs))
                @if !self.own.is_empty() {
                    h3 { "What you changed" }
                    (sentences(&self.own))
                }
                p { (self.next) }
            }
        }
    }
}

fn refused(problem: &Problem) -> Markup {
    let faster = problem.status() == StatusCode::PRECONDITION_FAILED;
    html! {
        section.sheet role="alert" {
            h2 { "Not saved" }
            @if faster { p { "Somebody else has saved a version since you opened this page. "
                "It is shown here now; look at it, and do it again if it is still right." } }
            @else { (mistakes(problem)) }
        }
    }
}

/// Sentences, one a line.
fn sentences(all: &[String]) -> Markup {
    html! {
        @if all.is_empty() { p { "Nothing that can be heard." } }
        @else { ul { @for sentence in all { li { (sentence) } } } }
    }
}

fn mistakes(problem: &Problem) -> Markup {
    let body = problem.body();
    html! {
        @if body.mistakes.is_empty() { p.wrong { (body.detail) } }
        @else {
            ul.findings { @for m in &body.mistakes { li.unusable {
                @if let Some(line) = m.line { b { "Line " (line) ": " } }
                (m.what) "; " (m.instead)
            } } }
        }
    }
}
