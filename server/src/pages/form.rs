//! The form: hand in a recording, by a plain form or, with scripts, in resumable parts.

use axum::body::Body;
use axum::extract::State;
use axum::http::{HeaderValue, Request, StatusCode, header};
use axum::response::Response;
use maud::{Markup, html};
use ripieno_score::families;
use serde::Deserialize;

use super::layout::{Page, PageAnswer, PageProblem, go_to};
use crate::http::extract::{Path, Query};
use crate::http::identity::Client;
use crate::http::pieces::{self, LoadedPiece};
use crate::http::problem::{MistakeBody, Problem};
use crate::http::takes::admission;
use crate::http::takes::upload::{self, HandedIn};
use crate::http::{App, AppState};

/// What the form is opened with.
#[derive(Debug, Deserialize)]
pub struct Opened {
    /// The receipt's token of a take to replace.
    replaces: Option<String>,
}

/// The form as it is shown: what was typed, and what is wrong with it.
#[derive(Default)]
struct Shown {
    fields: Vec<(String, String)>,
    mistakes: Vec<MistakeBody>,
    detail: Option<String>,
}

impl Shown {
    fn value(&self, name: &str) -> &str {
        self.fields.iter().find(|(n, _)| n == name).map_or("", |(_, v)| v)
    }

    fn mistake(&self, name: &str) -> Option<&MistakeBody> {
        let pointer = format!("/{name}");
        self.mistakes.iter().find(|m| m.pointer.as_deref() == Some(&pointer))
    }
}

/// The empty form.
pub async fn form(
    State(app): State<AppState>,
    Path(slug): Path<String>,
    Query(opened): Query<Opened>,
) -> PageAnswer {
    let loaded = pieces::load(&app, &slug).await?;
    admission::refuse_if_closed(&loaded)?;
    admission::refuse_if_full(&app, &loaded).await?;
    let mut fields = vec![("submission".to_owned(), nonce()?)];
    if let Some(token) = opened.replaces {
        // What was said of the earlier take is a good start for this one.
        if let Some(take) = app.store.take_by_receipt(&token).await? {
            fields.extend(earlier_answers(&take.form));
        }
        fields.push(("replaces".to_owned(), token));
    }
    let shown = Shown { fields, ..Shown::default() };
    let mut response = page(&app, &loaded, &shown, StatusCode::OK);
    if shown.value("replaces").is_empty() {
        // Going back after sending must bring the same form back, so that sending it again is seen
        // to be the same submission. A form sent to its own address would not be kept either.
        let kept = HeaderValue::from_static("private, no-cache");
        response.headers_mut().insert(header::CACHE_CONTROL, kept);
    }
    Ok(response)
}

fn earlier_answers(form: &serde_json::Value) -> Vec<(String, String)> {
    let names =
        ["name", "credit", "instrument", "family", "register", "place", "institution", "email"];
    let text = |name: &str| form[name].as_str().map(|v| (name.to_owned(), v.to_owned()));
    let mut fields: Vec<_> = names.iter().filter_map(|name| text(name)).collect();
    if let Some(players) = form["players"].as_u64() {
        fields.push(("players".to_owned(), players.to_string()));
    }
    fields
}

/// A random text made once for each form shown, so that sending it twice makes one take.
fn nonce() -> Result<String, Problem> {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes).map_err(|_| Problem::internal())?;
    Ok(bytes.iter().map(|b| format!("{b:02x}")).collect())
}

/// For whoever comes to the address that forms are sent to.
pub async fn back_to_the_form(Path(slug): Path<String>) -> Response {
    go_to(&format!("/{slug}/take"))
}

/// The form sent without scripts: on to the receipt, or the form again with its mistakes.
pub async fn hand_in(
    State(app): State<AppState>,
    client: Client,
    Path(slug): Path<String>,
    request: Request<Body>,
) -> PageAnswer {
    let back = |problem| PageProblem::back_to(problem, format!("/{slug}/take"));
    let (loaded, sent) = match upload::receive(&app, client, &slug, request).await {
        Ok(received) => received,
        // Not for what no second try can change.
        Err(problem) if matches!(problem.status().as_u16(), 403 | 404) => {
            return Err(problem.into());
        }
        Err(problem) => return Err(back(problem)),
    };
    let fields = sent.fields.clone();
    match upload::keep(&app, &loaded, sent, None, true).await {
        Ok(made) => match made.as_slice() {
            [one] => Ok(go_to(&format!("/receipt/{}", one.receipt_token))),
            several => Ok(receipts_page(&loaded, several)),
        },
        Err(problem) if problem.status() == StatusCode::UNPROCESSABLE_ENTITY => {
            let (status, body) = (problem.status(), problem.into_body());
            let detail = body.mistakes.is_empty().then(|| body.detail.clone());
            let shown = Shown { fields, mistakes: body.mistakes, detail };
            Ok(page(&app, &loaded, &shown, status))
        }
        Err(problem) => Err(back(problem)),
    }
}

fn receipts_page(loaded: &LoadedPiece, made: &[HandedIn]) -> Response {
    let main = html! {
        h1 { "Your recordings are here" }
        p.lead { "Each has a page of its own. Keep these links: nobody else has them." }
        ul {
            @for (index, one) in made.iter().enumerate() {
                li { a href={ "/receipt/" (one.receipt_token) } { "Recording " (index + 1) } }
            }
        }
    };
    let links = html! { a href={ "/" (loaded.record.slug) } { (loaded.record.title) } };
    let title = "Your recordings";
    Page { title, scripts: &[], links, private: true, refresh_s: None, main }
        .answer(StatusCode::CREATED)
}

fn page(app: &App, loaded: &LoadedPiece, shown: &Shown, status: StatusCode) -> Response {
    let slug = &loaded.record.slug;
    let title = format!("Send a recording – {}", loaded.record.title);
    let main = html! {
        h1 { "Send a recording" }
        p.lead { "For " a href={ "/" (slug) } { (loaded.record.title) } ". "
            "Fields marked " span aria-hidden="true" { "*" } span.soft { " (needed)" }
            " must be filled in." }
        (summary(shown))
        form #take method="post" action={ "/" (slug) "/take/send" } enctype="multipart/form-data"
            data-piece=(slug) data-check={ "/api/v1/pieces/" (slug) "/form" }
            data-takes={ "/api/v1/pieces/" (slug) "/takes" } data-uploads="/uploads"
            data-most-bytes=(app.config.max_upload_bytes) {
            input type="hidden" name="submission" value=(shown.value("submission"));
            input type="hidden" name="consent_version" value=(loaded.piece.consent_wording.version);
            @if !shown.value("replaces").is_empty() {
                input type="hidden" name="replaces" value=(shown.value("replaces"));
                p.notice.calm { "This recording will take the place of the one you sent before, "
                    "as soon as it is in the mix." }
            }
            (recording(loaded, shown))
            (about_you(shown))
            (consents(loaded, shown))
            p { button type="submit" { "Hand in" } }
        }
        section #sending.sheet hidden aria-labelledby="sending-title" {
            h2 #sending-title tabindex="-1" { "On its way" }
            p #sending-says role="status" {}
            ul.sending {}
        }
    };
    let links = html! { a href={ "/" (slug) } { "Back to the call" } };
    Page { title: &title, scripts: &["form.js"], links, private: true, refresh_s: None, main }
        .answer(status)
}

fn summary(shown: &Shown) -> Markup {
    html! {
        div #mistakes.notice role="alert" hidden[shown.mistakes.is_empty() && shown.detail.is_none()] {
            p { strong { "Something needs to be put right." }
                span.only-plain { " Nothing was sent; choose your file once more when the rest is "
                    "in order." } }
            @if let Some(detail) = &shown.detail { p { (detail) } }
            ul {
                @for mistake in &shown.mistakes {
                    @let field = mistake.pointer.as_deref().unwrap_or("").trim_start_matches('/');
                    li { a href={ "#f-" (field) } { (sentence(mistake)) } }
                }
            }
        }
    }
}

fn sentence(mistake: &MistakeBody) -> String {
    let mut what = mistake.what.clone();
    if let Some(first) = what.get_mut(0..1) {
        first.make_ascii_uppercase();
    }
    format!("{what}; {}.", mistake.instead)
}

/// The file, by picker, by dropping, or by the microphone.
fn recording(loaded: &LoadedPiece, shown: &Shown) -> Markup {
    let guide = format!("/api/v1/pieces/{}/pack/guide.wav", loaded.record.slug);
    html! {
        fieldset.sheet {
            legend { "Your recording" }
            div.drop {
                label for="f-recording" { "Sound file *"
                    span.hint { "WAV, FLAC, M4A, MP3, Opus, AIFF or a phone's video; as it came "
                        "from the recorder, with the opening mark in it, without effects." }
                }
                input #f-recording type="file" name="recording" multiple required
                    accept="audio/*,video/*,.wav,.flac,.m4a,.mp3,.ogg,.opus,.aif,.aiff,.caf,.webm"
                    aria-invalid=[wrong(shown, "recording")]
                    aria-describedby=[wrong(shown, "recording").map(|_| "e-recording")];
                (error(shown, "recording"))
                p.hint.only-script { "You can also drop files here. Several files become several "
                    "takes." }
                ul #chosen {}
            }
            details.only-script #recorder {
                summary { "Or record here, with this device's microphone" }
                p { "Wear headphones, keep the volume low, and leave the guide playing to its "
                    "end. The recording stays on this device until you hand it in." }
                audio data-guide controls preload="none" src=(guide) aria-label="The guide" {}
                label.tick { input type="checkbox" data-with-guide checked; span {
                    "Start the guide together with the recording" } }
                label for="level" { "Microphone level" }
                meter.meter #level min="-60" max="0" low="-40" high="-3" optimum="-12" value="-60" {}
                p.row {
                    button type="button" data-start { "Start recording" }
                    button.quiet type="button" data-stop disabled { "Stop" }
                }
                p data-says role="status" {}
            }
        }
    }
}

fn about_you(shown: &Shown) -> Markup {
    html! {
        fieldset.sheet {
            legend { "About you" }
            (line(shown, "name", "Your name", "Only the organiser sees it.", true, "name"))
            (line(shown, "credit", "Credit line", "How the credits shall name you. Your name if \
                you leave it empty.", false, "off"))
            (line(shown, "instrument", "Instrument", "In your own words: “two-row melodeon”, \
                “three oil drums”, “choir of nine”.", true, "off"))
            datalist #instruments {
                @for name in families().iter().flat_map(|f| f.instruments()) { option value=(name) {} }
            }
            label for="f-family" { "Family" span.hint { "Leave it to us if you are not sure." } }
            select #f-family name="family" {
                option value="" { "Guess from the instrument" }
                @for family in families() {
                    option value=(family.key) selected[shown.value("family") == family.key] {
                        (family.label)
                    }
                }
            }
            label for="f-players" { "How many are playing" }
            input #f-players type="number" name="players" min="1" max="5000" inputmode="numeric"
                value=(match shown.value("players") { "" => "1", given => given })
                aria-invalid=[wrong(shown, "players")];
            (error(shown, "players"))
            (line(shown, "place", "Town or region", "", false, "address-level2"))
            (line(shown, "institution", "School, choir, club", "", false, "organization"))
            label for="f-email" { "E-mail"
                span.hint { "Only for questions about this recording. Never shown to anybody but "
                    "the organiser." } }
            input #f-email type="email" name="email" autocomplete="email"
                value=(shown.value("email")) aria-invalid=[wrong(shown, "email")];
            (error(shown, "email"))
        }
    }
}

/// As many characters as the form's check allows.
fn most_chars(name: &str) -> u32 {
    if matches!(name, "credit" | "institution") { 200 } else { 120 }
}

/// One line of text with its label, hint and mistake.
fn line(
    shown: &Shown,
    name: &str,
    label: &str,
    hint: &str,
    needed: bool,
    autocomplete: &str,
) -> Markup {
    let list = (name == "instrument").then_some("instruments");
    html! {
        label for={ "f-" (name) } {
            (label) @if needed { " *" }
            @if !hint.is_empty() { span.hint { (hint) } }
        }
        input id={ "f-" (name) } type="text" name=(name) maxlength=(most_chars(name)) required[needed]
            dir="auto"
            autocomplete=(autocomplete) list=[list] value=(shown.value(name))
            aria-invalid=[wrong(shown, name)]
            aria-describedby=[wrong(shown, name).map(|_| format!("e-{name}"))];
        (error(shown, name))
    }
}

fn consents(loaded: &LoadedPiece, shown: &Shown) -> Markup {
    let wording = &loaded.piece.consent_wording;
    html! {
        fieldset.sheet {
            legend { "What you agree to" }
            label.tick for="f-consent_recording" {
                input #f-consent_recording type="checkbox" name="consent_recording" value="on"
                    required aria-invalid=[wrong(shown, "consent_recording")];
                span { (wording.recording) " *" }
            }
            (error(shown, "consent_recording"))
            label.tick for="f-consent_credit" {
                input #f-consent_credit type="checkbox" name="consent_credit" value="on"
                    checked[shown.value("consent_credit") == "on"];
                span { (wording.credit) }
            }
            label.tick for="f-minor" {
                input #f-minor type="checkbox" name="minor" value="on"
                    checked[shown.value("minor") == "on"];
                span { "The player, or one of them, is under age where they live." }
            }
            div #guardian {
                label for="f-guardian" { "Parent or guardian"
                    span.hint { "Needed if the player is under age. They read this form and write "
                        "their own name: " (wording.guardian) } }
                input #f-guardian type="text" name="guardian" maxlength="120" dir="auto"
                    autocomplete="off" value=(shown.value("guardian"))
                    aria-invalid=[wrong(shown, "guardian")];
                (error(shown, "guardian"))
            }
            p.soft { "You can withdraw at any time from your receipt: the recording is deleted, "
                "and every later mix is without it. The law where you live comes first. "
                "(Wording " (wording.version) ")" }
        }
    }
}

fn wrong(shown: &Shown, name: &str) -> Option<&'static str> {
    shown.mistake(name).map(|_| "true")
}

fn error(shown: &Shown, name: &str) -> Markup {
    html! {
        span.wrong id={ "e-" (name) } {
            @if let Some(mistake) = shown.mistake(name) { (sentence(mistake)) }
        }
    }
}
