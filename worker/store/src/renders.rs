//! Renders: one run of the mixer each, from its request to its files.

use serde::Serialize;
use serde_json::Value;
use sqlx::FromRow;

use crate::Store;
use crate::database::{Tx, all, first, run};
use crate::error::{ErrorKind, Result, StoreError};
use crate::ids::new_id;
use crate::queue::{NewJob, cancel_jobs, insert_job_due};
use crate::text::{Json, text_enum};

/// By how much a render that an organiser waits for goes before takes that came in.
const HEAD_START_US: i64 = 10 * 60 * 1_000_000;

text_enum! {
    /// What a render is for.
    RenderKind {
        /// Quick, small, to listen to in a browser.
        Preview = "preview",
        /// The deliverables.
        Final = "final",
    }
}

text_enum! {
    /// Where a render stands.
    RenderState {
        /// Waiting for a worker.
        Queued = "queued",
        /// At work.
        Rendering = "rendering",
        /// Done; its files are there.
        Done = "done",
        /// It failed; `error` says why.
        Failed = "failed",
        /// Called off.
        Cancelled = "cancelled",
    }
}

/// A render to be made.
#[derive(Clone, Debug)]
pub struct NewRender<'a> {
    /// The piece.
    pub piece_id: &'a str,
    /// What it is for.
    pub kind: RenderKind,
    /// What exactly is wanted, as JSON.
    pub request: &'a Value,
    /// Who or what asked: an organiser's name, `nightly`, …
    pub requested_by: &'a str,
    /// A name for an occasion that is to have one render only (`nightly 2026-11-25`), however
    /// many ask for it.
    pub occasion: Option<&'a str>,
}

/// A render's record.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct Render {
    /// Its id.
    pub id: String,
    /// The piece.
    pub piece_id: String,
    /// What it is for.
    #[sqlx(try_from = "String")]
    pub kind: RenderKind,
    /// The occasion it was made for.
    pub occasion: Option<String>,
    /// What is wanted.
    #[sqlx(try_from = "String")]
    pub request: Json,
    /// Who asked.
    pub requested_by: String,
    /// Where it stands.
    #[sqlx(try_from = "String")]
    pub state: RenderState,
    /// How far it is, in thousandths.
    pub progress_permille: i64,
    /// What is being done, in words; empty when nothing is.
    pub doing: String,
    /// The report: stems, arrangement and engine versions, loudness, …; null before.
    #[sqlx(try_from = "String")]
    pub result: Json,
    /// Why it failed, in a sentence for the organiser.
    pub error: Option<String>,
    /// When it was asked for.
    pub created_at: i64,
    /// When work on it (last) began.
    pub started_at: Option<i64>,
    /// When it was over.
    pub finished_at: Option<i64>,
}

/// A file of a render.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct RenderFile {
    /// Its name, unique in the render.
    pub name: String,
    /// Its media type.
    pub media_type: String,
    /// Its blob.
    pub blob: String,
    /// Its length.
    pub bytes: i64,
    /// BLAKE3 in hex.
    pub content_hash: String,
}

/// The occasion of a render that is for the contributor of one take alone; `what` tells it from
/// others for the same take. Such renders stand in no list and go when their take is withdrawn.
#[must_use]
pub fn occasion_for_take(take_id: &str, what: &str) -> String {
    format!("take:{take_id}:{what}")
}

/// Whether a render's request is for everybody, all along: no section, no group, no take apart.
#[must_use]
pub(crate) fn hears_everybody(request: &Value) -> bool {
    let none = |name: &str| request[name].as_array().is_none_or(Vec::is_empty);
    none("sections") && none("groups") && request["louder_take"].is_null()
}

macro_rules! select_render {
    ($rest:literal) => {
        concat!(
            "select id, piece_id, kind, occasion, request, requested_by, state, \
             progress_permille, doing, result, error, created_at, started_at, finished_at \
             from renders ",
            $rest
        )
    };
}

impl Store {
    /// Records a render and queues its job in one transaction; `job` makes the job of the
    /// render's id. One that an organiser asks for goes before takes that came in the last
    /// minutes: on the day of a deadline hundreds may wait. An occasion that has its render already
    /// gives that one.
    pub async fn request_render(
        &self,
        render: &NewRender<'_>,
        job: impl FnOnce(&str) -> NewJob,
        now_us: i64,
    ) -> Result<Render> {
        self.piece(render.piece_id).await?;
        let id = new_id(now_us)?;
        let mut tx = self.begin().await?;
        let made = run!(
            tx,
            "insert into renders
             (id, piece_id, kind, occasion, request, requested_by, state, created_at)
             values ($1, $2, $3, $4, $5, $6, 'queued', $7)
             on conflict (piece_id, occasion) do nothing",
            &id,
            render.piece_id,
            render.kind.as_str(),
            render.occasion,
            render.request.to_string(),
            render.requested_by,
            now_us,
        )?;
        if made == 0 {
            drop(tx);
            return self.render_for_occasion(render).await;
        }
        // An occasion is somebody's who does not wait for it at the desk.
        let head_start_us = if render.occasion.is_none() { HEAD_START_US } else { 0 };
        insert_job_due(&mut tx, &job(&id), now_us - head_start_us, now_us).await?;
        tx.commit().await?;
        self.queued.notify_one();
        self.render(&id).await
    }

    async fn render_for_occasion(&self, render: &NewRender<'_>) -> Result<Render> {
        let occasion = render.occasion.unwrap_or_default();
        let mut link = self.read().await?;
        first!(
            Render,
            link,
            select_render!("where piece_id = $1 and occasion = $2"),
            render.piece_id,
            occasion,
        )?
        .ok_or_else(|| StoreError::not_found("render for", occasion))
    }

    /// The render with this id.
    pub async fn render(&self, id: &str) -> Result<Render> {
        let mut link = self.read().await?;
        first!(Render, link, select_render!("where id = $1"), id)?
            .ok_or_else(|| StoreError::not_found("render", id))
    }

    /// Renders of a piece, newest first, starting before the id `before`; without those that one
    /// contributor asked for (see [`occasion_for_take`]).
    pub async fn list_renders(
        &self,
        piece_id: &str,
        before: Option<&str>,
        limit: i64,
    ) -> Result<Vec<Render>> {
        let mut link = self.read().await?;
        all!(
            Render,
            link,
            select_render!(
                "where piece_id = $1 and id < $2
                   and (occasion is null or occasion not like 'take:%')
                 order by id desc limit $3"
            ),
            piece_id,
            before.unwrap_or("~"),
            limit,
        )
    }

    /// The newest finished render of a kind.
    pub async fn latest_render(&self, piece_id: &str, kind: RenderKind) -> Result<Option<Render>> {
        let mut link = self.read().await?;
        first!(
            Render,
            link,
            select_render!(
                "where piece_id = $1 and kind = $2 and state = 'done' order by id desc limit 1"
            ),
            piece_id,
            kind.as_str(),
        )
    }

    /// The newest finished nightly render before the one of id `before`.
    pub async fn last_nightly(&self, piece_id: &str, before: &str) -> Result<Option<Render>> {
        let mut link = self.read().await?;
        first!(
            Render,
            link,
            select_render!(
                "where piece_id = $1 and id < $2 and occasion like 'nightly %' and state = 'done'
                 order by id desc limit 1"
            ),
            piece_id,
            before,
        )
    }

    /// The newest finished render of the whole piece with everybody in it, and the name of its
    /// sound file, however many of parts were made since.
    pub async fn newest_to_hear(&self, piece_id: &str) -> Result<Option<(Render, String)>> {
        let mut before: Option<String> = None;
        loop {
            let page = self.list_renders(piece_id, before.as_deref(), 50).await?;
            let Some(last) = page.last() else { return Ok(None) };
            before = Some(last.id.clone());
            for render in page {
                if render.state != RenderState::Done || !hears_everybody(&render.request.0) {
                    continue;
                }
                let files = self.render_files(&render.id).await?;
                if let Some(file) = files.into_iter().find(|f| f.name.starts_with("preview.")) {
                    return Ok(Some((render, file.name)));
                }
            }
        }
    }

    /// Deletes a piece's nightly renders that are over, all but the newest `keep` finished ones;
    /// gives how many.
    pub async fn thin_nightly(&self, piece_id: &str, keep: i64) -> Result<u64> {
        let old = {
            let mut link = self.read().await?;
            all!(
                (String,),
                link,
                "select r.id from renders r
                 where r.piece_id = $1 and r.occasion like 'nightly %'
                   and r.state in ('done', 'failed', 'cancelled')
                   and (select count(*) from renders n
                        where n.piece_id = r.piece_id and n.occasion like 'nightly %'
                          and n.state = 'done' and n.id > r.id) >= $2",
                piece_id,
                keep.max(1),
            )?
        };
        for (id,) in &old {
            self.delete_render(id).await?;
        }
        Ok(old.len() as u64)
    }

    /// The files of a render, by name.
    pub async fn render_files(&self, render_id: &str) -> Result<Vec<RenderFile>> {
        let mut link = self.read().await?;
        all!(
            RenderFile,
            link,
            "select name, media_type, blob, bytes, content_hash from render_files
             where render_id = $1 order by name",
            render_id,
        )
    }

    /// One file of a render.
    pub async fn render_file(&self, render_id: &str, name: &str) -> Result<RenderFile> {
        let mut link = self.read().await?;
        first!(
            RenderFile,
            link,
            "select name, media_type, blob, bytes, content_hash from render_files
             where render_id = $1 and name = $2",
            render_id,
            name,
        )?
        .ok_or_else(|| StoreError::not_found("file", name))
    }

    /// Calls a render off. One that is over stays as it is (`NotNow`); a worker at it loses its
    /// lease and stops.
    pub async fn cancel_render(&self, id: &str, now_us: i64) -> Result<()> {
        self.render(id).await?;
        let mut tx = self.begin().await?;
        let touched = run!(
            tx,
            "update renders set state = 'cancelled', finished_at = $2, doing = ''
             where id = $1 and state in ('queued', 'rendering')",
            id,
            now_us,
        )?;
        if touched == 0 {
            return Err(StoreError::new(ErrorKind::NotNow, "This render is over already."));
        }
        cancel_jobs(&mut tx, None, id, now_us).await?;
        tx.commit().await
    }

    /// Deletes a render and its files; not while it is being made (`NotNow`).
    pub async fn delete_render(&self, id: &str) -> Result<()> {
        let files = self.render_files(id).await?;
        let mut tx = self.begin().await?;
        run!(
            tx,
            "delete from render_files where render_id in (
                 select id from renders where id = $1 and state not in ('queued', 'rendering'))",
            id,
        )?;
        let gone = run!(
            tx,
            "delete from renders where id = $1 and state not in ('queued', 'rendering')",
            id,
        )?;
        if gone == 0 {
            drop(tx);
            self.render(id).await?;
            return Err(StoreError::new(
                ErrorKind::NotNow,
                "This render is still being made. Cancel it first.",
            ));
        }
        tx.commit().await?;
        for file in files {
            self.delete_blob(&file.blob).await?;
        }
        Ok(())
    }
}

/// Deletes the renders that were made for a take's contributor; one under way is called off.
/// Gives their files' blobs, to be deleted after the transaction.
pub(crate) async fn delete_renders_for_take(
    tx: &mut Tx,
    piece_id: &str,
    take_id: &str,
    now_us: i64,
) -> Result<Vec<String>> {
    let renders = all!(
        (String,),
        tx,
        "select id from renders where piece_id = $1 and occasion like $2",
        piece_id,
        occasion_for_take(take_id, "%"),
    )?;
    let mut blobs = Vec::new();
    for (id,) in &renders {
        cancel_jobs(tx, None, id, now_us).await?;
        let files = all!(
            (String,),
            tx,
            "delete from render_files where render_id = $1 returning blob",
            id
        )?;
        blobs.extend(files.into_iter().map(|(blob,)| blob));
        run!(tx, "delete from renders where id = $1", id)?;
    }
    Ok(blobs)
}
