//! Takes: recordings as they were sent in, their forms, and what was found.

use serde::Serialize;
use serde_json::Value;
use sqlx::FromRow;

use ripieno_score::TakeState;

use crate::Store;
use crate::blobs::StoredBlob;
use crate::database::{Tx, all, first, run};
use crate::error::{ErrorKind, Result, StoreError};
use crate::events::insert_event;
use crate::ids::{Secret, hash_secret, new_id};
use crate::queue::{NewJob, insert_job};
use crate::succession;
use crate::text::Json;

/// A take to be recorded.
#[derive(Clone, Debug)]
pub struct NewTake<'a> {
    /// The piece it is for.
    pub piece_id: &'a str,
    /// The form as checked, as JSON.
    pub form: &'a Value,
    /// The recording.
    pub blob: StoredBlob,
    /// The file's name on the contributor's device; shown, never used as a path.
    pub file_name: &'a str,
    /// The media type it came with; may be empty.
    pub media_type: &'a str,
    /// The take this one is to replace: it leaves the mix when this one is placed.
    pub replaces: Option<&'a str>,
    /// A random text made by the sender once for a submission, so that sending twice is one take.
    pub idempotency_key: Option<&'a str>,
    /// The resumable upload that brought the recording; it is closed with the same transaction.
    pub upload_id: Option<&'a str>,
}

/// A take that was recorded, and the link to its receipt.
#[derive(Clone, Debug)]
pub struct Submitted {
    /// The take's id.
    pub take_id: String,
    /// The secret of its receipt's address.
    pub receipt: Secret,
    /// Whether it was recorded by an earlier sending of the same submission. Then the blob of
    /// this sending has been deleted, and the receipt is one link more to the same take.
    pub already_there: bool,
}

/// A take in a list.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct TakeSummary {
    /// Its id; sorts by time of arrival.
    pub id: String,
    /// Its piece.
    pub piece_id: String,
    /// Where it stands.
    #[sqlx(try_from = "String")]
    pub state: TakeState,
    /// The form; `{}` once withdrawn.
    #[sqlx(try_from = "String")]
    pub form: Json,
    /// The file's name on the contributor's device.
    pub file_name: String,
    /// Its length in bytes.
    pub bytes: i64,
    /// BLAKE3 of the file in hex; none once withdrawn.
    pub content_hash: Option<String>,
    /// What was found, most important first; an array.
    #[sqlx(try_from = "String")]
    pub findings: Json,
    /// What organiser or contributor decided: a chosen candidate, a nudge, …
    #[sqlx(try_from = "String")]
    pub corrections: Json,
    /// The take it was sent to replace.
    pub replaces: Option<String>,
    /// The placed take that has taken its place in the mix.
    pub replaced_by: Option<String>,
    /// 1 while a take that was placed is being laid anew, and sounds as it was.
    #[serde(skip)]
    pub laid_before: i64,
    /// When it came.
    pub created_at: i64,
    /// When its record last changed.
    pub updated_at: i64,
}

impl TakeSummary {
    /// Whether it is heard in the mix as it stands now.
    #[must_use]
    pub fn sounds(&self) -> bool {
        self.replaced_by.is_none() && (self.state == TakeState::Placed || self.laid_before == 1)
    }
}

/// The same of a row of takes, in SQL.
macro_rules! sounds {
    () => {
        "(replaced_by is null and (state = 'placed' or laid_before = 1))"
    };
}
pub(crate) use sounds;

/// A take with everything.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct Take {
    /// What a list shows.
    #[sqlx(flatten)]
    #[serde(flatten)]
    pub summary: TakeSummary,
    /// The media type it came with.
    pub media_type: String,
    /// The recording's blob; none once withdrawn.
    pub blob: Option<String>,
    /// The conform job's outcome; null before.
    #[sqlx(try_from = "String")]
    pub outcome: Json,
    /// Waveform and spectrum to draw; null before.
    #[sqlx(try_from = "String")]
    pub plots: Json,
    /// What is left of a withdrawn take: when and by whom; null otherwise.
    #[sqlx(try_from = "String")]
    pub tombstone: Json,
}

impl std::ops::Deref for Take {
    type Target = TakeSummary;
    fn deref(&self) -> &TakeSummary {
        &self.summary
    }
}

/// Which takes of a piece.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Which {
    /// Every one.
    All,
    /// Those in a state.
    In(TakeState),
    /// Those in a state that no later take has replaced; all that were withdrawn.
    Standing(TakeState),
    /// Those that a later take has replaced and that were not withdrawn.
    Replaced,
    /// Those that are heard in the mix as it stands now.
    Sounding,
}

/// How many takes of a piece are in a state, and their bytes.
#[derive(Clone, Debug, FromRow, Serialize)]
pub struct StateCount {
    /// The state.
    #[sqlx(try_from = "String")]
    pub state: TakeState,
    /// How many.
    pub takes: i64,
    /// How many of them a later take has replaced: they are heard no more. A withdrawn one is not
    /// among them: there is nothing left that could be heard.
    pub replaced: i64,
    /// How many of them are heard in the mix as it stands now.
    pub sounding: i64,
    /// The sum of their recordings' bytes.
    pub bytes: i64,
}

macro_rules! summary_columns {
    () => {
        "id, piece_id, state, form, file_name, bytes, content_hash, findings, corrections, \
         replaces, replaced_by, laid_before, created_at, updated_at"
    };
}

macro_rules! select_summary {
    ($($rest:expr),+ $(,)?) => {
        concat!("select ", summary_columns!(), " from takes " $(, $rest)+)
    };
}

macro_rules! select_take {
    ($rest:literal) => {
        concat!(
            "select ",
            summary_columns!(),
            ", media_type, blob, outcome, plots, tombstone from takes ",
            $rest
        )
    };
}

impl Store {
    /// Records a take and queues its conform job in one transaction. `job` makes the job of the
    /// take's id. Once this returns, the take is not lost by any crash.
    ///
    /// A second sending (same piece, same `idempotency_key`, same content) gives the first one's
    /// take.
    ///
    /// # Errors
    /// `NotFound` (the piece, or the take to be replaced), `NotNow` (that one is withdrawn),
    /// `Taken` when the key was used for another recording.
    pub async fn submit_take(
        &self,
        take: &NewTake<'_>,
        job: impl FnOnce(&str) -> NewJob,
        now_us: i64,
    ) -> Result<Submitted> {
        let receipt = Secret::new()?;
        let mut tx = self.begin().await?;
        if let Some(take_id) = find_same_submission(&mut tx, take).await? {
            insert_receipt(&mut tx, &take_id, &receipt, now_us).await?;
            let kept =
                first!((Option<String>,), tx, "select blob from takes where id = $1", &take_id)?;
            tx.commit().await?;
            if kept.and_then(|(blob,)| blob).as_ref() != Some(&take.blob.id) {
                self.delete_blob(&take.blob.id).await?;
            }
            return Ok(Submitted { take_id, receipt, already_there: true });
        }
        check_piece_and_replaced(&mut tx, take).await?;
        let take_id = new_id(now_us)?;
        insert_take(&mut tx, &take_id, take, now_us).await?;
        insert_receipt(&mut tx, &take_id, &receipt, now_us).await?;
        if let Some(upload_id) = take.upload_id {
            run!(tx, "update uploads set take_id = $2 where id = $1", upload_id, &take_id)?;
        }
        insert_job(&mut tx, &job(&take_id), now_us).await?;
        insert_event(&mut tx, Some(take.piece_id), "take.received", &take_id, &Value::Null, now_us)
            .await?;
        tx.commit().await?;
        self.queued.notify_one();
        Ok(Submitted { take_id, receipt, already_there: false })
    }

    /// The take with this id, withdrawn or not.
    pub async fn take(&self, id: &str) -> Result<Take> {
        let mut link = self.read().await?;
        first!(Take, link, select_take!("where id = $1"), id)?
            .ok_or_else(|| StoreError::not_found("take", id))
    }

    /// The take whose receipt has this secret.
    pub async fn take_by_receipt(&self, secret: &str) -> Result<Option<Take>> {
        let mut link = self.read().await?;
        first!(
            Take,
            link,
            select_take!("where id = (select take_id from receipts where token_hash = $1)"),
            hash_secret(secret),
        )
    }

    /// One more link to a take's receipt, as when the organiser sends it again.
    pub async fn add_receipt(&self, take_id: &str, now_us: i64) -> Result<Secret> {
        self.take(take_id).await?;
        let secret = Secret::new()?;
        let mut tx = self.begin().await?;
        insert_receipt(&mut tx, take_id, &secret, now_us).await?;
        tx.commit().await?;
        Ok(secret)
    }

    /// Takes of a piece in order of arrival, starting after the id `after`; page by giving the last
    /// id of the page before.
    pub async fn list_takes(
        &self,
        piece_id: &str,
        which: Which,
        after: Option<&str>,
        limit: i64,
    ) -> Result<Vec<TakeSummary>> {
        let mut link = self.read().await?;
        let after = after.unwrap_or("");
        macro_rules! listed {
            ($where:expr $(, $word:expr)?) => {
                all!(
                    TakeSummary,
                    link,
                    select_summary!(
                        "where piece_id = $1 and id > $2 and ",
                        $where,
                        " order by id limit $3"
                    ),
                    piece_id,
                    after,
                    limit
                    $(, $word)?,
                )
            };
        }
        match which {
            Which::All => listed!("true"),
            Which::In(state) | Which::Standing(state @ TakeState::Withdrawn) => {
                listed!("state = $4", state.word())
            }
            Which::Standing(state) => {
                listed!("state = $4 and replaced_by is null", state.word())
            }
            Which::Replaced => listed!("replaced_by is not null and state <> 'withdrawn'"),
            Which::Sounding => listed!(sounds!()),
        }
    }

    /// How many takes of a piece are in each state; states without any are left out. The sum of
    /// bytes is what a quota looks at.
    pub async fn count_takes(&self, piece_id: &str) -> Result<Vec<StateCount>> {
        let mut link = self.read().await?;
        all!(
            StateCount,
            link,
            concat!(
                "select state, count(*) as takes,
                        count(case when state <> 'withdrawn' then replaced_by end) as replaced,
                        count(case when ",
                sounds!(),
                " then 1 end) as sounding, cast(sum(bytes) as bigint) as bytes from takes
                 where piece_id = $1 group by state order by state"
            ),
            piece_id,
        )
    }

    /// Other takes of the piece with the very same bytes, oldest first, without the withdrawn.
    pub async fn takes_with_content(
        &self,
        piece_id: &str,
        content_hash: &str,
    ) -> Result<Vec<TakeSummary>> {
        let mut link = self.read().await?;
        all!(
            TakeSummary,
            link,
            select_summary!("where piece_id = $1 and content_hash = $2 order by id"),
            piece_id,
            content_hash,
        )
    }

    /// Replaces a take's form, as when a credit line is put right. Nothing is conformed anew.
    pub async fn save_form(&self, take_id: &str, form: &Value, now_us: i64) -> Result<()> {
        let mut tx = self.begin().await?;
        let touched = run!(
            tx,
            "update takes set form = $2, updated_at = $3
             where id = $1 and state <> 'withdrawn'",
            take_id,
            form.to_string(),
            now_us,
        )?;
        tx.commit().await?;
        self.explain_untouched(touched, take_id).await
    }

    /// Saves what a person decided about a take (a chosen candidate, a nudge in ms, …) and queues
    /// the job that conforms it anew, in one transaction. The state goes back to `received`; what
    /// was placed sounds as it was until the outcome is there.
    pub async fn correct_take(
        &self,
        take_id: &str,
        corrections: &Value,
        job: &NewJob,
        now_us: i64,
    ) -> Result<()> {
        let mut tx = self.begin().await?;
        let touched = run!(
            tx,
            "update takes set corrections = $2, updated_at = $3, state = 'received',
                    laid_before = case state when 'placed' then 1 else laid_before end
             where id = $1 and state <> 'withdrawn'",
            take_id,
            corrections.to_string(),
            now_us,
        )?;
        if touched == 1 {
            insert_job(&mut tx, job, now_us).await?;
        }
        tx.commit().await?;
        self.queued.notify_one();
        self.explain_untouched(touched, take_id).await
    }

    /// Sets a take's state by an organiser's word (for instance `unusable` for a take that asks),
    /// and notes it as an event `take.<state>`.
    pub async fn decide_take(
        &self,
        take_id: &str,
        state: TakeState,
        decided_by: &str,
        now_us: i64,
    ) -> Result<()> {
        let take = self.take(take_id).await?;
        let mut tx = self.begin().await?;
        let touched = run!(
            tx,
            "update takes set state = $2, laid_before = 0, updated_at = $3
             where id = $1 and state <> 'withdrawn' and $2 <> 'withdrawn'
               and ($2 <> 'placed' or exists (select 1 from stems where take_id = $1))",
            take_id,
            state.word(),
            now_us,
        )?;
        succession::settle(&mut tx, take_id, now_us).await?;
        let kind = format!("take.{}", state.word());
        let data = serde_json::json!({ "decided_by": decided_by });
        insert_event(&mut tx, Some(&take.piece_id), &kind, take_id, &data, now_us).await?;
        if touched == 0 {
            return Err(StoreError::new(
                ErrorKind::NotNow,
                format!("Take {take_id} cannot be set to “{}” as it is.", state.word()),
            ));
        }
        tx.commit().await
    }

    async fn explain_untouched(&self, touched: u64, take_id: &str) -> Result<()> {
        if touched == 1 {
            return Ok(());
        }
        self.take(take_id).await?;
        Err(withdrawn(take_id))
    }
}

pub(crate) fn withdrawn(take_id: &str) -> StoreError {
    StoreError::new(ErrorKind::NotNow, format!("Take {take_id} was withdrawn."))
}

async fn find_same_submission(tx: &mut Tx, take: &NewTake<'_>) -> Result<Option<String>> {
    let Some(key) = take.idempotency_key else { return Ok(None) };
    let found = first!(
        (String, Option<String>),
        tx,
        "select id, content_hash from takes where piece_id = $1 and idempotency_key = $2",
        take.piece_id,
        key,
    )?;
    match found {
        None => Ok(None),
        Some((id, hash)) if hash.as_ref() == Some(&take.blob.content_hash) => Ok(Some(id)),
        Some(_) => Err(StoreError::new(
            ErrorKind::Taken,
            "This submission was sent before with another recording. Start a new one.",
        )),
    }
}

async fn check_piece_and_replaced(tx: &mut Tx, take: &NewTake<'_>) -> Result<()> {
    first!((String,), tx, "select id from pieces where id = $1", take.piece_id)?
        .ok_or_else(|| StoreError::not_found("piece", take.piece_id))?;
    let Some(replaced) = take.replaces else { return Ok(()) };
    let (state,) = first!(
        (String,),
        tx,
        "select state from takes where id = $1 and piece_id = $2",
        replaced,
        take.piece_id,
    )?
    .ok_or_else(|| StoreError::not_found("take", replaced))?;
    if state == "withdrawn" { Err(withdrawn(replaced)) } else { Ok(()) }
}

async fn insert_take(tx: &mut Tx, id: &str, take: &NewTake<'_>, now_us: i64) -> Result<()> {
    run!(
        tx,
        "insert into takes
         (id, piece_id, state, form, idempotency_key, file_name, media_type, blob, bytes,
          content_hash, replaces, created_at, updated_at)
         values ($1, $2, 'received', $3, $4, $5, $6, $7, $8, $9, $10, $11, $11)",
        id,
        take.piece_id,
        take.form.to_string(),
        take.idempotency_key,
        take.file_name,
        take.media_type,
        &take.blob.id,
        take.blob.bytes as i64,
        &take.blob.content_hash,
        take.replaces,
        now_us,
    )
    .map(drop)
}

async fn insert_receipt(tx: &mut Tx, take_id: &str, secret: &Secret, now_us: i64) -> Result<()> {
    run!(
        tx,
        "insert into receipts (token_hash, take_id, created_at) values ($1, $2, $3)",
        secret.hash(),
        take_id,
        now_us,
    )
    .map(drop)
}
