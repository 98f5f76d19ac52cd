//! What happened, for the morning note and the desk. No personal data goes in here: an event
//! outlives a withdrawn take.

use serde::Serialize;
use serde_json::Value;
use sqlx::FromRow;

use crate::Store;
use crate::database::{Tx, all, run};
use crate::error::Result;
use crate::ids::new_id;
use crate::text::Json;

/// Something that happened.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct Event {
    /// Its id; sorts by time.
    pub id: String,
    /// The piece it concerns.
    pub piece_id: Option<String>,
    /// What kind of thing: `take.received`, `take.placed`, `take.asks`, `take.unusable`,
    /// `take.withdrawn`, `take.failed`, `render.done`, `render.failed`, or the caller's own.
    pub kind: String,
    /// The id of the take, render, … it happened to.
    pub subject: String,
    /// More about it.
    #[sqlx(try_from = "String")]
    pub data: Json,
    /// When.
    pub at: i64,
}

impl Store {
    /// Notes an event. The store itself notes those of takes and renders.
    pub async fn note_event(
        &self,
        piece_id: Option<&str>,
        kind: &str,
        subject: &str,
        data: &Value,
        now_us: i64,
    ) -> Result<()> {
        let mut tx = self.begin().await?;
        insert_event(&mut tx, piece_id, kind, subject, data, now_us).await?;
        tx.commit().await
    }

    /// The events of a piece from `since_us` on, oldest first.
    pub async fn events_since(
        &self,
        piece_id: &str,
        since_us: i64,
        limit: i64,
    ) -> Result<Vec<Event>> {
        let mut link = self.read().await?;
        all!(
            Event,
            link,
            "select id, piece_id, kind, subject, data, at from events
             where piece_id = $1 and at >= $2 order by at, id limit $3",
            piece_id,
            since_us,
            limit,
        )
    }
}

pub(crate) async fn insert_event(
    tx: &mut Tx,
    piece_id: Option<&str>,
    kind: &str,
    subject: &str,
    data: &Value,
    now_us: i64,
) -> Result<()> {
    run!(
        tx,
        "insert into events (id, piece_id, kind, subject, data, at)
         values ($1, $2, $3, $4, $5, $6)",
        new_id(now_us)?,
        piece_id,
        kind,
        subject,
        data.to_string(),
        now_us,
    )
    .map(drop)
}
