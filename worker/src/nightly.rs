//! Previews by the clock: every worker looks, and the records see to it that one render is made.

use std::collections::HashMap;
use std::convert::Infallible;
use std::time::Duration;

use ripieno_store::{NewRender, RenderKind, Store};
use serde_json::json;

use crate::jobs::{Job, JobError, piece::load_piece};
use crate::run::now_us;

/// How often the clock is looked at. A worker may be stopped in between without loss.
const LOOK_EVERY: Duration = Duration::from_secs(15);

/// A time that passed while no worker ran is made up for within this.
const MAKE_UP_FOR_US: i64 = 6 * 3600 * 1_000_000;

/// Looks for as long as it is polled.
pub(crate) async fn watch(store: &Store) -> Infallible {
    let mut asked = HashMap::new();
    loop {
        if let Err(error) = ask_for_what_is_due(store, &mut asked, now_us()).await {
            tracing::warn!(%error, "the nightly previews could not be looked after");
        }
        tokio::time::sleep(LOOK_EVERY).await;
    }
}

/// Asks for the previews that have fallen due; gives how many it asked for. A night has one
/// render however many workers ask: its occasion is unique in the records. `asked` keeps the last
/// occasion of each piece, so as not to ask again and again.
async fn ask_for_what_is_due(
    store: &Store,
    asked: &mut HashMap<String, String>,
    now_us: i64,
) -> Result<usize, JobError> {
    let mut count = 0;
    for record in store.list_pieces().await? {
        let (piece, _) = match load_piece(store, &record.id).await {
            Ok(loaded) => loaded,
            Err(JobError::Refused(_)) => continue,
            Err(error) => return Err(error),
        };
        let Some(nightly) = &piece.nightly else { continue };
        let since_us = record.updated_at.max(now_us - MAKE_UP_FOR_US);
        let zone = piece.time_zone.as_deref();
        let Some(due) = nightly.latest_due(zone, since_us, now_us) else { continue };
        if asked.get(&record.id) == Some(&due.occasion) || !has_stems(store, &record.id).await? {
            continue;
        }
        let render = NewRender {
            piece_id: &record.id,
            kind: RenderKind::Preview,
            request: &json!({ "kind": "preview" }),
            requested_by: "nightly",
            occasion: Some(&due.occasion),
        };
        store.request_render(&render, Job::render, now_us).await?;
        asked.insert(record.id, due.occasion);
        count += 1;
    }
    Ok(count)
}

async fn has_stems(store: &Store, piece_id: &str) -> Result<bool, JobError> {
    let counts = store.count_takes(piece_id).await?;
    Ok(counts.iter().any(|count| count.sounding > 0))
}

#[cfg(test)]
mod tests;
