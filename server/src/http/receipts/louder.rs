//! A take a little louder in the crowd: a section of the mix as it is now, rendered for one
//! contributor with their own stem raised.

use axum::extract::State;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use ripieno_store::{NewRender, Render, RenderKind, RenderState, Take, occasion_for_take};
use ripieno_worker::jobs::Job;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::load;
use crate::clock::now_us;
use crate::http::extract::{Json, Path};
use crate::http::pieces::{self, LoadedPiece};
use crate::http::problem::{Answer, Problem, ProblemBody};
use crate::http::renders::{self, RenderWish, preview};
use crate::http::{App, AppState, described, or_not_found};

/// What a contributor wants to hear.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct LouderWish {
    /// Name of the section to hear.
    #[schema(example = "Flood")]
    pub section: String,
}

/// How the sound stands.
#[derive(Debug, Serialize, ToSchema)]
pub struct LouderBody {
    /// Its id, to ask again by.
    pub id: String,
    /// `queued`, `rendering`, `done`, `failed` or `cancelled`.
    #[schema(value_type = String, example = "rendering")]
    pub state: RenderState,
    /// How far it is, from 0 to 1.
    pub progress: f64,
    /// Where to hear it, once it is done.
    pub sound: Option<String>,
}

impl LouderBody {
    /// As the contributor with this token sees it.
    #[must_use]
    pub fn of(render: &Render, token: &str) -> Self {
        let sound = format!("/api/v1/receipts/{token}/louder/{}/sound", render.id);
        Self {
            id: render.id.clone(),
            state: render.state,
            progress: render.progress_permille as f64 / 1000.0,
            sound: (render.state == RenderState::Done).then_some(sound),
        }
    }
}

/// Hear a section of the mix with one's own take a little louder. Asking twice while neither take
/// nor mix has changed gives the same sound.
#[utoipa::path(post, path = "/api/v1/receipts/{token}/louder", tag = "receipts",
    operation_id = "askLouder",
    security(()),
    params(("token" = String, Path, description = "The receipt's token")),
    request_body = LouderWish,
    responses(
        (status = 202, body = LouderBody, description = "It is being mixed; watch `Location`"),
        described::BadRequest, described::NotFound,
        (status = 409, body = ProblemBody, content_type = "application/problem+json",
            description = "The take is not in the mix"),
        described::WrongType, described::Mistaken,
    ))]
pub async fn ask(
    State(app): State<AppState>,
    Path(token): Path<String>,
    Json(wish): Json<LouderWish>,
) -> Answer<Response> {
    let take = load(&app, &token).await?;
    let loaded = pieces::load_record(&app, app.store.piece(&take.piece_id).await?).await?;
    let render = start(&app, &loaded, &take, &wish.section).await?;
    let place = format!("/api/v1/receipts/{token}/louder/{}", render.id);
    let answer = axum::Json(LouderBody::of(&render, &token));
    Ok((StatusCode::ACCEPTED, [(header::LOCATION, place)], answer).into_response())
}

/// Records and queues it; the page's button does the same.
///
/// # Errors
/// 409 for a take that is not in the mix, 422 for a section that is not there.
pub async fn start(app: &App, loaded: &LoadedPiece, take: &Take, section: &str) -> Answer<Render> {
    if !take.sounds() {
        return Err(Problem::conflict(
            "Your take is not in the mix now, so it cannot be heard in it.",
        ));
    }
    let wish = RenderWish {
        kind: RenderKind::Preview,
        sections: vec![section.to_owned()],
        groups: Vec::new(),
        louder_take: Some(take.id.clone()),
    };
    renders::refuse_unknown_sections(&loaded.piece, &wish.sections)?;
    // One sound for each state of take and crowd, however often the button is pressed.
    let crowd = preview::newest_to_hear(app, &loaded.record.id).await?;
    let crowd = crowd.map_or_else(String::new, |(render, _)| render.id);
    let at = loaded.piece.sections.iter().position(|s| s.name == section).unwrap_or_default();
    let occasion = occasion_for_take(&take.id, &format!("{at}:{}:{crowd}", take.updated_at));
    let request = serde_json::to_value(&wish).map_err(|_| Problem::internal())?;
    let render = NewRender {
        piece_id: &loaded.record.id,
        kind: wish.kind,
        request: &request,
        requested_by: "contributor",
        occasion: Some(&occasion),
    };
    Ok(app.store.request_render(&render, Job::render, now_us()).await?)
}

/// How the sound stands.
#[utoipa::path(get, path = "/api/v1/receipts/{token}/louder/{id}", tag = "receipts",
    operation_id = "showLouder",
    security(()),
    params(
        ("token" = String, Path, description = "The receipt's token"),
        ("id" = String, Path, description = "The sound"),
    ),
    responses(
        (status = 200, body = LouderBody),
        described::NotFound,
    ))]
pub async fn show(
    State(app): State<AppState>,
    Path((token, id)): Path<(String, String)>,
) -> Answer<Json<LouderBody>> {
    let take = load(&app, &token).await?;
    let render = find(&app, &take, &id).await?;
    Ok(Json(LouderBody::of(&render, &token)))
}

/// The sound itself, whole or in ranges.
#[utoipa::path(get, path = "/api/v1/receipts/{token}/louder/{id}/sound", tag = "receipts",
    operation_id = "hearLouder",
    security(()),
    params(
        ("token" = String, Path, description = "The receipt's token"),
        ("id" = String, Path, description = "The sound"),
    ),
    responses(
        (status = 200, description = "The sound"),
        (status = 206, description = "The part that was asked for"),
        described::NotFound,
        (status = 416, description = "The range lies outside the sound"),
    ))]
pub async fn sound(
    State(app): State<AppState>,
    Path((token, id)): Path<(String, String)>,
    headers: HeaderMap,
) -> Answer<Response> {
    let take = load(&app, &token).await?;
    let render = find(&app, &take, &id).await?;
    let files = app.store.render_files(&render.id).await?;
    let Some(file) = files.iter().find(|f| f.name.starts_with("preview.")) else {
        return Err(Problem::not_found("It is not mixed yet."));
    };
    renders::send_file(&app, &render.id, &file.name, &headers).await
}

/// The render of that id, if it was made for this take.
///
/// # Errors
/// 404.
pub async fn find(app: &App, take: &Take, id: &str) -> Answer<Render> {
    const NONE: &str = "This sound is not there any more. Ask for it again.";
    let render = app.store.render(id).await.map_err(or_not_found(NONE))?;
    let own = render.occasion.as_deref().unwrap_or_default();
    match own.starts_with(&occasion_for_take(&take.id, "")) {
        true => Ok(render),
        false => Err(Problem::not_found(NONE)),
    }
}
