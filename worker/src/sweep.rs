//! Clears away what nothing refers to.

use std::time::Duration;

use ripieno_store::{Result, Store, SweptFiles};

/// How long things are kept that nobody asks for any more.
#[derive(Clone, Copy, Debug)]
pub struct SweepPolicy {
    /// Between two sweeps.
    pub every: Duration,
    /// The age a file must have before it can count as left behind. Longer than any job runs.
    pub grace: Duration,
    /// Finished previews kept for each piece.
    pub keep_previews: i64,
    /// How long the records of jobs that are over are kept.
    pub keep_jobs: Duration,
}

impl Default for SweepPolicy {
    fn default() -> Self {
        SweepPolicy {
            every: Duration::from_secs(3600),
            grace: Duration::from_secs(24 * 3600),
            keep_previews: 14,
            keep_jobs: Duration::from_secs(30 * 24 * 3600),
        }
    }
}

/// What a sweep took away.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Swept {
    /// Files that no record names.
    pub files: SweptFiles,
    /// Uploads that nobody finished in time.
    pub uploads: u64,
    /// Old previews.
    pub previews: u64,
    /// Records of old jobs.
    pub jobs: u64,
}

/// Runs one sweep. Each part can be repeated, so a sweep that is cut off is simply run again.
pub async fn sweep(store: &Store, policy: &SweepPolicy, now_us: i64) -> Result<Swept> {
    let swept = Swept {
        uploads: store.sweep_uploads(now_us).await?,
        previews: store.thin_previews(policy.keep_previews).await?,
        jobs: store.forget_jobs(now_us - policy.keep_jobs.as_micros() as i64).await?,
        files: store.sweep_files(policy.grace, now_us).await?,
    };
    if swept != Swept::default() {
        tracing::info!(?swept, "swept");
    }
    Ok(swept)
}
