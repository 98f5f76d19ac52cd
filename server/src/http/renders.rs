//! Renders: asked for, watched, called off, fetched.

pub mod bundle;
pub mod preview;
pub mod watch;

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use ripieno_score::{Mistake, Mistakes, Piece};
use ripieno_store::{ErrorKind, NewRender, Render, RenderFile, RenderKind, RenderState};
use ripieno_worker::jobs::Job;
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::extract::{Json, Path, Query};
use super::identity::Organiser;
use super::problem::{Answer, Problem};
use super::{App, AppState, arrangements, described, files, or_not_found, pieces, ranges};
use crate::clock::{now_us, rfc3339};

/// What a render is to be.
#[derive(Clone, Debug, Deserialize, Serialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct RenderWish {
    /// `preview` (quick, small) or `final` (the deliverables).
    #[schema(value_type = String, example = "preview")]
    pub kind: RenderKind,
    /// Names of the sections to render; none means the whole piece.
    #[serde(default)]
    #[schema(example = json!(["Flood"]))]
    pub sections: Vec<String>,
    /// Names of the groups to hear; none means all.
    #[serde(default)]
    pub groups: Vec<String>,
    /// A take to be heard a little louder than the crowd.
    #[serde(default)]
    pub louder_take: Option<String>,
}

/// A render.
#[derive(Debug, Serialize, ToSchema)]
pub struct RenderBody {
    /// Its id.
    pub id: String,
    /// `preview` or `final`.
    #[schema(value_type = String)]
    pub kind: RenderKind,
    /// `queued`, `rendering`, `done`, `failed` or `cancelled`.
    #[schema(value_type = String)]
    pub state: RenderState,
    /// How far it is, from 0 to 1.
    pub progress: f64,
    /// What is being done now, in words.
    pub doing: String,
    /// What was asked for.
    pub request: serde_json::Value,
    /// Who asked.
    pub requested_by: String,
    /// The report once done: stems, versions, loudness, true peak; null before.
    pub report: serde_json::Value,
    /// Why it failed, in a sentence.
    pub error: Option<String>,
    /// When it was asked for.
    pub created_at: String,
    /// When it was over.
    pub finished_at: Option<String>,
    /// Its files once done.
    pub files: Vec<RenderFileBody>,
}

/// A file of a render.
#[derive(Debug, Serialize, ToSchema)]
pub struct RenderFileBody {
    /// Its name.
    #[schema(example = "mix.wav")]
    pub name: String,
    /// Its media type.
    pub media_type: String,
    /// Its length in bytes.
    pub bytes: i64,
    /// BLAKE3 of its bytes, in hex.
    pub blake3: String,
    /// Where to fetch it.
    pub url: String,
}

fn body(render: Render, files: Vec<RenderFile>) -> RenderBody {
    // A name may hold a slash; in an address it is one part all the same.
    let url =
        |name: &str| format!("/api/v1/renders/{}/files/{}", render.id, name.replace('/', "%2F"));
    let files = files
        .into_iter()
        .map(|f| RenderFileBody {
            url: url(&f.name),
            name: f.name,
            media_type: f.media_type,
            bytes: f.bytes,
            blake3: f.content_hash,
        })
        .collect();
    RenderBody {
        kind: render.kind,
        state: render.state,
        progress: render.progress_permille as f64 / 1000.0,
        doing: render.doing,
        request: render.request.0,
        requested_by: render.requested_by,
        report: render.result.0,
        error: render.error,
        created_at: rfc3339(render.created_at),
        finished_at: render.finished_at.map(rfc3339),
        files,
        id: render.id,
    }
}

async fn load(app: &App, id: &str) -> Answer<Render> {
    app.store.render(id).await.map_err(or_not_found("There is no render of that id."))
}

/// Renders of a piece, newest first.
#[utoipa::path(get, path = "/api/v1/pieces/{slug}/renders", tag = "renders",
    operation_id = "listRenders",
    security(("organiser" = [])),
    params(("slug" = String, Path, description = "The piece"), RenderPage),
    responses(
        (status = 200, body = Vec<RenderBody>),
        described::BadRequest, described::NotSignedIn, described::NotFound,
    ))]
pub async fn list(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(slug): Path<String>,
    Query(page): Query<RenderPage>,
) -> Answer<Json<Vec<RenderBody>>> {
    let piece = pieces::load(&app, &slug).await?.record;
    let renders = app.store.list_renders(&piece.id, page.before.as_deref(), 50).await?;
    let mut bodies = Vec::with_capacity(renders.len());
    for render in renders {
        let files = app.store.render_files(&render.id).await?;
        bodies.push(body(render, files));
    }
    Ok(Json(bodies))
}

/// Which renders to list.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct RenderPage {
    /// Only renders asked for before the one of this id: 50 at a time.
    pub before: Option<String>,
}

/// Ask for a render. Answers at once; watch it under `Location`.
#[utoipa::path(post, path = "/api/v1/pieces/{slug}/renders", tag = "renders",
    operation_id = "startRender",
    security(("organiser" = [])),
    params(("slug" = String, Path, description = "The piece")),
    request_body = RenderWish,
    responses(
        (status = 202, body = RenderBody),
        described::BadRequest, described::NotSignedIn, described::NotFound, described::Conflict,
        described::WrongType, described::Mistaken,
    ))]
pub async fn start(
    State(app): State<AppState>,
    organiser: Organiser,
    Path(slug): Path<String>,
    Json(wish): Json<RenderWish>,
) -> Answer<Response> {
    let loaded = pieces::load(&app, &slug).await?;
    let render = ask(&app, &loaded, &wish, &organiser.name).await?;
    let place = format!("/api/v1/renders/{}", render.id);
    let answer = axum::Json(body(render, Vec::new()));
    Ok((StatusCode::ACCEPTED, [(header::LOCATION, place)], answer).into_response())
}

/// Records and queues a render; the desk's button does the same.
///
/// # Errors
/// 409 with no take placed, 422 for sections, groups or a take that are not there.
pub async fn ask(
    app: &App,
    loaded: &pieces::LoadedPiece,
    wish: &RenderWish,
    who: &str,
) -> Answer<Render> {
    refuse_unknown(app, loaded, wish).await?;
    let counts = app.store.count_takes(&loaded.record.id).await?;
    if counts.iter().all(|count| count.sounding == 0) {
        return Err(Problem::conflict(
            "There is nothing to render yet: no take of this piece is placed. Wait until one is.",
        ));
    }
    let request = serde_json::to_value(wish).map_err(|_| Problem::internal())?;
    let render = NewRender {
        piece_id: &loaded.record.id,
        kind: wish.kind,
        request: &request,
        requested_by: who,
        occasion: None,
    };
    Ok(app.store.request_render(&render, Job::render, now_us()).await?)
}

/// 422 for sections the piece does not have, groups the arrangement does not have, and a take
/// that is not in the mix: told at once, not by a render that fails.
async fn refuse_unknown(app: &App, loaded: &pieces::LoadedPiece, wish: &RenderWish) -> Answer<()> {
    let mut mistakes = unknown_sections(&loaded.piece, &wish.sections);
    if !wish.groups.is_empty() {
        let map = arrangements::standing_map(app, loaded).await?;
        let known: Vec<&str> = map.groups().iter().map(|g| g.name.as_str()).collect();
        let is_known = |name: &str| map.group_named(name).is_some();
        mistakes.extend(unknown("group", &wish.groups, is_known, &known));
    }
    if let Some(id) = &wish.louder_take {
        mistakes.extend(not_in_the_mix(app, loaded, id).await?);
    }
    if mistakes.is_empty() { Ok(()) } else { Err(Problem::mistakes(Mistakes(mistakes))) }
}

/// 422 for sections that the piece does not have.
///
/// # Errors
/// Every unknown name.
pub fn refuse_unknown_sections(piece: &Piece, named: &[String]) -> Answer<()> {
    let mistakes = unknown_sections(piece, named);
    if mistakes.is_empty() { Ok(()) } else { Err(Problem::mistakes(Mistakes(mistakes))) }
}

fn unknown_sections(piece: &Piece, named: &[String]) -> Vec<Mistake> {
    let known: Vec<&str> = piece.sections.iter().map(|s| s.name.as_str()).collect();
    unknown("section", named, |name| known.contains(&name), &known)
}

/// A mistake for each name that `is_known` does not know.
fn unknown(
    what: &str,
    named: &[String],
    is_known: impl Fn(&str) -> bool,
    known: &[&str],
) -> Vec<Mistake> {
    let unknown = named.iter().enumerate().filter(|(_, name)| !is_known(name));
    let mistake = |(i, name): (usize, &String)| Mistake {
        file: "body".to_owned(),
        line: None,
        column: None,
        pointer: Some(format!("/{what}s/{i}")),
        what: format!("there is no {what} '{name}'"),
        instead: format!("name some of: {}", known.join(", ")),
    };
    unknown.map(mistake).collect()
}

async fn not_in_the_mix(
    app: &App,
    loaded: &pieces::LoadedPiece,
    id: &str,
) -> Answer<Option<Mistake>> {
    let what = match app.store.take(id).await {
        Ok(take) if take.piece_id != loaded.record.id => "there is no such take in this piece",
        Ok(take) if take.sounds() => return Ok(None),
        Ok(_) => "this take is not in the mix now",
        Err(error) if error.is_not_found() => "there is no such take in this piece",
        Err(error) => return Err(error.into()),
    };
    Ok(Some(Mistake {
        file: "body".to_owned(),
        line: None,
        column: None,
        pointer: Some("/louder_take".to_owned()),
        what: what.to_owned(),
        instead: "give the id of a take that is heard in the mix".to_owned(),
    }))
}

/// How a render stands, and its files once it is done.
#[utoipa::path(get, path = "/api/v1/renders/{id}", tag = "renders", operation_id = "showRender",
    security(("organiser" = [])),
    params(("id" = String, Path, description = "The render")),
    responses(
        (status = 200, body = RenderBody),
        described::NotSignedIn, described::NotFound,
    ))]
pub async fn show(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(id): Path<String>,
) -> Answer<Json<RenderBody>> {
    let render = load(&app, &id).await?;
    let files = app.store.render_files(&id).await?;
    Ok(Json(body(render, files)))
}

/// Whether a render that is over goes too.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct Removal {
    /// `true` deletes one that is over, with all its files, and leaves one under way alone;
    /// otherwise one under way is called off, and one that is over stays.
    #[serde(default)]
    pub over: bool,
}

/// Call a render off, or with `over=true` delete one that is over. Two errands, so that whoever
/// calls one off a moment too late loses nothing.
#[utoipa::path(delete, path = "/api/v1/renders/{id}", tag = "renders",
    operation_id = "cancelRender",
    security(("organiser" = [])),
    params(("id" = String, Path, description = "The render"), Removal),
    responses(
        (status = 204, description = "Called off, or deleted"),
        described::BadRequest, described::NotSignedIn, described::NotFound, described::Conflict,
    ))]
pub async fn cancel(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(id): Path<String>,
    Query(removal): Query<Removal>,
) -> Answer<StatusCode> {
    load(&app, &id).await?;
    match removal.over {
        true => delete(&app, &id).await?,
        false => call_off(&app, &id).await?,
    }
    Ok(StatusCode::NO_CONTENT)
}

/// Calls off a render under way.
///
/// # Errors
/// 409 for one that is over.
pub async fn call_off(app: &App, id: &str) -> Answer<()> {
    app.store.cancel_render(id, now_us()).await.map_err(|e| match e.kind() {
        ErrorKind::NotNow => Problem::conflict(
            "This render is over already. To delete it with its files, say `over=true`.",
        ),
        _ => Problem::from(e),
    })
}

/// Deletes a render that is over, with its files.
///
/// # Errors
/// 409 for one under way.
pub async fn delete(app: &App, id: &str) -> Answer<()> {
    app.store.delete_render(id).await.map_err(|e| match e.kind() {
        ErrorKind::NotNow => Problem::conflict("This render is still being made: call it off."),
        _ => Problem::from(e),
    })
}

/// A file of a render, whole or in ranges.
#[utoipa::path(get, path = "/api/v1/renders/{id}/files/{file}", tag = "renders",
    operation_id = "renderFile",
    security(("organiser" = [])),
    params(
        ("id" = String, Path, description = "The render"),
        ("file" = String, Path, description = "Name of the file", example = "mix.wav"),
    ),
    responses(
        (status = 200, description = "The file"),
        (status = 206, description = "The part that was asked for"),
        described::NotSignedIn, described::NotFound,
        (status = 416, description = "The range lies outside the file"),
    ))]
pub async fn file(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path((id, file)): Path<(String, String)>,
    headers: HeaderMap,
) -> Answer<Response> {
    load(&app, &id).await?;
    send_file(&app, &id, &file, &headers).await
}

/// Answers with a render's file; whether the client may have it is the caller's to know.
///
/// # Errors
/// 404.
pub async fn send_file(app: &App, id: &str, name: &str, headers: &HeaderMap) -> Answer<Response> {
    let missing = or_not_found("There is no file of that name in this render.");
    let file = app.store.render_file(id, name).await.map_err(missing)?;
    let kept = files::Kept {
        blob: &file.blob,
        name: &file.name,
        media_type: ranges::media_type(&file.name),
        bytes: file.bytes,
        content_hash: &file.content_hash,
        attachment: false,
    };
    files::answer(app, headers, &kept).await
}
