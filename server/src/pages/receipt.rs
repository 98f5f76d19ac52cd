//! The receipt: a contributor's own page for a take.

use axum::Form;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use maud::{Markup, html};
use ripieno_score::{TakeForm, TakeState};
use ripieno_store::Take;
use serde::Deserialize;

use super::layout::{Page, PageAnswer, go_to};
use super::wave::{Lies, has_flags, wave};
use super::words;
use crate::clock::now_us;
use crate::http::extract::Path;
use crate::http::pieces::{self, LoadedPiece};
use crate::http::problem::{Answer, Problem};
use crate::http::receipts::{self, CandidateBody};
use crate::http::renders::preview;
use crate::http::takes::correction::{self, CorrectionBody};
use crate::http::{App, AppState};

/// What is sent to answer a question or to nudge, as a plain form.
#[derive(Debug, Default, Deserialize)]
pub struct AnswerForm {
    candidate: Option<String>,
    bar1_beat1_s: Option<String>,
    nudge_ms: Option<String>,
    nudge_beats: Option<String>,
    state: Option<String>,
}

impl AnswerForm {
    /// As the interface takes it; a nudge in beats is told in milliseconds of the piece's tempo.
    ///
    /// # Errors
    /// 400 for what is no number.
    pub fn to_correction(&self, piece: &ripieno_score::Piece) -> Answer<CorrectionBody> {
        let given = |text: &Option<String>| {
            text.as_deref().map(str::trim).filter(|t| !t.is_empty()).map(str::to_owned)
        };
        let number = |text: &Option<String>| -> Answer<Option<f64>> {
            let Some(text) = given(text) else { return Ok(None) };
            // A decimal comma is what many keyboards give.
            let read = text.replace(',', ".").replace('\u{2212}', "-").parse::<f64>();
            read.map(Some)
                .map_err(|_| Problem::bad_request(format!("“{text}” is no number to nudge by.")))
        };
        let beat_ms = piece.tempo.beat_length_s(ripieno_score::Position::bar_start(1)) * 1000.0;
        let beats = number(&self.nudge_beats)?.map(|beats| beats * beat_ms);
        let nudge_ms = match (number(&self.nudge_ms)?, beats) {
            (None, None) => None,
            (ms, beats) => Some(ms.unwrap_or_default() + beats.unwrap_or_default()),
        };
        let candidate =
            match given(&self.candidate) {
                None => None,
                Some(text) => Some(text.parse().map_err(|_| {
                    Problem::bad_request("Choose one of the places that are offered.")
                })?),
            };
        let bar1_beat1_s = number(&self.bar1_beat1_s)?;
        Ok(CorrectionBody { candidate, bar1_beat1_s, nudge_ms, state: given(&self.state) })
    }
}

struct Receipt<'a> {
    app: &'a App,
    token: &'a str,
    take: &'a Take,
    loaded: &'a LoadedPiece,
}

/// The receipt.
pub async fn receipt(State(app): State<AppState>, Path(token): Path<String>) -> PageAnswer {
    let take = receipts::load(&app, &token).await?;
    let record = app.store.piece(&take.piece_id).await?;
    let loaded = pieces::load_record(&app, record).await?;
    let receipt = Receipt { app: &app, token: &token, take: &take, loaded: &loaded };
    Ok(receipt.show().await?)
}

/// An answer by plain form, then the receipt again.
pub async fn answer(
    State(app): State<AppState>,
    Path(token): Path<String>,
    Form(form): Form<AnswerForm>,
) -> PageAnswer {
    let take = receipts::load(&app, &token).await?;
    let record = app.store.piece(&take.piece_id).await?;
    let loaded = pieces::load_record(&app, record).await?;
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
    async fn show(&self) -> Answer<Response> {
        let slug = &self.loaded.record.slug;
        let state = self.take.state;
        let waiting = matches!(state, TakeState::Received | TakeState::Conforming);
        let here = state != TakeState::Withdrawn;
        let heard = preview::newest_to_hear(self.app, &self.loaded.record.id).await?;
        let main = html! {
            h1 { "Your take for " (self.loaded.record.title) }
            div #verdict role="status" data-token=(self.token) data-state=(state.word())
                data-changed=(self.take.updated_at) {
                p.lead { (words::state(state)) }
                p { (receipts::in_words(state)) }
            }
            @if self.take.replaced_by.is_some() {
                p.notice.calm { "A newer recording of yours has taken this one's place." }
            }
            @if here {
                (self.findings())
                (self.picture())
                (self.choice())
                (self.listen(heard.as_ref().map(|(render, _)| {
                    (render.id.as_str(), preview::starts_at_s(render))
                })))
                (self.nudge())
                (self.yours())
            }
        };
        let title = format!("Your take – {}", self.loaded.record.title);
        let links = html! { a href={ "/" (slug) } { (self.loaded.record.title) } };
        let refresh_s = waiting.then_some(4);
        let scripts = &["receipt.js"];
        Ok(Page { title: &title, scripts, links, private: true, refresh_s, main }
            .answer(StatusCode::OK))
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
                h2 { "Your recording on the piece" }
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

    /// The places to choose from by ear, or where to say the place when there is none to offer.
    fn choice(&self) -> Markup {
        if self.take.state != TakeState::Asks {
            return html! {};
        }
        let candidates = receipts::candidates(self.take);
        if candidates.is_empty() {
            return self.own_place();
        }
        let certain = |c: &CandidateBody| (c.odds * 100.0).round().clamp(1.0, 99.0);
        html! {
            section.sheet {
                h2 { "Which one is right?" }
                p { "We could not tell for sure where your playing begins. Listen to each place "
                    "together with the guide, then choose the one that fits." }
                form method="post" action={ "/receipt/" (self.token) "/answer" } {
                    fieldset {
                        legend { "Places" }
                        @for candidate in &candidates {
                            div.row {
                                label.tick {
                                    input type="radio" name="candidate" required
                                        value=(candidate.number);
                                    span { "Bar 1 at " (exact_minutes(candidate.bar1_beat1_s))
                                        " of your recording ("
                                        (certain(candidate)) " in 100 by our reckoning)" }
                                }
                                button.quiet.only-script type="button" data-try
                                    data-bar1=(candidate.bar1_beat1_s) {
                                    "Listen to this place"
                                }
                            }
                        }
                    }
                    button type="submit" { "This one is right" }
                }
            }
        }
    }

    /// For a take that fits nowhere by itself: its player can say where bar 1 begins.
    fn own_place(&self) -> Markup {
        html! {
            section.sheet {
                h2 { "Where does the piece begin in your recording?" }
                p { "Listen to your recording and note the second at which you play the first "
                    "beat of bar 1, or where it would be if you join in later. You can nudge it "
                    "afterwards." }
                form method="post" action={ "/receipt/" (self.token) "/answer" } {
                    label for="f-place" { "Seconds from the start of the file" }
                    input #f-place type="number" name="bar1_beat1_s" step="0.001" required
                        inputmode="decimal";
                    p.row { button type="submit" { "Bar 1 begins there" } }
                }
            }
        }
    }

    fn listen(&self, preview: Option<(&str, f64)>) -> Markup {
        let slug = &self.loaded.record.slug;
        let lies = Lies::of(&self.take.outcome);
        html! {
            section.sheet #listen
                data-recording={ "/api/v1/receipts/" (self.token) "/recording" }
                data-guide={ "/api/v1/pieces/" (slug) "/pack/guide.wav" }
                data-marks={ "/api/v1/pieces/" (slug) "/pack/marks.json" }
                data-bar1=[lies.map(|l| l.bar1_beat1_s)]
                data-ratio-ppm=[lies.map(|l| l.ratio_ppm)]
                data-crowd=[preview.map(|(id, _)| format!("/api/v1/pieces/{slug}/preview?of={id}"))]
                data-crowd-starts=[preview.map(|(_, starts_s)| starts_s)] {
                h2 { "Listen" }
                h3 { "Your recording alone" }
                audio controls preload="none"
                    src={ "/api/v1/receipts/" (self.token) "/recording" }
                    aria-label="Your recording alone" {}
                @if lies.is_some() {
                    div.only-script {
                        h3 { "Together" }
                        label for="from" { "From" }
                        select #from {
                            @for section in &self.loaded.piece.sections {
                                @let (from_s, _) = self.loaded.piece.section_seconds(section);
                                option value=(from_s) { (section.name) }
                            }
                        }
                        p.row {
                            button.quiet type="button" data-together="guide" {
                                "Against the guide" }
                            @if preview.is_some() {
                                button.quiet type="button" data-together="crowd" {
                                    "A little louder in the crowd" }
                            }
                            button.quiet type="button" data-stop disabled { "Stop" }
                        }
                        p #listen-says role="status" {}
                    }
                }
            }
        }
    }

    fn nudge(&self) -> Markup {
        if self.take.state != TakeState::Placed && self.take.state != TakeState::Asks {
            return html! {};
        }
        let now = self.take.corrections["nudge_ms"].as_f64().unwrap_or_default();
        html! {
            details.sheet open[now != 0.0] {
                summary { "It lies a little early or late? Nudge it" }
                p { "A crowd lives from small differences; nudge only what sounds wrong to you. "
                    "Now: " strong { (now) " ms" } ". A later number makes your take sound later." }
                form method="post" action={ "/receipt/" (self.token) "/answer" } {
                    label for="f-nudge" { "Milliseconds" }
                    input #f-nudge type="number" name="nudge_ms" step="0.1" min="-5000" max="5000"
                        inputmode="decimal" value=(now);
                    label for="f-beats" { "and beats" }
                    input #f-beats type="number" name="nudge_beats" step="0.25" min="-8" max="8"
                        inputmode="decimal" value="0";
                    p.row { button type="submit" { "Nudge" } }
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

/// `1:04.25`.
fn exact_minutes(seconds: f64) -> String {
    let minutes = (seconds / 60.0).floor();
    format!("{minutes:.0}:{:05.2}", seconds - minutes * 60.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_nudge_is_read_as_people_type_it() {
        let piece = ripieno_score::nine_harbours().0;
        let form = |ms: &str, beats: &str| AnswerForm {
            nudge_ms: Some(ms.to_owned()),
            nudge_beats: Some(beats.to_owned()),
            ..AnswerForm::default()
        };
        let nudged = |ms, beats| form(ms, beats).to_correction(&piece).unwrap().nudge_ms;
        assert_eq!(nudged("12,5", ""), Some(12.5));
        assert_eq!(nudged("\u{2212}3", "0"), Some(-3.0));
        assert_eq!(nudged("", ""), None);
        let beat = nudged("", "1").unwrap();
        assert!((beat - 60_000.0 / 132.0).abs() < 1e-6, "{beat}");
        assert!(form("soon", "").to_correction(&piece).is_err());
    }
}
