//! The call: the public page of a piece.

use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use maud::{Markup, html};
use ripieno_score::families;
use ripieno_store::{PieceFile, Which};

use super::layout::{Page, PageAnswer};
use super::strip::{Dot, strip};
use super::words;
use crate::clock::now_us;
use crate::http::extract::Path;
use crate::http::multipart::size_in_words;
use crate::http::pieces::{self, LoadedPiece};
use crate::http::problem::Answer;
use crate::http::renders::preview;
use crate::http::{App, AppState, pack};

/// All pieces there are.
pub async fn pieces(State(app): State<AppState>) -> PageAnswer {
    let mut all = Vec::new();
    for record in app.store.list_pieces().await? {
        all.push(pieces::load_record(&app, record).await?);
    }
    let main = html! {
        h1 { "Pieces" }
        @if all.is_empty() {
            p.lead { "There is no piece here yet." }
            p { "If you are the organiser: make one with your piece's document, as the README "
                "shows, then come back." }
        }
        @for piece in &all {
            section.sheet {
                h2 { a href={ "/" (piece.record.slug) } { (piece.record.title) } }
                (strip(&piece.piece, &[], &format!("The sections of {}", piece.record.title)))
                (door(piece))
            }
        }
    };
    Ok(page("Pieces", main, html! { a href="/desk" { "Desk" } }).answer(StatusCode::OK))
}

fn page<'a>(title: &'a str, main: Markup, links: Markup) -> Page<'a> {
    Page { title, scripts: &["call.js"], links, private: false, refresh_s: None, main }
}

/// Whether the call is open, and until when.
fn door(piece: &LoadedPiece) -> Markup {
    let zone = piece.piece.time_zone.as_deref();
    let now = now_us();
    let open = piece.is_open(now);
    // Closed before its time by the organiser, it has no deadline to look back on.
    let told = piece.deadline_us().filter(|at| open || *at <= now);
    let deadline = told.map(|at| words::deadline(at, zone));
    html! {
        p {
            @match (open, deadline) {
                (true, Some(deadline)) => { "Open until " strong { (deadline) } "." }
                (true, None) => { "Open." }
                (false, Some(deadline)) => { "Closed. The deadline was " (deadline) "." }
                (false, None) => { "Closed." }
            }
        }
    }
}

/// The call of one piece.
pub async fn call(State(app): State<AppState>, Path(slug): Path<String>) -> PageAnswer {
    let loaded = pieces::load(&app, &slug).await?;
    Ok(show(&app, &loaded).await?)
}

async fn show(app: &App, loaded: &LoadedPiece) -> Answer<Response> {
    let piece = &loaded.piece;
    let slug = &loaded.record.slug;
    let takes = app.store.list_takes(&loaded.record.id, Which::Sounding, None, 2000).await?;
    let dots: Vec<Dot<'_>> = takes
        .iter()
        .map(|t| Dot { id: &t.id, hue: family_hue(t.form["family"].as_str().unwrap_or_default()) })
        .collect();
    let files = pack::pack_files(app, &loaded.record.id).await?;
    let preview = heard_now(app, loaded).await?;
    let main = html! {
        h1 { (piece.title) }
        @if !piece.composer_credit.is_empty() { p.soft { (piece.composer_credit) } }
        (strip(piece, &dots, &crowd_in_words(loaded, dots.len())))
        p.soft { (crowd_in_words(loaded, dots.len())) }
        @for paragraph in piece.about.split("\n\n").filter(|p| !p.trim().is_empty()) {
            p.lead { (paragraph) }
        }
        (preview)
        div.pair {
            section.sheet {
                h2 { "Take part" }
                (door(loaded))
                ol {
                    li { "Fetch the guide pack and read its instructions." }
                    li { "Play along with the guide on headphones, not too loud, and record "
                        "only yourself." }
                    li { "Send your recording. In a moment you see how it lies in the piece." }
                }
                @if loaded.is_open(now_us()) {
                    p { a.button href={ "/" (slug) "/take" } { "Send a recording" } }
                }
            }
            @if !piece.wanted.is_empty() {
                section.sheet {
                    h2 { "Wanted now" }
                    ul { @for line in &piece.wanted { li { (line) } } }
                    p.soft { "Everything else is welcome too." }
                }
            }
        }
        (guide_pack(slug, &files))
        section.sheet {
            h2 { "The piece" }
            (facts(loaded))
        }
    };
    let links = html! { a href="/" { "All pieces" } a href="/desk" { "Desk" } };
    Ok(page(&piece.title, main, links).answer(StatusCode::OK))
}

/// Which colour a family has.
#[must_use]
pub fn family_hue(key: &str) -> usize {
    families().iter().position(|f| f.key == key).unwrap_or(0)
}

fn crowd_in_words(loaded: &LoadedPiece, takes: usize) -> String {
    let sections: Vec<&str> = loaded.piece.sections.iter().map(|s| s.name.as_str()).collect();
    let crowd = match takes {
        0 => "Nobody is in yet; each dot here will be a player.".to_owned(),
        1 => "One player is in.".to_owned(),
        n => format!("{n} players are in, a dot each."),
    };
    format!("{} bars: {}. {crowd}", loaded.piece.last_bar, sections.join(", "))
}

/// The newest preview, with a button for each section to play from.
async fn heard_now(app: &App, loaded: &LoadedPiece) -> Answer<Markup> {
    let Some((render, file)) = preview::newest_to_hear(app, &loaded.record.id).await? else {
        return Ok(html! {});
    };
    let when = render.finished_at.unwrap_or(render.created_at);
    let address = format!("/api/v1/pieces/{}/preview?of={}", loaded.record.slug, render.id);
    let starts_s = preview::starts_at_s(&render);
    Ok(html! {
        section.sheet {
            h2 { "How it sounds now" }
            p.soft { "Mixed " (words::instant(when)) "." }
            audio #preview controls preload="none" src=(address) data-name=(file) {}
            ul.section-list.only-script aria-label="Play from a section" {
                @for section in &loaded.piece.sections {
                    @let (from_s, _) = loaded.piece.section_seconds(section);
                    li { button.quiet type="button" data-play-from=((from_s - starts_s).max(0.0)) {
                        (section.name)
                    } }
                }
            }
        }
    })
}

fn guide_pack(slug: &str, files: &[PieceFile]) -> Markup {
    let base = format!("/api/v1/pieces/{slug}/pack");
    let zip = files.iter().find(|f| f.name == pack::PACK_ZIP);
    let size = |f: &PieceFile| size_in_words(f.bytes.unsigned_abs());
    html! {
        section.sheet {
            h2 { "The guide pack" }
            @if files.is_empty() {
                p { "It is being written; load this page again in a moment." }
            } @else {
                p { "The guide track with its marks, a pulse, the chords, a chart and "
                    "instructions." }
                @if let Some(zip) = zip {
                    p { a.button href=(base) { "Fetch everything (zip, " (size(zip)) ")" } }
                }
                details {
                    summary { "Single files" }
                    ul {
                        @for file in files.iter().filter(|f| f.name != pack::PACK_ZIP) {
                            li { a href={ (base) "/" (file.name) } { (file.name) }
                                span.soft { " " (size(file)) } }
                        }
                    }
                }
                p.soft { "Take care of your ears: begin with the headphones turned low, and "
                    "rest between tries." }
            }
        }
    }
}

fn facts(loaded: &LoadedPiece) -> Markup {
    let piece = &loaded.piece;
    let tempo = piece.tempo.tempos().first().map(|t| t.bpm()).unwrap_or_default();
    let metre = piece.tempo.metre_at(1);
    let changes = piece.tempo.tempos().len() > 1 || piece.tempo.metres().len() > 1;
    html! {
        dl.facts {
            dt { "Length" }
            dd { (words::minutes(piece.duration_s())) " minutes, " (piece.last_bar) " bars" }
            dt { "Tempo" }
            dd { (metre.beats) "/" (metre.unit) " at " (tempo) " beats a minute"
                @if changes { ", with changes" } }
            dt { "Sections" }
            dd {
                ol {
                    @for section in &piece.sections {
                        li {
                            (section.name) ", bars " (section.first_bar) " to " (section.last_bar)
                            @if section.played_fade {
                                ": everybody simply plays quieter and quieter"
                            }
                        }
                    }
                }
            }
        }
    }
}
