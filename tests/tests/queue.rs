//! The queue under crashes, stale leases and many takers.

use std::collections::{BTreeMap, BTreeSet};

use ripieno_store::{
    AfterFailure, Conformed, DocumentFormat, ErrorKind, LeasedJob, NewDocument, NewJob, NewRender,
    NewTake, RenderKind, Settings, Store, TakeState,
};
use serde_json::{Value, json};

const T0: i64 = 1_764_000_000_000_000;
const LEASE_US: i64 = 10_000_000;
const MAX_ATTEMPTS: i64 = 3;

async fn new_store() -> (tempfile::TempDir, Store, String) {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&Settings::in_folder(folder.path())).await.unwrap();
    let document =
        NewDocument { format: DocumentFormat::Toml, text: "", saved_by: "a test", note: "" };
    let piece = store.create_piece("nine", "Nine", &document, T0).await.unwrap();
    (folder, store, piece.id)
}

fn conform_job(take_id: &str) -> NewJob {
    NewJob {
        kind: "conform_take".into(),
        subject: take_id.into(),
        payload: Value::Null,
        max_attempts: MAX_ATTEMPTS,
        run_after_us: 0,
    }
}

async fn new_take(store: &Store, piece_id: &str, now_us: i64) -> String {
    let take = NewTake {
        piece_id,
        form: &json!({}),
        blob: store.put_blob_bytes(&b"sound"[..], now_us).await.unwrap(),
        file_name: "a.wav",
        media_type: "",
        replaces: None,
        idempotency_key: None,
        upload_id: None,
    };
    store.submit_take(&take, conform_job, now_us).await.unwrap().take_id
}

async fn place(store: &Store, job: &LeasedJob, now_us: i64) -> ripieno_store::Result<()> {
    let conformed = Conformed {
        state: TakeState::Placed,
        outcome: &json!({}),
        findings: &json!([]),
        plots: &Value::Null,
        stem: None,
    };
    store.finish_conform(job, &job.subject, &conformed, now_us).await.map(drop)
}

/// What the simulation holds the queue to.
#[derive(Default)]
struct Account {
    queued: BTreeSet<String>,
    /// Jobs in takers' hands, with the end of the lease as the taker knows it.
    hands: Vec<(LeasedJob, i64)>,
    started: BTreeMap<String, i64>,
    placed: BTreeMap<String, u32>,
    given_up: BTreeMap<String, u32>,
}

impl Account {
    fn take_in_hand(&mut self, job: LeasedJob, now_us: i64) {
        assert!(
            !self.hands.iter().any(|(held, until)| held.subject == job.subject && *until > now_us),
            "two takers hold {} at once",
            job.subject
        );
        assert!(!self.placed.contains_key(&job.subject), "a finished job was leased");
        if !job.is_exhausted() {
            let starts = self.started.entry(job.subject.clone()).or_default();
            *starts += 1;
            assert!(*starts <= MAX_ATTEMPTS, "{} was started {starts} times", job.subject);
        }
        self.hands.push((job, now_us + LEASE_US));
    }
}

/// One job in hand is finished, renewed, failed or forgotten, in time or too late.
async fn act_on_one(store: &Store, rng: &mut fastrand::Rng, account: &mut Account, now_us: i64) {
    let at = rng.usize(..account.hands.len());
    let (job, _) = account.hands[at].clone();
    if job.is_exhausted() {
        let gave_up = store.give_up_conform(&job, &job.subject, "died", &json!({}), now_us).await;
        if note_end(&gave_up) {
            *account.given_up.entry(job.subject.clone()).or_default() += 1;
        }
        account.hands.remove(at);
        return;
    }
    match rng.u8(..10) {
        0..4 => {
            if note_end(&place(store, &job, now_us).await) {
                *account.placed.entry(job.subject.clone()).or_default() += 1;
            }
            account.hands.remove(at);
        }
        4..6 => match store.renew_lease(&job, now_us, LEASE_US).await {
            Ok(()) => account.hands[at].1 = now_us + LEASE_US,
            Err(error) => assert_eq!(error.kind(), ErrorKind::LeaseLost),
        },
        6..8 => {
            // The taker dies.
            account.hands.remove(at);
        }
        8 => {
            let failed = store.fail_job(&job, "the machine stuttered", now_us).await;
            if let Ok(AfterFailure::GiveUp) = failed {
                let gave_up = store
                    .give_up_conform(&job, &job.subject, "stuttered", &json!({}), now_us)
                    .await;
                if note_end(&gave_up) {
                    *account.given_up.entry(job.subject.clone()).or_default() += 1;
                }
            }
            account.hands.remove(at);
        }
        // The taker is slow and will act on this lease some time later.
        _ => {}
    }
}

/// True when it was done; a lost lease is the only failure there may be.
fn note_end(ended: &ripieno_store::Result<()>) -> bool {
    match ended {
        Ok(()) => true,
        Err(error) => {
            assert_eq!(error.kind(), ErrorKind::LeaseLost, "{error}");
            false
        }
    }
}

async fn simulate(seed: u64) {
    let mut rng = fastrand::Rng::with_seed(seed);
    let (_folder, store, piece_id) = new_store().await;
    let (mut now_us, mut account) = (T0, Account::default());
    for _ in 0..200 {
        match rng.u8(..10) {
            0..2 if account.queued.len() < 25 => {
                account.queued.insert(new_take(&store, &piece_id, now_us).await);
            }
            2..6 => {
                if let Some(job) = store.lease_job("one", now_us, LEASE_US).await.unwrap() {
                    account.take_in_hand(job, now_us);
                }
            }
            6..9 if !account.hands.is_empty() => {
                act_on_one(&store, &mut rng, &mut account, now_us).await;
            }
            _ => now_us += rng.i64(0..2 * LEASE_US),
        }
    }
    // Everybody has died; one good worker comes and does what is left.
    while let Some(due_us) = store.next_due_us().await.unwrap() {
        now_us = now_us.max(due_us);
        let job = store.lease_job("two", now_us, LEASE_US).await.unwrap().unwrap();
        if job.is_exhausted() {
            store.give_up_conform(&job, &job.subject, "died", &json!({}), now_us).await.unwrap();
            *account.given_up.entry(job.subject.clone()).or_default() += 1;
        } else {
            place(&store, &job, now_us).await.unwrap();
            *account.placed.entry(job.subject.clone()).or_default() += 1;
        }
    }
    check_account(&store, &piece_id, &account).await;
}

async fn check_account(store: &Store, piece_id: &str, account: &Account) {
    let events = store.events_since(piece_id, 0, 10_000).await.unwrap();
    for take_id in &account.queued {
        let count =
            |kind| events.iter().filter(|e| e.subject == *take_id && e.kind == kind).count() as u32;
        let placed = account.placed.get(take_id).copied().unwrap_or(0);
        let given_up = account.given_up.get(take_id).copied().unwrap_or(0);
        assert_eq!(placed + given_up, 1, "{take_id} was lost, or done twice");
        assert_eq!((count("take.placed"), count("take.failed")), (placed, given_up));
        let state = store.take(take_id).await.unwrap().state;
        let expected = if placed == 1 { TakeState::Placed } else { TakeState::Asks };
        assert_eq!(state, expected);
    }
}

#[tokio::test]
async fn no_job_is_lost_and_none_is_done_twice_whoever_dies() {
    for seed in 0..16 {
        simulate(seed).await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn eight_takers_get_each_of_400_jobs_once() {
    let (folder, store, _) = new_store().await;
    for i in 0..400 {
        store.queue_job(&conform_job(&format!("take {i}")), T0).await.unwrap();
    }
    let mut takers = tokio::task::JoinSet::new();
    for taker in 0..8 {
        // Half of them as another process would: with pools of their own.
        let store = match taker % 2 {
            0 => store.clone(),
            _ => Store::open(&Settings::in_folder(folder.path())).await.unwrap(),
        };
        takers.spawn(async move {
            let mut got = Vec::new();
            while let Some(job) = store.lease_job("t", T0 + 1, LEASE_US).await.unwrap() {
                tokio::task::yield_now().await;
                store.finish_job(&job, T0 + 2).await.unwrap();
                got.push(job.subject);
            }
            got
        });
    }
    let got: Vec<String> = takers.join_all().await.into_iter().flatten().collect();
    assert_eq!(got.len(), 400);
    assert_eq!(got.iter().collect::<BTreeSet<_>>().len(), 400);
    let depth = store.queue_depth().await.unwrap();
    assert_eq!((depth.queued, depth.leased, depth.failed), (0, 0, 0));
}

#[tokio::test]
async fn jobs_on_one_subject_wait_for_each_other() {
    let (_folder, store, _) = new_store().await;
    assert!(store.queue_job(&conform_job("a"), T0).await.unwrap());
    assert!(!store.queue_job(&conform_job("a"), T0).await.unwrap(), "one that waits is enough");
    let first = store.lease_job("x", T0, LEASE_US).await.unwrap().unwrap();
    assert!(store.queue_job(&conform_job("a"), T0).await.unwrap());
    assert!(store.lease_job("y", T0 + 1, LEASE_US).await.unwrap().is_none());
    store.finish_job(&first, T0 + 2).await.unwrap();
    assert!(store.lease_job("y", T0 + 3, LEASE_US).await.unwrap().is_some());
}

#[tokio::test]
async fn a_job_that_fails_waits_longer_each_time_and_is_then_given_up() {
    let (_folder, store, piece_id) = new_store().await;
    let take_id = new_take(&store, &piece_id, T0).await;
    let (mut now_us, mut waits) = (T0, Vec::new());
    let last = loop {
        let job = store.lease_job("x", now_us, LEASE_US).await.unwrap().unwrap();
        match store.fail_job(&job, "no luck", now_us).await.unwrap() {
            AfterFailure::TriedAgain { at_us } => {
                assert!(store.lease_job("x", at_us - 1, LEASE_US).await.unwrap().is_none());
                waits.push(at_us - now_us);
                now_us = at_us;
            }
            AfterFailure::GiveUp => break job,
        }
    };
    assert_eq!(waits, [2_000_000, 4_000_000]);
    let finding = json!({ "code": "not_examined" });
    store.give_up_conform(&last, &take_id, "no luck", &finding, now_us).await.unwrap();
    let take = store.take(&take_id).await.unwrap();
    assert_eq!((take.state, &take.findings[0]["code"]), (TakeState::Asks, &json!("not_examined")));
    let record = &store.jobs_about(&take_id, "conform_take").await.unwrap()[0];
    assert_eq!(record.last_error.as_deref(), Some("no luck"));
    assert_eq!(store.queue_depth().await.unwrap().failed, 1);
}

#[tokio::test]
async fn a_stale_lease_changes_nothing() {
    let (_folder, store, piece_id) = new_store().await;
    let take_id = new_take(&store, &piece_id, T0).await;
    let stale = store.lease_job("slow", T0, LEASE_US).await.unwrap().unwrap();
    let fresh = store.lease_job("quick", T0 + LEASE_US, LEASE_US).await.unwrap().unwrap();
    let late = place(&store, &stale, T0 + LEASE_US + 1).await.unwrap_err();
    assert_eq!(late.kind(), ErrorKind::LeaseLost);
    assert_eq!(store.take(&take_id).await.unwrap().state, TakeState::Received);
    assert!(store.renew_lease(&stale, T0 + LEASE_US, LEASE_US).await.is_err());
    assert!(store.return_job(&stale, T0 + LEASE_US).await.is_err());
    place(&store, &fresh, T0 + LEASE_US + 2).await.unwrap();
    assert_eq!(store.take(&take_id).await.unwrap().state, TakeState::Placed);
}

#[tokio::test]
async fn a_take_withdrawn_while_it_is_conformed_stays_withdrawn() {
    let (_folder, store, piece_id) = new_store().await;
    let take_id = new_take(&store, &piece_id, T0).await;
    let job = store.lease_job("x", T0, LEASE_US).await.unwrap().unwrap();
    store.start_conform(&job, &take_id, T0).await.unwrap();
    store.withdraw_take(&take_id, "contributor", T0 + 1).await.unwrap();
    assert_eq!(place(&store, &job, T0 + 2).await.unwrap_err().kind(), ErrorKind::LeaseLost);
    assert_eq!(store.take(&take_id).await.unwrap().state, TakeState::Withdrawn);
    assert!(store.lease_job("x", T0 + 10 * LEASE_US, LEASE_US).await.unwrap().is_none());
}

/// Kinds and subjects of the jobs that wait, in the order in which they are taken.
async fn taken(store: &Store, now_us: i64) -> Vec<(String, String)> {
    let mut taken = Vec::new();
    while let Some(job) = store.lease_job("w", now_us, LEASE_US).await.unwrap() {
        taken.push((job.kind, job.subject));
    }
    taken
}

#[tokio::test]
async fn an_organisers_render_goes_before_the_takes_of_the_last_minutes() {
    let (_folder, store, piece) = new_store().await;
    let minutes = |count: i64| T0 + count * 60_000_000;
    let early = new_take(&store, &piece, minutes(0)).await;
    let late = new_take(&store, &piece, minutes(15)).await;
    let render = |occasion| {
        let render = NewRender {
            piece_id: &piece,
            kind: RenderKind::Preview,
            request: &Value::Null,
            requested_by: "Ide",
            occasion,
        };
        let job = |id: &str| NewJob { kind: "render_mix".into(), ..conform_job(id) };
        let store = &store;
        async move { store.request_render(&render, job, minutes(20)).await.unwrap().id }
    };
    let night = render(Some("nightly 1")).await;
    let asked = render(None).await;
    let order: Vec<String> =
        taken(&store, minutes(20)).await.into_iter().map(|(_, subject)| subject).collect();
    assert_eq!(order, [early, asked, late, night], "nobody waits for ever");
}
