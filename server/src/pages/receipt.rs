//! The receipt: a contributor's own page for a take.

pub mod answer;
pub mod louder;

use super::layout::{Page, PageAnswer, go_to};
use super::listen::Listen;
use super::wave::{Lies, has_flags, wave};
use super::words;
use crate::clock::now_us;
use crate::http::extract::Path;
use crate::http::pieces::{self, LoadedPiece};
use crate::http::problem::Answer;
use crate::http::receipts;
use crate::http::takes::correction;
use crate::http::{App, AppState};
use answer::AnswerForm;
use axum::Form;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use maud::{Markup, html};
use ripieno_score::{TakeForm, TakeState};
use ripieno_store::Take;

struct Receipt<'a> {
    token: &'a str,
    take: &'a Take,
    loaded: &'a LoadedPiece,
}

/// A take by its receipt's token, with its piece.
async fn load(app: &App, token: &str) -> Answer<(Take, LoadedPiece)> {
    let take = receipts::load(app, token).await?;
    let record = app.store.piece(&take.piece_id).await?;
    Ok((take, pieces::load_record(app, record).await?))
}

/// The receipt.
pub async fn receipt(State(app): State<AppState>, Path(token): Path<String>) -> PageAnswer {
    let (take, loaded) = load(&app, &token).await?;
    Ok(Receipt { token: &token, take: &take, loaded: &loaded }.show())
}

/// An answer by plain form, then the receipt again.
pub async fn answer(
    State(app): State<AppState>,
    Path(token): Path<String>,
    Form(form): Form<AnswerForm>,
) -> PageAnswer {
    let (take, loaded) = load(&app, &token).await?;
    let wish = form.to_correction(&loaded.piece)?;
    correction::apply(&app, &take, &wish, None).await?;
    Ok(go_to(&format!("/receipt/{token}")))
}

/// Asks once more before a take is withdrawn.
pub async fn ask_withdraw(State(app): State<AppState>, Path(token): Path<String>) -> PageAnswer {
    let take = receipts::load(&app, &token).await?;
    let here = format!("/receipt/{token}");
    let main = html! {
        h1 { "Withdraw this take?" }
        p.lead { "The recording " strong { bdi { (take.file_name) } } " is deleted at once and "
            "cannot be brought back by us. Every mix made from now on is without it, to the last "
            "bit. What stays is a note that a take was withdrawn, without your name." }
        form.row method="post" action={ (here) "/withdraw" } {
            button.grave type="submit" { "Withdraw and delete" }
            a.button.quiet href=(here) { "Keep it" }
        }
    };
    Ok(plain("Withdraw this take?", main))
}

/// Withdraws, then the receipt, which is a tombstone now.
pub async fn withdraw(State(app): State<AppState>, Path(token): Path<String>) -> PageAnswer {
    let take = receipts::load(&app, &token).await?;
    app.store.withdraw_take(&take.id, "contributor", now_us()).await?;
    Ok(go_to(&format!("/receipt/{token}")))
}

fn plain(title: &str, main: Markup) -> Response {
    let links = html! {};
    Page { title, scripts: &[], links, private: true, refresh_s: None, main }.answer(StatusCode::OK)
}

impl Receipt<'_> {
    fn show(&self) -> Response {
        let slug = &self.loaded.record.slug;
        let state = self.take.state;
        let waiting = matches!(state, TakeState::Received | TakeState::Conforming);
        let here = state != TakeState::Withdrawn;
        let to = format!("/receipt/{}/answer", self.token);
        let main = html! {
            h1 { "Your take for " (self.loaded.record.title) }
            div #verdict role="status" data-token=(self.token) data-state=(state.word())
                data-changed=(self.take.updated_at) {
                p.lead { (words::standing(self.take)) }
                p { (receipts::in_words(self.take)) }
            }
            @if here {
                (self.findings())
                (self.picture())
                (answer::answers(self.take, &to))
                (self.listen())
                (answer::nudge(self.take, &to))
                (self.yours())
            }
        };
        let title = format!("Your take – {}", self.loaded.record.title);
        let links = html! { a href={ "/" (slug) } { (self.loaded.record.title) } };
        let refresh_s = waiting.then(|| self.look_again_s());
        let scripts = &["receipt.js"];
        Page { title: &title, scripts, links, private: true, refresh_s, main }
            .answer(StatusCode::OK)
    }

    /// How soon a page without scripts looks again: most verdicts are there within seconds.
    fn look_again_s(&self) -> u32 {
        let waited_s = now_us().saturating_sub(self.take.updated_at) / 1_000_000;
        if waited_s < 15 { 1 } else { 5 }
    }

    fn listen(&self) -> Markup {
        Listen {
            recording: &format!("/api/v1/receipts/{}/recording", self.token),
            whose: "Your recording alone",
            take: self.take,
            loaded: self.loaded,
            louder: self.take.sounds().then_some(self.token),
        }
        .show()
    }

    fn findings(&self) -> Markup {
        let findings = receipts::findings(self.take);
        if findings.is_empty() {
            return html! {};
        }
        html! {
            section.sheet {
                h2 { "What we heard" }
                ul.findings {
                    @for finding in &findings {
                        li class=(finding.severity) {
                            span.weight { (weight(&finding.severity)) }
                            (finding.says)
                        }
                    }
                }
            }
        }
    }

    fn picture(&self) -> Markup {
        let lies = Lies::of(&self.take.outcome);
        let plots = &self.take.plots;
        if plots.is_null() {
            return html! {};
        }
        html! {
            section.sheet {
                h2 { @if lies.is_some() { "Your recording on the piece" } @else { "Your recording" } }
                (wave(plots, &self.loaded.piece, lies, &self.take.findings))
                p.soft {
                    @if lies.is_some() {
                        "The shades are the sections of the piece, the dashed line is where bar "
                        "1 begins. "
                    }
                    @if has_flags(&self.take.findings) {
                        "Reddish places are those spoken of above."
                    }
                }
            }
        }
    }

    /// What was said, what can be done with it.
    fn yours(&self) -> Markup {
        let form: TakeForm = serde_json::from_value(self.take.form.0.clone()).unwrap_or_default();
        let slug = &self.loaded.record.slug;
        html! {
            section.sheet {
                h2 { "This take is yours" }
                dl.facts {
                    dt { "Credits" }
                    dd { @if form.consents.credit { bdi { (form.credit) } } @else {
                        "You asked not to be named." } }
                    dt { "Instrument" } dd { bdi { (form.instrument) } }
                    dt { "File" } dd { bdi { (self.take.file_name) } }
                    dt { "Arrived" } dd { (words::instant(self.take.created_at)) }
                }
                p { "Keep the address of this page: nobody else has it, and it is the only way "
                    "back to your take." }
                p.row {
                    button.quiet.only-script type="button" data-copy { "Copy this page's address" }
                    @if self.loaded.is_open(now_us()) {
                        a.button.quiet href={ "/" (slug) "/take?replaces=" (self.token) } {
                            "Send a better one" }
                    }
                    a.button.quiet href={ "/api/v1/receipts/" (self.token) "/data" } {
                        "Download all we keep about it" }
                    a.button.grave href={ "/receipt/" (self.token) "/withdraw" } { "Withdraw" }
                }
                p #copied role="status" {}
            }
        }
    }
}

/// How much a finding matters, in words.
#[must_use]
pub fn weight(severity: &str) -> &'static str {
    match severity {
        "unusable" => "This keeps it out of the mix",
        "asks" => "A question",
        "advice" => "For next time",
        _ => "Good to know",
    }
}
