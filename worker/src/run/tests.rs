//! The worker's loop, with other things to do than sound.

use std::sync::atomic::AtomicUsize;

use ripieno_score::TakeState;
use ripieno_store::{
    DocumentFormat, NewDocument, NewJob, NewRender, NewTake, RenderKind, RenderState,
};
use serde_json::json;
use tokio::sync::Notify;

use super::*;

async fn new_store() -> (tempfile::TempDir, Store, String) {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&ripieno_store::Settings::in_folder(folder.path())).await.unwrap();
    let document =
        NewDocument { format: DocumentFormat::Toml, text: "", saved_by: "a test", note: "" };
    let piece = store.create_piece("nine", "Nine", &document, now_us()).await.unwrap();
    (folder, store, piece.id)
}

async fn new_take(store: &Store, piece_id: &str, max_attempts: i64) -> String {
    let take = NewTake {
        piece_id,
        form: &json!({}),
        blob: store.put_blob_bytes(&b"sound"[..], now_us()).await.unwrap(),
        file_name: "a.wav",
        media_type: "",
        replaces: None,
        idempotency_key: None,
        upload_id: None,
    };
    let job = |id: &str| NewJob { max_attempts, ..Job::conform(id) };
    store.submit_take(&take, job, now_us()).await.unwrap().take_id
}

/// A take that lies on the grid, as far as the records know.
pub(crate) async fn place_a_take(store: &Store, piece_id: &str) {
    let take_id = new_take(store, piece_id, 3).await;
    let job = store.lease_job("a test", now_us(), 60_000_000).await.unwrap().unwrap();
    let conformed = ripieno_store::Conformed {
        state: TakeState::Placed,
        outcome: &json!({}),
        findings: &json!([]),
        plots: &json!(null),
        stem: None,
    };
    store.finish_conform(&job, &take_id, &conformed, now_us()).await.unwrap();
}

fn quick() -> Settings {
    Settings {
        slots: 2,
        lease: Duration::from_millis(300),
        look_every: Duration::from_millis(20),
        stop_within: Duration::from_secs(5),
        ..Settings::default()
    }
}

fn doer<F, D>(work: F) -> Doer
where
    F: Fn(Arc<Hand>) -> D + Send + Sync + 'static,
    D: Future<Output = Done> + Send + 'static,
{
    Arc::new(move |hand| Box::pin(work(hand)))
}

async fn finish(hand: &Hand) -> Done {
    Ok(hand.store.finish_job(&hand.job, now_us()).await?)
}

/// Runs until nothing is due any more, or ten seconds.
async fn run_until_idle(store: &Store, settings: Settings, doer: Doer) {
    let idle = async {
        for _ in 0..500 {
            tokio::time::sleep(Duration::from_millis(20)).await;
            let depth = store.queue_depth().await.unwrap();
            if (depth.queued, depth.leased) == (0, 0) {
                return;
            }
        }
        panic!("the queue did not empty");
    };
    run_with(store.clone(), settings, idle, doer).await;
}

#[tokio::test]
async fn a_panic_is_this_jobs_failure_and_no_others() {
    let (_folder, store, piece_id) = new_store().await;
    let bad = new_take(&store, &piece_id, 1).await;
    let good = new_take(&store, &piece_id, 1).await;
    let panics = bad.clone();
    let doer = doer(move |hand| {
        let panics = panics.clone();
        async move {
            if hand.job.subject == panics {
                on_a_thread(|| panic!("the codec stumbled")).await?;
            }
            finish(&hand).await
        }
    });
    run_until_idle(&store, quick(), doer).await;
    let take = store.take(&bad).await.unwrap();
    assert_eq!(take.state, TakeState::Asks);
    assert_eq!(take.findings[0]["code"], "not_examined");
    assert!(!take.findings[0]["says"].as_str().unwrap().contains("codec"));
    let job = &store.jobs_about(&bad, "conform_take").await.unwrap()[0];
    assert!(job.last_error.as_ref().unwrap().contains("the codec stumbled"));
    let job = &store.jobs_about(&good, "conform_take").await.unwrap()[0];
    assert_eq!(job.state, ripieno_store::JobState::Done);
}

#[tokio::test]
async fn a_lease_is_renewed_for_as_long_as_the_work_lasts() {
    let (_folder, store, piece_id) = new_store().await;
    new_take(&store, &piece_id, 3).await;
    let starts = Arc::new(AtomicUsize::new(0));
    let count = Arc::clone(&starts);
    let slow = doer(move |hand| {
        let count = Arc::clone(&count);
        async move {
            count.fetch_add(1, Ordering::Relaxed);
            on_a_thread(|| std::thread::sleep(Duration::from_millis(1000))).await?;
            finish(&hand).await
        }
    });
    tokio::join!(
        run_until_idle(&store, quick(), Arc::clone(&slow)),
        run_until_idle(&store, quick(), slow)
    );
    assert_eq!(starts.load(Ordering::Relaxed), 1);
}

#[tokio::test]
async fn no_more_jobs_are_in_hand_than_there_are_slots() {
    let (_folder, store, piece_id) = new_store().await;
    for _ in 0..8 {
        new_take(&store, &piece_id, 1).await;
    }
    let (now, most) = (Arc::new(AtomicUsize::new(0)), Arc::new(AtomicUsize::new(0)));
    let (counting, seen) = (Arc::clone(&now), Arc::clone(&most));
    let doer = doer(move |hand| {
        let (counting, seen) = (Arc::clone(&counting), Arc::clone(&seen));
        async move {
            seen.fetch_max(counting.fetch_add(1, Ordering::SeqCst) + 1, Ordering::SeqCst);
            tokio::time::sleep(Duration::from_millis(50)).await;
            counting.fetch_sub(1, Ordering::SeqCst);
            finish(&hand).await
        }
    });
    run_until_idle(&store, quick(), doer).await;
    assert_eq!(most.load(Ordering::SeqCst), 2);
}

/// Work that goes on until it is told to break off, and says why it did.
fn long_render(started: Arc<Notify>, why: Arc<std::sync::Mutex<Option<String>>>) -> Doer {
    doer(move |hand| {
        let (started, why) = (Arc::clone(&started), Arc::clone(&why));
        async move {
            let Job::RenderMix { render_id } = Job::read(&hand.job)? else { panic!() };
            hand.store.start_render(&hand.job, &render_id, now_us()).await?;
            started.notify_one();
            let held = Arc::clone(&hand);
            let ended = on_a_thread(move || {
                loop {
                    std::thread::sleep(Duration::from_millis(5));
                    if let Some(error) = held.break_off() {
                        break_off_here(error);
                    }
                }
            });
            let ended: Result<(), JobError> = ended.await;
            *why.lock().unwrap() = ended.as_ref().err().map(ToString::to_string);
            ended
        }
    })
}

async fn new_render(store: &Store, piece_id: &str) -> String {
    let render = NewRender {
        piece_id,
        kind: RenderKind::Preview,
        request: &json!({}),
        requested_by: "a test",
        occasion: None,
    };
    store.request_render(&render, Job::render, now_us()).await.unwrap().id
}

#[tokio::test]
async fn a_stop_breaks_a_render_off_and_puts_it_back_uncounted() {
    let (_folder, store, piece_id) = new_store().await;
    let render_id = new_render(&store, &piece_id).await;
    let (started, why) = (Arc::new(Notify::new()), Arc::default());
    let doer = long_render(Arc::clone(&started), Arc::clone(&why));
    run_with(store.clone(), quick(), async move { started.notified().await }, doer).await;
    assert!(why.lock().unwrap().as_ref().unwrap().contains("stopped"));
    let job = &store.jobs_about(&render_id, "render_mix").await.unwrap()[0];
    assert_eq!((job.state, job.attempts), (ripieno_store::JobState::Queued, 0));
}

#[tokio::test]
async fn a_render_that_is_called_off_is_broken_off() {
    let (_folder, store, piece_id) = new_store().await;
    let render_id = new_render(&store, &piece_id).await;
    let (started, why) = (Arc::new(Notify::new()), Arc::default());
    let doer = long_render(Arc::clone(&started), Arc::clone(&why));
    let broken_off = async {
        started.notified().await;
        store.cancel_render(&render_id, now_us()).await.unwrap();
        while why.lock().unwrap().is_none() {
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    };
    run_with(store.clone(), quick(), broken_off, doer).await;
    assert!(why.lock().unwrap().as_ref().unwrap().contains("called off"));
    assert_eq!(store.render(&render_id).await.unwrap().state, RenderState::Cancelled);
}

#[tokio::test]
async fn a_job_that_killed_its_worker_each_time_is_set_aside_unrun() {
    let (_folder, store, piece_id) = new_store().await;
    let take_id = new_take(&store, &piece_id, 3).await;
    for _ in 0..3 {
        let dead = store.lease_job("dies", now_us(), 0).await.unwrap();
        assert!(dead.is_some());
    }
    run_until_idle(&store, quick(), doer(|_| async { panic!("it was run") })).await;
    assert_eq!(store.take(&take_id).await.unwrap().state, TakeState::Asks);
    let job = &store.jobs_about(&take_id, "conform_take").await.unwrap()[0];
    let said = job.last_error.as_ref().unwrap();
    assert!(said.starts_with("It was started 3 times and never came to an end"), "{said}");
}
