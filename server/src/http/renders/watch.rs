//! A render as it is being made, told to one client at a time.

use std::convert::Infallible;
use std::time::Duration;

use axum::extract::State;
use axum::response::sse::{Event, KeepAlive, Sse};
use futures::Stream;
use ripieno_store::RenderState;
use utoipa::ToSchema;

use super::{body, load};
use crate::http::extract::Path;
use crate::http::identity::Organiser;
use crate::http::problem::Answer;
use crate::http::{AppState, described};

/// How often a watched render is looked at.
const LOOK_EVERY: Duration = Duration::from_millis(400);

/// One event of the stream, as a client reads it.
#[derive(Debug, ToSchema)]
#[allow(dead_code, reason = "describes the stream")]
pub struct ProgressEvent {
    /// `progress`.
    event: String,
    /// The render as it stands, as JSON.
    data: String,
}

/// Watch a render: server-sent events named `progress`, each a render as JSON, until it is over.
#[utoipa::path(get, path = "/api/v1/renders/{id}/progress", tag = "renders",
    operation_id = "watchRender",
    security(("organiser" = [])),
    params(("id" = String, Path, description = "The render")),
    responses(
        (status = 200, content_type = "text/event-stream", body = ProgressEvent),
        described::NotSignedIn, described::NotFound,
    ))]
pub async fn progress(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(id): Path<String>,
) -> Answer<Sse<impl Stream<Item = Result<Event, Infallible>>>> {
    load(&app, &id).await?;
    let watch = Watch { app, id, said: None, over: false };
    let events = futures::stream::unfold(watch, Watch::next);
    Ok(Sse::new(events).keep_alive(KeepAlive::default()))
}

/// One client watching one render.
struct Watch {
    app: AppState,
    id: String,
    said: Option<(RenderState, i64, String)>,
    over: bool,
}

impl Watch {
    /// Waits for news; ends after a render's last state, when it is gone, or at a stop.
    async fn next(mut self) -> Option<(Result<Event, Infallible>, Self)> {
        while !self.over {
            let render = self.app.store.render(&self.id).await.ok()?;
            let now = (render.state, render.progress_permille, render.doing.clone());
            if self.said.as_ref() != Some(&now) {
                self.said = Some(now);
                self.over = !matches!(render.state, RenderState::Queued | RenderState::Rendering);
                let files = self.app.store.render_files(&self.id).await.ok()?;
                let event = Event::default().event("progress");
                let event = event.json_data(body(render, files)).ok()?;
                return Some((Ok(event), self));
            }
            tokio::select! {
                () = tokio::time::sleep(LOOK_EVERY) => {}
                () = self.app.stopping.cancelled() => return None,
            }
        }
        None
    }
}
