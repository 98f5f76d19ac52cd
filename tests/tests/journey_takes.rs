//! Takes over HTTP: handed in, listed, fetched in ranges, withdrawn, and everything that can be
//! wrong with a form or a file. No worker runs: what conforming says is another journey.

use std::path::Path;

use ripieno_tests::service::{Service, file_part, good_form, read, tone_wav};
use serde_json::{Value, json};

async fn quiet() -> (Service, String) {
    quiet_with(|_| {}).await
}

async fn quiet_with(change: impl FnOnce(&mut ripieno::config::Config)) -> (Service, String) {
    let service = Service::start_with(|config| {
        config.workers = 0;
        change(config);
    })
    .await;
    let slug = service.make_nine_harbours().await;
    (service, slug)
}

/// How many files lie in the blob folder, staging files and all.
fn files_kept(folder: &Path) -> usize {
    let Ok(entries) = std::fs::read_dir(folder) else { return 0 };
    entries
        .map(|e| e.unwrap().path())
        .map(|path| if path.is_dir() { files_kept(&path) } else { 1 })
        .sum()
}

async fn takes(service: &Service, slug: &str) -> Value {
    let path = format!("/api/v1/pieces/{slug}/takes");
    read(service.organiser("GET", &path).send().await.unwrap()).await.1
}

#[tokio::test]
async fn a_take_is_kept_and_its_receipt_gives_it_back_in_ranges() {
    let (service, slug) = quiet().await;
    let wav = tone_wav(1.0);
    let (status, made) = service.hand_in(&slug, "melodeon take 3.wav", wav.clone()).await;
    assert_eq!(status, 201, "{made}");
    let token = made["receipt_token"].as_str().unwrap();
    assert!(token.len() >= 26, "128 bits in base 32");
    assert_eq!(made["receipt_url"], format!("{}/receipt/{token}", service.base));

    let receipt = format!("/api/v1/receipts/{token}");
    let (_, body) = read(service.get(&receipt).send().await.unwrap()).await;
    assert_eq!((&body["state"], &body["piece"]), (&json!("received"), &json!(slug)));
    assert!(!body.to_string().contains("Ada"), "a receipt says no more than it must");

    let recording = format!("{receipt}/recording");
    let whole = service.get(&recording).send().await.unwrap();
    assert_eq!(whole.headers()["content-type"], "audio/wav");
    let tag = whole.headers()["etag"].clone();
    assert_eq!(whole.bytes().await.unwrap(), wav);
    let part = service.get(&recording).header("range", "bytes=44-143").send().await.unwrap();
    assert_eq!(part.status(), 206);
    assert_eq!(part.headers()["content-range"], format!("bytes 44-143/{}", wav.len()));
    assert_eq!(part.headers()["content-length"], "100");
    assert_eq!(part.bytes().await.unwrap(), wav[44..144]);
    let past = format!("bytes={}-", wav.len());
    let outside = service.get(&recording).header("range", past).send().await.unwrap();
    assert_eq!(outside.status(), 416);
    assert_eq!(outside.headers()["content-range"], format!("bytes */{}", wav.len()));
    let known = service.get(&recording).header("if-none-match", tag).send().await.unwrap();
    assert_eq!(known.status(), 304);

    let list = takes(&service, &slug).await;
    assert_eq!(list["counts"]["received"], 1);
    assert_eq!(list["takes"][0]["form"]["credit"], "Ada Quay");
    let id = list["takes"][0]["id"].as_str().unwrap();
    let at_the_desk =
        service.organiser("GET", &format!("/api/v1/takes/{id}/recording")).send().await.unwrap();
    let name = format!("inline; filename=\"squeezebox-{id}.wav\"");
    assert_eq!(at_the_desk.headers()["content-disposition"], name, "as the offset lists name it");
    let (_, data) = read(service.get(&format!("{receipt}/data")).send().await.unwrap()).await;
    assert_eq!(data["form"]["name"], "Ada Quay");
    assert!(data["consent_wording"]["recording"].is_string());
}

#[tokio::test]
async fn a_withdrawn_take_leaves_a_tombstone_and_no_file() {
    let (service, slug) = quiet().await;
    let (_, made) = service.hand_in(&slug, "a.wav", tone_wav(0.2)).await;
    let receipt = format!("/api/v1/receipts/{}", made["receipt_token"].as_str().unwrap());
    let before = files_kept(&service.folder().join("blobs"));
    assert!(before >= 1);
    let url = format!("{}{receipt}", service.base);
    assert_eq!(service.http.delete(&url).send().await.unwrap().status(), 204);
    assert_eq!(files_kept(&service.folder().join("blobs")), before - 1);
    let gone = service.get(&format!("{receipt}/recording")).send().await.unwrap();
    assert_eq!(gone.status(), 410);
    let (_, body) = read(service.get(&receipt).send().await.unwrap()).await;
    assert_eq!((&body["state"], &body["file_name"]), (&json!("withdrawn"), &json!("")));
    assert_eq!(takes(&service, &slug).await["takes"][0]["form"], json!({}));
    assert_eq!(service.http.delete(&url).send().await.unwrap().status(), 204, "twice is fine");
    let nudge = service.http.patch(&url).json(&json!({ "nudge_ms": 3 })).send().await.unwrap();
    assert_eq!(nudge.status(), 409);
}

#[tokio::test]
async fn every_mistake_of_a_form_is_told_at_once_and_nothing_is_kept() {
    let (service, slug) = quiet().await;
    let form = reqwest::multipart::Form::new()
        .text("name", "x".repeat(10_000))
        .text("players", "many")
        .text("minor", "on")
        .part("recording", file_part("a.wav", tone_wav(0.1)));
    let (status, problem) = service.hand_in_form(&slug, form).await;
    assert_eq!(status, 422, "{problem}");
    let mistakes = problem["mistakes"].as_array().unwrap();
    let at: Vec<_> = mistakes.iter().map(|m| m["pointer"].as_str().unwrap()).collect();
    for field in ["/name", "/instrument", "/players", "/consent_recording", "/guardian"] {
        assert!(at.contains(&field), "{field} in {at:?}");
    }
    assert_eq!(files_kept(&service.folder().join("blobs")), 0);
    assert_eq!(takes(&service, &slug).await["takes"], json!([]));

    let (status, problem) = service.hand_in_form(&slug, good_form()).await;
    assert_eq!((status, &problem["mistakes"][0]["pointer"]), (422, &json!("/recording")));
}

#[tokio::test]
async fn any_script_and_markup_in_a_form_is_kept_as_typed() {
    let (service, slug) = quiet().await;
    for name in ["<script>alert(1)</script>", "שירת הים", "A\u{301}da 🪗👩🏽‍🎤", "' or 1=1 --"]
    {
        let form = reqwest::multipart::Form::new()
            .text("name", name)
            .text("instrument", name)
            .text("consent_recording", "on")
            .text("consent_version", "2026-11")
            .part("recording", file_part("../../etc/passwd.wav", tone_wav(0.1)));
        let (status, made) = service.hand_in_form(&slug, form).await;
        assert_eq!(status, 201, "{made}");
        let path = format!("/api/v1/takes/{}", made["take_id"].as_str().unwrap());
        let (_, take) = read(service.organiser("GET", &path).send().await.unwrap()).await;
        assert_eq!((&take["form"]["name"], &take["form"]["credit"]), (&json!(name), &json!(name)));
        let recording =
            service.organiser("GET", &format!("{path}/recording")).send().await.unwrap();
        let disposition = recording.headers()["content-disposition"].to_str().unwrap().to_owned();
        assert!(!disposition.contains('/'), "{disposition}");
    }
}

#[tokio::test]
async fn what_is_plainly_no_sound_is_refused_and_nothing_is_kept() {
    let (service, slug) = quiet().await;
    for (name, bytes, expected) in [
        ("empty.wav", Vec::new(), 422),
        ("letter.wav", b"Dear all, here is my recording. ".repeat(50), 415),
        ("page.mp3", b"<html><script>alert(1)</script></html>".to_vec(), 415),
        ("cover.wav", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR".to_vec(), 415),
    ] {
        let (status, problem) = service.hand_in(&slug, name, bytes).await;
        assert_eq!(status, expected, "{name}: {problem}");
        assert!(problem["detail"].as_str().unwrap().contains(name), "{problem}");
    }
    assert_eq!(files_kept(&service.folder().join("blobs")), 0);
}

#[tokio::test]
async fn a_file_over_the_limit_is_refused_with_nothing_left_behind() {
    let (service, slug) = quiet_with(|config| config.max_upload_bytes = 100_000).await;
    let (status, problem) = service.hand_in(&slug, "long.wav", tone_wav(3.0)).await;
    assert_eq!(status, 413, "{problem}");
    // Just over: the length of the request alone does not tell.
    let (status, problem) = service.hand_in(&slug, "long.wav", tone_wav(1.1)).await;
    assert_eq!(status, 413, "{problem}");
    assert!(problem["detail"].as_str().unwrap().contains("97.6 KiB"), "{problem}");
    assert_eq!(files_kept(&service.folder().join("blobs")), 0);
    let (status, _) = service.hand_in(&slug, "short.wav", tone_wav(0.9)).await;
    assert_eq!(status, 201);
}

#[tokio::test]
async fn an_upload_that_breaks_off_leaves_nothing() {
    use tokio::io::AsyncWriteExt;
    let (service, slug) = quiet().await;
    let address = service.base.strip_prefix("http://").unwrap().to_owned();
    let mut socket = tokio::net::TcpStream::connect(&address).await.unwrap();
    let head = format!(
        "POST /api/v1/pieces/{slug}/takes HTTP/1.1\r\nhost: {address}\r\n\
         content-type: multipart/form-data; boundary=b\r\ncontent-length: 10000000\r\n\r\n\
         --b\r\ncontent-disposition: form-data; name=\"recording\"; filename=\"a.wav\"\r\n\r\n"
    );
    socket.write_all(head.as_bytes()).await.unwrap();
    socket.write_all(&tone_wav(10.0)).await.unwrap();
    socket.shutdown().await.unwrap();
    drop(socket);
    for _ in 0..100 {
        if files_kept(&service.folder().join("blobs")) == 0 {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    assert_eq!(files_kept(&service.folder().join("blobs")), 0);
    assert_eq!(takes(&service, &slug).await["takes"], json!([]));
}

#[tokio::test]
async fn sending_twice_makes_one_take() {
    let (service, slug) = quiet().await;
    let send = |key: &str, seconds: f64| {
        let form = good_form().text("submission", key.to_owned());
        let form = form.part("recording", file_part("a.wav", tone_wav(seconds)));
        service.hand_in_form(&slug, form)
    };
    let (first_status, first) = send("k1", 0.2).await;
    let (again_status, again) = send("k1", 0.2).await;
    assert_eq!((first_status, again_status), (201, 200));
    assert_eq!(first["take_id"], again["take_id"]);
    assert_eq!(again["already_there"], true);
    let link = format!("/api/v1/receipts/{}", again["receipt_token"].as_str().unwrap());
    assert_eq!(service.get(&link).send().await.unwrap().status(), 200);
    assert_eq!(send("k1", 0.3).await.0, 409, "another recording under the same key");
    assert_eq!(send("k2", 0.2).await.0, 201);
    assert_eq!(takes(&service, &slug).await["takes"].as_array().unwrap().len(), 2);
    assert_eq!(files_kept(&service.folder().join("blobs")), 2);
}

#[tokio::test]
async fn a_call_that_is_closed_late_or_full_takes_nothing() {
    let (service, slug) = quiet_with(|config| config.max_takes_per_piece = 1).await;
    let door = format!("/api/v1/pieces/{slug}/open");
    let set = |open: bool| service.organiser("PUT", &door).json(&json!({ "open": open })).send();
    assert_eq!(set(false).await.unwrap().status(), 204);
    assert_eq!(service.hand_in(&slug, "a.wav", tone_wav(0.1)).await.0, 403);
    assert_eq!(set(true).await.unwrap().status(), 204);
    assert_eq!(service.hand_in(&slug, "a.wav", tone_wav(0.1)).await.0, 201);
    let (status, problem) = service.hand_in(&slug, "b.wav", tone_wav(0.1)).await;
    assert_eq!(status, 409, "{problem}");
    // A withdrawn take makes room for another.
    let list = takes(&service, &slug).await;
    let take = format!("/api/v1/takes/{}", list["takes"][0]["id"].as_str().unwrap());
    assert_eq!(service.organiser("DELETE", &take).send().await.unwrap().status(), 204);
    assert_eq!(service.hand_in(&slug, "b.wav", tone_wav(0.1)).await.0, 201);

    let mut late = ripieno_score::nine_harbours().0;
    late.slug = "late".to_owned();
    late.deadline = Some("2020-01-31T18:00:00+01:00".to_owned());
    let late = service.make_piece(&late.to_toml()).await;
    let (status, problem) = service.hand_in(&late, "a.wav", tone_wav(0.1)).await;
    assert_eq!(status, 403);
    assert!(problem["detail"].as_str().unwrap().contains("deadline"), "{problem}");
    assert_eq!(service.hand_in("none", "a.wav", tone_wav(0.1)).await.0, 404);
}

#[tokio::test]
async fn what_a_browser_cannot_find_or_send_is_told_on_a_page() {
    let (service, slug) = quiet_with(|config| config.max_upload_bytes = 100_000).await;
    let page = async |answer: reqwest::Response| {
        let typed = answer.headers()["content-type"].to_str().unwrap().to_owned();
        (answer.status().as_u16(), typed, answer.text().await.unwrap())
    };
    let html = "text/html,application/xhtml+xml";
    let (status, typed, text) =
        page(service.get("/no/such/place").header("accept", html).send().await.unwrap()).await;
    assert_eq!((status, typed.as_str()), (404, "text/html; charset=utf-8"), "{text}");
    let script = service.get("/no/such/place").send().await.unwrap();
    assert_eq!(script.headers()["content-type"], "application/problem+json");
    let gone = service.get("/receipt/00000000000000000000000000").send().await.unwrap();
    assert_eq!((gone.status().as_u16(), page(gone).await.1.contains("html")), (404, true));

    let form = format!("/{slug}/take");
    for (bytes, expected) in
        [(tone_wav(3.0), 413), (b"Dear all, here is my take. ".repeat(40), 415)]
    {
        let sent = good_form().part("recording", file_part("a.wav", bytes));
        let answer = service.post(&format!("{form}/send")).multipart(sent).send().await.unwrap();
        let (status, typed, text) = page(answer).await;
        assert_eq!((status, typed.contains("html")), (expected, true), "{text}");
        assert!(text.contains(&format!("href=\"{form}\"")), "the way back: {text}");
    }
}

#[tokio::test]
async fn a_plain_form_with_mistakes_comes_back_with_what_was_typed() {
    let (service, slug) = quiet().await;
    let form = reqwest::multipart::Form::new()
        .text("name", "x".repeat(10_000))
        .text("instrument", "<b>\"bells\"</b>")
        .text("email", "nobody")
        .text("minor", "on")
        .text("submission", "one")
        .part("recording", file_part("a.wav", tone_wav(0.1)));
    let answer = service.post(&format!("/{slug}/take/send")).multipart(form).send().await.unwrap();
    assert_eq!(answer.status(), 422);
    let text = answer.text().await.unwrap();
    for field in ["name", "email", "guardian", "consent_recording"] {
        assert!(text.contains(&format!("href=\"#f-{field}\"")), "{field}");
    }
    assert!(text.contains("value=\"&lt;b&gt;&quot;bells&quot;&lt;/b&gt;\""), "{text}");
    assert!(text.contains("value=\"nobody\"") && text.contains("value=\"one\""));
    assert_eq!(takes(&service, &slug).await["takes"], json!([]));
    assert_eq!(files_kept(&service.folder().join("blobs")), 0);
}

#[tokio::test]
async fn the_wording_that_was_agreed_to_stays_with_a_take() {
    let (service, slug) = quiet().await;
    let (_, made) = service.hand_in(&slug, "a.wav", tone_wav(0.1)).await;
    let mut piece = ripieno_score::nine_harbours().0;
    let agreed = piece.consent_wording.recording.clone();
    piece.consent_wording.version = "2027-01".to_owned();
    piece.consent_wording.recording = "Something else altogether.".to_owned();
    let path = format!("/api/v1/pieces/{slug}");
    let saved = service.organiser("PUT", &path).header("if-match", "*");
    let saved = saved.header("content-type", "application/toml").body(piece.to_toml());
    assert!(saved.send().await.unwrap().status().is_success());

    let data = format!("/api/v1/receipts/{}/data", made["receipt_token"].as_str().unwrap());
    let (_, data) = read(service.get(&data).send().await.unwrap()).await;
    assert_eq!(data["consent_wording"]["version"], "2026-11");
    assert_eq!(data["consent_wording"]["recording"], json!(agreed));
    // Who had the form open meanwhile agreed to the earlier wording; nobody to one never shown.
    assert_eq!(service.hand_in(&slug, "b.wav", tone_wav(0.2)).await.0, 201);
    let form = reqwest::multipart::Form::new()
        .text("name", "Ada Quay")
        .text("instrument", "bells")
        .text("consent_recording", "on")
        .text("consent_version", "1999")
        .part("recording", file_part("c.wav", tone_wav(0.3)));
    let (status, problem) = service.hand_in_form(&slug, form).await;
    assert_eq!((status, &problem["mistakes"][0]["pointer"]), (422, &json!("/consent_version")));
}

#[tokio::test]
async fn a_take_is_heard_louder_only_while_it_is_in_the_mix() {
    let (service, slug) = quiet().await;
    let (_, made) = service.hand_in(&slug, "a.wav", tone_wav(0.2)).await;
    let receipt = format!("/api/v1/receipts/{}", made["receipt_token"].as_str().unwrap());
    let ask = |section: &str| {
        service.post(&format!("{receipt}/louder")).json(&json!({ "section": section })).send()
    };
    assert_eq!(ask("Flood").await.unwrap().status(), 409, "it is not conformed yet");
    let settings = ripieno_store::Settings::in_folder(service.folder());
    let store = ripieno_store::Store::open(&settings).await.unwrap();
    place(&store).await;

    let (status, problem) = read(ask("Nowhere").await.unwrap()).await;
    assert_eq!((status, &problem["mistakes"][0]["pointer"]), (422, &json!("/sections/0")));
    let asked = ask("Flood").await.unwrap();
    let place = asked.headers()["location"].to_str().unwrap().to_owned();
    let (status, body) = read(asked).await;
    assert_eq!((status, &body["state"], &body["sound"]), (202, &json!("queued"), &Value::Null));
    let (_, again) = read(ask("Flood").await.unwrap()).await;
    assert_eq!(again["id"], body["id"], "pressed twice, mixed once");
    let (_, stands) = read(service.get(&place).send().await.unwrap()).await;
    assert_eq!(stands["id"], body["id"]);
    let sound = service.get(&format!("{place}/sound")).send().await.unwrap();
    assert_eq!(sound.status(), 404, "not mixed yet");

    // Nobody else's: not in the organiser's list, not under another receipt.
    let renders = service.organiser("GET", &format!("/api/v1/pieces/{slug}/renders"));
    assert_eq!(read(renders.send().await.unwrap()).await.1, json!([]));
    let (_, other) = service.hand_in(&slug, "b.wav", tone_wav(0.3)).await;
    let (token, id) = (other["receipt_token"].as_str().unwrap(), body["id"].as_str().unwrap());
    let foreign = service.get(&format!("/api/v1/receipts/{token}/louder/{id}"));
    assert_eq!(foreign.send().await.unwrap().status(), 404);

    // It goes with the take.
    let url = format!("{}{receipt}", service.base);
    assert_eq!(service.http.delete(&url).send().await.unwrap().status(), 204);
    assert_eq!(service.get(&place).send().await.unwrap().status(), 404);
    assert!(store.render(id).await.unwrap_err().is_not_found());
}

#[tokio::test]
async fn a_mix_is_to_be_had_of_a_lone_take_that_is_being_laid_anew() {
    let (service, slug) = quiet().await;
    let render = || {
        let path = format!("/api/v1/pieces/{slug}/renders");
        service.organiser("POST", &path).json(&json!({ "kind": "preview" })).send()
    };
    let (_, made) = service.hand_in(&slug, "a.wav", tone_wav(0.2)).await;
    assert_eq!(render().await.unwrap().status(), 409, "nothing is placed yet");
    let settings = ripieno_store::Settings::in_folder(service.folder());
    place(&ripieno_store::Store::open(&settings).await.unwrap()).await;
    let receipt =
        format!("{}/api/v1/receipts/{}", service.base, made["receipt_token"].as_str().unwrap());
    let nudged = service.http.patch(&receipt).json(&json!({ "nudge_ms": 3 })).send().await.unwrap();
    let (_, body) = read(nudged).await;
    assert_eq!(body["state"], "received");
    assert!(body["says"].as_str().unwrap().contains("stays in the mix as it was"), "{body}");
    let (status, body) = read(render().await.unwrap()).await;
    assert_eq!(status, 202, "{body}");
    let page = service.organiser("GET", &format!("/desk/{slug}")).send().await.unwrap();
    assert!(page.text().await.unwrap().contains("being laid anew"));
}

/// Lays the only take that waits, as a worker would.
async fn place(store: &ripieno_store::Store) {
    let now = 1_764_000_000_000_000;
    loop {
        let job = store.lease_job("test", i64::MAX / 2, 1_000_000).await.unwrap().unwrap();
        if job.kind != "conform_take" {
            continue;
        }
        store.start_conform(&job, &job.subject, now).await.unwrap();
        let blob = store.put_blob_bytes(&b"a stem"[..], now).await.unwrap();
        let stem = ripieno_store::NewStem { blob, engine_version: "1", summary: &Value::Null };
        let conformed = ripieno_store::Conformed {
            state: ripieno_store::TakeState::Placed,
            outcome: &json!({ "bar1_beat1_s": 1.0 }),
            findings: &json!([]),
            plots: &Value::Null,
            stem: Some(stem),
        };
        store.finish_conform(&job, &job.subject, &conformed, now).await.unwrap();
        return;
    }
}

#[tokio::test]
async fn too_many_uploads_from_one_address_must_wait() {
    let (service, slug) = quiet_with(|config| config.upload_starts_per_minute = 2).await;
    for expected in [201, 201, 429] {
        assert_eq!(service.hand_in(&slug, "a.wav", tone_wav(0.1)).await.0, expected);
    }
}

#[tokio::test]
async fn takes_come_page_by_page_and_by_state() {
    let (service, slug) = quiet().await;
    for _ in 0..5 {
        service.hand_in(&slug, "a.wav", tone_wav(0.05)).await;
    }
    let path = format!("/api/v1/pieces/{slug}/takes");
    let page = async |query: &str| {
        read(service.organiser("GET", &format!("{path}?{query}")).send().await.unwrap()).await
    };
    let mut seen = Vec::new();
    let mut query = "limit=2".to_owned();
    loop {
        let (_, body) = page(&query).await;
        seen.extend(body["takes"].as_array().unwrap().iter().map(|t| t["id"].to_string()));
        let Some(after) = body["next_after"].as_str() else { break };
        query = format!("limit=2&after={after}");
    }
    assert_eq!(seen.len(), 5);
    assert_eq!(page("state=placed").await.1["takes"], json!([]));
    assert_eq!(page("state=lost").await.0, 400);
    assert_eq!(page("limit=0").await.0, 400);
    assert_eq!(page("limit=many").await.0, 400);
}

#[tokio::test]
async fn a_take_survives_a_restart() {
    let (service, slug) = quiet().await;
    let (_, made) = service.hand_in(&slug, "a.wav", tone_wav(0.2)).await;
    let service = service.restart().await;
    let receipt = format!("/api/v1/receipts/{}", made["receipt_token"].as_str().unwrap());
    assert_eq!(service.get(&receipt).send().await.unwrap().status(), 200);
    assert_eq!(takes(&service, &slug).await["counts"]["received"], 1);
}
