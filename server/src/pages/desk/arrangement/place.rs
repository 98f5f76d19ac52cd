//! One place of the map changed by a form: a group in a section, a group all along, or which
//! groups a section lets be heard.

mod form;
mod typed;

use axum::Form;
use axum::extract::State;
use axum::http::StatusCode;
use axum::response::Response;
use maud::{Markup, html};
use ripieno_score::{Arrangement, Change, changed};
use ripieno_store::DocumentFormat;
use serde::Deserialize;

use super::{Clash, own_changes, text_of};
use crate::http::arrangements::{self, versions};
use crate::http::documents::someone_was_faster;
use crate::http::extract::{Path, Query};
use crate::http::identity::Organiser;
use crate::http::pieces::{self, LoadedPiece};
use crate::http::problem::{Answer, Problem};
use crate::http::{App, AppState};
use crate::pages::desk::fields::Fields;
use crate::pages::desk::links;
use crate::pages::layout::{Page, PageAnswer, go_to};
use typed::Typed;

/// Which place to show.
#[derive(Debug, Default, Deserialize)]
pub struct Which {
    section: Option<String>,
    group: Option<String>,
}

/// Where the form of a place is.
pub(super) fn address(slug: &str, section: Option<&str>, group: Option<&str>) -> String {
    let named = [("section", section), ("group", group)];
    let fields = named.into_iter().filter_map(|(key, name)| Some((key, name?)));
    let query: Vec<String> =
        fields.map(|(key, name)| format!("{key}={}", percent_encoded(name))).collect();
    format!("/desk/{slug}/arrangement/place?{}", query.join("&"))
}

/// A name as part of a query: all but letters and digits of ASCII by their bytes (RFC 3986, 2.1).
fn percent_encoded(name: &str) -> String {
    let byte = |byte: u8| match byte {
        b'0'..=b'9' | b'A'..=b'Z' | b'a'..=b'z' | b'-' | b'_' => char::from(byte).to_string(),
        byte => format!("%{byte:02X}"),
    };
    name.bytes().map(byte).collect()
}

/// The form of a place.
pub async fn show(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(slug): Path<String>,
    Query(which): Query<Which>,
) -> PageAnswer {
    let loaded = pieces::load(&app, &slug).await?;
    let (version, document) = arrangements::standing(&app, &loaded.record.id).await?;
    let Ok(map) = arrangements::map_of(&loaded, document.as_ref()) else {
        // That page says what does not fit any more.
        return Ok(go_to(&format!("/desk/{slug}/arrangement")));
    };
    let change = standing(&loaded, &map, which.section.as_deref(), which.group.as_deref())?;
    let typed = Typed { read: version, over: None, change };
    Ok(page(&loaded, &map, version, &typed, None, StatusCode::OK))
}

/// A place as it stands.
fn standing(
    loaded: &LoadedPiece,
    map: &Arrangement,
    section: Option<&str>,
    group: Option<&str>,
) -> Answer<Change> {
    let missing = || Problem::not_found("The arrangement map has no such section or group.");
    let section = match section {
        Some(name) => {
            let at = loaded.piece.section_named(name).ok_or_else(missing)?;
            Some(loaded.piece.sections[at].name.as_str())
        }
        None => None,
    };
    Change::standing(map, section, group).ok_or_else(missing)
}

/// Saves a change of one place as a new version; what cannot be saved comes back as it was typed.
pub async fn save(
    State(app): State<AppState>,
    organiser: Organiser,
    Path(slug): Path<String>,
    Form(fields): Form<Fields>,
) -> PageAnswer {
    let loaded = pieces::load(&app, &slug).await?;
    let typed = Typed::read(&fields)?;
    let expected = typed.over.unwrap_or(typed.read);
    let (version, document) = arrangements::standing(&app, &loaded.record.id).await?;
    let map = arrangements::map_of(&loaded, document.as_ref())?;
    standing(&loaded, &map, typed.section(), typed.group())?;
    let saved = match version == expected {
        false => Err(someone_was_faster(version)),
        true => {
            let text = applied(&text_of(document.as_ref(), Some(&map)), &typed.change)?;
            let toml = DocumentFormat::Toml;
            arrangements::put(&app, &loaded, expected, toml, &text, &organiser.name).await
        }
    };
    let problem = match saved {
        Ok(_) => return Ok(go_to(&format!("/desk/{slug}/arrangement?compare={expected}#saved"))),
        Err(problem) => problem,
    };
    let refused = match problem.status() {
        StatusCode::UNPROCESSABLE_ENTITY => mistaken(&problem),
        StatusCode::PRECONDITION_FAILED => {
            // It may have moved on between looking and saving.
            let (version, _) = arrangements::standing(&app, &loaded.record.id).await?;
            clash(&app, &loaded, version, &typed).await?.show()
        }
        _ => return Err(problem.into()),
    };
    let (version, document) = arrangements::standing(&app, &loaded.record.id).await?;
    let map = arrangements::map_of(&loaded, document.as_ref())?;
    Ok(page(&loaded, &map, version, &typed, Some(refused), problem.status()))
}

fn applied(text: &str, change: &Change) -> Answer<String> {
    changed(text, change).map_err(|error| {
        tracing::error!(%error, "a saved arrangement can no longer be read");
        Problem::internal()
    })
}

/// What two people did meanwhile.
async fn clash(app: &App, loaded: &LoadedPiece, standing: i64, typed: &Typed) -> Answer<Clash> {
    let read = typed.over.unwrap_or(typed.read);
    let before = versions::at(app, loaded, read).await?;
    let own = applied(&before.to_toml(), &typed.change)?;
    let own = own_changes(app, loaded, &before, &own).await?;
    let theirs = versions::changes_between(app, loaded, read, standing).await?;
    Ok(Clash {
        read,
        standing,
        theirs,
        own,
        kept: "what you chose is in the form below, and theirs is kept.",
        next: "Tick the box under it to put your change into the version that stands now: the \
               rest of it stays as they left it.",
    })
}

fn mistaken(problem: &Problem) -> Markup {
    let body = problem.body();
    html! {
        section.sheet role="alert" {
            h2 { "Not saved" }
            ul.findings { @for m in &body.mistakes {
                li.unusable { (m.what) "; " (m.instead) "." }
            } }
        }
    }
}

fn page(
    loaded: &LoadedPiece,
    map: &Arrangement,
    version: i64,
    typed: &Typed,
    refused: Option<Markup>,
    status: StatusCode,
) -> Response {
    let slug = &loaded.record.slug;
    let heading = match (typed.section(), typed.group()) {
        (Some(section), Some(group)) => format!("{group} in {section}"),
        (None, Some(group)) => format!("{group} all along"),
        (section, None) => format!("Who is heard in {}", section.unwrap_or_default()),
    };
    let main = html! {
        p { a href={ "/desk/" (slug) "/arrangement" } { "Back to the arrangement map" } }
        h1 { (heading) }
        @if let Some(refused) = refused { (refused) }
        (form::form(loaded, map, version, typed))
    };
    let title = format!("{heading} – arrangement of {}", loaded.record.title);
    let page =
        Page { title: &title, scripts: &[], links: links(), private: true, refresh_s: None, main };
    page.answer(status)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_comes_through_an_address_whatever_is_in_it() {
        let there = address("tide", Some("A & B"), Some("Cøts=50%"));
        assert_eq!(
            there,
            "/desk/tide/arrangement/place?section=A%20%26%20B&group=C%C3%B8ts%3D50%25"
        );
    }
}
