//! Stems: conformed takes on the master grid.

use serde::Serialize;
use sqlx::FromRow;

use crate::Store;
use crate::database::{all, first};
use crate::error::Result;
use crate::takes::sounds;
use crate::text::Json;

/// A stem's record.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct Stem {
    /// The take it was made of.
    pub take_id: String,
    /// Its blob.
    pub blob: String,
    /// Its length in bytes.
    pub bytes: i64,
    /// BLAKE3 in hex: two stems with the same hash sound the same.
    pub content_hash: String,
    /// Which engine made it.
    pub engine_version: String,
    /// Frames, first sample, active loudness, …
    #[sqlx(try_from = "String")]
    pub summary: Json,
    /// When it was made.
    pub created_at: i64,
}

/// A stem that is in the mix, with what a render needs to know of its take.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct PlacedStem {
    /// The stem.
    #[sqlx(flatten)]
    #[serde(flatten)]
    pub stem: Stem,
    /// What the take's own recording is called, here and where it is fetched.
    #[serde(default)]
    pub file_name: String,
    /// The take's form.
    #[sqlx(try_from = "String")]
    pub form: Json,
    /// What a person decided about the take.
    #[sqlx(try_from = "String")]
    pub corrections: Json,
    /// The conform job's outcome.
    #[sqlx(try_from = "String")]
    pub outcome: Json,
}

impl Store {
    /// The stem of a take, if it has one.
    pub async fn stem(&self, take_id: &str) -> Result<Option<Stem>> {
        let mut link = self.read().await?;
        first!(
            Stem,
            link,
            "select take_id, blob, bytes, content_hash, engine_version, summary, created_at
             from stems where take_id = $1",
            take_id,
        )
    }

    /// Every stem that belongs in the mix of a piece now, in order of arrival: of takes that are
    /// not replaced, and are placed or were and are being laid anew: until that is done they
    /// sound as they were.
    pub async fn placed_stems(&self, piece_id: &str) -> Result<Vec<PlacedStem>> {
        let mut link = self.read().await?;
        all!(
            PlacedStem,
            link,
            concat!(
                "select s.take_id, s.blob, s.bytes, s.content_hash, s.engine_version, s.summary,
                        s.created_at, t.file_name, t.form, t.corrections, t.outcome
                 from takes t join stems s on s.take_id = t.id
                 where t.piece_id = $1 and ",
                sounds!(),
                " order by t.id"
            ),
            piece_id,
        )
    }

    /// Blobs of stems that may lie in kept beds and are not in the mix any more: retired ones, and
    /// those of takes that were replaced, ask, or turned out unusable.
    pub async fn former_stems(&self, piece_id: &str) -> Result<Vec<String>> {
        let mut link = self.read().await?;
        let blobs = all!(
            (String,),
            link,
            concat!(
                "select blob from retired_stems where piece_id = $1
                 union all
                 select s.blob from takes t join stems s on s.take_id = t.id
                 where t.piece_id = $1 and not ",
                sounds!()
            ),
            piece_id,
        )?;
        Ok(blobs.into_iter().map(|(blob,)| blob).collect())
    }
}
