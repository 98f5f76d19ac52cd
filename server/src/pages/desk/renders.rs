//! Renders of one piece at the desk: asked for, watched, heard, fetched, deleted.

use axum::Form;
use axum::extract::State;
use maud::{Markup, html};
use ripieno_score::{Piece, TakeForm};
use ripieno_store::{Render, RenderFile, RenderKind, RenderState};
use ripieno_worker::render_mix::RenderReport;
use serde::Deserialize;

use super::crowd::Crowd;
use super::fields::Fields;
use crate::http::extract::Path;
use crate::http::identity::Organiser;
use crate::http::multipart::size_in_words;
use crate::http::pieces::{self, LoadedPiece};
use crate::http::problem::{Answer, Problem};
use crate::http::renders::{self, RenderWish};
use crate::http::{App, AppState};
use crate::pages::layout::{PageAnswer, go_to};
use crate::pages::words;

/// Renders on one page.
const PAGE: i64 = 6;

/// Asks for a render.
pub async fn render(
    State(app): State<AppState>,
    organiser: Organiser,
    Path(slug): Path<String>,
    Form(fields): Form<Fields>,
) -> PageAnswer {
    let loaded = pieces::load(&app, &slug).await?;
    let wish = wish(&fields)?;
    renders::ask(&app, &loaded, &wish, &organiser.name).await?;
    Ok(go_to(&format!("/desk/{slug}#renders")))
}

fn wish(fields: &Fields) -> Answer<RenderWish> {
    let all = |name: &str| fields.all(name).map(str::to_owned).collect();
    let kind = match fields.one("kind") {
        None | Some("preview") => RenderKind::Preview,
        Some("final") => RenderKind::Final,
        Some(_) => return Err(Problem::bad_request("Choose a preview or a final.")),
    };
    Ok(RenderWish {
        kind,
        sections: all("section"),
        groups: all("group"),
        louder_take: fields.one("louder_take").map(str::to_owned),
    })
}

/// Calls a render off.
pub async fn cancel(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path((slug, id)): Path<(String, String)>,
) -> PageAnswer {
    renders::call_off(&app, &id).await?;
    Ok(go_to(&format!("/desk/{slug}#renders")))
}

/// Deletes a render that is over, with its files.
pub async fn delete(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path((slug, id)): Path<(String, String)>,
) -> PageAnswer {
    renders::delete(&app, &id).await?;
    Ok(go_to(&format!("/desk/{slug}#renders")))
}

/// The renders a page shows.
pub struct Renders<'a> {
    loaded: &'a LoadedPiece,
    made: Vec<Made>,
    earlier: Option<String>,
}

/// One render, with what it takes to say what it is.
struct Made {
    render: Render,
    files: Vec<RenderFile>,
    louder: Option<String>,
}

impl<'a> Renders<'a> {
    /// The newest renders, or those asked for before one.
    ///
    /// # Errors
    /// A fault of the store.
    pub async fn of(app: &App, loaded: &'a LoadedPiece, before: Option<&str>) -> Answer<Self> {
        let mut made = Vec::new();
        for render in app.store.list_renders(&loaded.record.id, before, PAGE).await? {
            let files = app.store.render_files(&render.id).await?;
            let louder = match render.request["louder_take"].as_str() {
                Some(id) => Some(who_plays(app, id).await),
                None => None,
            };
            made.push(Made { render, files, louder });
        }
        let full = made.len() as i64 == PAGE;
        let earlier = made.last().filter(|_| full).map(|last| last.render.id.clone());
        Ok(Self { loaded, made, earlier })
    }

    /// The sheet; `crowd` says which groups there are to hear.
    pub fn show(&self, crowd: Option<&Crowd>) -> Markup {
        let slug = &self.loaded.record.slug;
        html! {
            section.sheet #renders {
                h2 { "Renders" }
                (form(slug, &self.loaded.piece, crowd))
                @for made in &self.made { (made.row(slug)) }
                @if let Some(before) = &self.earlier {
                    p { a.button.quiet href={ "/desk/" (slug) "?before=" (before) "#renders" } {
                        "Earlier renders" } }
                }
            }
        }
    }
}

/// A take by its player's name; the id where that is gone.
async fn who_plays(app: &App, id: &str) -> String {
    let form = app.store.take(id).await.ok().and_then(|t| TakeForm::deserialize(&t.form.0).ok());
    form.map(|form| form.name).filter(|name| !name.is_empty()).unwrap_or_else(|| id.to_owned())
}

fn form(slug: &str, piece: &Piece, crowd: Option<&Crowd>) -> Markup {
    html! {
        form method="post" action={ "/desk/" (slug) "/render" } {
            label for="f-kind" { "What" }
            select #f-kind name="kind" {
                option value="preview" { "Preview, quick and small" }
                option value="final" { "Final, with everything to deliver" }
            }
            label for="f-section" { "Which part" }
            select #f-section name="section" {
                option value="" { "The whole piece" }
                @for section in &piece.sections {
                    option value=(section.name) { (section.name) }
                }
            }
            @if let Some(crowd) = crowd {
                details {
                    summary { "Only some groups" }
                    p.hint { "With none ticked, all are heard." }
                    div.ticks {
                        @for group in crowd.heard_groups() {
                            label.tick { input type="checkbox" name="group" value=(group);
                                span { (group) } }
                        }
                    }
                }
            }
            p.row { button type="submit" { "Render" } }
        }
    }
}

/// A take a little louder in a section of the mix, for the organiser's own ears.
#[must_use]
pub fn louder_form(loaded: &LoadedPiece, take_id: &str) -> Markup {
    html! {
        form method="post" action={ "/desk/" (loaded.record.slug) "/render" } {
            h3 { "In the crowd" }
            input type="hidden" name="kind" value="preview";
            input type="hidden" name="louder_take" value=(take_id);
            label for="louder-section" { "Section" }
            select #louder-section name="section" {
                @for section in &loaded.piece.sections { option { (section.name) } }
            }
            p.row { button.quiet type="submit" { "A little louder in the crowd" } }
        }
    }
}

impl Made {
    fn row(&self, slug: &str) -> Markup {
        let Self { render, files, .. } = self;
        let going = matches!(render.state, RenderState::Queued | RenderState::Rendering);
        html! {
            article aria-label={ "Render of " (crate::clock::rfc3339(render.created_at)) }
                data-render=[going.then_some(&render.id)] {
                h3 { (self.what()) ", " (render_state(render.state)) }
                p.soft { "Asked for by " (render.requested_by) ", "
                    (words::instant(render.created_at)) }
                @if going { (progress(slug, render)) }
                @if let Some(error) = &render.error { p.wrong { (error) } }
                @if let Ok(report) = RenderReport::deserialize(&render.result.0) {
                    p { (in_figures(&report)) }
                    @for note in &report.notes { p.soft { (note) } }
                }
                (listen(&render.id, files))
                @if !going {
                    div.row {
                        (fetch(&render.id, files))
                        (delete_form(slug, render))
                    }
                }
                (every_file(&render.id, files))
            }
        }
    }

    /// What is heard in it: `Preview of Crest, Bells and Low only, Ada Quay a little louder`.
    fn what(&self) -> String {
        let names = |name: &str| -> Vec<&str> {
            let list = self.render.request[name].as_array().map_or(&[][..], Vec::as_slice);
            list.iter().filter_map(|name| name.as_str()).collect()
        };
        let kind = match self.render.kind {
            RenderKind::Preview => "Preview",
            RenderKind::Final => "Final",
        };
        let mut what = kind.to_owned();
        let (sections, groups) = (names("sections"), names("groups"));
        if !sections.is_empty() {
            what.push_str(&format!(" of {}", sections.join(", ")));
        }
        if !groups.is_empty() {
            what.push_str(&format!(", only {}", groups.join(", ")));
        }
        if let Some(who) = &self.louder {
            what.push_str(&format!(", {who} a little louder"));
        }
        what
    }
}

/// `387 takes, 2:25 long, −16.0 LUFS`.
fn in_figures(report: &RenderReport) -> String {
    let takes = match report.takes_heard() {
        1 => "1 take".to_owned(),
        some => format!("{some} takes"),
    };
    let long = words::minutes(report.frames as f64 / f64::from(report.sample_rate_hz.max(1)));
    let loud = report.loudness.integrated_lufs.map(|lufs| format!(", {lufs:.1} LUFS"));
    format!("{takes}, {long} long{}", loud.unwrap_or_default()).replace('-', "−")
}

fn progress(slug: &str, render: &Render) -> Markup {
    let percent = render.progress_permille as f64 / 10.0;
    html! {
        progress max="100" value=(percent) aria-label="How far the render is" {}
        p data-doing role="status" { (render.doing) }
        form method="post" action={ "/desk/" (slug) "/cancel/" (render.id) } {
            button.quiet type="submit" { "Call off" }
        }
    }
}

fn delete_form(slug: &str, render: &Render) -> Markup {
    html! {
        form method="post" action={ "/desk/" (slug) "/delete/" (render.id) }
            data-confirm="Delete this render and all its files? This cannot be undone." {
            button.quiet type="submit" { "Delete this render" }
        }
    }
}

fn address(id: &str, name: &str) -> String {
    format!("/api/v1/renders/{id}/files/{}", name.replace('/', "%2F"))
}

fn listen(id: &str, files: &[RenderFile]) -> Markup {
    html! {
        @if let Some(heard) = files.iter().find(|f| f.name.starts_with("preview.")) {
            audio controls preload="none" src=(address(id, &heard.name))
                aria-label="Listen to this render" {}
        }
    }
}

/// The papers to read, and all of it.
fn fetch(id: &str, files: &[RenderFile]) -> Markup {
    let papers = [("report.html", "The report"), ("morning-note.txt", "The morning note")];
    html! {
        @for (name, called) in papers {
            @if files.iter().any(|f| f.name == name) { a href=(address(id, name)) { (called) } }
        }
        @if !files.is_empty() {
            @let bytes = files.iter().map(|file| file.bytes.unsigned_abs()).sum();
            a href={ "/api/v1/renders/" (id) "/everything.zip" } download {
                "Everything in one file (zip, " (size_in_words(bytes)) ")"
            }
        }
    }
}

fn every_file(id: &str, files: &[RenderFile]) -> Markup {
    html! {
        @if !files.is_empty() {
            details {
                summary { "Files" }
                ul {
                    @for file in files {
                        li { a href=(address(id, &file.name)) download { (file.name) }
                            span.soft { " " (size_in_words(file.bytes.unsigned_abs())) } }
                    }
                }
            }
        }
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

#[cfg(test)]
mod tests {
    use super::*;
    use ripieno_worker::render_mix::BedCount;
    use serde_json::json;

    #[test]
    fn a_form_may_tick_several_groups() {
        let fields = [("kind", "final"), ("section", ""), ("group", "Low"), ("group", "Bells")];
        let wish = wish(&fields[..].into()).unwrap();
        assert_eq!((wish.kind, wish.sections.len()), (RenderKind::Final, 0));
        assert_eq!((wish.groups, wish.louder_take), (vec!["Low".into(), "Bells".into()], None));
        assert!(super::wish(&[("kind", "loud")][..].into()).is_err());
    }

    #[test]
    fn a_render_is_told_by_its_takes_its_length_and_its_loudness() {
        let stem = |mute: bool| {
            json!({ "take_id": mute.to_string(), "credit": null, "content_hash": "",
                    "group": "Bells", "trim_db": 0.0, "pan": 0.0, "mute": mute })
        };
        let report = json!({
            "title": "A tide", "kind": "final", "sample_rate_hz": 48_000, "first_sample": 0,
            "frames": 145 * 48_000, "unmastered_lufs": null, "master_gain_db": 0.0,
            "limited_db": 0.0, "groups": [], "beds": BedCount::default(), "files": [], "notes": [],
            "sections": [], "stems": [stem(false), stem(true)],
            "loudness": {
                "integrated_lufs": -16.04, "range_lu": null, "max_momentary_lufs": null,
                "max_short_term_lufs": null, "true_peak_dbtp": null, "short_term_curve_lufs": [],
            },
        });
        let mut report = RenderReport::deserialize(&report).unwrap();
        assert_eq!(in_figures(&report), "1 take, 2:25 long, −16.0 LUFS");
        report.loudness.integrated_lufs = None;
        report.only_sections = vec!["Ebb".into()];
        assert_eq!(in_figures(&report), "0 takes, 2:25 long");
    }
}
