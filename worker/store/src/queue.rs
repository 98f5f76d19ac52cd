//! The queue: jobs that are leased, renewed, finished, or tried again.
//!
//! A worker leases a job until an instant. Does it not renew in time, another may take the job,
//! and whatever the first one still sends with its old lease is refused and rolled back. Results
//! are recorded by the function of what the job was about (`finish_conform`, `finish_render`,
//! `finish_pack`), which ends the job in the same transaction; `finish_job` is for jobs that
//! leave nothing in the records.
//!
//! A job that has been started more often than it may be (its worker died each time) is leased
//! once more, with [`LeasedJob::is_exhausted`] true: do not run it, give it up.

use std::time::Duration;

use serde::Serialize;
use serde_json::Value;
use sqlx::FromRow;

use crate::Store;
use crate::database::{Tx, all, first, run};
use crate::error::{ErrorKind, Result, StoreError};
use crate::ids::{Secret, new_id};
use crate::text::{Json, text_enum};

const FIRST_WAIT_US: i64 = 2_000_000;
const LONGEST_WAIT_US: i64 = 600_000_000;

text_enum! {
    /// Where a job stands.
    JobState {
        /// Waiting.
        Queued = "queued",
        /// With a worker, until its lease ends.
        Leased = "leased",
        /// Done, its result recorded.
        Done = "done",
        /// Given up.
        Failed = "failed",
        /// Not wanted any more.
        Cancelled = "cancelled",
    }
}

/// A job to be queued. While one of the same kind and subject waits, a second is not queued.
#[derive(Clone, Debug)]
pub struct NewJob {
    /// What is to be done.
    pub kind: String,
    /// The id of what it is done to; jobs of one kind and subject never run side by side.
    pub subject: String,
    /// What the worker needs to know.
    pub payload: Value,
    /// How often it may be started, at least 1.
    pub max_attempts: i64,
    /// Not before this instant; 0 for at once.
    pub run_after_us: i64,
}

/// A job's record.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct JobRecord {
    /// Its id.
    pub id: String,
    /// What is to be done.
    pub kind: String,
    /// What it is done to.
    pub subject: String,
    /// Where it stands.
    #[sqlx(try_from = "String")]
    pub state: JobState,
    /// How often it was started.
    pub attempts: i64,
    /// How often it may be.
    pub max_attempts: i64,
    /// When it may be taken next.
    pub due_at: Option<i64>,
    /// Who has it.
    pub leased_by: Option<String>,
    /// What went wrong last, for the organiser.
    pub last_error: Option<String>,
    /// When it was queued.
    pub created_at: i64,
    /// When it was over.
    pub finished_at: Option<i64>,
}

/// A job in a worker's hands.
#[derive(Clone, Debug, FromRow)]
pub struct LeasedJob {
    /// Its id.
    pub id: String,
    /// What is to be done.
    pub kind: String,
    /// What it is done to.
    pub subject: String,
    /// What the worker needs to know.
    #[sqlx(try_from = "String")]
    pub payload: Json,
    /// The how manieth start this is, from 1.
    pub attempts: i64,
    /// How often it may be started.
    pub max_attempts: i64,
    /// What went wrong last time.
    pub last_error: Option<String>,
    pub(crate) lease_token: String,
}

impl LeasedJob {
    /// Whether it was started as often as allowed already: give it up without running it.
    pub fn is_exhausted(&self) -> bool {
        self.attempts > self.max_attempts
    }
}

/// What became of a job that failed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum AfterFailure {
    /// It is tried again from this instant on.
    TriedAgain {
        /// When.
        at_us: i64,
    },
    /// It was its last attempt, and it is still leased: give it up now.
    GiveUp,
}

/// How the queue stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize)]
pub struct QueueDepth {
    /// Waiting.
    pub queued: i64,
    /// With workers.
    pub leased: i64,
    /// Given up.
    pub failed: i64,
}

impl Store {
    /// Queues a job on its own; jobs that belong to a record are queued by the function that
    /// writes the record. Gives false when one like it waits already.
    pub async fn queue_job(&self, job: &NewJob, now_us: i64) -> Result<bool> {
        let mut tx = self.begin().await?;
        let queued = insert_job(&mut tx, job, now_us).await?;
        tx.commit().await?;
        self.queued.notify_one();
        Ok(queued)
    }

    /// Waits until somebody in this process queues a job, or `at_most` has passed: jobs queued by
    /// another process are found by looking again.
    pub async fn wait_for_job(&self, at_most: Duration) {
        // Running out of time is the normal case.
        let _ = tokio::time::timeout(at_most, self.queued.notified()).await;
    }

    /// Takes the job that has been due longest, until `now_us + lease_us`, if there is one.
    pub async fn lease_job(
        &self,
        worker: &str,
        now_us: i64,
        lease_us: i64,
    ) -> Result<Option<LeasedJob>> {
        let mut tx = self.begin().await?;
        // The outer condition repeats the inner one: where two takers run this at once, the
        // second looks again at a row that the first has meanwhile taken.
        let job = first!(
            LeasedJob,
            tx,
            "update jobs set state = 'leased', attempts = attempts + 1, due_at = $2,
                    lease_token = $3, leased_by = $4
             where id = (
                 select j.id from jobs j
                 where j.due_at <= $1 and not exists (
                     select 1 from jobs o
                     where o.kind = j.kind and o.subject = j.subject and o.state = 'leased'
                       and o.due_at > $1
                 )
                 order by j.due_at, j.id limit 1
             ) and due_at <= $1
             returning id, kind, subject, payload, attempts, max_attempts, last_error,
                       lease_token",
            now_us,
            now_us + lease_us,
            Secret::new()?.reveal(),
            worker,
        )?;
        tx.commit().await?;
        Ok(job)
    }

    /// Prolongs a lease to `now_us + lease_us`.
    ///
    /// # Errors
    /// `LeaseLost`: another worker has the job, or it was cancelled; stop working on it.
    pub async fn renew_lease(&self, job: &LeasedJob, now_us: i64, lease_us: i64) -> Result<()> {
        let mut tx = self.begin().await?;
        let touched = run!(
            tx,
            "update jobs set due_at = $3
             where id = $1 and lease_token = $2 and state = 'leased'",
            &job.id,
            &job.lease_token,
            now_us + lease_us,
        )?;
        tx.commit().await?;
        if touched == 1 { Ok(()) } else { Err(lease_lost(job)) }
    }

    /// Ends a job that leaves nothing in the records.
    ///
    /// # Errors
    /// `LeaseLost`.
    pub async fn finish_job(&self, job: &LeasedJob, now_us: i64) -> Result<()> {
        let mut tx = self.begin().await?;
        close_leased(&mut tx, job, now_us).await?;
        tx.commit().await
    }

    /// Puts a job back to be tried again, after a wait that doubles each time, unless this was
    /// its last attempt.
    ///
    /// # Errors
    /// `LeaseLost`.
    pub async fn fail_job(
        &self,
        job: &LeasedJob,
        error: &str,
        now_us: i64,
    ) -> Result<AfterFailure> {
        if job.attempts >= job.max_attempts {
            return Ok(AfterFailure::GiveUp);
        }
        let at_us = now_us + wait_us(job.attempts);
        self.put_back(job, Some(error), at_us, false).await?;
        Ok(AfterFailure::TriedAgain { at_us })
    }

    /// Puts a job back untried, as on a graceful stop: the start is not counted.
    ///
    /// # Errors
    /// `LeaseLost`.
    pub async fn return_job(&self, job: &LeasedJob, now_us: i64) -> Result<()> {
        self.put_back(job, None, now_us, true).await
    }

    async fn put_back(
        &self,
        job: &LeasedJob,
        error: Option<&str>,
        at_us: i64,
        uncount: bool,
    ) -> Result<()> {
        let mut tx = self.begin().await?;
        // Another like it may have been queued meanwhile; then that one is enough.
        let waiting = first!(
            (String,),
            tx,
            "select id from jobs where kind = $1 and subject = $2 and state = 'queued'",
            &job.kind,
            &job.subject,
        )?;
        let touched = if waiting.is_some() {
            run!(
                tx,
                "update jobs set state = 'cancelled', due_at = null, lease_token = null,
                        last_error = coalesce($3, last_error), finished_at = $4
                 where id = $1 and lease_token = $2 and state = 'leased'",
                &job.id,
                &job.lease_token,
                error,
                at_us,
            )?
        } else {
            run!(
                tx,
                "update jobs set state = 'queued', due_at = $4, lease_token = null,
                        last_error = coalesce($3, last_error), attempts = attempts - $5
                 where id = $1 and lease_token = $2 and state = 'leased'",
                &job.id,
                &job.lease_token,
                error,
                at_us,
                i64::from(uncount),
            )?
        };
        if touched == 0 {
            return Err(lease_lost(job));
        }
        tx.commit().await
    }

    /// Sets a job aside as failed. Jobs about a take or a render are given up by
    /// `give_up_conform` and `give_up_render`, which tell the record too.
    ///
    /// # Errors
    /// `LeaseLost`.
    pub async fn give_up_job(&self, job: &LeasedJob, error: &str, now_us: i64) -> Result<()> {
        let mut tx = self.begin().await?;
        fail_leased(&mut tx, job, error, now_us).await?;
        tx.commit().await
    }

    /// The latest jobs about one thing, newest first.
    pub async fn jobs_about(&self, subject: &str, kind: &str) -> Result<Vec<JobRecord>> {
        let mut link = self.read().await?;
        all!(
            JobRecord,
            link,
            "select id, kind, subject, state, attempts, max_attempts, due_at, leased_by,
                    last_error, created_at, finished_at
             from jobs where kind = $1 and subject = $2 order by id desc limit 20",
            kind,
            subject,
        )
    }

    /// How many jobs wait, run and failed.
    pub async fn queue_depth(&self) -> Result<QueueDepth> {
        let mut link = self.read().await?;
        let counts = all!(
            (String, i64),
            link,
            "select state, count(*) from jobs where state in ('queued', 'leased', 'failed')
             group by state",
        )?;
        let mut depth = QueueDepth::default();
        for (state, count) in counts {
            match state.as_str() {
                "queued" => depth.queued = count,
                "leased" => depth.leased = count,
                _ => depth.failed = count,
            }
        }
        Ok(depth)
    }

    /// When the next job falls due, for a worker that wants to sleep until then.
    pub async fn next_due_us(&self) -> Result<Option<i64>> {
        let mut link = self.read().await?;
        let due =
            first!((Option<i64>,), link, "select min(due_at) from jobs where due_at is not null",)?;
        Ok(due.and_then(|(at,)| at))
    }

    /// Forgets jobs that were over before `before_us`; gives how many.
    pub async fn forget_jobs(&self, before_us: i64) -> Result<u64> {
        let mut tx = self.begin().await?;
        let gone = run!(tx, "delete from jobs where finished_at < $1", before_us)?;
        tx.commit().await?;
        Ok(gone)
    }
}

/// Queues a job within a transaction; false when one like it waits.
pub(crate) async fn insert_job(tx: &mut Tx, job: &NewJob, now_us: i64) -> Result<bool> {
    insert_job_due(tx, job, job.run_after_us.max(now_us), now_us).await
}

/// Queues a job that takes its turn as if it had fallen due at `due_at_us`.
pub(crate) async fn insert_job_due(
    tx: &mut Tx,
    job: &NewJob,
    due_at_us: i64,
    now_us: i64,
) -> Result<bool> {
    let made = run!(
        tx,
        "insert into jobs
         (id, kind, subject, payload, state, max_attempts, due_at, created_at)
         values ($1, $2, $3, $4, 'queued', $5, $6, $7)
         on conflict do nothing",
        new_id(now_us)?,
        &job.kind,
        &job.subject,
        job.payload.to_string(),
        job.max_attempts.max(1),
        due_at_us,
        now_us,
    )?;
    Ok(made == 1)
}

/// Ends a job well within a transaction, or fails, and the transaction with it.
pub(crate) async fn close_leased(tx: &mut Tx, job: &LeasedJob, now_us: i64) -> Result<()> {
    let touched = run!(
        tx,
        "update jobs set state = 'done', due_at = null, lease_token = null, finished_at = $3
         where id = $1 and lease_token = $2 and state = 'leased'",
        &job.id,
        &job.lease_token,
        now_us,
    )?;
    if touched == 1 { Ok(()) } else { Err(lease_lost(job)) }
}

pub(crate) async fn fail_leased(
    tx: &mut Tx,
    job: &LeasedJob,
    error: &str,
    now_us: i64,
) -> Result<()> {
    let touched = run!(
        tx,
        "update jobs set state = 'failed', due_at = null, lease_token = null, finished_at = $3,
                last_error = $4
         where id = $1 and lease_token = $2 and state = 'leased'",
        &job.id,
        &job.lease_token,
        now_us,
        error,
    )?;
    if touched == 1 { Ok(()) } else { Err(lease_lost(job)) }
}

/// Calls off every job about a subject; whoever works on one loses the lease.
pub(crate) async fn cancel_jobs(
    tx: &mut Tx,
    kind: Option<&str>,
    subject: &str,
    now_us: i64,
) -> Result<()> {
    run!(
        tx,
        "update jobs set state = 'cancelled', due_at = null, lease_token = null, finished_at = $3
         where subject = $1 and kind = coalesce($2, kind) and due_at is not null",
        subject,
        kind,
        now_us,
    )
    .map(drop)
}

fn lease_lost(job: &LeasedJob) -> StoreError {
    StoreError::new(
        ErrorKind::LeaseLost,
        format!("Job {} is not this worker's any more; what it sent was not kept.", job.id),
    )
}

fn wait_us(attempts: i64) -> i64 {
    (FIRST_WAIT_US << (attempts - 1).clamp(0, 20)).min(LONGEST_WAIT_US)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_double_and_are_bounded() {
        let waits: Vec<i64> = (1..=12).map(|n| wait_us(n) / 1_000_000).collect();
        assert_eq!(waits, [2, 4, 8, 16, 32, 64, 128, 256, 512, 600, 600, 600]);
        assert_eq!(wait_us(i64::MAX), LONGEST_WAIT_US);
    }
}
