//! One take at the desk: what was found, with figures, and the answers to what it asks.

use axum::Form;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use maud::{Markup, html};
use ripieno_score::TakeState;
use ripieno_store::{Take, Which};

use super::links;
use super::renders::louder_form;
use crate::clock::now_us;
use crate::http::App;
use crate::http::AppState;
use crate::http::extract::Path;
use crate::http::identity::Organiser;
use crate::http::pieces::{self, LoadedPiece};
use crate::http::problem::{Answer, Problem};
use crate::http::receipts;
use crate::http::takes::{self, correction};
use crate::pages::layout::{Page, PageAnswer, go_to};
use crate::pages::listen::Listen;
use crate::pages::receipt::answer::{AnswerForm, try_button};
use crate::pages::receipt::weight;
use crate::pages::strip::round;
use crate::pages::wave::{Lies, wave};
use crate::pages::words;

async fn load(app: &App, slug: &str, id: &str) -> Answer<(LoadedPiece, Take)> {
    let loaded = pieces::load(app, slug).await?;
    let take = takes::load(app, id).await?;
    match take.piece_id == loaded.record.id {
        true => Ok((loaded, take)),
        false => Err(Problem::not_found("There is no such take in this piece.")),
    }
}

/// The page.
pub async fn take(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path((slug, id)): Path<(String, String)>,
) -> PageAnswer {
    let (loaded, take) = load(&app, &slug, &id).await?;
    let next = next_question(&app, &take).await?;
    // Without a stem it must be laid somewhere first.
    let usable = app.store.stem(&take.id).await?.is_some();
    Ok(show(&loaded, &take, usable, next.as_deref()))
}

/// The organiser's answer.
pub async fn answer(
    State(app): State<AppState>,
    organiser: Organiser,
    Path((slug, id)): Path<(String, String)>,
    Form(form): Form<AnswerForm>,
) -> PageAnswer {
    let (loaded, take) = load(&app, &slug, &id).await?;
    let wish = form.to_correction(&loaded.piece)?;
    correction::apply(&app, &take, &wish, Some(&organiser.name)).await?;
    Ok(go_to(&format!("/desk/{slug}/take/{id}")))
}

/// Withdraws the take for its contributor.
pub async fn withdraw(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path((slug, id)): Path<(String, String)>,
) -> PageAnswer {
    load(&app, &slug, &id).await?;
    app.store.withdraw_take(&id, "organiser", now_us()).await?;
    Ok(go_to(&format!("/desk/{slug}/take/{id}")))
}

/// The next take that asks, in order of arrival and then from the start, so that the organiser can
/// go through all of them.
async fn next_question(app: &App, take: &Take) -> Answer<Option<String>> {
    for after in [Some(take.id.as_str()), None] {
        let asks = Which::Standing(TakeState::Asks);
        let found = app.store.list_takes(&take.piece_id, asks, after, 1).await?;
        if let Some(next) = found.into_iter().find(|next| next.id != take.id) {
            return Ok(Some(next.id));
        }
    }
    Ok(None)
}

fn show(loaded: &LoadedPiece, take: &Take, usable: bool, next: Option<&str>) -> Response {
    let slug = &loaded.record.slug;
    let name = take.form["name"].as_str().unwrap_or("(withdrawn)");
    let here = format!("/desk/{slug}/take/{}", take.id);
    let waiting = matches!(take.state, TakeState::Received | TakeState::Conforming);
    let main = html! {
        p.row {
            a href={ "/desk/" (slug) } { "All takes of " (loaded.record.title) }
            @if let Some(next) = next {
                a href={ "/desk/" (slug) "/take/" (next) } { "Next take with a question" }
            }
        }
        h1 { bdi { (name) } }
        p.lead role="status" data-take=[waiting.then_some(&take.id)] { (words::standing(take)) }
        @if let Some(later) = &take.replaced_by {
            p { "A later take stands in for it: "
                a href={ "/desk/" (slug) "/take/" (later) } { "the later take" } "." }
        }
        @if let Some(earlier) = &take.replaces {
            p { "Sent in place of "
                a href={ "/desk/" (slug) "/take/" (earlier) } { "an earlier take" } "." }
        }
        @if take.state != TakeState::Withdrawn {
            (findings(take))
            @if !take.plots.is_null() {
                section.sheet {
                    h2 { "On the piece" }
                    (wave(&take.plots, &loaded.piece, Lies::of(&take.outcome), &take.findings))
                }
            }
            (listen(loaded, take))
            @if take.sounds() {
                section.sheet { (louder_form(loaded, &take.id)) }
            }
            (answers(take, usable, &here))
            (form_facts(take))
            form method="post" action={ (here) "/withdraw" }
                data-confirm="Withdraw this take and delete its recording? This cannot be undone." {
                button.grave type="submit" { "Withdraw and delete" }
            }
        }
    };
    let title = format!("{name} – desk");
    Page {
        title: &title,
        scripts: &["listen.js", "desk.js"],
        links: links(),
        private: true,
        refresh_s: waiting.then_some(3),
        main,
    }
    .answer(StatusCode::OK)
}

fn findings(take: &Take) -> Markup {
    let all = take.findings.as_array().map_or(&[][..], Vec::as_slice);
    let text = |f: &serde_json::Value, name: &str| f[name].as_str().unwrap_or_default().to_owned();
    html! {
        section.sheet {
            h2 { "What was found" }
            @if all.is_empty() { p { "Nothing that needs saying." } }
            ul.findings {
                @for finding in all {
                    li class=(text(finding, "severity")) {
                        span.weight { (weight(&text(finding, "severity"))) }
                        (text(finding, "says"))
                        span.hint { (figure(finding)) }
                    }
                }
            }
            (figures(take))
        }
    }
}

/// A finding's name and figure, for whoever wants to look it up.
fn figure(finding: &serde_json::Value) -> String {
    let text = |name: &str| finding[name].as_str().unwrap_or_default();
    let code = text("code").replace('_', " ");
    match finding["value"].as_f64() {
        Some(value) => format!("{code}: {} {}", round(value), text("unit")).trim_end().to_owned(),
        None => code,
    }
}

fn listen(loaded: &LoadedPiece, take: &Take) -> Markup {
    Listen {
        recording: &format!("/api/v1/takes/{}/recording", take.id),
        whose: "The recording alone",
        take,
        loaded,
        louder: None,
    }
    .show()
}

fn figures(take: &Take) -> Markup {
    let rows = [
        ("Bar 1 beat 1 in the file", "bar1_beat1_s", "bar1_beat1_sd_s", "s", 4),
        ("Runs slow by (minus: fast)", "ratio_ppm", "ratio_sd_ppm", "ppm", 1),
        ("Plays late by (minus: early)", "lag_ms", "lag_sd_ms", "ms", 1),
        ("Spread of its onsets", "spread_ms", "", "ms", 1),
    ];
    html! {
        dl.facts {
            @for (label, value, sd, unit, places) in rows {
                @if let Some(value) = take.outcome[value].as_f64() {
                    dt { (label) }
                    dd.number { (format!("{value:.places$}")) " " (unit)
                        @if let Some(sd) = take.outcome[sd].as_f64() {
                            " ± " (format!("{sd:.places$}"))
                        }
                    }
                }
            }
        }
    }
}

fn answers(take: &Take, usable: bool, here: &str) -> Markup {
    let candidates = receipts::candidates(take);
    let nudge = take.corrections["nudge_ms"].as_f64().unwrap_or_default();
    html! {
        section.sheet {
            h2 { "Your word on it" }
            @if !candidates.is_empty() {
                form method="post" action={ (here) "/answer" } {
                    fieldset {
                        legend { "Where bar 1 beat 1 lies" }
                        @for candidate in &candidates {
                            div.row {
                                label.tick {
                                    input type="radio" name="candidate" required
                                        value=(candidate.number);
                                    span.number { (format!("{:.3}", candidate.bar1_beat1_s))
                                        " s, " (odds(candidate.odds)) }
                                }
                                (try_button(candidate))
                            }
                        }
                    }
                    p.row { button type="submit" { "Lay it there" } }
                }
            }
            form method="post" action={ (here) "/answer" } {
                label for="f-nudge" { "Nudge, in milliseconds; later is positive" }
                input #f-nudge type="number" name="nudge_ms" step="0.1" min="-5000" max="5000"
                    value=(nudge);
                p.row { button.quiet type="submit" { "Nudge" } }
            }
            form method="post" action={ (here) "/answer" } {
                p.row {
                    @if usable && take.state != TakeState::Placed {
                        button.quiet type="submit" name="state" value="placed" { "Use it" }
                    }
                    @if take.state != TakeState::Unusable {
                        button.quiet type="submit" name="state" value="unusable" { "Leave it out" }
                    }
                }
            }
        }
    }
}

/// How likely a place is, in words that do not call the unlikely impossible.
fn odds(odds: f64) -> String {
    match odds {
        odds if odds < 0.01 => "less than 1 % likely".to_owned(),
        odds => format!("{:.0} % likely", odds.min(0.99) * 100.0),
    }
}

fn form_facts(take: &Take) -> Markup {
    let rows = [
        ("Credit line", "credit"),
        ("Instrument", "instrument"),
        ("Family", "family"),
        ("Register", "register"),
        ("Place", "place"),
        ("Institution", "institution"),
        ("E-mail", "email"),
    ];
    let consents = &take.form["consents"];
    let ticked = |name: &str| consents[name].as_bool() == Some(true);
    html! {
        section.sheet {
            h2 { "The form" }
            dl.facts {
                @for (label, name) in rows {
                    @if let Some(text) = take.form[name].as_str().filter(|t| !t.is_empty()) {
                        dt { (label) } dd { bdi { (text) } }
                    }
                }
                @if let Some(players) = take.form["players"].as_u64() {
                    dt { "Players" } dd { (players) }
                }
                dt { "May be named" } dd { @if ticked("credit") { "yes" } @else { "no" } }
                @if ticked("minor") {
                    dt { "Under age; agreed by" }
                    dd { bdi { (consents["guardian"].as_str().unwrap_or_default()) } }
                }
                dt { "Id, for the arrangement map" } dd { code { (take.id) } }
                dt { "File" } dd { bdi { (take.file_name) } }
                dt { "Arrived" } dd { (words::instant(take.created_at)) }
            }
        }
    }
}
