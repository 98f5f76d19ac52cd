//! Earlier takes of the piece that are the same recording in another form.

use ripieno_engine::inspect::fingerprint::{Fingerprint, Likeness, Matcher};
use ripieno_score::TakeState;
use ripieno_store::{Store, Take, TakeSummary};

use super::JobError;
use crate::run::on_a_thread;

/// Fingerprints in memory at a time: some 2 MB.
const PAGE: i64 = 128;

/// A copy and how alike it is.
pub(super) type Copy = (TakeSummary, Likeness);

/// Keeps the take's own fingerprint and compares it with those of earlier takes that are still
/// wanted. The one this take is to replace does not count.
pub(super) async fn copies_before(
    store: &Store,
    take: &Take,
    print: &Fingerprint,
) -> Result<Vec<Copy>, JobError> {
    store.keep_fingerprint(&take.id, &print.to_bytes()).await?;
    let mut copies = Vec::new();
    let mut after = String::new();
    loop {
        let page = store.fingerprints_between(&take.piece_id, &after, &take.id, PAGE).await?;
        let Some((last, _)) = page.last() else { return Ok(copies) };
        after.clone_from(last);
        let own = print.clone();
        for (id, likeness) in on_a_thread(move || among(&own, &page)).await? {
            let other = store.take(&id).await?;
            let wanted = !matches!(other.state, TakeState::Unusable | TakeState::Withdrawn)
                && other.replaced_by.is_none()
                && take.replaces.as_ref() != Some(&id);
            if wanted {
                copies.push((other.summary, likeness));
            }
        }
    }
}

fn among(own: &Fingerprint, page: &[(String, Vec<u8>)]) -> Vec<(String, Likeness)> {
    let matcher = Matcher::new(own);
    let alike = page.iter().filter_map(|(id, bytes)| {
        let likeness = matcher.likeness(&Fingerprint::from_bytes(bytes))?;
        likeness.is_copy().then(|| (id.clone(), likeness))
    });
    alike.collect()
}
