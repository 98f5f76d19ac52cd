//! The worker on real sound: pack, takes, a correction, renders, a withdrawal.

use std::path::{Path, PathBuf};
use std::time::Duration;

use ripieno_scenario::{Defect, Pack, Player, Sheet, Truth, cast, record};
use ripieno_score::{Nightly, Piece, TakeForm, TakeState, nine_harbours};
use ripieno_store::{
    DocumentFormat, NewDocument, NewRender, NewTake, Render, RenderKind, RenderState, Settings,
    Shelf, Store, Take,
};
use ripieno_worker::jobs::Job;
use ripieno_worker::run;
use serde_json::json;

fn now_us() -> i64 {
    let since = std::time::SystemTime::now().duration_since(std::time::SystemTime::UNIX_EPOCH);
    since.unwrap().as_micros() as i64
}

/// Nine Harbours in a store of its own, and what is needed to play in it.
struct House {
    folder: tempfile::TempDir,
    store: Store,
    piece_id: String,
    sheet: Sheet,
}

impl House {
    async fn build() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(&Settings::in_folder(folder.path())).await.unwrap();
        let (piece, _) = nine_harbours();
        let text = piece.to_toml();
        let document =
            NewDocument { format: DocumentFormat::Toml, text: &text, saved_by: "", note: "" };
        let made = store.create_piece(&piece.slug, &piece.title, &document, now_us()).await;
        let piece_id = made.unwrap().id;
        House { folder, store, piece_id, sheet: Sheet::of(&piece) }
    }

    /// Lets a worker do all there is to do.
    async fn work(&self) {
        let idle = async {
            loop {
                tokio::time::sleep(Duration::from_millis(30)).await;
                let depth = self.store.queue_depth().await.unwrap();
                // The sweep waits for its hour.
                if depth.queued + depth.leased <= 1 {
                    return;
                }
            }
        };
        run::run(self.store.clone(), run::Settings::default(), idle).await;
        assert_eq!(self.store.queue_depth().await.unwrap().failed, 0);
    }

    /// The guide pack as a contributor downloads it.
    async fn pack(&self) -> Pack {
        self.store.queue_job(&Job::pack(&self.piece_id), now_us()).await.unwrap();
        self.work().await;
        let files = self.store.piece_files(&self.piece_id, Shelf::Pack).await.unwrap();
        assert!(files.iter().any(|file| file.name == "guide-pack.zip"));
        let downloads = self.folder.path().join("downloads");
        std::fs::create_dir_all(&downloads).unwrap();
        for file in files {
            let blob = self.store.blob_file(&file.blob).await.unwrap();
            std::fs::copy(blob.path(), downloads.join(&file.name)).unwrap();
        }
        Pack::read(&downloads).unwrap()
    }

    fn play(&self, player: &Player, pack: &Pack) -> (PathBuf, Truth) {
        let recorded = record(player, &self.sheet, pack, self.folder.path()).unwrap();
        (recorded.path, recorded.truth)
    }

    async fn send(&self, file: &Path, instrument: &str) -> String {
        let form = TakeForm::from_fields([
            ("name", "Ide Marsh"),
            ("instrument", instrument),
            ("consent_recording", "yes"),
            ("consent_credit", "yes"),
            ("consent_version", "1"),
        ]);
        let bytes = std::fs::read(file).unwrap();
        let take = NewTake {
            piece_id: &self.piece_id,
            form: &serde_json::to_value(form.unwrap()).unwrap(),
            blob: self.store.put_blob_bytes(bytes, now_us()).await.unwrap(),
            file_name: "take.wav",
            media_type: "",
            replaces: None,
            idempotency_key: None,
            upload_id: None,
        };
        self.store.submit_take(&take, Job::conform, now_us()).await.unwrap().take_id
    }

    async fn take(&self, id: &str) -> Take {
        self.store.take(id).await.unwrap()
    }

    async fn render(&self, kind: RenderKind) -> Render {
        let render = NewRender {
            piece_id: &self.piece_id,
            kind,
            request: &json!({ "sections": ["Flood"], "outputs": {
                "group_mixes": true, "aligned_stems": false } }),
            requested_by: "a test",
            occasion: None,
        };
        let asked = self.store.request_render(&render, Job::render, now_us()).await.unwrap();
        self.work().await;
        let done = self.store.render(&asked.id).await.unwrap();
        assert_eq!(done.state, RenderState::Done, "{:?}", done.error);
        done
    }

    /// The hash of the final mix of what is placed now.
    async fn mix_hash(&self) -> String {
        let render = self.render(RenderKind::Final).await;
        self.store.render_file(&render.id, "mix.wav").await.unwrap().content_hash
    }
}

/// Blobs of the guide pack by the files' names, and the versions of the piece they stand for.
async fn pack_on_shelf(house: &House) -> (Vec<(String, String)>, Vec<i64>) {
    let files = house.store.piece_files(&house.piece_id, Shelf::Pack).await.unwrap();
    let mut versions: Vec<i64> = files.iter().map(|file| file.piece_version).collect();
    versions.dedup();
    (files.into_iter().map(|file| (file.name, file.blob)).collect(), versions)
}

/// Saves the piece in place of a version, and lets its pack be seen to.
async fn save(house: &House, piece: &Piece, over: i64) {
    let text = piece.to_toml();
    let document =
        NewDocument { format: DocumentFormat::Toml, text: &text, saved_by: "", note: "" };
    let (id, now) = (&house.piece_id, now_us());
    let saved = house.store.save_piece(id, over, &piece.slug, &piece.title, &document, now).await;
    assert_eq!(saved.unwrap().version, over + 1);
    house.store.queue_job(&Job::pack(id), now_us()).await.unwrap();
    house.work().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_pack_is_written_anew_only_for_a_change_that_it_tells_of() {
    let house = House::build().await;
    let mut piece = Piece { slug: "nine-harbours".into(), ..Piece::default() };
    save(&house, &piece, 1).await;
    let (first, versions) = pack_on_shelf(&house).await;
    assert_eq!((first.len(), versions), (11, vec![2]), "all but the closing mark, and the zip");
    piece.nightly = Some(Nightly { at: "15 4 * * *".into(), webhook: None, keep: Some(2) });
    save(&house, &piece, 2).await;
    assert_eq!(pack_on_shelf(&house).await, (first.clone(), vec![3]), "it stands for the new one");
    for (_, blob) in &first {
        assert!(house.store.blob_file(blob).await.is_ok());
    }
    piece.wanted = vec!["Bells above all.".into()];
    save(&house, &piece, 3).await;
    let (anew, versions) = pack_on_shelf(&house).await;
    assert_eq!(versions, [4]);
    assert!(first.iter().all(|file| !anew.contains(file)));
    let page = anew.iter().find(|(name, _)| name == "instructions.txt").unwrap();
    let page = house.store.blob_file(&page.1).await.unwrap();
    assert!(std::fs::read_to_string(page.path()).unwrap().contains("Bells above all."));
}

fn clean_players() -> Vec<Player> {
    cast(60, 9).into_iter().filter(|player| player.defect == Defect::Clean).take(3).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn takes_are_placed_corrected_rendered_and_withdrawn() {
    let house = House::build().await;
    let pack = house.pack().await;
    let mut sent = Vec::new();
    for player in clean_players() {
        let (file, truth) = house.play(&player, &pack);
        let id = house.send(&file, player.instrument.in_words().0).await;
        sent.push((id, file, truth));
    }
    house.work().await;
    for (id, _, truth) in &sent {
        let take = house.take(id).await;
        assert_eq!(take.state, TakeState::Placed, "{}", take.findings.0);
        let at_s = take.outcome["bar1_beat1_s"].as_f64().unwrap();
        assert!((at_s - truth.bar1_beat1_s).abs() < 0.005, "{at_s} for {truth:?}");
        assert!(take.plots["column_s"].as_f64().unwrap() > 0.0);
    }
    let first = &sent[0].0;
    let retired = nudge_moves_the_stem(&house, first).await;
    let twin = house.send(&sent[1].1, "whistle").await;
    house.work().await;
    let take = house.take(&twin).await;
    assert_eq!(take.state, TakeState::Asks);
    assert_eq!(take.findings[0]["code"], "sent_before");
    withdrawal_leaves_no_trace(&house, first, retired).await;
}

/// Gives the blob of the stem that the nudge has retired.
async fn nudge_moves_the_stem(house: &House, id: &str) -> String {
    let before = house.take(id).await.outcome["analysed"]["bar1_beat1_s"].as_f64().unwrap();
    let stem_before = house.store.stem(id).await.unwrap().unwrap();
    let nudge = json!({ "nudge_ms": 20.0 });
    house.store.correct_take(id, &nudge, &Job::conform(id), now_us()).await.unwrap();
    house.work().await;
    let take = house.take(id).await;
    let after = take.outcome["bar1_beat1_s"].as_f64().unwrap();
    assert!((before - after - 0.020).abs() < 1e-9, "{before} to {after}");
    let stem = house.store.stem(id).await.unwrap().unwrap();
    assert_ne!(stem.content_hash, stem_before.content_hash);
    let former = house.store.former_stems(&house.piece_id).await.unwrap();
    assert_eq!(former, [stem_before.blob.as_str()]);
    stem_before.blob
}

/// With the kept beds of earlier renders or from nothing: the mix after a withdrawal is the same
/// to the bit, and what belonged to the take is gone from the disk.
async fn withdrawal_leaves_no_trace(house: &House, id: &str, retired: String) {
    let with_all = house.mix_hash().await;
    let take = house.take(id).await;
    let stem = house.store.stem(id).await.unwrap().unwrap();
    house.store.withdraw_take(id, "contributor", now_us()).await.unwrap();
    for blob in [take.blob.clone().unwrap(), stem.blob, retired] {
        let gone = house.store.blob_file(&blob).await.is_err_and(|error| error.is_not_found());
        assert!(gone, "the sound of a withdrawn take is still there");
    }
    let kept = house.mix_hash().await;
    std::fs::remove_dir_all(house.store.beds_folder(&house.piece_id)).unwrap();
    let anew = house.mix_hash().await;
    assert_ne!(with_all, kept);
    assert_eq!(kept, anew);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_no_music_is_said_and_no_job_fails() {
    let house = House::build().await;
    let folder = house.folder.path();
    let text = folder.join("letter.wav");
    std::fs::write(&text, "Dear organiser, here is my take.\n".repeat(400)).unwrap();
    let empty = folder.join("empty.wav");
    std::fs::write(&empty, "").unwrap();
    let spec = hound::WavSpec {
        channels: 1,
        sample_rate: 44_100,
        bits_per_sample: 16,
        sample_format: hound::SampleFormat::Int,
    };
    let silent = folder.join("silent.wav");
    let mut writer = hound::WavWriter::create(&silent, spec).unwrap();
    (0..441_000).for_each(|_| writer.write_sample(0i16).unwrap());
    writer.finalize().unwrap();
    for file in [&text, &empty, &silent] {
        let id = house.send(file, "whistle").await;
        house.work().await;
        let take = house.take(&id).await;
        assert_eq!(take.state, TakeState::Unusable, "{file:?}: {}", take.findings.0);
        assert!(take.findings[0]["says"].as_str().unwrap().len() > 20);
        assert!(house.store.stem(&id).await.unwrap().is_none());
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_render_of_nothing_fails_in_plain_words() {
    let house = House::build().await;
    let render = NewRender {
        piece_id: &house.piece_id,
        kind: RenderKind::Preview,
        request: &json!({}),
        requested_by: "a test",
        occasion: Some("a night"),
    };
    let asked = house.store.request_render(&render, Job::render, now_us()).await.unwrap();
    let again = house.store.request_render(&render, Job::render, now_us()).await.unwrap();
    assert_eq!(asked.id, again.id, "an occasion has one render");
    let idle = tokio::time::sleep(Duration::from_millis(1500));
    run::run(house.store.clone(), run::Settings::default(), idle).await;
    let failed = house.store.render(&asked.id).await.unwrap();
    assert_eq!(failed.state, RenderState::Failed);
    let says = failed.error.unwrap();
    assert!(says.starts_with("There is no stem to mix yet"), "{says}");
}
