//! The closed list of jobs, and the code of each in a file of its own.

pub(crate) mod conform;
mod copies;
mod files;
pub(crate) mod guides;
pub(crate) mod pack;
pub(crate) mod piece;
pub(crate) mod render;

use ripieno_store::{ErrorKind, LeasedJob, NewJob, StoreError};
use serde::{Deserialize, Serialize};

/// Everything a worker can be asked to do. The queue holds it as JSON.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Job {
    /// Turns a take into a stem and findings.
    ConformTake {
        /// Which take.
        take_id: String,
    },
    /// Makes a render.
    RenderMix {
        /// Which render.
        render_id: String,
    },
    /// Writes the guide pack of a piece's present version.
    WritePack {
        /// Which piece.
        piece_id: String,
    },
    /// Tells whom a piece names that a nightly render is there.
    TellOfRender {
        /// Which render.
        render_id: String,
    },
    /// Clears away what nothing refers to, and queues itself again.
    Sweep,
}

impl Job {
    /// The job of a new take, for `Store::submit_take` and `correct_take`.
    pub fn conform(take_id: &str) -> NewJob {
        Job::ConformTake { take_id: take_id.to_owned() }.to_new(0)
    }

    /// The job of a new render, for `Store::request_render`.
    pub fn render(render_id: &str) -> NewJob {
        Job::RenderMix { render_id: render_id.to_owned() }.to_new(0)
    }

    /// The job that writes a piece's guide pack, for `Store::queue_job`.
    pub fn pack(piece_id: &str) -> NewJob {
        Job::WritePack { piece_id: piece_id.to_owned() }.to_new(0)
    }

    /// As the queue takes it, not to be run before `run_after_us`.
    pub fn to_new(&self, run_after_us: i64) -> NewJob {
        NewJob {
            kind: self.kind().to_owned(),
            subject: self.subject().to_owned(),
            payload: serde_json::to_value(self).unwrap_or_default(),
            max_attempts: self.max_attempts(),
            run_after_us,
        }
    }

    /// Reads a leased job.
    ///
    /// # Errors
    /// [`JobError::Fault`] for one that a newer program has queued: another worker may know it.
    pub fn read(leased: &LeasedJob) -> Result<Job, JobError> {
        Job::deserialize(&leased.payload.0).map_err(|error| {
            JobError::Fault(format!("This program does not know how to do the job: {error}."))
        })
    }

    /// The name of its kind.
    pub fn kind(&self) -> &'static str {
        match self {
            Job::ConformTake { .. } => "conform_take",
            Job::RenderMix { .. } => "render_mix",
            Job::WritePack { .. } => "write_pack",
            Job::TellOfRender { .. } => "tell_of_render",
            Job::Sweep => "sweep",
        }
    }

    fn subject(&self) -> &str {
        match self {
            Job::ConformTake { take_id } => take_id,
            Job::RenderMix { render_id } | Job::TellOfRender { render_id } => render_id,
            Job::WritePack { piece_id } => piece_id,
            Job::Sweep => "everything",
        }
    }

    /// A recording that brings a worker down three times will do it a fourth time.
    fn max_attempts(&self) -> i64 {
        match self {
            Job::ConformTake { .. } | Job::RenderMix { .. } | Job::WritePack { .. } => 3,
            Job::TellOfRender { .. } => 8,
            Job::Sweep => 10,
        }
    }
}

/// Why a job did not end well. Bad audio is none of these: that is a finding on the take.
#[derive(Debug, thiserror::Error)]
pub enum JobError {
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// A file of the job's own could not be written or read.
    #[error("A file could not be written or read: {0}. Is the disk full?")]
    File(#[from] std::io::Error),
    /// The job's code panicked.
    #[error("The program failed inside: {0}. This is a mistake in the program; please report it.")]
    Panicked(String),
    /// What was asked cannot be done, however often it is tried.
    #[error("{0}")]
    Refused(String),
    /// A fault of the machine that may pass.
    #[error("{0}")]
    Fault(String),
    /// Another worker has the job, or it was called off; nothing of it may be recorded.
    #[error("Another worker has the job by now, or it was called off.")]
    LeaseLost,
    /// The worker is to stop; the job goes back untried.
    #[error("The worker was stopped; the job goes on when one starts.")]
    Stopped,
}

impl JobError {
    /// Whether trying again may help. Only faults of machines are tried again.
    pub fn retryable(&self) -> bool {
        match self {
            JobError::Store(error) => error.retryable(),
            JobError::File(_) | JobError::Panicked(_) | JobError::Fault(_) | JobError::Stopped => {
                true
            }
            JobError::Refused(_) | JobError::LeaseLost => false,
        }
    }

    /// Whether the job is not this worker's any more.
    pub fn is_lease_lost(&self) -> bool {
        match self {
            JobError::LeaseLost => true,
            JobError::Store(error) => error.kind() == ErrorKind::LeaseLost,
            _ => false,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_job_reads_back_as_it_was_queued() {
        let jobs = [
            Job::ConformTake { take_id: "a".into() },
            Job::RenderMix { render_id: "b".into() },
            Job::WritePack { piece_id: "c".into() },
            Job::TellOfRender { render_id: "d".into() },
            Job::Sweep,
        ];
        for job in jobs {
            let queued = job.to_new(0);
            assert_eq!(queued.kind, queued.payload["kind"]);
            assert_eq!(Job::deserialize(&queued.payload).unwrap(), job);
        }
    }
}
