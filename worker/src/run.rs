//! Lease, dispatch, finish.

use std::convert::Infallible;
use std::future::Future;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, SystemTime};

use ripieno_store::{AfterFailure, ErrorKind, LeasedJob, Store, StoreError};
use tokio::sync::{Semaphore, watch};
use tokio::task::JoinSet;
use tracing::Instrument;

use crate::jobs::guides::GuideShelf;
use crate::jobs::{Job, JobError, conform, pack, render};
use crate::nightly;
use crate::secret::Secret;
use crate::sweep::{SweepPolicy, sweep};
use crate::webhook;

/// How a worker works.
#[derive(Clone, Debug)]
pub struct Settings {
    /// Its name in the records, for instance host and process id.
    pub name: String,
    /// How many jobs it has in hand at once.
    pub slots: usize,
    /// How many threads one render may use.
    pub render_threads: usize,
    /// How long a lease lasts; it is renewed three times as often.
    pub lease: Duration,
    /// How often it looks for jobs that another process has queued.
    pub look_every: Duration,
    /// How long a stop waits for jobs in hand. Renders break off at once and go on later.
    pub stop_within: Duration,
    /// How files are decoded at most.
    pub limits: ripieno_engine::decode::Limits,
    /// What is swept when.
    pub sweep: SweepPolicy,
    /// The key that signs what is posted to a piece's webhook; while empty nothing is posted.
    pub webhook_secret: Secret,
}

impl Default for Settings {
    fn default() -> Self {
        let cores = std::thread::available_parallelism().map_or(2, usize::from);
        Settings {
            name: format!("worker {}", std::process::id()),
            slots: cores,
            render_threads: cores,
            lease: Duration::from_secs(30),
            look_every: Duration::from_millis(500),
            stop_within: Duration::from_secs(20),
            limits: ripieno_engine::decode::Limits::default(),
            sweep: SweepPolicy::default(),
            webhook_secret: Secret::default(),
        }
    }
}

/// A job in hand, as the job's own code sees it.
pub(crate) struct Hand {
    pub(crate) store: Store,
    pub(crate) settings: Settings,
    pub(crate) job: LeasedJob,
    /// Shared by all jobs of this worker.
    pub(crate) guides: Arc<GuideShelf>,
    lost: AtomicBool,
    stopping: watch::Receiver<bool>,
}

impl Hand {
    /// Why the job is to be broken off, if it is: asked between stretches of long work.
    pub(crate) fn break_off(&self) -> Option<JobError> {
        if self.lost.load(Ordering::Relaxed) {
            return Some(JobError::LeaseLost);
        }
        self.stopping.borrow().then_some(JobError::Stopped)
    }

    /// Marks the lease as gone, as told by a call that was refused.
    pub(crate) fn set_lost(&self) {
        self.lost.store(true, Ordering::Relaxed);
    }
}

/// What does a job, so that the tests can do other things with one.
type Doer = Arc<dyn Fn(Arc<Hand>) -> Pin<Box<dyn Future<Output = Done> + Send>> + Send + Sync>;
type Done = Result<(), JobError>;

/// Works on the queue until `shutdown` resolves, then ends well: conform jobs in hand are
/// finished, renders broken off and put back.
pub async fn run(store: Store, settings: Settings, shutdown: impl Future<Output = ()> + Send) {
    if let Err(error) = queue_sweep(&store, Duration::from_secs(60)).await {
        tracing::error!(%error, "no sweep was queued");
    }
    let doer: Doer = Arc::new(|hand| Box::pin(async move { dispatch(&hand).await }));
    tokio::select! {
        () = run_with(store.clone(), settings, shutdown, doer) => {}
        never = nightly::watch(&store) => match never {},
    }
}

async fn run_with(
    store: Store,
    settings: Settings,
    shutdown: impl Future<Output = ()> + Send,
    doer: Doer,
) {
    let (stop, stopping) = watch::channel(false);
    let mut jobs = JoinSet::new();
    tokio::join!(take_jobs(&store, &settings, stopping, &mut jobs, doer), async {
        shutdown.await;
        stop.send_replace(true);
    });
    let ended = async { while jobs.join_next().await.is_some() {} };
    if tokio::time::timeout(settings.stop_within, ended).await.is_err() {
        tracing::warn!("jobs still in hand are left to their leases");
    }
}

/// Takes jobs while there are slots, until told to stop. Never left in the middle of a lease.
async fn take_jobs(
    store: &Store,
    settings: &Settings,
    mut stopping: watch::Receiver<bool>,
    jobs: &mut JoinSet<()>,
    doer: Doer,
) {
    let slots = Arc::new(Semaphore::new(settings.slots.max(1)));
    let guides = Arc::new(GuideShelf::default());
    while !*stopping.borrow() {
        let slot = tokio::select! {
            Ok(slot) = Arc::clone(&slots).acquire_owned() => slot,
            _ = stopping.changed() => return,
        };
        while jobs.try_join_next().is_some() {}
        let lease_us = settings.lease.as_micros() as i64;
        let wait = match store.lease_job(&settings.name, now_us(), lease_us).await {
            Ok(Some(job)) => {
                let hand = Hand {
                    store: store.clone(),
                    settings: settings.clone(),
                    job,
                    guides: Arc::clone(&guides),
                    lost: AtomicBool::new(false),
                    stopping: stopping.clone(),
                };
                let doer = Arc::clone(&doer);
                jobs.spawn(async move {
                    work(hand, doer).await;
                    drop(slot);
                });
                continue;
            }
            Ok(None) => settings.look_every,
            Err(error) => {
                tracing::error!(%error, "the queue cannot be read");
                settings.look_every * 4
            }
        };
        tokio::select! {
            () = store.wait_for_job(wait) => {}
            _ = stopping.changed() => return,
        }
    }
}

/// One job from lease to end.
async fn work(hand: Hand, doer: Doer) {
    let span = tracing::info_span!(
        "job",
        id = hand.job.id,
        kind = hand.job.kind,
        subject = hand.job.subject,
        attempt = hand.job.attempts
    );
    let hand = Arc::new(hand);
    async {
        let began = std::time::Instant::now();
        let result = tokio::select! {
            result = do_or_give_up(&hand, doer) => result,
            never = keep_lease(&hand) => match never {},
        };
        let took_ms = began.elapsed().as_millis() as u64;
        match result {
            Ok(()) => tracing::info!(took_ms, "done"),
            Err(error) => end_badly(&hand, error).await,
        }
    }
    .instrument(span)
    .await;
}

async fn do_or_give_up(hand: &Arc<Hand>, doer: Doer) -> Done {
    if hand.job.is_exhausted() {
        let said = hand.job.last_error.as_deref().unwrap_or("the worker stopped each time");
        return Err(JobError::Refused(format!(
            "It was started {} times and never came to an end: {said}.",
            hand.job.max_attempts
        )));
    }
    // A task of its own, so that a panic anywhere in it is this job's failure and no more.
    match tokio::spawn(doer(Arc::clone(hand)).in_current_span()).await {
        Ok(done) => done,
        Err(stopped) => Err(why_stopped(stopped)),
    }
}

async fn dispatch(hand: &Arc<Hand>) -> Done {
    match Job::read(&hand.job)? {
        Job::ConformTake { take_id } => conform::run(hand, &take_id).await,
        Job::RenderMix { render_id } => render::run(hand, &render_id).await,
        Job::WritePack { piece_id } => pack::run(hand, &piece_id).await,
        Job::TellOfRender { render_id } => webhook::run(hand, &render_id).await,
        Job::Sweep => {
            sweep(&hand.store, &hand.settings.sweep, now_us()).await?;
            queue_sweep(&hand.store, hand.settings.sweep.every).await?;
            Ok(hand.store.finish_job(&hand.job, now_us()).await?)
        }
    }
}

/// Renews the lease for as long as it is polled; a lease that is lost is only noted, since work
/// on a thread cannot be stopped from here.
async fn keep_lease(hand: &Hand) -> Infallible {
    let lease = hand.settings.lease;
    loop {
        tokio::time::sleep(lease / 3).await;
        match hand.store.renew_lease(&hand.job, now_us(), lease.as_micros() as i64).await {
            Err(error) if error.kind() == ErrorKind::LeaseLost => hand.set_lost(),
            Err(error) => tracing::warn!(%error, "the lease was not renewed"),
            Ok(()) => {}
        }
    }
}

async fn end_badly(hand: &Hand, error: JobError) {
    let ended = match &error {
        error if error.is_lease_lost() => {
            tracing::warn!("the job has another worker, or was called off");
            return;
        }
        JobError::Stopped => hand.store.return_job(&hand.job, now_us()).await,
        error if error.retryable() => try_again(hand, error).await,
        error => give_up(hand, error).await,
    };
    if let Err(failed) = ended {
        tracing::error!(error = %failed, "the job's end was not recorded; its lease will run out");
    }
}

async fn try_again(hand: &Hand, error: &JobError) -> Result<(), StoreError> {
    match hand.store.fail_job(&hand.job, &error.to_string(), now_us()).await? {
        AfterFailure::TriedAgain { at_us } => {
            tracing::warn!(%error, in_s = (at_us - now_us()) / 1_000_000, "failed; tried again");
            Ok(())
        }
        AfterFailure::GiveUp => give_up(hand, error).await,
    }
}

async fn give_up(hand: &Hand, error: &JobError) -> Result<(), StoreError> {
    tracing::error!(%error, "given up");
    let (says, now_us) = (error.to_string(), now_us());
    match Job::read(&hand.job) {
        Ok(Job::ConformTake { take_id }) => {
            let finding = conform::not_examined();
            hand.store.give_up_conform(&hand.job, &take_id, &says, &finding, now_us).await
        }
        Ok(Job::RenderMix { render_id }) => {
            hand.store.give_up_render(&hand.job, &render_id, &says, now_us).await
        }
        _ => hand.store.give_up_job(&hand.job, &says, now_us).await,
    }
}

async fn queue_sweep(store: &Store, after: Duration) -> Result<(), StoreError> {
    let now_us = now_us();
    let job = Job::Sweep.to_new(now_us + after.as_micros() as i64);
    store.queue_job(&job, now_us).await.map(drop)
}

/// Runs audio work on a thread of its own; a panic in it is an error like others.
pub(crate) async fn on_a_thread<T: Send + 'static>(
    work: impl FnOnce() -> T + Send + 'static,
) -> Result<T, JobError> {
    let span = tracing::Span::current();
    let done = tokio::task::spawn_blocking(move || span.in_scope(work)).await;
    done.map_err(why_stopped)
}

/// Breaks off the work on this thread, from inside a call that only tells how far it is: the
/// stack unwinds (no panic is reported) up to [`on_a_thread`], which gives the error back.
pub(crate) fn break_off_here(why: JobError) -> ! {
    std::panic::resume_unwind(Box::new(why))
}

fn why_stopped(stopped: tokio::task::JoinError) -> JobError {
    match stopped.try_into_panic() {
        Ok(panic) => match panic.downcast::<JobError>() {
            Ok(broken_off) => *broken_off,
            Err(panic) => JobError::Panicked(words_of(&*panic)),
        },
        Err(_) => JobError::Stopped,
    }
}

fn words_of(panic: &(dyn std::any::Any + Send)) -> String {
    let words = panic.downcast_ref::<&str>().map(|text| (*text).to_owned());
    words.or_else(|| panic.downcast_ref::<String>().cloned()).unwrap_or_default()
}

/// Microseconds since 1970 (UTC).
pub(crate) fn now_us() -> i64 {
    let since = SystemTime::now().duration_since(SystemTime::UNIX_EPOCH).unwrap_or_default();
    since.as_micros() as i64
}

#[cfg(test)]
pub(crate) mod tests;
