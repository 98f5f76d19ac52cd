//! How the recordings of a piece sound, to know one again that is sent in another form.

use crate::Store;
use crate::database::{all, run};
use crate::error::Result;

impl Store {
    /// Keeps the fingerprint of a take, in place of a former one; nothing is kept of a take that
    /// was withdrawn.
    pub async fn keep_fingerprint(&self, take_id: &str, print: &[u8]) -> Result<()> {
        let mut tx = self.begin().await?;
        run!(
            tx,
            "insert into fingerprints (piece_id, take_id, print)
             select piece_id, id, $2 from takes where id = $1 and state <> 'withdrawn'
             on conflict (piece_id, take_id) do update set print = excluded.print",
            take_id,
            print,
        )?;
        tx.commit().await
    }

    /// Fingerprints of the takes of a piece that came after `after` (an id, or nothing) and before
    /// the take `before`, oldest first: at most `most`, each with its take's id.
    pub async fn fingerprints_between(
        &self,
        piece_id: &str,
        after: &str,
        before: &str,
        most: i64,
    ) -> Result<Vec<(String, Vec<u8>)>> {
        let mut link = self.read().await?;
        all!(
            (String, Vec<u8>),
            link,
            "select take_id, print from fingerprints
             where piece_id = $1 and take_id > $2 and take_id < $3 order by take_id limit $4",
            piece_id,
            after,
            before,
            most,
        )
    }
}
