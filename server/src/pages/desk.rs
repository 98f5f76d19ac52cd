//! The desk: the organiser's pages.

pub mod arrangement;
mod crowd;
pub mod door;
mod fields;
pub mod piece;
pub mod renders;
pub mod take;

use axum::Form;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use maud::{Markup, html};
use serde::Deserialize;

use super::layout::{Page, PageAnswer, go_to};
use super::words;
use crate::clock::now_us;
use crate::http::identity::{Client, Organiser, by_token, cookie_away};
use crate::http::pieces;
use crate::http::problem::{Answer, Problem};
use crate::http::security::from_our_pages;
use crate::http::{App, AppState};

/// Takes looked at for one page, to count them or to find some; beyond it they are not seen.
const MOST_TAKES: i64 = 10_000;

/// What is typed to sign in.
#[derive(Debug, Deserialize)]
pub struct SignIn {
    token: String,
}

/// The desk's first page: sign in, or the pieces.
pub async fn front(State(app): State<AppState>, organiser: Option<Signed>) -> PageAnswer {
    match organiser {
        Some(_) => Ok(pieces_page(&app).await?),
        None => Ok(sign_in_page(StatusCode::OK, false)),
    }
}

/// An organiser, for pages that show something else to others.
pub struct Signed;

impl axum::extract::OptionalFromRequestParts<AppState> for Signed {
    type Rejection = Problem;

    async fn from_request_parts(
        parts: &mut axum::http::request::Parts,
        app: &AppState,
    ) -> Result<Option<Self>, Problem> {
        use axum::extract::FromRequestParts;
        match <Organiser as FromRequestParts<AppState>>::from_request_parts(parts, app).await {
            Ok(_) => Ok(Some(Self)),
            Err(problem) if problem.status() == StatusCode::UNAUTHORIZED => Ok(None),
            Err(problem) => Err(problem),
        }
    }
}

fn sign_in_page(status: StatusCode, wrong: bool) -> Response {
    let main = html! {
        h1 { "Desk" }
        p.lead { "For the organiser. The token was printed at the service's first start; it is "
            "kept in the file " code { "organiser.token" } " of the data folder." }
        form.sheet method="post" action="/desk/sign-in" {
            label for="f-token" { "Token" }
            input #f-token type="password" name="token" required autocomplete="current-password"
                aria-invalid=[wrong.then_some("true")]
                aria-describedby=[wrong.then_some("e-token")];
            @if wrong { span.wrong #e-token role="alert" { "This token is not known here." } }
            p { button type="submit" { "Sign in" } }
        }
    };
    let links = html! { a href="/" { "Pieces" } };
    Page { title: "Desk", scripts: &[], links, private: true, refresh_s: None, main }.answer(status)
}

/// Signs a browser in.
pub async fn sign_in(
    State(app): State<AppState>,
    client: Client,
    headers: HeaderMap,
    Form(form): Form<SignIn>,
) -> PageAnswer {
    if !from_our_pages(&headers) {
        return Err(Problem::forbidden("Sign in from this service's own page.").into());
    }
    let Some(organiser) = by_token(&app, &form.token).await? else {
        app.token_tries.check(client.0)?;
        return Ok(sign_in_page(StatusCode::UNAUTHORIZED, true));
    };
    let https = app.config.is_https();
    let cookie = app.seal.cookie(&organiser.id, now_us(), app.config.session_h, https);
    let mut response = go_to("/desk");
    response.headers_mut().insert(header::SET_COOKIE, cookie);
    Ok(response)
}

/// Signs the browser out.
pub async fn sign_out(State(app): State<AppState>, _organiser: Organiser) -> PageAnswer {
    let mut response = go_to("/desk").into_response();
    response.headers_mut().insert(header::SET_COOKIE, cookie_away(app.config.is_https()));
    Ok(response)
}

/// Links at the top of the desk's pages.
#[must_use]
pub fn links() -> Markup {
    html! {
        a href="/desk" { "Desk" }
        form method="post" action="/desk/sign-out" { button.quiet type="submit" { "Sign out" } }
    }
}

async fn pieces_page(app: &App) -> Answer<Response> {
    let mut rows = Vec::new();
    for record in app.store.list_pieces().await? {
        let counts = app.store.count_takes(&record.id).await?;
        rows.push((pieces::load_record(app, record).await?, counts));
    }
    let main = html! {
        h1 { "Desk" }
        @if rows.is_empty() {
            p.lead { "There is no piece yet." }
            p { "Send a piece's document with your token:" }
            pre { code {
                "curl -H \"Authorization: Bearer $TOKEN\" -H 'Content-Type: application/toml' \\\n"
                "     --data-binary @piece.toml " (app.config.public_base()) "/api/v1/pieces"
            } }
        }
        @for (piece, counts) in &rows {
            section.sheet {
                h2 { a href={ "/desk/" (piece.record.slug) } { (piece.record.title) } }
                p {
                    @if counts.is_empty() { "No takes yet." }
                    @for count in counts {
                        (words::state(count.state)) " " (count.takes - count.replaced) " "
                    }
                }
            }
        }
    };
    Ok(Page { title: "Desk", scripts: &[], links: links(), private: true, refresh_s: None, main }
        .answer(StatusCode::OK))
}
