//! Earlier versions of an arrangement map: read, compared in words, restored.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use ripieno_score::Arrangement;
use ripieno_store::{Document, NewDocument};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::names::changes_in_words;
use super::{SavedBody, answer, read, save, standing, written};
use crate::http::extract::{Json, Path, Query};
use crate::http::identity::Organiser;
use crate::http::pieces::LoadedPiece;
use crate::http::problem::{Answer, Problem};
use crate::http::{App, AppState, described, documents, pieces};

/// What has changed between two versions.
#[derive(Debug, Serialize, ToSchema)]
pub struct ChangesBody {
    /// The older version; 0 is what every piece has before one is saved.
    pub from: i64,
    /// The newer one.
    pub to: i64,
    /// Every change in a plain sentence, takes by their players' names; none if they sound alike.
    #[schema(example = json!(["Group Bells goes from 0 dB to -4 dB."]))]
    pub changes: Vec<String>,
}

/// Which versions to compare.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct WhichVersions {
    /// The older version; the one before `to` if it is left out.
    #[param(minimum = 0)]
    pub from: Option<i64>,
    /// The newer version; the one that stands if it is left out.
    #[param(minimum = 0)]
    pub to: Option<i64>,
}

/// A version to go back to.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RestoreWish {
    /// The version whose arrangement is to stand again.
    #[schema(minimum = 1)]
    pub version: i64,
}

/// One version of the arrangement map as it was saved, as JSON, or as TOML with
/// `Accept: application/toml`.
#[utoipa::path(get, path = "/api/v1/pieces/{slug}/arrangement/versions/{version}",
    tag = "arrangement",
    operation_id = "showArrangementVersion",
    security(("organiser" = [])),
    params(
        ("slug" = String, Path, description = "The piece"),
        ("version" = i64, Path, description = "The version, from 1"),
    ),
    responses(
        (status = 200, content(
            (serde_json::Value = "application/json"),
            (String = "application/toml")
        )),
        described::BadRequest, described::NotSignedIn, described::NotFound, described::Mistaken,
    ))]
pub async fn show(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path((slug, version)): Path<(String, i64)>,
    headers: HeaderMap,
) -> Answer<Response> {
    let loaded = pieces::load(&app, &slug).await?;
    let document = saved(&app, &loaded, version).await?;
    let wanted = documents::wanted(&headers);
    let text = match document.format == wanted {
        true => document.text,
        false => written(&read(&loaded, &document)?, wanted),
    };
    Ok(documents::answer(wanted, text, version))
}

/// What has changed between two versions of the arrangement map, in words.
#[utoipa::path(get, path = "/api/v1/pieces/{slug}/arrangement/changes", tag = "arrangement",
    operation_id = "compareArrangements",
    security(("organiser" = [])),
    params(("slug" = String, Path, description = "The piece"), WhichVersions),
    responses(
        (status = 200, body = ChangesBody),
        described::BadRequest, described::NotSignedIn, described::NotFound, described::Mistaken,
    ))]
pub async fn changes(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(slug): Path<String>,
    Query(which): Query<WhichVersions>,
) -> Answer<Json<ChangesBody>> {
    let loaded = pieces::load(&app, &slug).await?;
    let to = match which.to {
        Some(version) => version,
        None => standing(&app, &loaded.record.id).await?.0,
    };
    let from = which.from.unwrap_or_else(|| to.saturating_sub(1).max(0));
    let changes = changes_between(&app, &loaded, from, to).await?;
    Ok(Json(ChangesBody { from, to, changes }))
}

/// What has changed from one version to another, a sentence each.
///
/// # Errors
/// 404 for a version that never was, 422 for one that fits the piece no longer.
pub async fn changes_between(
    app: &App,
    loaded: &LoadedPiece,
    from: i64,
    to: i64,
) -> Answer<Vec<String>> {
    let (old, new) = (at(app, loaded, from).await?, at(app, loaded, to).await?);
    changes_in_words(app, &old, &new).await
}

/// Make an earlier version stand again: it is saved anew, under guard like any change, and
/// nothing of what came between is lost.
#[utoipa::path(post, path = "/api/v1/pieces/{slug}/arrangement/restore", tag = "arrangement",
    operation_id = "restoreArrangement",
    security(("organiser" = [])),
    params(
        ("slug" = String, Path, description = "The piece"),
        ("If-Match" = String, Header, description = "The `ETag` that was read; `*` overwrites"),
    ),
    request_body = RestoreWish,
    responses(
        (status = 200, body = SavedBody),
        described::BadRequest, described::NotSignedIn, described::NotFound,
        described::PreconditionFailed, described::WrongType, described::Mistaken,
        described::NameTheVersion,
    ))]
pub async fn restore(
    State(app): State<AppState>,
    organiser: Organiser,
    Path(slug): Path<String>,
    headers: HeaderMap,
    Json(wish): Json<RestoreWish>,
) -> Answer<Response> {
    let loaded = pieces::load(&app, &slug).await?;
    let (version, _) = standing(&app, &loaded.record.id).await?;
    let expected = documents::changed_version(&headers, version)?;
    let restored = stand_again(&app, &loaded, wish.version, expected, &organiser.name).await?;
    Ok(answer(restored))
}

/// Saves an earlier version anew over the one that is `expected` to stand.
///
/// # Errors
/// 404 for a version that never was, 422 for one that fits the piece no longer, 412 if another
/// version stands than was expected.
pub async fn stand_again(
    app: &App,
    loaded: &LoadedPiece,
    version: i64,
    expected: i64,
    saved_by: &str,
) -> Answer<SavedBody> {
    let old = saved(app, loaded, version).await?;
    read(loaded, &old)?;
    let note = format!("Version {version} restored");
    let document = NewDocument { format: old.format, text: &old.text, saved_by, note: &note };
    save(app, loaded, expected, &document).await
}

async fn saved(app: &App, loaded: &LoadedPiece, version: i64) -> Answer<Document> {
    let found = app.store.arrangement(&loaded.record.id, Some(version)).await?;
    found.ok_or_else(|| Problem::not_found("There is no such version of the arrangement."))
}

/// A version of the arrangement, or what stands before the first.
///
/// # Errors
/// 404 for a version that never was, 422 for one that fits the piece no longer.
pub async fn at(app: &App, loaded: &LoadedPiece, version: i64) -> Answer<Arrangement> {
    match version {
        0 => Ok(Arrangement::default()),
        version => read(loaded, &saved(app, loaded, version).await?),
    }
}
