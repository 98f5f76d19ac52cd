//! The frame around every page, and the files it loads.

use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use maud::{DOCTYPE, Markup, html};

use crate::http::problem::Problem;

/// A file of the pages, built into the program.
struct Asset {
    name: &'static str,
    media_type: &'static str,
    text: &'static str,
}

const ASSETS: &[Asset] = &[
    Asset {
        name: "style.css",
        media_type: "text/css; charset=utf-8",
        text: include_str!("assets/style.css"),
    },
    script("page.js", include_str!("assets/page.js")),
    script("call.js", include_str!("assets/call.js")),
    script("form.js", include_str!("assets/form.js")),
    script("recorder.js", include_str!("assets/recorder.js")),
    script("upload.js", include_str!("assets/upload.js")),
    script("listen.js", include_str!("assets/listen.js")),
    script("queue.js", include_str!("assets/queue.js")),
    script("receipt.js", include_str!("assets/receipt.js")),
    script("desk.js", include_str!("assets/desk.js")),
];

const fn script(name: &'static str, text: &'static str) -> Asset {
    Asset { name, media_type: "text/javascript; charset=utf-8", text }
}

/// Which version of the files this program carries; part of their address, so that a browser may
/// keep them for ever.
fn edition() -> &'static str {
    static EDITION: std::sync::OnceLock<String> = std::sync::OnceLock::new();
    EDITION.get_or_init(|| {
        let mut hasher = blake3::Hasher::new();
        for asset in ASSETS {
            hasher.update(asset.text.as_bytes());
        }
        hasher.finalize().to_hex().as_str()[..12].to_owned()
    })
}

/// Answers `/assets/{edition}/{name}`.
pub async fn asset(
    axum::extract::Path((_edition, name)): axum::extract::Path<(String, String)>,
) -> Response {
    let Some(asset) = ASSETS.iter().find(|a| a.name == name) else {
        return Problem::not_found("There is no such file.").into_response();
    };
    let headers = [
        (header::CONTENT_TYPE, asset.media_type),
        (header::CACHE_CONTROL, "public, max-age=31536000, immutable"),
    ];
    (headers, asset.text).into_response()
}

fn address(name: &str) -> String {
    format!("/assets/{}/{name}", edition())
}

/// The answer of a page that may fail.
pub type PageAnswer = Result<Response, PageProblem>;

/// A problem, answered as a page.
#[derive(Debug)]
pub struct PageProblem {
    problem: Problem,
    back: Option<String>,
}

impl PageProblem {
    /// With the way back to the form that could not be taken.
    #[must_use]
    pub fn back_to(problem: Problem, form: String) -> Self {
        Self { problem, back: Some(form) }
    }
}

impl IntoResponse for PageProblem {
    fn into_response(self) -> Response {
        problem_page(&self.problem, self.back.as_deref())
    }
}

impl<E: Into<Problem>> From<E> for PageProblem {
    fn from(error: E) -> Self {
        Self { problem: error.into(), back: None }
    }
}

/// Sends the browser on to another page, after a form.
#[must_use]
pub fn go_to(path: &str) -> Response {
    axum::response::Redirect::to(path).into_response()
}

/// What a page is made of.
pub struct Page<'a> {
    /// Title of the window; the house's name is added.
    pub title: &'a str,
    /// Scripts besides the common one.
    pub scripts: &'a [&'a str],
    /// Links at the top, after the house's name.
    pub links: Markup,
    /// Keep it out of search engines' and caches' reach.
    pub private: bool,
    /// Without scripts, load it again every so many seconds.
    pub refresh_s: Option<u32>,
    /// The page itself, inside `<main>`.
    pub main: Markup,
}

impl Page<'_> {
    /// The whole document, answered with `status`.
    #[must_use]
    pub fn answer(self, status: StatusCode) -> Response {
        let cache = HeaderValue::from_static(if self.private { "no-store" } else { "no-cache" });
        let document = self.document();
        (status, [(header::CACHE_CONTROL, cache)], document).into_response()
    }

    fn document(&self) -> Markup {
        html! {
            (DOCTYPE)
            html lang="en" {
                head {
                    meta charset="utf-8";
                    meta name="viewport" content="width=device-width, initial-scale=1";
                    meta name="color-scheme" content="light dark";
                    @if self.private { meta name="robots" content="noindex"; }
                    @if let Some(seconds) = self.refresh_s {
                        noscript { meta http-equiv="refresh" content=(seconds); }
                    }
                    title { (self.title) " – Ripieno" }
                    link rel="icon" href="data:,";
                    link rel="stylesheet" href=(address("style.css"));
                    script src=(address("page.js")) {}
                    @for name in self.scripts {
                        script src=(address(name)) type="module" {}
                    }
                }
                body {
                    a.skip href="#main" { "To the content" }
                    header.top { span.house { "Ripieno" } (self.links) }
                    main #main tabindex="-1" { (self.main) }
                    footer { p { "Made of many. Every voice here was given freely and can be "
                        "taken back by its owner." } }
                }
            }
        }
    }
}

/// An address where nothing is, as a page or as a problem document, whichever the client reads.
pub async fn nothing_here(headers: HeaderMap) -> Response {
    let problem = Problem::not_found("There is nothing at this address.");
    let accepts = headers.get(header::ACCEPT).and_then(|v| v.to_str().ok()).unwrap_or_default();
    match accepts.contains("text/html") {
        true => problem_page(&problem, None),
        false => problem.into_response(),
    }
}

/// A problem as a page, for people who came by a browser; `back` leads to where they can try
/// again.
#[must_use]
pub fn problem_page(problem: &Problem, back: Option<&str>) -> Response {
    let body = problem.body();
    let mut response = Page {
        title: body.title,
        scripts: &[],
        links: html! {},
        private: true,
        refresh_s: None,
        main: html! {
            h1 { (body.title) }
            p.lead { (body.detail) }
            @if !body.mistakes.is_empty() {
                ul { @for m in &body.mistakes { li { (m.what) " " (m.instead) } } }
            }
            @if let Some(form) = back {
                p { "Nothing of it was kept. Your browser’s Back button returns to the form with "
                    "what you had typed; or begin anew:" }
                p { a.button href=(form) { "Back to the form" } }
            }
            p { a href="/" { "To the pieces" } }
        },
    }
    .answer(problem.status());
    response.headers_mut().extend(problem.headers().clone());
    response
}
