//! One piece at the desk: its takes, and its renders.

use axum::Form;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use maud::{Markup, html};
use ripieno_score::TakeState;
use ripieno_store::{Render, RenderFile, RenderKind, RenderState, TakeSummary};
use serde::Deserialize;

use super::links;
use crate::clock::now_us;
use crate::http::extract::{Path, Query};
use crate::http::identity::Organiser;
use crate::http::multipart::size_in_words;
use crate::http::pieces::{self, LoadedPiece};
use crate::http::problem::Answer;
use crate::http::renders::{self, RenderWish};
use crate::http::{App, AppState};
use crate::pages::layout::{Page, PageAnswer, go_to};
use crate::pages::words;

/// Takes on one page.
const PAGE: i64 = 100;

/// Which takes to show.
#[derive(Debug, Default, Deserialize)]
pub struct Shown {
    state: Option<String>,
    after: Option<String>,
}

/// What the render form sends.
#[derive(Debug, Deserialize)]
pub struct RenderForm {
    kind: RenderKind,
    #[serde(default)]
    section: String,
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

/// Asks for a render.
pub async fn render(
    State(app): State<AppState>,
    organiser: Organiser,
    Path(slug): Path<String>,
    Form(form): Form<RenderForm>,
) -> PageAnswer {
    let loaded = pieces::load(&app, &slug).await?;
    let sections = match form.section.as_str() {
        "" => Vec::new(),
        name => vec![name.to_owned()],
    };
    let wish = RenderWish { kind: form.kind, sections, groups: Vec::new(), louder_take: None };
    renders::ask(&app, &loaded, &wish, &organiser.name).await?;
    Ok(go_to(&format!("/desk/{slug}#renders")))
}

/// Calls a render off.
pub async fn cancel(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path((slug, id)): Path<(String, String)>,
) -> PageAnswer {
    app.store.cancel_render(&id, now_us()).await?;
    Ok(go_to(&format!("/desk/{slug}#renders")))
}

async fn show(app: &App, loaded: &LoadedPiece, shown: &Shown) -> Answer<Response> {
    let id = &loaded.record.id;
    let slug = &loaded.record.slug;
    let state = shown.state.as_deref().and_then(|word| word.parse::<TakeState>().ok());
    let takes = app.store.list_takes(id, state, shown.after.as_deref(), PAGE).await?;
    let counts = app.store.count_takes(id).await?;
    let more = (takes.len() as i64 == PAGE).then(|| takes.last().map(|t| t.id.clone())).flatten();
    let mut made = Vec::new();
    for render in app.store.list_renders(id, None, 10).await? {
        let files = app.store.render_files(&render.id).await?;
        made.push((render, files));
    }
    let all: i64 = counts.iter().map(|c| c.takes).sum();
    let main = html! {
        h1 { (loaded.record.title) }
        p { a href={ "/" (slug) } { "The call, as contributors see it" } }
        section.sheet {
            h2 { "Takes" }
            nav aria-label="Which takes" {
                p.row {
                    a href={ "/desk/" (slug) } aria-current=[state.is_none().then_some("page")] {
                        "All " (all) }
                    @for count in &counts {
                        a href={ "/desk/" (slug) "?state=" (count.state.word()) }
                            aria-current=[(state == Some(count.state)).then_some("page")] {
                            (words::state_word(count.state)) " " (count.takes) }
                    }
                }
            }
            (takes_table(slug, &takes))
            @if let Some(after) = more {
                @let only = state.map(|s| format!("&state={}", s.word())).unwrap_or_default();
                p { a.button.quiet href={ "/desk/" (slug) "?after=" (after) (only) } {
                    "Later takes" } }
            }
        }
        section.sheet #renders {
            h2 { "Renders" }
            (render_form(loaded))
            @for (render, files) in &made { (render_row(slug, render, files)) }
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
            td.stands { (words::state(take.state))
                @if take.replaced_by.is_some() { " (replaced)" } }
            td.found { (first_sentence(says)) }
            td.came { (words::instant_short(take.created_at)) }
        }
    }
}

/// A list has room for one sentence; the rest is on the take's own page.
fn first_sentence(text: &str) -> &str {
    text.find(". ").map_or(text, |end| &text[..=end])
}

fn render_form(loaded: &LoadedPiece) -> Markup {
    html! {
        form method="post" action={ "/desk/" (loaded.record.slug) "/render" } {
            label for="f-kind" { "What" }
            select #f-kind name="kind" {
                option value="preview" { "Preview, quick and small" }
                option value="final" { "Final, with everything to deliver" }
            }
            label for="f-section" { "Which part" }
            select #f-section name="section" {
                option value="" { "The whole piece" }
                @for section in &loaded.piece.sections {
                    option value=(section.name) { (section.name) }
                }
            }
            p.row { button type="submit" { "Render" } }
        }
    }
}

fn render_row(slug: &str, render: &Render, files: &[RenderFile]) -> Markup {
    let going = matches!(render.state, RenderState::Queued | RenderState::Rendering);
    let percent = render.progress_permille as f64 / 10.0;
    let address =
        |name: &str| format!("/api/v1/renders/{}/files/{}", render.id, name.replace('/', "%2F"));
    html! {
        article aria-label={ "Render of " (crate::clock::rfc3339(render.created_at)) }
            data-render=[going.then_some(&render.id)] {
            h3 { (render_kind(render.kind)) ", " (render_state(render.state)) }
            p.soft { "Asked for by " (render.requested_by) ", " (words::instant(render.created_at)) }
            @if going {
                progress max="100" value=(percent) aria-label="How far the render is" {}
                p data-doing role="status" { (render.doing) }
                form method="post" action={ "/desk/" (slug) "/cancel/" (render.id) } {
                    button.quiet type="submit" { "Call off" }
                }
            }
            @if let Some(error) = &render.error { p.wrong { (error) } }
            @if let Some(heard) = files.iter().find(|f| f.name.starts_with("preview.")) {
                audio controls preload="none" src=(address(&heard.name))
                    aria-label="Listen to this render" {}
            }
            @if !files.is_empty() {
                p { a href={ "/api/v1/renders/" (render.id) "/everything.zip" } download {
                    "Everything in one file (zip)"
                } }
                details {
                    summary { "Files" }
                    ul {
                        @for file in files {
                            li { a href=(address(&file.name)) download { (file.name) }
                                span.soft { " " (size_in_words(file.bytes.unsigned_abs())) } }
                        }
                    }
                }
            }
        }
    }
}

fn render_kind(kind: RenderKind) -> &'static str {
    match kind {
        RenderKind::Preview => "Preview",
        RenderKind::Final => "Final",
    }
}

fn render_state(state: RenderState) -> &'static str {
    match state {
        RenderState::Queued => "waiting",
        RenderState::Rendering => "being made",
        RenderState::Done => "done",
        RenderState::Failed => "failed",
        RenderState::Cancelled => "called off",
    }
}
