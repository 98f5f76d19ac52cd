//! A take a little louder in the crowd, for browsers without scripts: asked for by a form, then a
//! page that looks again until the sound is there.

use axum::Form;
use axum::extract::State;
use axum::http::StatusCode;
use maud::html;
use ripieno_store::RenderState;
use serde::Deserialize;

use super::load;
use crate::http::AppState;
use crate::http::extract::Path;
use crate::http::receipts::louder::{self, LouderBody};
use crate::pages::layout::{Page, PageAnswer, go_to};

/// What the form sends.
#[derive(Debug, Deserialize)]
pub struct LouderForm {
    section: String,
}

/// Asks for the sound.
pub async fn ask(
    State(app): State<AppState>,
    Path(token): Path<String>,
    Form(form): Form<LouderForm>,
) -> PageAnswer {
    let (take, loaded) = load(&app, &token).await?;
    let render = louder::start(&app, &loaded, &take, &form.section).await?;
    Ok(go_to(&format!("/receipt/{token}/louder/{}", render.id)))
}

/// The sound, or how far it is.
pub async fn show(
    State(app): State<AppState>,
    Path((token, id)): Path<(String, String)>,
) -> PageAnswer {
    let (take, loaded) = load(&app, &token).await?;
    let render = louder::find(&app, &take, &id).await?;
    let section = render.request["sections"][0].as_str().unwrap_or_default();
    let going = matches!(render.state, RenderState::Queued | RenderState::Rendering);
    let body = LouderBody::of(&render, &token);
    let main = html! {
        h1 { "Your take in the crowd" }
        p.lead { (section) ", from " (loaded.record.title) ", with your take a little louder." }
        @if let Some(sound) = &body.sound {
            audio controls src=(sound) aria-label="Your take in the crowd" {}
        } @else if going {
            p role="status" { "It is being mixed. This page looks again by itself." }
            progress max="1" value=(body.progress) aria-label="How far it is" {}
        } @else {
            p { "It could not be mixed just now. Your take is safe; try again in a while." }
        }
        p { a href={ "/receipt/" (token) } { "Back to your take" } }
    };
    let page = Page {
        title: "Your take in the crowd",
        scripts: &[],
        links: html! {},
        private: true,
        refresh_s: going.then_some(2),
        main,
    };
    Ok(page.answer(StatusCode::OK))
}
