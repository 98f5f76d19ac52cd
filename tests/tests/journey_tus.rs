//! Resumable uploads by tus 1.0.0, as <https://tus.io/protocols/resumable-upload> has it, from
//! creation over a lost connection and a restart to the take they become.

use reqwest::{Method, RequestBuilder};
use ripieno_tests::service::{Service, good_form, read, tone_wav};
use serde_json::json;

struct Upload {
    service: Service,
    slug: String,
    path: String,
}

async fn begin(length: usize) -> Upload {
    let service = Service::start_with(|config| config.workers = 0).await;
    let slug = service.make_nine_harbours().await;
    let answer = create(&service, &slug, &length.to_string()).send().await.unwrap();
    assert_eq!(answer.status(), 201);
    assert!(answer.headers()["upload-expires"].to_str().unwrap().ends_with("GMT"));
    let location = answer.headers()["location"].to_str().unwrap();
    let path = location.strip_prefix(&service.base).unwrap().to_owned();
    Upload { service, slug, path }
}

fn create(service: &Service, slug: &str, length: &str) -> RequestBuilder {
    let metadata = format!("piece {},filename YS53YXY=", base64(slug.as_bytes()));
    service
        .post("/uploads")
        .header("tus-resumable", "1.0.0")
        .header("upload-length", length)
        .header("upload-metadata", metadata)
}

/// Base64, plain and slow.
fn base64(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::new();
    for group in bytes.chunks(3) {
        let bits = group.iter().fold(0u32, |bits, b| (bits << 8) | u32::from(*b));
        let bits = bits << (8 * (3 - group.len()));
        for digit in 0..4 {
            let shown = digit <= group.len();
            let at = (bits >> (18 - 6 * digit)) as usize & 63;
            text.push(if shown { char::from(DIGITS[at]) } else { '=' });
        }
    }
    text
}

impl Upload {
    fn request(&self, method: &str) -> RequestBuilder {
        let method: Method = method.parse().unwrap();
        let url = format!("{}{}", self.service.base, self.path);
        self.service.http.request(method, url).header("tus-resumable", "1.0.0")
    }

    fn patch(&self, offset: usize, bytes: &[u8]) -> RequestBuilder {
        self.request("PATCH")
            .header("content-type", "application/offset+octet-stream")
            .header("upload-offset", offset)
            .body(bytes.to_vec())
    }

    async fn offset(&self) -> String {
        let answer = self.request("HEAD").send().await.unwrap();
        assert_eq!(
            (answer.status().as_u16(), &answer.headers()["cache-control"]),
            (200, &"no-store".parse().unwrap())
        );
        answer.headers()["upload-offset"].to_str().unwrap().to_owned()
    }

    async fn hand_in(&self) -> (u16, serde_json::Value) {
        let form = good_form().text("upload", format!("{}{}", self.service.base, self.path));
        self.service.hand_in_form(&self.slug, form).await
    }
}

#[tokio::test]
async fn the_server_says_what_it_knows() {
    let service = Service::start_with(|config| config.workers = 0).await;
    let url = format!("{}/uploads", service.base);
    let answer = service.http.request(Method::OPTIONS, url).send().await.unwrap();
    let headers = answer.headers();
    assert_eq!(answer.status(), 204);
    assert_eq!(headers["tus-version"], "1.0.0");
    assert_eq!(headers["tus-max-size"], (2u64 << 30).to_string());
    assert_eq!(headers["tus-checksum-algorithm"], "sha1");
    let known = headers["tus-extension"].to_str().unwrap();
    for extension in ["creation", "creation-with-upload", "termination", "checksum", "expiration"] {
        assert!(known.split(',').any(|e| e == extension), "{known}");
    }
}

#[tokio::test]
async fn an_upload_in_parts_over_a_restart_becomes_a_take_once() {
    let wav = tone_wav(0.5);
    let mut upload = begin(wav.len()).await;
    let (first, second) = wav.split_at(10_000);
    let answer = upload.patch(0, first).send().await.unwrap();
    assert_eq!(
        (answer.status().as_u16(), &answer.headers()["upload-offset"]),
        (204, &"10000".parse().unwrap())
    );
    assert_eq!(upload.hand_in().await.0, 409, "it is not complete");

    upload.service = upload.service.restart().await;
    assert_eq!(upload.offset().await, "10000");
    assert_eq!(upload.patch(9_999, second).send().await.unwrap().status(), 409);
    assert_eq!(upload.patch(10_000, second).send().await.unwrap().status(), 204);
    assert_eq!(upload.offset().await, wav.len().to_string());

    let (status, made) = upload.hand_in().await;
    assert_eq!(status, 201, "{made}");
    let recording =
        format!("/api/v1/receipts/{}/recording", made["receipt_token"].as_str().unwrap());
    let kept = upload.service.get(&recording).send().await.unwrap();
    assert_eq!(kept.headers()["content-disposition"], "inline; filename=\"a.wav\"");
    assert_eq!(kept.bytes().await.unwrap(), wav);

    // The answer was lost and the form is sent again: the same take.
    let form =
        || good_form().text("upload", upload.path.clone()).text("submission", upload.path.clone());
    let twice = [
        upload.service.hand_in_form(&upload.slug, form()).await,
        upload.service.hand_in_form(&upload.slug, form()).await,
    ];
    assert_eq!(twice[0].1["take_id"], twice[1].1["take_id"], "{twice:?}");
}

#[tokio::test]
async fn what_came_before_a_broken_connection_counts() {
    use tokio::io::AsyncWriteExt;
    let wav = tone_wav(0.5);
    let upload = begin(wav.len()).await;
    let address = upload.service.base.strip_prefix("http://").unwrap().to_owned();
    let mut socket = tokio::net::TcpStream::connect(&address).await.unwrap();
    let head = format!(
        "PATCH {} HTTP/1.1\r\nhost: {address}\r\ntus-resumable: 1.0.0\r\nupload-offset: 0\r\n\
         content-type: application/offset+octet-stream\r\ncontent-length: {}\r\n\r\n",
        upload.path,
        wav.len()
    );
    socket.write_all(head.as_bytes()).await.unwrap();
    socket.write_all(&wav[..20_000]).await.unwrap();
    socket.shutdown().await.unwrap();
    drop(socket);
    let mut offset = 0;
    for _ in 0..100 {
        offset = upload.offset().await.parse().unwrap();
        if offset > 0 {
            break;
        }
        tokio::time::sleep(std::time::Duration::from_millis(20)).await;
    }
    assert_eq!(offset, 20_000);
    assert_eq!(upload.patch(offset, &wav[offset..]).send().await.unwrap().status(), 204);
    assert_eq!(upload.hand_in().await.0, 201);
}

#[tokio::test]
async fn damaged_bytes_are_noticed_and_none_of_them_count() {
    let upload = begin(1000).await;
    // SHA-1 of "abc" is FIPS 180-4's own example: a9993e36…9cd0d89d.
    let wrong =
        upload.patch(0, b"abd").header("upload-checksum", "sha1 qZk+NkcGgWq6PiVxeFDCbJzQ2J0=");
    assert_eq!(wrong.send().await.unwrap().status().as_u16(), 460);
    assert_eq!(upload.offset().await, "0");
    let right =
        upload.patch(0, b"abc").header("upload-checksum", "sha1 qZk+NkcGgWq6PiVxeFDCbJzQ2J0=");
    assert_eq!(right.send().await.unwrap().status(), 204);
    assert_eq!(upload.offset().await, "3");
    for header in ["crc32 AAAA", "sha1", "sha1 !!"] {
        let request = upload.patch(3, b"d").header("upload-checksum", header);
        assert_eq!(request.send().await.unwrap().status(), 400, "{header}");
    }
}

#[tokio::test]
async fn a_terminated_upload_is_gone() {
    let upload = begin(1000).await;
    assert_eq!(upload.request("DELETE").send().await.unwrap().status(), 204);
    for method in ["HEAD", "DELETE"] {
        assert_eq!(upload.request(method).send().await.unwrap().status(), 404, "{method}");
    }
    assert_eq!(upload.patch(0, b"x").send().await.unwrap().status(), 404);
    assert_eq!(upload.hand_in().await.0, 422);
}

#[tokio::test]
async fn what_breaks_the_protocol_is_refused_with_its_own_status() {
    let upload = begin(1000).await;
    let service = &upload.service;
    let url = format!("{}{}", service.base, upload.path);
    let other = service.http.head(&url).header("tus-resumable", "0.2.2").send().await.unwrap();
    assert_eq!(
        (other.status().as_u16(), &other.headers()["tus-version"]),
        (412, &"1.0.0".parse().unwrap())
    );
    assert_eq!(service.http.head(&url).send().await.unwrap().status(), 412);

    let typed = upload.request("PATCH").header("upload-offset", 0).body("x").send().await.unwrap();
    assert_eq!(typed.status(), 415);
    let past = upload.patch(0, &[0; 1001]).send().await.unwrap();
    assert_eq!(past.status(), 413);
    assert_eq!(upload.offset().await, "0");
    let nowhere = upload.patch(5, b"x").send().await.unwrap();
    assert_eq!(nowhere.status(), 409);

    let over = create(service, &upload.slug, &(3u64 << 30).to_string()).send().await.unwrap();
    assert_eq!(over.status(), 413);
    for (length, expected) in [("x", 400), ("-1", 400), ("0", 422)] {
        let answer = create(service, &upload.slug, length).send().await.unwrap();
        assert_eq!(answer.status().as_u16(), expected, "{length}");
    }
    assert_eq!(create(service, "none", "10").send().await.unwrap().status(), 404);
    let bare = service.post("/uploads").header("tus-resumable", "1.0.0").header("upload-length", 5);
    assert_eq!(bare.send().await.unwrap().status(), 400);
}

#[tokio::test]
async fn the_first_bytes_may_come_with_the_creation() {
    let upload = begin(100).await;
    let service = &upload.service;
    let with_bytes = |bytes: Vec<u8>| {
        create(service, &upload.slug, "30000")
            .header("content-type", "application/offset+octet-stream")
            .body(bytes)
    };
    let wav = tone_wav(1.0);
    let answer = with_bytes(wav[..20_000].to_vec()).send().await.unwrap();
    assert_eq!(answer.status(), 201);
    assert_eq!(answer.headers()["upload-offset"], "20000");
    let place = answer.headers()["location"].to_str().unwrap().to_owned();
    let rest = service.http.patch(place).header("tus-resumable", "1.0.0");
    let rest = rest.header("content-type", "application/offset+octet-stream");
    let rest = rest.header("upload-offset", 20_000).body(wav[20_000..30_000].to_vec());
    assert_eq!(rest.send().await.unwrap().headers()["upload-offset"], "30000");

    // What is refused with the creation leaves no upload behind.
    let before = files_in(&service.folder().join("uploads"));
    let letter = b"Dear all, here is my recording. ".repeat(40);
    assert_eq!(with_bytes(letter).send().await.unwrap().status(), 415);
    assert_eq!(with_bytes(vec![0; 30_001]).send().await.unwrap().status(), 413);
    let damaged =
        with_bytes(b"abd".to_vec()).header("upload-checksum", "sha1 qZk+NkcGgWq6PiVxeFDCbJzQ2J0=");
    assert_eq!(damaged.send().await.unwrap().status().as_u16(), 460);
    assert_eq!(files_in(&service.folder().join("uploads")), before);
}

/// Names and lengths of the files of a folder.
fn files_in(folder: &std::path::Path) -> Vec<(String, u64)> {
    let entries = std::fs::read_dir(folder).unwrap().map(Result::unwrap);
    let mut files: Vec<_> = entries
        .map(|e| (e.file_name().to_string_lossy().into_owned(), e.metadata().unwrap().len()))
        .collect();
    files.sort();
    files
}

#[tokio::test]
async fn of_two_writers_at_once_one_must_wait() {
    use tokio::io::AsyncWriteExt;
    let wav = tone_wav(0.5);
    let upload = begin(wav.len()).await;
    let address = upload.service.base.strip_prefix("http://").unwrap().to_owned();
    let mut first = tokio::net::TcpStream::connect(&address).await.unwrap();
    let head = format!(
        "PATCH {} HTTP/1.1\r\nhost: {address}\r\ntus-resumable: 1.0.0\r\nupload-offset: 0\r\n\
         content-type: application/offset+octet-stream\r\ncontent-length: 20000\r\n\r\n",
        upload.path,
    );
    first.write_all(head.as_bytes()).await.unwrap();
    first.write_all(&wav[..10_000]).await.unwrap();
    // The first is at it as soon as some of its bytes lie in the file.
    let uploads = upload.service.folder().join("uploads");
    while files_in(&uploads).iter().all(|(_, bytes)| *bytes == 0) {
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
    }
    let second = upload.patch(0, &wav).send().await.unwrap();
    assert_eq!(second.status(), 423);
    assert_eq!(second.headers()["retry-after"], "1");

    first.write_all(&wav[10_000..20_000]).await.unwrap();
    let mut answer = [0; 12];
    tokio::io::AsyncReadExt::read_exact(&mut first, &mut answer).await.unwrap();
    assert_eq!(&answer, b"HTTP/1.1 204");
    assert_eq!(upload.patch(0, &wav).send().await.unwrap().status(), 409);
    assert_eq!(upload.patch(20_000, &wav[20_000..]).send().await.unwrap().status(), 204);
    assert_eq!(upload.hand_in().await.0, 201);
}

#[tokio::test]
async fn an_upload_left_too_long_has_expired_and_is_swept_away() {
    let mut upload = begin(1000).await;
    let settings = ripieno_store::Settings::in_folder(upload.service.folder());
    let store = ripieno_store::Store::open(&settings).await.unwrap();
    let piece = store.list_pieces().await.unwrap().remove(0);
    let about = json!({ "filename": "a.wav" });
    let (_, secret) = store.create_upload(&piece.id, Some(1000), &about, 1_000, 0).await.unwrap();
    upload.path = format!("/uploads/{}", secret.reveal());
    for method in ["HEAD", "DELETE"] {
        assert_eq!(upload.request(method).send().await.unwrap().status(), 410, "{method}");
    }
    let (status, problem) = read(upload.patch(0, b"x").send().await.unwrap()).await;
    assert_eq!(status, 410, "{problem}");
    assert_eq!(upload.hand_in().await.0, 422);
    assert_eq!(store.sweep_uploads(2_000).await.unwrap(), 1);
    assert_eq!(upload.request("HEAD").send().await.unwrap().status(), 404);
}

#[tokio::test]
async fn a_method_may_be_named_in_a_header() {
    let upload = begin(1000).await;
    let url = format!("{}{}", upload.service.base, upload.path);
    let answer = upload
        .service
        .http
        .post(url)
        .header("tus-resumable", "1.0.0")
        .header("x-http-method-override", "PATCH")
        .header("content-type", "application/offset+octet-stream")
        .header("upload-offset", 0)
        .body("abc")
        .send()
        .await
        .unwrap();
    assert_eq!(answer.status(), 204);
    assert_eq!(upload.offset().await, "3");
}

#[tokio::test]
async fn what_is_plainly_no_sound_is_refused_at_its_first_part_or_when_handed_in() {
    let letter = b"Dear all, here is my recording. ".repeat(40);
    let upload = begin(letter.len()).await;
    let (status, problem) = read(upload.patch(0, &letter).send().await.unwrap()).await;
    assert_eq!(status, 415, "{problem}");
    // In parts too small to tell, it is seen when it is handed in.
    for (index, part) in letter.chunks(100).enumerate() {
        assert_eq!(upload.patch(index * 100, part).send().await.unwrap().status(), 204);
    }
    assert_eq!(upload.hand_in().await.0, 415);
    let list = upload.service.organiser("GET", &format!("/api/v1/pieces/{}/takes", upload.slug));
    assert_eq!(read(list.send().await.unwrap()).await.1["takes"], json!([]));
}
