//! A program for the fault tests to kill or to starve.
//!
//! `store_at_risk work FOLDER SEED` writes takes, uploads, stems and withdrawals for ever, and
//! prints a line for each one that the store has acknowledged. `store_at_risk fill FOLDER` (on a
//! small file system of its own) fills the disk, and `store_at_risk frozen FOLDER` meets a disk
//! that has become read-only; both end with status 0 if the store behaved.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;

use bytes::Bytes;
use ripieno_store::{
    Conformed, DocumentFormat, ErrorKind, NewDocument, NewJob, NewStem, NewTake, Settings, Store,
    StoreError, TakeState,
};
use serde_json::{Value, json};

const T0: i64 = 1_764_000_000_000_000;

#[tokio::main]
async fn main() {
    let arguments: Vec<String> = std::env::args().skip(1).collect();
    let folder = Path::new(&arguments[1]);
    match arguments[0].as_str() {
        "work" => work(folder, arguments[2].parse().unwrap()).await,
        "fill" => fill(folder).await,
        "frozen" => frozen(folder).await,
        other => panic!("there is no mode {other}"),
    }
}

async fn open(folder: &Path) -> (Store, String) {
    let store = Store::open(&Settings::in_folder(folder)).await.unwrap();
    let piece = match store.piece_by_slug("nine").await {
        Ok(piece) => piece,
        Err(_) => {
            let document =
                NewDocument { format: DocumentFormat::Toml, text: "", saved_by: "", note: "" };
            store.create_piece("nine", "Nine", &document, T0).await.unwrap()
        }
    };
    (store, piece.id)
}

/// Says what was acknowledged; a line is one write, so a killed program leaves whole lines.
fn acknowledge(line: String) {
    std::io::stdout().lock().write_all(format!("{line}\n").as_bytes()).unwrap();
}

async fn work(folder: &Path, seed: u64) {
    let (store, piece_id) = open(folder).await;
    let mut rng = fastrand::Rng::with_seed(seed);
    let mut now_us = T0 + seed as i64 * 1_000_000_000;
    let mut live = Vec::new();
    acknowledge("ready".into());
    loop {
        now_us += 1000;
        match rng.u8(..10) {
            0..4 => live.push(submit(&store, &piece_id, &mut rng, now_us).await),
            4..6 => upload(&store, &piece_id, &mut rng, now_us).await,
            6..9 => conform(&store, &mut rng, now_us).await,
            _ if !live.is_empty() => {
                let take_id = live.swap_remove(rng.usize(..live.len()));
                store.withdraw_take(&take_id, "contributor", now_us).await.unwrap();
                acknowledge(format!("withdrawn {take_id}"));
            }
            _ => {}
        }
    }
}

fn sound(rng: &mut fastrand::Rng) -> Vec<u8> {
    let mut bytes = vec![0; rng.usize(1..400_000)];
    rng.fill(&mut bytes);
    bytes
}

async fn submit(store: &Store, piece_id: &str, rng: &mut fastrand::Rng, now_us: i64) -> String {
    let bytes = sound(rng);
    let parts: Vec<_> = bytes
        .chunks(30_000)
        .map(|part| Ok::<_, std::io::Error>(Bytes::copy_from_slice(part)))
        .collect();
    let blob = store.put_blob(futures::stream::iter(parts), None, now_us).await.unwrap();
    let take = NewTake {
        piece_id,
        form: &json!({}),
        blob,
        file_name: "a.wav",
        media_type: "",
        replaces: None,
        idempotency_key: None,
        upload_id: None,
    };
    let take_id = store.submit_take(&take, job, now_us).await.unwrap().take_id;
    acknowledge(format!("take {take_id} {}", blake3::hash(&bytes).to_hex()));
    take_id
}

fn job(take_id: &str) -> NewJob {
    NewJob {
        kind: "conform_take".into(),
        subject: take_id.into(),
        payload: Value::Null,
        max_attempts: 3,
        run_after_us: 0,
    }
}

/// The bytes of an upload follow from its position, so that the parent can check any prefix.
async fn upload(store: &Store, piece_id: &str, rng: &mut fastrand::Rng, now_us: i64) {
    let length = rng.u64(1..300_000);
    let bytes: Vec<u8> = (0..length).map(|i| (i % 251) as u8).collect();
    let (upload, _) =
        store.create_upload(piece_id, Some(length), &Value::Null, i64::MAX, now_us).await.unwrap();
    let mut at = 0;
    while at < length {
        let mut stretch = store.append_upload(&upload.id, at).await.unwrap();
        let end = (at + rng.u64(1..100_000)).min(length);
        for part in bytes[at as usize..end as usize].chunks(8192) {
            stretch.write(part).await.unwrap();
        }
        at = stretch.keep().await.unwrap();
        acknowledge(format!("upload {} {at}", upload.id));
    }
    let blob = store.finish_upload(&upload.id).await.unwrap();
    acknowledge(format!("blob {} {}", blob.id, blake3::hash(&bytes).to_hex()));
}

async fn conform(store: &Store, rng: &mut fastrand::Rng, now_us: i64) {
    let Some(job) = store.lease_job("w", now_us, 1_000_000).await.unwrap() else { return };
    if job.is_exhausted() {
        return store.give_up_job(&job, "died", now_us).await.unwrap();
    }
    let file = store.work_folder().join(format!("{}.stem", job.id));
    std::fs::write(&file, sound(rng)).unwrap();
    let blob = store.adopt_file(file, now_us).await.unwrap();
    let stem_hash = blob.content_hash.clone();
    let conformed = Conformed {
        state: TakeState::Placed,
        outcome: &json!({ "stem_hash": stem_hash }),
        findings: &json!([]),
        plots: &Value::Null,
        stem: Some(NewStem { blob, engine_version: "1", summary: &Value::Null }),
    };
    store.finish_conform(&job, &job.subject, &conformed, now_us).await.unwrap();
    acknowledge(format!("stem {} {stem_hash}", job.subject));
}

async fn fill(folder: &Path) {
    let (store, piece_id) = open(folder).await;
    let mut rng = fastrand::Rng::with_seed(1);
    let mut kept = Vec::new();
    let full = loop {
        let bytes = sound(&mut rng);
        match store.put_blob_bytes(bytes.clone(), T0).await {
            Ok(blob) => kept.push((blob, bytes)),
            Err(error) => break error,
        }
    };
    expect(&full, ErrorKind::DiskFull, "The disk is full");
    for (blob, bytes) in &kept {
        let file = store.blob_file(&blob.id).await.unwrap();
        assert!(std::fs::read(file.path()).unwrap() == *bytes, "a blob was spoilt");
    }
    assert_eq!(files_in(&folder.join("blobs")), kept.len(), "something half-made was left");
    fill_upload(&store, &piece_id, &kept[0].0.id).await;
    fill_records(&store, &piece_id).await;
    // With space again, everything works again.
    for (blob, _) in kept {
        store.delete_blob(&blob.id).await.unwrap();
    }
    submit(&store, &piece_id, &mut rng, T0).await;
}

/// A stretch of an upload that finds the disk full gives its space back.
async fn fill_upload(store: &Store, piece_id: &str, make_room: &str) {
    store.delete_blob(make_room).await.unwrap();
    let (upload, _) =
        store.create_upload(piece_id, Some(1 << 30), &Value::Null, i64::MAX, T0).await.unwrap();
    let mut stretch = store.append_upload(&upload.id, 0).await.unwrap();
    let error = loop {
        if let Err(error) = stretch.write(&[7; 65_536]).await {
            break error;
        }
    };
    expect(&error, ErrorKind::DiskFull, "The disk is full");
    drop(stretch);
    assert_eq!(store.upload(&upload.id).await.unwrap().received, 0);
    store.append_upload(&upload.id, 0).await.unwrap().write(&[7; 1000]).await.unwrap();
    store.delete_upload(&upload.id).await.unwrap();
}

/// Records that find the disk full are refused whole, and reading goes on.
async fn fill_records(store: &Store, piece_id: &str) {
    let long = json!({ "says": "x".repeat(100_000) });
    let mut noted = 0;
    let error = loop {
        match store.note_event(Some(piece_id), "filler", "", &long, T0).await {
            Ok(()) => noted += 1,
            Err(error) => break error,
        }
    };
    expect(&error, ErrorKind::DiskFull, "The disk is full");
    assert_eq!(store.events_since(piece_id, 0, 100_000).await.unwrap().len(), noted);
}

async fn frozen(folder: &Path) {
    // The blobs on a disk of their own, since one that is being written cannot be frozen.
    let blobs = folder.join("blobs");
    std::fs::create_dir(&blobs).unwrap();
    mount(&["-t", "tmpfs", "tmpfs"], &blobs);
    let (store, piece_id) = open(folder).await;
    let take_id = submit(&store, &piece_id, &mut fastrand::Rng::with_seed(2), T0).await;
    mount(&["-o", "remount,ro"], &blobs);
    let sentence = "The data folder cannot be written";
    expect(&store.put_blob_bytes(vec![1], T0).await.unwrap_err(), ErrorKind::ReadOnly, sentence);
    let blob = store.take(&take_id).await.unwrap().blob.clone().unwrap();
    assert!(store.blob_file(&blob).await.is_ok());
    assert!(store.delete_blob(&blob).await.is_err());
    // A withdrawal stands though the file cannot be deleted yet.
    store.withdraw_take(&take_id, "contributor", T0).await.unwrap();
    assert_eq!(store.take(&take_id).await.unwrap().state, TakeState::Withdrawn);
    mount(&["-o", "remount,rw"], &blobs);
    let tomorrow_us = T0 * 4;
    let swept = store.sweep_files(std::time::Duration::ZERO, tomorrow_us).await.unwrap();
    assert_eq!(swept.blobs, 1, "the sweep deletes what the withdrawal could not");
    store.close().await;
    mount(&["-o", "remount,ro"], folder);
    let reopened = Store::open(&Settings::in_folder(folder)).await.err().unwrap();
    expect(&reopened, ErrorKind::ReadOnly, sentence);
}

fn mount(arguments: &[&str], folder: &Path) {
    let mounted = Command::new("mount").args(arguments).arg(folder).status().unwrap();
    assert!(mounted.success());
}

fn expect(error: &StoreError, kind: ErrorKind, sentence: &str) {
    assert_eq!(error.kind(), kind, "{error:?}");
    assert!(error.to_string().starts_with(sentence), "{error}");
}

fn files_in(folder: &PathBuf) -> usize {
    std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().path())
        .map(|path| if path.is_dir() { files_in(&path) } else { 1 })
        .sum()
}
