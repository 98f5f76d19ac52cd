//! How the database goes about every statement the store runs: none walks through a table that
//! grows with the takes.

use std::collections::BTreeSet;
use std::sync::Mutex;

use serde_json::{Value, json};
use sqlx::AssertSqlSafe;

use crate::database::{Database, run};
use crate::{
    Conformed, DocumentFormat, NewDocument, NewFile, NewJob, NewRender, NewStem, NewTake,
    RenderKind, Result, Settings, Shelf, Store, TakeState, Which,
};

const T0: i64 = 1_764_000_000_000_000;
const TAKES: i64 = 10_000;

/// Every statement that ran in this test program.
static SEEN: Mutex<BTreeSet<&'static str>> = Mutex::new(BTreeSet::new());

/// Called by the statement macros, in tests only.
pub(crate) fn note(statement: &'static str) {
    SEEN.lock().unwrap().insert(statement);
}

fn job(subject: &str) -> NewJob {
    NewJob {
        kind: "any".into(),
        subject: subject.into(),
        payload: Value::Null,
        max_attempts: 1,
        run_after_us: 0,
    }
}

/// A piece with ten thousand takes, each with its stem and its job, made by three statements.
async fn crowd(store: &Store) -> Result<String> {
    let document = NewDocument { format: DocumentFormat::Toml, text: "", saved_by: "", note: "" };
    let piece = store.create_piece("nine", "Nine", &document, T0).await?;
    let mut tx = store.begin().await?;
    run!(
        tx,
        "with recursive n (i) as (select 1 union all select i + 1 from n where i < $1)
         insert into takes (id, piece_id, state, form, file_name, media_type, blob, bytes,
                            content_hash, created_at, updated_at)
         select printf('t%08d', i), $2, case i % 3 when 0 then 'asks' else 'placed' end, '{}',
                'a.wav', '', printf('b%08d', i), 1, printf('h%d', i), i, i from n",
        TAKES,
        &piece.id,
    )?;
    run!(
        tx,
        "insert into stems (take_id, blob, bytes, content_hash, engine_version, summary,
                            created_at)
         select id, 's' || id, 1, '', '1', 'null', 1 from takes where state = 'placed'",
    )?;
    run!(
        tx,
        "insert into jobs (id, kind, subject, payload, state, max_attempts, due_at, created_at,
                           finished_at)
         select id, 'conform_take', id, 'null',
                case state when 'asks' then 'queued' else 'done' end, 3,
                case state when 'asks' then created_at end, 1,
                case state when 'asks' then null else 2 end from takes",
    )?;
    run!(
        tx,
        "insert into events (id, piece_id, kind, subject, data, at)
         select id, piece_id, 'take.received', id, 'null', created_at from takes",
    )?;
    tx.commit().await?;
    Ok(piece.id)
}

/// Calls everything the service calls once the piece is large.
async fn use_everything(store: &Store, piece_id: &str) -> Result<()> {
    use_pieces(store, piece_id).await?;
    use_takes(store, piece_id).await?;
    use_renders(store, piece_id).await?;
    use_queue(store).await?;
    store.sweep_uploads(T0).await?;
    store.thin_previews(1).await?;
    store.forget_jobs(1).await?;
    store.sweep_files(std::time::Duration::ZERO, T0 * 2).await?;
    Ok(())
}

async fn use_pieces(store: &Store, piece_id: &str) -> Result<()> {
    let document = NewDocument { format: DocumentFormat::Toml, text: "", saved_by: "", note: "" };
    store.save_piece(piece_id, 1, "nine", "Nine", &document, T0).await?;
    store.piece_by_slug("nine").await?;
    store.piece_document(piece_id, None).await?;
    store.piece_document(piece_id, Some(1)).await?;
    store.piece_history(piece_id).await?;
    store.set_piece_closed(piece_id, false, T0).await?;
    store.save_arrangement(piece_id, 0, &document, T0).await?;
    store.arrangement(piece_id, Some(1)).await?;
    store.arrangement_history(piece_id).await?;
    let file = NewFile {
        name: "mark.wav".into(),
        media_type: String::new(),
        blob: store.put_blob_bytes(vec![1], T0).await?,
    };
    store.keep_own_file(piece_id, &file, T0).await?;
    store.queue_job(&job("a pack"), 0).await?;
    if let Some(leased) = store.lease_job("w", 0, T0).await? {
        assert!(!store.keep_pack(&leased, piece_id, 1, "a hash", T0).await?);
        store.finish_pack(&leased, piece_id, 1, "a hash", &[file], T0).await?;
    }
    store.piece_files(piece_id, Shelf::Own).await?;
    store.events_since(piece_id, T0, 100).await?;
    let (_, token) = store.create_organiser("Ide", T0).await?;
    store.find_organiser(token.reveal()).await?;
    Ok(())
}

async fn use_takes(store: &Store, piece_id: &str) -> Result<()> {
    store.list_takes(piece_id, Which::All, Some("t00005000"), 100).await?;
    let asking = TakeState::Asks;
    for which in [Which::In(asking), Which::Standing(asking), Which::Replaced, Which::Sounding] {
        store.list_takes(piece_id, which, None, 100).await?;
    }
    store.takes_with_content(piece_id, "h7").await?;
    store.count_takes(piece_id).await?;
    store.placed_stems(piece_id).await?;
    store.former_stems(piece_id).await?;
    let (upload, token) = store.create_upload(piece_id, Some(1), &Value::Null, T0 * 2, T0).await?;
    store.find_upload(token.reveal(), T0).await?;
    store.set_upload_length(&upload.id, 1).await?;
    let mut stretch = store.append_upload(&upload.id, 0).await?;
    stretch.write(b"x").await?;
    stretch.keep().await?;
    let blob = store.finish_upload(&upload.id).await?;
    let take = NewTake {
        piece_id,
        form: &Value::Null,
        blob,
        file_name: "a.wav",
        media_type: "",
        replaces: Some("t00000001"),
        idempotency_key: Some("key"),
        upload_id: Some(&upload.id),
    };
    let sent = store.submit_take(&take, job, 0).await?;
    assert!(store.submit_take(&take, job, 0).await?.already_there);
    store.take_by_receipt(sent.receipt.reveal()).await?;
    store.save_form(&sent.take_id, &json!({}), T0).await?;
    if let Some(leased) = store.lease_job("w", 0, T0).await? {
        store.start_conform(&leased, &sent.take_id, T0).await?;
        store.renew_lease(&leased, 0, T0).await?;
        let conformed = Conformed {
            state: TakeState::Placed,
            outcome: &Value::Null,
            findings: &json!([]),
            plots: &Value::Null,
            stem: Some(NewStem {
                blob: store.put_blob_bytes(vec![2], T0).await?,
                engine_version: "1",
                summary: &Value::Null,
            }),
        };
        store.finish_conform(&leased, &sent.take_id, &conformed, T0).await?;
        store.keep_fingerprint(&sent.take_id, &[1, 2]).await?;
        let next = format!("{}x", sent.take_id);
        let kept = store.fingerprints_between(piece_id, "", &next, 9).await?;
        assert_eq!(kept, [(sent.take_id.clone(), vec![1, 2])]);
    }
    store.correct_take(&sent.take_id, &json!({}), &job(&sent.take_id), 0).await?;
    store.decide_take(&sent.take_id, TakeState::Unusable, "Ide", T0).await?;
    store.withdraw_take(&sent.take_id, "contributor", T0).await?;
    store.keep_fingerprint(&sent.take_id, &[3]).await?;
    let next = format!("{}x", sent.take_id);
    assert!(store.fingerprints_between(piece_id, "", &next, 9).await?.is_empty());
    Ok(())
}

async fn use_renders(store: &Store, piece_id: &str) -> Result<()> {
    for occasion in [None, Some("a night"), Some("a night")] {
        let render = NewRender {
            piece_id,
            kind: RenderKind::Preview,
            request: &Value::Null,
            requested_by: "a test",
            occasion,
        };
        store.request_render(&render, job, 0).await?;
    }
    while let Some(leased) = store.lease_job("w", 0, T0).await? {
        store.start_render(&leased, &leased.subject, T0).await?;
        store.report_progress(&leased, &leased.subject, 5, "").await?;
        let blob = store.put_blob_bytes(vec![3], T0).await?;
        let file = NewFile { name: "mix".into(), media_type: String::new(), blob };
        store.finish_render(&leased, &leased.subject, &Value::Null, &[file], None, T0).await?;
        store.last_nightly(piece_id, &leased.subject).await?;
        store.thin_nightly(piece_id, 1).await?;
        store.render_file(&leased.subject, "mix").await?;
    }
    store.latest_render(piece_id, RenderKind::Preview).await?;
    store.list_renders(piece_id, None, 10).await?;
    Ok(())
}

async fn use_queue(store: &Store) -> Result<()> {
    if let Some(leased) = store.lease_job("w", T0 * 2, T0).await? {
        store.fail_job(&leased, "no luck", T0).await?;
    }
    store.next_due_us().await?;
    store.queue_depth().await?;
    store.jobs_about("t00000007", "conform_take").await?;
    Ok(())
}

/// How the database would run `statement`, a line for each table it looks at.
async fn plan_of(store: &Store, statement: &str) -> Vec<String> {
    let Database::Sqlite { write, .. } = &*store.database;
    let explain = format!("explain query plan {statement}");
    let rows: Vec<(i64, i64, i64, String)> =
        sqlx::query_as(AssertSqlSafe(explain)).fetch_all(write).await.unwrap();
    rows.into_iter().map(|(_, _, _, detail)| detail).collect()
}

/// Whether a line of a plan reads a table from end to end that grows with the takes. A partial
/// index over what is wanted alone (jobs that are due) may be walked; renders (`r`) grow with the
/// nights only.
fn walks(detail: &str) -> bool {
    let growing = ["takes", "stems", "jobs", "events", "uploads", "receipts", "render_files"];
    let table = detail.strip_prefix("SCAN ").and_then(|rest| rest.split(' ').next());
    table.is_some_and(|table| growing.contains(&table) || (table.len() == 1 && table != "r"))
        && !["jobs_due", "jobs_open"].iter().any(|index| detail.contains(index))
}

#[tokio::test]
async fn no_statement_walks_through_a_whole_table() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&Settings::in_folder(folder.path())).await.unwrap();
    let piece_id = crowd(&store).await.unwrap();
    SEEN.lock().unwrap().clear();
    use_everything(&store, &piece_id).await.unwrap();
    let seen = SEEN.lock().unwrap().clone();
    assert!(seen.len() > 60, "only {} statements ran", seen.len());
    let (mut walking, mut pages) = (Vec::new(), Vec::new());
    for statement in seen {
        let plan = plan_of(&store, statement).await;
        if plan.iter().any(|detail| walks(detail)) {
            walking.push(format!("{statement}\n    {}", plan.join("\n    ")));
        }
        if statement.contains("from takes") && statement.contains("limit $") {
            pages.push(plan);
        }
    }
    assert!(walking.is_empty(), "{}", walking.join("\n\n"));
    assert!(!pages.is_empty());
    for plan in pages {
        assert_eq!(plan.len(), 1, "a page of takes is sorted: {plan:?}");
        assert!(plan[0].starts_with("SEARCH takes USING INDEX"), "{plan:?}");
    }
}
