//! The takes of a piece, page by page.

use axum::extract::State;
use ripieno_store::{TakeState, Which};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

use super::TakeBody;
use crate::http::extract::{Json, Path, Query};
use crate::http::identity::Organiser;
use crate::http::problem::{Answer, Problem};
use crate::http::{AppState, described, pieces};

/// Which takes to list.
#[derive(Debug, Deserialize, IntoParams)]
#[into_params(parameter_in = Query)]
pub struct TakePage {
    /// Only those in this state: `received`, `conforming`, `placed`, `asks`, `unusable`,
    /// `withdrawn`.
    pub state: Option<String>,
    /// Only those that came after the take of this id.
    pub after: Option<String>,
    /// How many at most, 1 to 1 000; 200 if not said.
    #[param(minimum = 1, maximum = 1000)]
    pub limit: Option<i64>,
}

/// A page of takes.
#[derive(Debug, Serialize, ToSchema)]
pub struct TakesBody {
    /// Takes in order of arrival.
    pub takes: Vec<TakeBody>,
    /// How many takes of the piece are in each state.
    pub counts: std::collections::BTreeMap<String, i64>,
    /// What to give as `after` for the next page; null at the end.
    pub next_after: Option<String>,
}

/// Takes of a piece in order of arrival.
#[utoipa::path(get, path = "/api/v1/pieces/{slug}/takes", tag = "takes",
    operation_id = "listTakes",
    security(("organiser" = [])),
    params(("slug" = String, Path, description = "The piece"), TakePage),
    responses(
        (status = 200, body = TakesBody),
        described::BadRequest, described::NotSignedIn, described::NotFound,
    ))]
pub async fn list(
    State(app): State<AppState>,
    _organiser: Organiser,
    Path(slug): Path<String>,
    Query(page): Query<TakePage>,
) -> Answer<Json<TakesBody>> {
    let limit = page.limit.unwrap_or(200);
    if !(1..=1000).contains(&limit) {
        return Err(Problem::bad_request("`limit` must be a number from 1 to 1000."));
    }
    let state = page.state.as_deref().map(state_called).transpose()?;
    let which = state.map_or(Which::All, Which::In);
    let piece = pieces::load(&app, &slug).await?.record;
    let takes = app.store.list_takes(&piece.id, which, page.after.as_deref(), limit).await?;
    let full = takes.len() as i64 == limit;
    let next_after = takes.last().filter(|_| full).map(|t| t.id.clone());
    let counts = app.store.count_takes(&piece.id).await?;
    Ok(Json(TakesBody {
        takes: takes.into_iter().map(TakeBody::from).collect(),
        counts: counts.into_iter().map(|c| (c.state.word().to_owned(), c.takes)).collect(),
        next_after,
    }))
}

fn state_called(word: &str) -> Answer<TakeState> {
    word.parse().map_err(|_| {
        let known: Vec<_> = TakeState::ALL.iter().map(|s| s.word()).collect();
        Problem::bad_request(format!("`state` must be one of: {}.", known.join(", ")))
    })
}
