//! The store, record by record, on a database made from empty.

use bytes::Bytes;
use futures::StreamExt;
use ripieno_store::{
    Conformed, DocumentFormat, ErrorKind, NewDocument, NewJob, NewStem, NewTake, Settings, Store,
    TakeState,
};
use serde_json::{Value, json};

const T0: i64 = 1_764_000_000_000_000;

async fn new_store() -> (tempfile::TempDir, Store) {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(&Settings::in_folder(folder.path())).await.unwrap();
    (folder, store)
}

fn document(text: &str) -> NewDocument<'_> {
    NewDocument { format: DocumentFormat::Toml, text, saved_by: "a test", note: "" }
}

fn conform_job(take_id: &str) -> NewJob {
    NewJob {
        kind: "conform_take".into(),
        subject: take_id.into(),
        payload: json!({ "take_id": take_id }),
        max_attempts: 3,
        run_after_us: 0,
    }
}

async fn new_take(store: &Store, piece_id: &str, sound: &[u8], replaces: Option<&str>) -> String {
    let blob = store.put_blob_bytes(sound.to_vec(), T0).await.unwrap();
    let take = NewTake {
        piece_id,
        form: &json!({ "name": "Ide Marsh", "instrument": "whistle" }),
        blob,
        file_name: "take one.wav",
        media_type: "audio/wav",
        replaces,
        idempotency_key: None,
        upload_id: None,
    };
    store.submit_take(&take, conform_job, T0).await.unwrap().take_id
}

async fn place_next(store: &Store, now_us: i64) -> String {
    let job = store.lease_job("w", now_us, 1_000_000).await.unwrap().unwrap();
    store.start_conform(&job, &job.subject, now_us).await.unwrap();
    let blob = store.put_blob_bytes(&b"a stem"[..], now_us).await.unwrap();
    let conformed = Conformed {
        state: TakeState::Placed,
        outcome: &json!({ "lag_ms": 12.0 }),
        findings: &json!([]),
        plots: &Value::Null,
        stem: Some(NewStem { blob, engine_version: "1", summary: &json!({ "frames": 6 }) }),
    };
    store.finish_conform(&job, &job.subject, &conformed, now_us).await.unwrap();
    job.subject
}

#[tokio::test]
async fn a_piece_keeps_every_version_and_refuses_a_stale_save() {
    let (_folder, store) = new_store().await;
    let piece = store.create_piece("nine", "Nine", &document("a = 1"), T0).await.unwrap();
    let taken = store.create_piece("nine", "Nine", &document("a = 1"), T0).await.unwrap_err();
    assert_eq!(taken.kind(), ErrorKind::Taken);
    let saved = store.save_piece(&piece.id, 1, "nine", "Nine", &document("a = 2"), T0).await;
    assert_eq!(saved.unwrap().version, 2);
    let stale = store.save_piece(&piece.id, 1, "nine", "Nine", &document("a = 3"), T0).await;
    assert_eq!(stale.unwrap_err().kind(), ErrorKind::VersionConflict { current: 2 });
    assert_eq!(store.piece_document(&piece.id, None).await.unwrap().text, "a = 2");
    assert_eq!(store.piece_document(&piece.id, Some(1)).await.unwrap().text, "a = 1");
    assert_eq!(store.piece_history(&piece.id).await.unwrap().len(), 2);
    assert_eq!(store.piece_by_slug("nine").await.unwrap().id, piece.id);
}

#[tokio::test]
async fn a_blob_comes_back_whole_and_in_ranges() {
    let (_folder, store) = new_store().await;
    let sound: Vec<u8> =
        (0..3_000_000u32).map(|i| (i.wrapping_mul(2_654_435_761) >> 24) as u8).collect();
    let pieces: Vec<_> = sound
        .chunks(70_001)
        .map(|piece| Ok::<_, std::io::Error>(Bytes::copy_from_slice(piece)))
        .collect();
    let blob = store.put_blob(futures::stream::iter(pieces), None, T0).await.unwrap();
    assert_eq!(blob.bytes, sound.len() as u64);
    let mut reader = store.read_blob_range(&blob.id, 1_000_000..9_000_000).await.unwrap();
    assert_eq!(reader.range, 1_000_000..3_000_000);
    let mut read = Vec::new();
    while let Some(piece) = reader.stream.next().await {
        read.extend_from_slice(&piece.unwrap());
    }
    assert!(read == sound[1_000_000..]);
    let file = store.blob_file(&blob.id).await.unwrap();
    assert!(std::fs::read(file.path()).unwrap() == sound);
    store.delete_blob(&blob.id).await.unwrap();
    assert!(store.read_blob(&blob.id).await.is_err_and(|error| error.is_not_found()));
}

#[tokio::test]
async fn a_take_is_placed_replaced_and_withdrawn() {
    let (_folder, store) = new_store().await;
    let piece = store.create_piece("nine", "Nine", &document(""), T0).await.unwrap();
    let first = new_take(&store, &piece.id, b"one", None).await;
    assert_eq!(place_next(&store, T0 + 1).await, first);
    assert_eq!(store.placed_stems(&piece.id).await.unwrap()[0].stem.take_id, first);
    let second = new_take(&store, &piece.id, b"two", Some(&first)).await;
    assert_eq!(store.placed_stems(&piece.id).await.unwrap()[0].stem.take_id, first);
    place_next(&store, T0 + 2).await;
    let placed = store.placed_stems(&piece.id).await.unwrap();
    assert_eq!(placed.len(), 1);
    assert_eq!(placed[0].stem.take_id, second);
    let blob = store.take(&second).await.unwrap().blob.unwrap();
    let gone = store.withdraw_take(&second, "its contributor", T0 + 3).await.unwrap();
    assert_eq!(gone.len(), 2);
    assert!(store.blob_file(&blob).await.is_err());
    assert!(store.placed_stems(&piece.id).await.unwrap().is_empty());
    let buried = store.take(&second).await.unwrap();
    assert_eq!(buried.state, TakeState::Withdrawn);
    assert_eq!(*buried.form, json!({}));
    assert_eq!(buried.tombstone["withdrawn_by"], "its contributor");
}

#[tokio::test]
async fn an_upload_goes_on_where_it_stopped() {
    let (_folder, store) = new_store().await;
    let piece = store.create_piece("nine", "Nine", &document(""), T0).await.unwrap();
    let (upload, secret) = store
        .create_upload(&piece.id, Some(10), &json!({ "filename": "a" }), T0 + 1000, T0)
        .await
        .unwrap();
    let mut stretch = store.append_upload(&upload.id, 0).await.unwrap();
    stretch.write(b"01234").await.unwrap();
    let busy = store.append_upload(&upload.id, 0).await.err().unwrap();
    assert_eq!(busy.kind(), ErrorKind::Busy);
    assert_eq!(stretch.keep().await.unwrap(), 5);
    let mut refused = store.append_upload(&upload.id, 5).await.unwrap();
    refused.write(b"xxx").await.unwrap();
    drop(refused);
    let wrong = store.append_upload(&upload.id, 8).await.err().unwrap();
    assert_eq!(wrong.kind(), ErrorKind::OffsetConflict { current: 5 });
    let mut rest = store.append_upload(&upload.id, 5).await.unwrap();
    rest.write(b"56789").await.unwrap();
    assert_eq!(rest.write(b"!").await.unwrap_err().kind(), ErrorKind::TooLarge);
    rest.keep().await.unwrap();
    let blob = store.finish_upload(&upload.id).await.unwrap();
    assert_eq!(store.finish_upload(&upload.id).await.unwrap(), blob);
    assert_eq!(blob.content_hash, blake3::hash(b"0123456789").to_hex().to_string());
    assert!(store.find_upload(secret.reveal(), T0).await.unwrap().is_some());
    assert!(store.find_upload(secret.reveal(), T0 + 1000).await.unwrap().is_none());
    assert_eq!(store.sweep_uploads(T0 + 1000).await.unwrap(), 1);
    assert!(store.blob_file(&blob.id).await.is_err());
}
