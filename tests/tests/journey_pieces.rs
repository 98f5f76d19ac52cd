//! Pieces, arrangement maps and renders over HTTP, with everything that can be wrong in them.

use ripieno_score::{ARRANGEMENT_TOML, PIECE_TOML};
use ripieno_tests::service::{Service, read, tone_wav};
use serde_json::json;

async fn quiet() -> Service {
    Service::start_with(|config| config.workers = 0).await
}

#[tokio::test]
async fn a_piece_is_made_from_toml_and_comes_back_as_json_and_as_written() {
    let service = quiet().await;
    let slug = service.make_nine_harbours().await;
    let path = format!("/api/v1/pieces/{slug}");

    let answer = service.get(&path).send().await.unwrap();
    assert_eq!(answer.headers()["etag"], "\"v1\"");
    let (status, piece) = read(answer).await;
    assert_eq!((status, &piece["slug"]), (200, &json!(slug)));

    let toml = service.get(&path).header("accept", "application/toml").send().await.unwrap();
    assert_eq!(toml.text().await.unwrap(), PIECE_TOML, "comments and all");

    let (_, all) = read(service.get("/api/v1/pieces").send().await.unwrap()).await;
    assert_eq!(all[0]["title"], "Nine Harbours");

    // The JSON is itself a document to make a piece of.
    let mut copy = piece;
    copy["slug"] = json!("nine-harbours-again");
    let made = service.organiser("POST", "/api/v1/pieces").json(&copy).send().await.unwrap();
    assert_eq!(made.status(), 201);
}

#[tokio::test]
async fn the_address_that_is_told_of_previews_is_shown_to_organisers_alone() {
    let service = quiet().await;
    let told = "[nightly]\nwebhook = \"https://quay.example/secret-7\"";
    let toml = PIECE_TOML.replacen("[nightly]", told, 1);
    let slug = service.make_piece(&toml).await;
    let path = format!("/api/v1/pieces/{slug}");
    for form in ["application/json", "application/toml"] {
        let stranger = service.get(&path).header("accept", form).send().await.unwrap();
        assert_eq!(stranger.status(), 200);
        assert_eq!(stranger.headers()["etag"], "W/\"v1\"", "no replacement may name it");
        assert_eq!(stranger.headers()["vary"], "accept, authorization, cookie");
        let text = stranger.text().await.unwrap();
        assert!(text.contains("nightly") && !text.contains("secret-7"), "{form}");
        let own = service.organiser("GET", &path).header("accept", form).send().await.unwrap();
        assert_eq!(own.headers()["etag"], "\"v1\"");
        assert_eq!(own.headers()["vary"], "accept, authorization, cookie");
        assert!(own.text().await.unwrap().contains("secret-7"), "{form}");
    }
}

#[tokio::test]
async fn every_mistake_of_a_piece_comes_with_its_line() {
    let service = quiet().await;
    let broken = PIECE_TOML.replace("slug =", "slugg =");
    let broken =
        format!("{broken}\n[[sections]]\nname = \"Flood\"\nfirst_bar = 70\nlast_bar = 60\n");
    let sent = service.organiser("POST", "/api/v1/pieces");
    let answer = sent.header("content-type", "application/toml").body(broken).send().await.unwrap();
    assert_eq!(answer.headers()["content-type"], "application/problem+json");
    let (status, problem) = read(answer).await;
    assert_eq!(status, 422, "{problem}");
    let mistakes = problem["mistakes"].as_array().unwrap();
    assert!(mistakes.len() >= 2, "{problem}");
    assert!(mistakes.iter().any(|m| m["file"] == "piece.toml" && m["line"].is_u64()), "{problem}");
    assert!(mistakes.iter().all(|m| m["what"] != "" && m["instead"] != ""), "{problem}");
}

#[tokio::test]
async fn only_the_organiser_makes_pieces() {
    let service = quiet().await;
    let path = format!("{}/api/v1/pieces", service.base);
    let sent = || {
        let request = service.http.post(&path).header("content-type", "application/toml");
        request.body(PIECE_TOML)
    };
    for wrong in [None, Some("x"), Some("")] {
        let request = match wrong {
            Some(token) => sent().bearer_auth(token),
            None => sent(),
        };
        let answer = request.send().await.unwrap();
        assert_eq!(answer.status(), 401);
        assert!(answer.headers().contains_key("www-authenticate"));
    }
    service.make_nine_harbours().await;
    let again = sent().bearer_auth(&service.token).send().await.unwrap();
    assert_eq!(again.status(), 409, "the slug is in use");
    let typed = service.organiser("POST", "/api/v1/pieces").body("x").send().await.unwrap();
    assert_eq!(typed.status(), 415);
}

#[tokio::test]
async fn two_people_cannot_overwrite_one_anothers_arrangement() {
    let service = quiet().await;
    let slug = service.make_nine_harbours().await;
    let path = format!("/api/v1/pieces/{slug}/arrangement");
    let put = |tag: Option<&str>, body: &str| {
        let mut request = service.organiser("PUT", &path);
        if let Some(tag) = tag {
            request = request.header("if-match", tag);
        }
        request.header("content-type", "application/toml").body(body.to_owned()).send()
    };
    let standing = service.organiser("GET", &path).send().await.unwrap();
    let tag = standing.headers()["etag"].to_str().unwrap().to_owned();

    assert_eq!(put(None, ARRANGEMENT_TOML).await.unwrap().status(), 428);
    let first = put(Some(&tag), ARRANGEMENT_TOML).await.unwrap();
    assert_eq!(first.status(), 200);
    let second = put(Some(&tag), ARRANGEMENT_TOML).await.unwrap();
    assert_eq!(second.status(), 412);
    let now = second.headers()["etag"].to_str().unwrap().to_owned();
    assert_eq!(now, first.headers()["etag"]);
    assert_eq!(put(Some(&now), ARRANGEMENT_TOML).await.unwrap().status(), 200);

    let (_, history) =
        read(service.organiser("GET", &format!("{path}/history")).send().await.unwrap()).await;
    assert_eq!(history.as_array().unwrap().len(), 2);
    let json = service.organiser("GET", &path).send().await.unwrap();
    assert_eq!(json.headers()["content-type"], "application/json");
    assert_eq!(json.status(), 200);
}

#[tokio::test]
async fn versions_of_an_arrangement_are_compared_in_words_and_restored() {
    let service = quiet().await;
    let slug = service.make_nine_harbours().await;
    let path = format!("/api/v1/pieces/{slug}/arrangement");
    for gain_db in [-3, -7] {
        let body = format!(
            "note = \"All at {gain_db}\"\n\
             [[groups]]\nname = \"All\"\nrest = true\ngain_db = {gain_db}\n"
        );
        let put = service.organiser("PUT", &path).header("if-match", "*");
        let put = put.header("content-type", "application/toml").body(body).send().await.unwrap();
        assert_eq!(put.status(), 200);
    }
    let changes = |query: &str| service.organiser("GET", &format!("{path}/changes{query}")).send();
    let (_, latest) = read(changes("").await.unwrap()).await;
    assert_eq!((&latest["from"], &latest["to"]), (&json!(1), &json!(2)));
    assert_eq!(latest["changes"], json!(["Group All goes from -3 dB to -7 dB."]));
    let (_, first) = read(changes("?from=0&to=1").await.unwrap()).await;
    assert!(first["changes"].as_array().unwrap().len() >= 2, "{first}");
    assert_eq!(changes("?from=1&to=9").await.unwrap().status(), 404);

    let restore = |tag: Option<&str>, version: i64| {
        let mut request = service.organiser("POST", &format!("{path}/restore"));
        if let Some(tag) = tag {
            request = request.header("if-match", tag);
        }
        request.json(&json!({ "version": version })).send()
    };
    assert_eq!(restore(None, 1).await.unwrap().status(), 428);
    assert_eq!(restore(Some("\"v1\""), 1).await.unwrap().status(), 412);
    assert_eq!(restore(Some("\"v2\""), 9).await.unwrap().status(), 404);
    let restored = restore(Some("\"v2\""), 1).await.unwrap();
    assert_eq!(
        (restored.status().as_u16(), &restored.headers()["etag"]),
        (200, &"\"v3\"".parse().unwrap())
    );
    let (_, back) = read(changes("?from=1&to=3").await.unwrap()).await;
    assert_eq!(back["changes"], json!([]));
    let (_, history) =
        read(service.organiser("GET", &format!("{path}/history")).send().await.unwrap()).await;
    let notes: Vec<_> = history.as_array().unwrap().iter().map(|v| &v["note"]).collect();
    assert_eq!(notes, ["Version 1 restored", "All at -7", "All at -3"]);
    let version = service.organiser("GET", &format!("{path}/versions/2"));
    let version = version.header("accept", "application/toml").send().await.unwrap();
    assert!(version.text().await.unwrap().contains("gain_db = -7"));
}

#[tokio::test]
async fn two_people_cannot_overwrite_one_anothers_piece() {
    let service = quiet().await;
    let slug = service.make_nine_harbours().await;
    let path = format!("/api/v1/pieces/{slug}");
    let read_by_both = service.organiser("GET", &path).send().await.unwrap();
    let tag = read_by_both.headers()["etag"].to_str().unwrap().to_owned();
    let put = |tag: Option<&str>| {
        let mut request = service.organiser("PUT", &path);
        if let Some(tag) = tag {
            request = request.header("if-match", tag);
        }
        request.header("content-type", "application/toml").body(PIECE_TOML).send()
    };
    assert_eq!(put(None).await.unwrap().status(), 428);
    let first = put(Some(&tag)).await.unwrap();
    assert_eq!(first.status(), 200);
    assert_ne!(first.headers()["etag"], *tag);
    assert_eq!(put(Some(&tag)).await.unwrap().status(), 412, "what was read is no longer it");
    let standing = service.organiser("GET", &path).send().await.unwrap();
    assert_eq!(standing.headers()["etag"], first.headers()["etag"], "the stale edit left no trace");
}

#[tokio::test]
async fn an_arrangement_naming_a_group_that_is_not_there_is_told_where() {
    let service = quiet().await;
    let slug = service.make_nine_harbours().await;
    let broken = format!(
        "{ARRANGEMENT_TOML}\n[[cells]]\nsection = \"Flood\"\ngroup = \"kazoos\"\ndb = 0.0\n"
    );
    let answer = service
        .organiser("PUT", &format!("/api/v1/pieces/{slug}/arrangement"))
        .header("if-match", "*")
        .header("content-type", "application/toml")
        .body(broken)
        .send()
        .await
        .unwrap();
    let (status, problem) = read(answer).await;
    assert_eq!(status, 422, "{problem}");
    let mistakes = problem["mistakes"].as_array().unwrap();
    assert!(mistakes.iter().any(|m| m["line"].is_u64()), "{problem}");
    assert!(problem.to_string().contains("kazoos"), "{problem}");
}

#[tokio::test]
async fn an_exception_for_a_take_that_is_not_there_is_refused() {
    let service = quiet().await;
    let slug = service.make_nine_harbours().await;
    let map = format!("{ARRANGEMENT_TOML}\n[[stems]]\ntake = \"nobodys\"\nmute = true\n");
    let put = service.organiser("PUT", &format!("/api/v1/pieces/{slug}/arrangement"));
    let put = put.header("if-match", "*").header("content-type", "application/toml").body(map);
    let (status, problem) = read(put.send().await.unwrap()).await;
    assert_eq!((status, &problem["mistakes"][0]["pointer"]), (422, &json!("/stems/0/take")));
    assert!(problem["mistakes"][0]["what"].as_str().unwrap().contains("nobodys"), "{problem}");
}

#[tokio::test]
async fn what_a_render_cannot_hear_is_told_when_it_is_asked_for() {
    let service = quiet().await;
    let slug = service.make_nine_harbours().await;
    let ask = |wish: serde_json::Value| {
        let path = format!("/api/v1/pieces/{slug}/renders");
        service.organiser("POST", &path).json(&wish).send()
    };
    let wish = json!({ "kind": "preview", "sections": ["Ebb", "Ebbe"],
        "groups": ["everyone", "Kazoos"], "louder_take": "nobodys" });
    let (status, problem) = read(ask(wish).await.unwrap()).await;
    let mistakes = problem["mistakes"].as_array().unwrap();
    let where_: Vec<_> = mistakes.iter().map(|m| m["pointer"].as_str().unwrap()).collect();
    assert_eq!((status, where_), (422, vec!["/sections/1", "/groups/1", "/louder_take"]));
    assert!(mistakes[1]["instead"].as_str().unwrap().contains("Everyone"), "{problem}");
}

#[tokio::test]
async fn a_render_with_nothing_placed_is_refused_in_a_sentence() {
    let service = quiet().await;
    let slug = service.make_nine_harbours().await;
    let path = format!("/api/v1/pieces/{slug}/renders");
    let ask = |wish: serde_json::Value| service.organiser("POST", &path).json(&wish).send();
    let (status, problem) = read(ask(json!({ "kind": "preview" })).await.unwrap()).await;
    assert_eq!(status, 409);
    assert!(problem["detail"].as_str().unwrap().contains("no take"), "{problem}");

    service.hand_in(&slug, "a.wav", tone_wav(0.5)).await;
    let still = ask(json!({ "kind": "final" })).await.unwrap();
    assert_eq!(still.status(), 409, "a take that is only received is no stem");

    let wrong = json!({ "kind": "preview", "sections": ["Food"] });
    let (status, problem) = read(ask(wrong).await.unwrap()).await;
    assert_eq!((status, &problem["mistakes"][0]["pointer"]), (422, &json!("/sections/0")));
    assert_eq!(ask(json!({ "kind": "loud" })).await.unwrap().status(), 422);
    assert_eq!(ask(json!({})).await.unwrap().status(), 422);
}

#[tokio::test]
async fn what_is_not_there_is_a_problem_document_everywhere() {
    let service = quiet().await;
    for path in [
        "/api/v1/pieces/none",
        "/api/v1/pieces/none/pack",
        "/api/v1/pieces/none/pack/marks.json",
        "/api/v1/receipts/none",
        "/api/v1/receipts/none/recording",
        "/api/v1/receipts/none/data",
        "/api/v1/nothing",
    ] {
        let answer = service.get(path).send().await.unwrap();
        assert_eq!(answer.headers()["content-type"], "application/problem+json", "{path}");
        assert!(answer.headers().contains_key("x-request-id"), "{path}");
        assert_eq!(answer.status(), 404, "{path}");
    }
    for path in [
        "/api/v1/pieces/none/takes",
        "/api/v1/pieces/none/arrangement",
        "/api/v1/pieces/none/renders",
        "/api/v1/pieces/none/events",
        "/api/v1/takes/none",
        "/api/v1/renders/none",
        "/api/v1/renders/none/progress",
        "/api/v1/renders/none/files/mix.wav",
    ] {
        assert_eq!(service.get(path).send().await.unwrap().status(), 401, "{path}");
        let answer = service.organiser("GET", path).send().await.unwrap();
        assert_eq!(answer.headers()["content-type"], "application/problem+json", "{path}");
        assert_eq!(answer.status(), 404, "{path}");
    }
    let answer = service.organiser("DELETE", "/api/v1/pieces").send().await.unwrap();
    assert_eq!(answer.status(), 405);
    assert!(answer.headers().contains_key("allow"));
}

#[tokio::test]
async fn every_answer_carries_the_headers_that_keep_browsers_safe() {
    let service = quiet().await;
    for path in ["/", "/api/v1/pieces", "/desk", "/nothing", "/api/v1/openapi.json"] {
        let answer = service.get(path).send().await.unwrap();
        let headers = answer.headers();
        assert_eq!(headers["x-content-type-options"], "nosniff", "{path}");
        assert_eq!(headers["referrer-policy"], "no-referrer", "{path}");
        let policy = headers["content-security-policy"].to_str().unwrap();
        assert!(policy.contains("default-src 'none'"), "{path}");
        assert!(!policy.contains("unsafe"), "{path}");
    }
}
