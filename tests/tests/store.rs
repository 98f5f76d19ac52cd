//! The store, record by record, on a database made from empty.

use bytes::Bytes;
use futures::StreamExt;
use ripieno_store::{
    Conformed, DocumentFormat, ErrorKind, LeasedJob, NewDocument, NewFile, NewJob, NewRender,
    NewStem, NewTake, RenderKind, Settings, Store, TakeState, Which,
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
    conform_next(store, TakeState::Placed, now_us).await
}

async fn conform_next(store: &Store, state: TakeState, now_us: i64) -> String {
    let job = store.lease_job("w", now_us, 1_000_000).await.unwrap().unwrap();
    store.start_conform(&job, &job.subject, now_us).await.unwrap();
    let blob = store.put_blob_bytes(&b"a stem"[..], now_us).await.unwrap();
    let conformed = Conformed {
        state,
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

/// Ids of the takes that sound now.
async fn sounding(store: &Store, piece_id: &str) -> Vec<String> {
    let placed = store.placed_stems(piece_id).await.unwrap();
    placed.into_iter().map(|stem| stem.stem.take_id).collect()
}

#[tokio::test]
async fn one_of_somebodys_takes_sounds_whatever_the_organiser_decides_of_each() {
    let (_folder, store) = new_store().await;
    let piece = store.create_piece("nine", "Nine", &document(""), T0).await.unwrap();
    let mut takes = Vec::<String>::new();
    for (sound, at) in [(b"one", T0), (b"two", T0 + 10), (b"six", T0 + 20)] {
        let earlier = takes.last().cloned();
        takes.push(new_take(&store, &piece.id, sound, earlier.as_deref()).await);
        place_next(&store, at).await;
    }
    let [first, second, third] = takes.as_slice() else { panic!("three takes") };
    let decide = |id: &String, state: TakeState, after: i64| {
        let (store, id) = (&store, id.clone());
        async move { store.decide_take(&id, state, "Organiser", T0 + after).await.unwrap() }
    };
    assert_eq!(sounding(&store, &piece.id).await, [third.as_str()]);
    decide(third, TakeState::Unusable, 30).await;
    assert_eq!(sounding(&store, &piece.id).await, [second.as_str()], "the one before it is back");
    decide(second, TakeState::Unusable, 31).await;
    assert_eq!(sounding(&store, &piece.id).await, [first.as_str()]);
    decide(third, TakeState::Placed, 32).await;
    assert_eq!(sounding(&store, &piece.id).await, [third.as_str()], "nobody is heard twice");
    decide(second, TakeState::Placed, 33).await;
    assert_eq!(sounding(&store, &piece.id).await, [third.as_str()], "a later one still stands");
    decide(third, TakeState::Unusable, 34).await;
    assert_eq!(sounding(&store, &piece.id).await, [second.as_str()]);
}

#[tokio::test]
async fn who_sends_a_better_take_twice_from_one_receipt_is_heard_once() {
    let (_folder, store) = new_store().await;
    let piece = store.create_piece("nine", "Nine", &document(""), T0).await.unwrap();
    let first = new_take(&store, &piece.id, b"one", None).await;
    place_next(&store, T0 + 1).await;
    let mut better = Vec::new();
    for (sound, at) in [(b"two", T0 + 2), (b"six", T0 + 3)] {
        new_take(&store, &piece.id, sound, Some(&first)).await;
        better.push(place_next(&store, at).await);
    }
    let sounds = sounding(&store, &piece.id).await;
    assert_eq!(sounds.len(), 1, "{sounds:?}");
    assert!(better.contains(&sounds[0]));
    store.withdraw_take(&sounds[0], "its contributor", T0 + 4).await.unwrap();
    assert_eq!(sounding(&store, &piece.id).await, [""; 0], "nothing comes back after all");
}

/// Leases the next conform job and begins it; the take sounds or not as before.
async fn begin_next(store: &Store, now_us: i64) -> LeasedJob {
    let job = store.lease_job("w", now_us, 1_000_000).await.unwrap().unwrap();
    store.start_conform(&job, &job.subject, now_us).await.unwrap();
    job
}

async fn correct(store: &Store, take: &str, now_us: i64) {
    let nudge = json!({ "nudge_ms": 5.0 });
    store.correct_take(take, &nudge, &conform_job(take), now_us).await.unwrap();
}

/// A first take and a better one, both placed.
async fn a_take_and_a_better_one(store: &Store) -> (String, [String; 2]) {
    let piece = store.create_piece("nine", "Nine", &document(""), T0).await.unwrap();
    let first = new_take(store, &piece.id, b"one", None).await;
    place_next(store, T0 + 1).await;
    let better = new_take(store, &piece.id, b"two", Some(&first)).await;
    place_next(store, T0 + 2).await;
    (piece.id, [first, better])
}

#[tokio::test]
async fn nobody_falls_silent_while_their_better_take_is_laid_anew() {
    let (_folder, store) = new_store().await;
    let (piece, [first, better]) = a_take_and_a_better_one(&store).await;
    let laid = store.stem(&better).await.unwrap().unwrap().blob;
    correct(&store, &better, T0 + 3).await;
    correct(&store, &better, T0 + 4).await;
    let heard = store.placed_stems(&piece).await.unwrap();
    assert_eq!(heard.len(), 1, "waiting to be laid anew, it is heard as it was");
    assert_eq!(heard[0].stem.blob, laid);
    assert!(!store.former_stems(&piece).await.unwrap().contains(&laid));
    let job = begin_next(&store, T0 + 5).await;
    assert_eq!(sounding(&store, &piece).await, [better.as_str()]);
    store.give_up_conform(&job, &better, "no luck", &json!({}), T0 + 6).await.unwrap();
    assert_eq!(sounding(&store, &piece).await, [first.as_str()], "the former one, till then");
    assert!(store.former_stems(&piece).await.unwrap().contains(&laid));
    correct(&store, &better, T0 + 7).await;
    begin_next(&store, T0 + 8).await;
    assert_eq!(sounding(&store, &piece).await, [first.as_str()], "asked something: not heard");
    store.decide_take(&better, TakeState::Unusable, "Organiser", T0 + 9).await.unwrap();
    correct(&store, &better, T0 + 10).await;
    assert_eq!(sounding(&store, &piece).await, [first.as_str()], "left out: not heard");
}

/// State, takes, replaced and sounding ones of a piece, as the store counts them; each count is
/// held beside the list it stands for.
async fn counts(store: &Store, piece: &str) -> Vec<(TakeState, i64, i64, i64)> {
    let counts = store.count_takes(piece).await.unwrap();
    let listed = async |which| store.list_takes(piece, which, None, 100).await.unwrap();
    let mut all = [0, 0];
    for count in &counts {
        let standing = listed(Which::Standing(count.state)).await.len() as i64;
        assert_eq!(standing, count.takes - count.replaced, "{:?}", count.state);
        all = [all[0] + count.replaced, all[1] + count.sounding];
    }
    let heard = listed(Which::Sounding).await;
    assert!(heard.iter().all(|take| take.sounds()));
    assert_eq!(all, [listed(Which::Replaced).await.len() as i64, heard.len() as i64]);
    let stems = store.placed_stems(piece).await.unwrap();
    assert_eq!(stems.len(), heard.len(), "what is counted is what a mix is made of");
    counts.into_iter().map(|c| (c.state, c.takes, c.replaced, c.sounding)).collect()
}

#[tokio::test]
async fn a_lone_take_counts_as_heard_until_it_is_laid_anew() {
    let (_folder, store) = new_store().await;
    let piece = store.create_piece("nine", "Nine", &document(""), T0).await.unwrap().id;
    let lone = new_take(&store, &piece, b"one", None).await;
    assert_eq!(counts(&store, &piece).await, [(TakeState::Received, 1, 0, 0)]);
    place_next(&store, T0 + 1).await;
    assert_eq!(counts(&store, &piece).await, [(TakeState::Placed, 1, 0, 1)]);
    correct(&store, &lone, T0 + 2).await;
    assert_eq!(counts(&store, &piece).await, [(TakeState::Received, 1, 0, 1)]);
    begin_next(&store, T0 + 3).await;
    assert_eq!(counts(&store, &piece).await, [(TakeState::Conforming, 1, 0, 1)]);
    store.decide_take(&lone, TakeState::Unusable, "Organiser", T0 + 4).await.unwrap();
    assert_eq!(counts(&store, &piece).await, [(TakeState::Unusable, 1, 0, 0)]);
}

#[tokio::test]
async fn a_withdrawn_take_is_counted_withdrawn_though_it_was_replaced() {
    let (_folder, store) = new_store().await;
    let (piece, [first, better]) = a_take_and_a_better_one(&store).await;
    assert_eq!(counts(&store, &piece).await, [(TakeState::Placed, 2, 1, 1)]);
    store.withdraw_take(&first, "contributor", T0 + 3).await.unwrap();
    let both = [(TakeState::Placed, 1, 0, 1), (TakeState::Withdrawn, 1, 0, 0)];
    assert_eq!(counts(&store, &piece).await, both);
    store.withdraw_take(&better, "contributor", T0 + 4).await.unwrap();
    assert_eq!(counts(&store, &piece).await, [(TakeState::Withdrawn, 2, 0, 0)]);
}

#[tokio::test]
async fn a_take_that_asks_once_it_is_laid_anew_lets_the_former_one_sound() {
    let (_folder, store) = new_store().await;
    let (piece, [first, better]) = a_take_and_a_better_one(&store).await;
    correct(&store, &better, T0 + 3).await;
    conform_next(&store, TakeState::Asks, T0 + 4).await;
    assert_eq!(sounding(&store, &piece).await, [first.as_str()]);
    correct(&store, &better, T0 + 5).await;
    assert_eq!(sounding(&store, &piece).await, [first.as_str()], "until the better one is placed");
    place_next(&store, T0 + 6).await;
    assert_eq!(sounding(&store, &piece).await, [better.as_str()]);
}

#[tokio::test]
async fn what_is_laid_anew_gives_way_to_what_came_of_it() {
    let (_folder, store) = new_store().await;
    let (piece, [first, better]) = a_take_and_a_better_one(&store).await;
    let laid = store.stem(&better).await.unwrap().unwrap().blob;
    correct(&store, &better, T0 + 3).await;
    place_next(&store, T0 + 4).await;
    let heard = store.placed_stems(&piece).await.unwrap();
    assert_eq!((heard.len(), heard[0].stem.take_id.as_str()), (1, better.as_str()));
    assert_ne!(heard[0].stem.blob, laid);
    correct(&store, &first, T0 + 5).await;
    assert_eq!(sounding(&store, &piece).await, [better.as_str()], "nobody is heard twice");
    correct(&store, &better, T0 + 5).await;
    store.decide_take(&first, TakeState::Placed, "Organiser", T0 + 5).await.unwrap();
    assert_eq!(sounding(&store, &piece).await, [better.as_str()], "the later one still stands");
    correct(&store, &first, T0 + 5).await;
    store.decide_take(&better, TakeState::Unusable, "Organiser", T0 + 6).await.unwrap();
    assert_eq!(sounding(&store, &piece).await, [first.as_str()], "as it was, until laid anew");
    correct(&store, &better, T0 + 7).await;
    store.decide_take(&first, TakeState::Unusable, "Organiser", T0 + 8).await.unwrap();
    assert_eq!(sounding(&store, &piece).await, [""; 0], "both are out by the organiser's word");
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

#[tokio::test]
async fn a_database_is_made_from_empty_and_opened_again_as_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let settings = Settings::in_folder(folder.path().join("not/there/yet"));
    let store = Store::open(&settings).await.unwrap();
    let piece = store.create_piece("nine", "Nine", &document("a = 1"), T0).await.unwrap();
    store.close().await;
    let again = Store::open(&settings).await.unwrap();
    assert_eq!(again.piece_by_slug("nine").await.unwrap().id, piece.id);
    assert!(again.create_piece("nine", "Nine", &document(""), T0).await.is_err());
}

#[tokio::test]
async fn a_token_opens_the_desk_until_it_is_revoked() {
    let (_folder, store) = new_store().await;
    let first = store.create_first_organiser("Organiser", T0).await.unwrap().unwrap();
    assert!(store.create_first_organiser("Organiser", T0).await.unwrap().is_none());
    let (second, token) = store.create_organiser("Ide", T0).await.unwrap();
    assert_eq!(store.find_organiser(token.reveal()).await.unwrap().unwrap().id, second.id);
    store.revoke_organiser(&second.id, T0 + 1).await.unwrap();
    assert!(store.find_organiser(token.reveal()).await.unwrap().is_none());
    assert!(store.find_organiser("").await.unwrap().is_none());
    let organiser = store.find_organiser(first.reveal()).await.unwrap().unwrap();
    assert_eq!(organiser.name, "Organiser");
    assert_ne!(first.hash(), first.reveal());
}

#[tokio::test]
async fn two_people_cannot_overwrite_one_anothers_arrangement() {
    let (_folder, store) = new_store().await;
    let piece = store.create_piece("nine", "Nine", &document(""), T0).await.unwrap();
    assert!(store.arrangement(&piece.id, None).await.unwrap().is_none());
    assert_eq!(store.save_arrangement(&piece.id, 0, &document("a"), T0).await.unwrap(), 1);
    let (mine, yours) = (document("mine"), document("yours"));
    let both = tokio::join!(
        store.save_arrangement(&piece.id, 1, &mine, T0),
        store.save_arrangement(&piece.id, 1, &yours, T0)
    );
    let (kept, refused) = match both {
        (Ok(version), Err(error)) | (Err(error), Ok(version)) => (version, error),
        other => panic!("one of the two must win: {other:?}"),
    };
    assert_eq!((kept, refused.kind()), (2, ErrorKind::VersionConflict { current: 2 }));
    assert_eq!(store.arrangement(&piece.id, Some(1)).await.unwrap().unwrap().text, "a");
    assert_eq!(store.arrangement_history(&piece.id).await.unwrap().len(), 2);
    let nowhere = store.save_arrangement("no such piece", 0, &mine, T0).await.unwrap_err();
    assert!(nowhere.is_not_found());
}

#[tokio::test]
async fn a_form_that_is_sent_twice_is_one_take_with_two_receipts() {
    let (_folder, store) = new_store().await;
    let piece = store.create_piece("nine", "Nine", &document(""), T0).await.unwrap();
    let mut sent = Vec::new();
    for sound in [b"sound", b"sound", b"other"] {
        let take = NewTake {
            piece_id: &piece.id,
            form: &json!({}),
            blob: store.put_blob_bytes(sound.to_vec(), T0).await.unwrap(),
            file_name: "a.wav",
            media_type: "",
            replaces: None,
            idempotency_key: Some("made once by the form"),
            upload_id: None,
        };
        let blob = take.blob.id.clone();
        sent.push((store.submit_take(&take, conform_job, T0).await, blob));
    }
    let (other, _) = sent.pop().unwrap();
    assert_eq!(other.unwrap_err().kind(), ErrorKind::Taken);
    let (second, second_blob) = sent.pop().unwrap();
    let (first, first_blob) = sent.pop().unwrap();
    let (first, second) = (first.unwrap(), second.unwrap());
    assert_eq!((&first.take_id, second.already_there), (&second.take_id, true));
    assert!(store.blob_file(&first_blob).await.is_ok());
    assert!(store.blob_file(&second_blob).await.is_err(), "the second copy is deleted");
    for receipt in [&first.receipt, &second.receipt] {
        let take = store.take_by_receipt(receipt.reveal()).await.unwrap().unwrap();
        assert_eq!(take.id, first.take_id);
    }
    assert!(store.take_by_receipt(&first.take_id).await.unwrap().is_none());
    assert_eq!(store.queue_depth().await.unwrap().queued, 1);
}

#[tokio::test]
async fn old_previews_are_thinned_and_finals_are_kept() {
    let (_folder, store) = new_store().await;
    let piece = store.create_piece("nine", "Nine", &document(""), T0).await.unwrap();
    let mut files = Vec::new();
    for (minute, kind) in [0, 1, 2, 3]
        .into_iter()
        .flat_map(|minute| [(minute, RenderKind::Preview), (minute, RenderKind::Final)])
    {
        let at_us = T0 + minute * 60_000_000 + i64::from(kind == RenderKind::Final);
        let render = NewRender {
            piece_id: &piece.id,
            kind,
            request: &json!({}),
            requested_by: "a test",
            occasion: None,
        };
        store.request_render(&render, conform_job, at_us).await.unwrap();
        let job = store.lease_job("w", at_us, 1_000_000).await.unwrap().unwrap();
        let blob = store.put_blob_bytes(&b"a mix"[..], at_us).await.unwrap();
        files.push((kind, blob.id.clone()));
        let file = NewFile { name: "mix".into(), media_type: "audio/ogg".into(), blob };
        store.finish_render(&job, &job.subject, &json!({}), &[file], None, at_us).await.unwrap();
    }
    assert_eq!(store.thin_previews(2).await.unwrap(), 2);
    let mut there = Vec::new();
    for (kind, blob) in &files {
        there.push((*kind == RenderKind::Preview, store.blob_file(blob).await.is_ok()));
    }
    let previews: Vec<bool> = there.iter().filter(|(preview, _)| *preview).map(|x| x.1).collect();
    assert_eq!(previews, [false, false, true, true]);
    assert!(there.iter().filter(|(preview, _)| !preview).all(|(_, there)| *there));
    assert_eq!(store.list_renders(&piece.id, None, 100).await.unwrap().len(), 6);
}

/// A preview that is done; gives its id.
async fn preview(
    store: &Store,
    piece_id: &str,
    request: Value,
    night: Option<&str>,
    at: i64,
) -> String {
    let render = NewRender {
        piece_id,
        kind: RenderKind::Preview,
        request: &request,
        requested_by: "a test",
        occasion: night,
    };
    store.request_render(&render, conform_job, at).await.unwrap();
    let job = store.lease_job("w", at, 1_000_000).await.unwrap().unwrap();
    let blob = store.put_blob_bytes(&b"a mix"[..], at).await.unwrap();
    let file = NewFile { name: "preview.ogg".into(), media_type: "audio/ogg".into(), blob };
    store.finish_render(&job, &job.subject, &json!({}), &[file], None, at).await.unwrap();
    job.subject
}

#[tokio::test]
async fn trying_out_sections_thins_neither_the_preview_of_the_whole_nor_the_nights() {
    let (_folder, store) = new_store().await;
    let piece = store.create_piece("nine", "Nine", &document(""), T0).await.unwrap();
    let at = |minute: i64| T0 + minute * 60_000_000;
    let night = Some("nightly 2026-11-28 05:00+00:00");
    let nightly = preview(&store, &piece.id, json!({}), night, at(0)).await;
    let whole = preview(&store, &piece.id, json!({ "sections": [] }), None, at(1)).await;
    let mut parts = Vec::new();
    for minute in 2..6 {
        let part = json!({ "sections": ["Flood"], "groups": [] });
        parts.push(preview(&store, &piece.id, part, None, at(minute)).await);
    }
    assert_eq!(store.thin_previews(2).await.unwrap(), 2);
    let left = store.list_renders(&piece.id, None, 100).await.unwrap();
    let left: Vec<&str> = left.iter().map(|render| render.id.as_str()).collect();
    assert_eq!(left, [&*parts[3], &*parts[2], &*whole, &*nightly]);
}

#[tokio::test]
async fn everybody_hears_the_whole_however_many_sections_were_tried_out_since() {
    let (_folder, store) = new_store().await;
    let piece = store.create_piece("nine", "Nine", &document(""), T0).await.unwrap();
    assert!(store.newest_to_hear(&piece.id).await.unwrap().is_none());
    let whole = preview(&store, &piece.id, json!({}), None, T0).await;
    for second in 1..=60 {
        let part = match second % 3 {
            0 => json!({ "sections": ["Flood"] }),
            1 => json!({ "groups": ["Bells"] }),
            _ => json!({ "louder_take": "a" }),
        };
        preview(&store, &piece.id, part, None, T0 + second * 1_000_000).await;
    }
    let (render, file) = store.newest_to_hear(&piece.id).await.unwrap().unwrap();
    assert_eq!((render.id, file.as_str()), (whole, "preview.ogg"));
}

#[tokio::test]
async fn a_stream_that_breaks_off_or_is_too_long_leaves_nothing() {
    let (folder, store) = new_store().await;
    let good = || Ok(Bytes::from_static(&[1; 1000]));
    let broken = futures::stream::iter([good(), Err(std::io::Error::other("the phone is gone"))]);
    let error = store.put_blob(broken, None, T0).await.unwrap_err();
    assert_eq!(error.kind(), ErrorKind::BrokenStream);
    let long = futures::stream::iter([good(), good()]);
    let error = store.put_blob(long, Some(1999), T0).await.unwrap_err();
    assert_eq!(error.kind(), ErrorKind::TooLarge);
    let just = futures::stream::iter([good(), good()]);
    assert_eq!(store.put_blob(just, Some(2000), T0).await.unwrap().bytes, 2000);
    let shards = std::fs::read_dir(folder.path().join("blobs")).unwrap();
    let files: usize =
        shards.map(|shard| std::fs::read_dir(shard.unwrap().path()).unwrap().count()).sum();
    assert_eq!(files, 1);
    for hostile in ["../../etc/passwd", "", "a/b", "..", "a#1"] {
        assert!(store.read_blob(hostile).await.is_err_and(|error| error.is_not_found()));
    }
}
