//! What a conform job records, and how a take is withdrawn.

use serde_json::{Value, json};

use ripieno_score::TakeState;

use crate::Store;
use crate::blobs::StoredBlob;
use crate::database::{Tx, all, first, run};
use crate::error::{ErrorKind, Result, StoreError};
use crate::events::insert_event;
use crate::queue::{LeasedJob, cancel_jobs, close_leased, fail_leased};
use crate::renders::delete_renders_for_take;
use crate::succession;
use crate::takes::withdrawn;

/// A stem to be recorded with its take's outcome.
#[derive(Clone, Debug)]
pub struct NewStem<'a> {
    /// The stem's bytes.
    pub blob: StoredBlob,
    /// Which engine made it.
    pub engine_version: &'a str,
    /// Its summary (frames, first sample, active loudness, …) as JSON.
    pub summary: &'a Value,
}

/// What came out of conforming a take.
#[derive(Clone, Debug)]
pub struct Conformed<'a> {
    /// `Placed`, `Asks` or `Unusable`.
    pub state: TakeState,
    /// Fit, marks, candidates, format, … as JSON.
    pub outcome: &'a Value,
    /// The findings, most important first, as a JSON array.
    pub findings: &'a Value,
    /// Waveform and spectrum, as JSON.
    pub plots: &'a Value,
    /// The stem; a take that asks may have one too, to be listened to.
    pub stem: Option<NewStem<'a>>,
}

/// What became of a finished conform job.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ConformEnd {
    /// The outcome is recorded.
    Recorded,
    /// The take was withdrawn meanwhile: the job is over, nothing was recorded. Delete the stem.
    TakeGone,
}

impl Store {
    /// Marks a take as being conformed; `NotNow` when it was withdrawn, `LeaseLost`.
    pub async fn start_conform(&self, job: &LeasedJob, take_id: &str, now_us: i64) -> Result<()> {
        let mut tx = self.begin().await?;
        let touched = run!(
            tx,
            "update takes set state = 'conforming', updated_at = $2
             where id = $1 and state <> 'withdrawn'
               and exists (select 1 from jobs where id = $3 and lease_token = $4)",
            take_id,
            now_us,
            &job.id,
            &job.lease_token,
        )?;
        if touched == 0 {
            drop(tx);
            let take = self.take(take_id).await?;
            return Err(match take.state {
                TakeState::Withdrawn => withdrawn(take_id),
                _ => StoreError::new(ErrorKind::LeaseLost, "The job has another worker by now."),
            });
        }
        tx.commit().await
    }

    /// Records a conform job's outcome, stem, findings and plots, ends the job, and lets a placed
    /// take replace those it was sent to replace: one transaction. A former stem is kept as
    /// retired until the sweep, since a render may be reading it.
    ///
    /// # Errors
    /// `LeaseLost`: nothing was changed; delete the new stem's blob.
    pub async fn finish_conform(
        &self,
        job: &LeasedJob,
        take_id: &str,
        conformed: &Conformed<'_>,
        now_us: i64,
    ) -> Result<ConformEnd> {
        let mut tx = self.begin().await?;
        close_leased(&mut tx, job, now_us).await?;
        let piece = first!(
            (String,),
            tx,
            "update takes set state = $2, outcome = $3, findings = $4, plots = $5, laid_before = 0,
                    updated_at = $6
             where id = $1 and state <> 'withdrawn' returning piece_id",
            take_id,
            conformed.state.word(),
            conformed.outcome.to_string(),
            conformed.findings.to_string(),
            conformed.plots.to_string(),
            now_us,
        )?;
        let Some((piece_id,)) = piece else {
            tx.commit().await?;
            return Ok(ConformEnd::TakeGone);
        };
        run!(
            tx,
            "insert into retired_stems (blob, take_id, piece_id, retired_at)
             select blob, take_id, $2, $3 from stems where take_id = $1",
            take_id,
            &piece_id,
            now_us,
        )?;
        run!(tx, "delete from stems where take_id = $1", take_id)?;
        if let Some(stem) = &conformed.stem {
            insert_stem(&mut tx, take_id, stem, now_us).await?;
        }
        succession::settle(&mut tx, take_id, now_us).await?;
        let kind = format!("take.{}", conformed.state.word());
        insert_event(&mut tx, Some(&piece_id), &kind, take_id, &Value::Null, now_us).await?;
        tx.commit().await?;
        Ok(ConformEnd::Recorded)
    }

    /// Gives a conform job up: the job fails with `error`, and the take asks, with `finding` (an
    /// object like the others) in front of its findings. One transaction.
    ///
    /// # Errors
    /// `LeaseLost`.
    pub async fn give_up_conform(
        &self,
        job: &LeasedJob,
        take_id: &str,
        error: &str,
        finding: &Value,
        now_us: i64,
    ) -> Result<()> {
        let mut tx = self.begin().await?;
        fail_leased(&mut tx, job, error, now_us).await?;
        let piece = first!(
            (String,),
            tx,
            "update takes set state = 'asks', findings = $2, laid_before = 0, updated_at = $3
             where id = $1 and state <> 'withdrawn' returning piece_id",
            take_id,
            json!([finding]).to_string(),
            now_us,
        )?;
        if let Some((piece_id,)) = piece {
            succession::settle(&mut tx, take_id, now_us).await?;
            let data = json!({ "error": error });
            insert_event(&mut tx, Some(&piece_id), "take.failed", take_id, &data, now_us).await?;
        }
        tx.commit().await
    }

    /// Withdraws a take and every earlier take that it was sent to replace or stands in for: the
    /// records keep a tombstone and nothing personal, jobs are called off, recordings, stems and
    /// what was rendered for its contributor alone are deleted.
    /// Gives the ids of all that were withdrawn now; withdrawing twice gives none.
    ///
    /// When a file cannot be deleted at once the records are right all the same, and the sweep
    /// deletes it.
    pub async fn withdraw_take(
        &self,
        take_id: &str,
        withdrawn_by: &str,
        now_us: i64,
    ) -> Result<Vec<String>> {
        self.take(take_id).await?;
        let mut tx = self.begin().await?;
        let chain = all!(
            (String, String),
            tx,
            "with recursive chain (id) as (
                 select $1
                 union
                 select t.replaces from takes t join chain on t.id = chain.id
                 where t.replaces is not null
             )
             select t.id, t.piece_id from chain join takes t on t.id = chain.id
             where t.state <> 'withdrawn'
             union
             select id, piece_id from takes where replaced_by = $1 and state <> 'withdrawn'",
            take_id,
        )?;
        let mut blobs = Vec::new();
        for (id, piece_id) in &chain {
            bury(&mut tx, id, piece_id, withdrawn_by, now_us, &mut blobs).await?;
        }
        tx.commit().await?;
        for blob in blobs {
            if let Err(error) = self.delete_blob(&blob).await {
                tracing::error!(blob, %error, "a withdrawn recording is left to the sweep");
            }
        }
        Ok(chain.into_iter().map(|(id, _)| id).collect())
    }
}

async fn bury(
    tx: &mut Tx,
    take_id: &str,
    piece_id: &str,
    withdrawn_by: &str,
    now_us: i64,
    blobs: &mut Vec<String>,
) -> Result<()> {
    let own = all!(
        (String,),
        tx,
        "select blob from takes where id = $1 and blob is not null
         union all select blob from stems where take_id = $1
         union all select blob from retired_stems where take_id = $1",
        take_id,
    )?;
    blobs.extend(own.into_iter().map(|(blob,)| blob));
    run!(tx, "delete from stems where take_id = $1", take_id)?;
    run!(tx, "delete from retired_stems where take_id = $1", take_id)?;
    run!(tx, "delete from uploads where take_id = $1", take_id)?;
    run!(tx, "delete from fingerprints where take_id = $1", take_id)?;
    run!(
        tx,
        "update takes set state = 'withdrawn', tombstone = $2, updated_at = $3, form = '{}',
                file_name = '', media_type = '', blob = null, bytes = 0, content_hash = null,
                outcome = 'null', findings = '[]', plots = 'null', corrections = '{}',
                laid_before = 0
         where id = $1",
        take_id,
        json!({ "withdrawn_at": now_us, "withdrawn_by": withdrawn_by }).to_string(),
        now_us,
    )?;
    blobs.extend(delete_renders_for_take(tx, piece_id, take_id, now_us).await?);
    cancel_jobs(tx, None, take_id, now_us).await?;
    insert_event(tx, Some(piece_id), "take.withdrawn", take_id, &Value::Null, now_us).await
}

async fn insert_stem(tx: &mut Tx, take_id: &str, stem: &NewStem<'_>, now_us: i64) -> Result<()> {
    run!(
        tx,
        "insert into stems
         (take_id, blob, bytes, content_hash, engine_version, summary, created_at)
         values ($1, $2, $3, $4, $5, $6, $7)",
        take_id,
        &stem.blob.id,
        stem.blob.bytes as i64,
        &stem.blob.content_hash,
        stem.engine_version,
        stem.summary.to_string(),
        now_us,
    )
    .map(drop)
}
