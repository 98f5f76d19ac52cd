//! Clears away what nothing refers to.

use std::time::Duration;

use ripieno_store::{Result, Store, SweptFiles};

use crate::jobs::piece::load_piece;

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
        previews: thin_previews(store, policy.keep_previews).await?,
        jobs: store.forget_jobs(now_us - policy.keep_jobs.as_micros() as i64).await?,
        files: store.sweep_files(policy.grace, now_us).await?,
    };
    if swept != Swept::default() {
        tracing::info!(?swept, "swept");
    }
    Ok(swept)
}

/// Old previews, and old nightly ones of pieces that do not say themselves how many they keep.
async fn thin_previews(store: &Store, keep: i64) -> Result<u64> {
    let mut thinned = store.thin_previews(keep).await?;
    for record in store.list_pieces().await? {
        // What cannot be read cannot say how many it keeps: nothing of it is deleted.
        let Ok((piece, _)) = load_piece(store, &record.id).await else { continue };
        if piece.nightly.is_none_or(|nightly| nightly.keep.is_none()) {
            thinned += store.thin_nightly(&record.id, keep).await?;
        }
    }
    Ok(thinned)
}

#[cfg(test)]
mod tests {
    use super::*;
    use ripieno_store::{DocumentFormat, NewDocument, NewRender, RenderKind};
    use serde_json::json;

    const T0: i64 = 1_795_582_680_000_000;

    /// How many of four nights are left of a piece that keeps so many.
    async fn nights_left(keep: &str) -> usize {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&ripieno_store::Settings::in_folder(folder.path())).await.unwrap();
        let text = ripieno_score::PIECE_TOML.replace("\nkeep = 14\n", keep);
        let document =
            NewDocument { format: DocumentFormat::Toml, text: &text, saved_by: "", note: "" };
        let piece = store.create_piece("nine-harbours", "Nine", &document, T0).await.unwrap();
        for night in 0..4 {
            let at = T0 + night * 1_000_000;
            let request = json!({ "kind": "preview" });
            let render = NewRender {
                piece_id: &piece.id,
                kind: RenderKind::Preview,
                request: &request,
                requested_by: "nightly",
                occasion: Some(&format!("nightly {night}")),
            };
            store.request_render(&render, crate::jobs::Job::render, at).await.unwrap();
            let job = store.lease_job("w", at, 1_000_000).await.unwrap().unwrap();
            store.finish_render(&job, &job.subject, &json!({}), &[], None, at).await.unwrap();
        }
        let policy = SweepPolicy { keep_previews: 2, ..SweepPolicy::default() };
        sweep(&store, &policy, T0 + 10_000_000).await.unwrap();
        store.list_renders(&piece.id, None, 50).await.unwrap().len()
    }

    #[tokio::test]
    async fn a_piece_keeps_as_many_nights_as_it_says() {
        assert_eq!(nights_left("\nkeep = 30\n").await, 4);
        assert_eq!(nights_left("\n").await, 2, "as other previews, where it says nothing");
    }
}
