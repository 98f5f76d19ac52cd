//! What a render job records, from its beginning to its files.

use serde_json::{Value, json};

use crate::Store;
use crate::database::{first, run};
use crate::error::{ErrorKind, Result, StoreError};
use crate::events::insert_event;
use crate::piece_files::NewFile;
use crate::queue::{LeasedJob, NewJob, close_leased, fail_leased, insert_job};

impl Store {
    /// Marks a render as begun. `LeaseLost` when it was called off or another worker has it.
    pub async fn start_render(&self, job: &LeasedJob, id: &str, now_us: i64) -> Result<()> {
        let mut tx = self.begin().await?;
        let touched = run!(
            tx,
            "update renders set state = 'rendering', started_at = $2, progress_permille = 0
             where id = $1 and state in ('queued', 'rendering')
               and exists (select 1 from jobs where id = $3 and lease_token = $4)",
            id,
            now_us,
            &job.id,
            &job.lease_token,
        )?;
        if touched == 0 {
            return Err(called_off());
        }
        tx.commit().await
    }

    /// Says how far a render is. Not more than a few times a second.
    ///
    /// # Errors
    /// `LeaseLost` when it was called off or another worker has it: stop.
    pub async fn report_progress(
        &self,
        job: &LeasedJob,
        id: &str,
        permille: i64,
        doing: &str,
    ) -> Result<()> {
        let mut tx = self.begin().await?;
        let touched = run!(
            tx,
            "update renders set progress_permille = $2, doing = $3
             where id = $1 and state = 'rendering'
               and exists (select 1 from jobs where id = $4 and lease_token = $5)",
            id,
            permille.clamp(0, 1000),
            doing,
            &job.id,
            &job.lease_token,
        )?;
        tx.commit().await?;
        if touched == 1 { Ok(()) } else { Err(called_off()) }
    }

    /// Records a render's report and files, ends its job, and queues what is to follow: one
    /// transaction.
    ///
    /// # Errors
    /// `LeaseLost`: nothing was changed; delete the files' blobs.
    pub async fn finish_render(
        &self,
        job: &LeasedJob,
        id: &str,
        result: &Value,
        files: &[NewFile],
        next: Option<&NewJob>,
        now_us: i64,
    ) -> Result<()> {
        let mut tx = self.begin().await?;
        close_leased(&mut tx, job, now_us).await?;
        let piece = first!(
            (String,),
            tx,
            "update renders set state = 'done', progress_permille = 1000, doing = '',
                    result = $2, error = null, finished_at = $3
             where id = $1 and state in ('queued', 'rendering') returning piece_id",
            id,
            result.to_string(),
            now_us,
        )?;
        let (piece_id,) = piece.ok_or_else(called_off)?;
        for file in files {
            run!(
                tx,
                "insert into render_files
                 (render_id, name, media_type, blob, bytes, content_hash)
                 values ($1, $2, $3, $4, $5, $6)",
                id,
                &file.name,
                &file.media_type,
                &file.blob.id,
                file.blob.bytes as i64,
                &file.blob.content_hash,
            )?;
        }
        insert_event(&mut tx, Some(&piece_id), "render.done", id, &Value::Null, now_us).await?;
        if let Some(job) = next {
            insert_job(&mut tx, job, now_us).await?;
        }
        tx.commit().await?;
        self.queued.notify_one();
        Ok(())
    }

    /// Ends a render that cannot be made, with a sentence for the organiser, and its job.
    ///
    /// # Errors
    /// `LeaseLost`.
    pub async fn give_up_render(
        &self,
        job: &LeasedJob,
        id: &str,
        error: &str,
        now_us: i64,
    ) -> Result<()> {
        let mut tx = self.begin().await?;
        fail_leased(&mut tx, job, error, now_us).await?;
        let piece = first!(
            (String,),
            tx,
            "update renders set state = 'failed', doing = '', error = $2, finished_at = $3
             where id = $1 and state in ('queued', 'rendering') returning piece_id",
            id,
            error,
            now_us,
        )?;
        if let Some((piece_id,)) = piece {
            let data = json!({ "error": error });
            insert_event(&mut tx, Some(&piece_id), "render.failed", id, &data, now_us).await?;
        }
        tx.commit().await
    }
}

fn called_off() -> StoreError {
    StoreError::new(ErrorKind::LeaseLost, "The render was called off, or another worker has it.")
}
