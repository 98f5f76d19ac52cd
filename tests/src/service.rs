//! The service in this process, on a port of its own, with a client that knows the token.

use std::net::SocketAddr;
use std::path::Path;

use reqwest::{Client, RequestBuilder, Response, multipart};
use ripieno::config::Config;
use ripieno::serve;
use ripieno_worker::http_client;
use serde_json::Value;
use tempfile::TempDir;
use tokio::net::TcpListener;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

/// A running service. Dropped without [`stop`](Service::stop) it ends with the test's runtime.
pub struct Service {
    /// Where it listens, such as `http://127.0.0.1:40001`.
    pub base: String,
    /// The organiser's token.
    pub token: String,
    /// A client without any token.
    pub http: Client,
    folder: TempDir,
    config: Config,
    stop: oneshot::Sender<()>,
    ended: JoinHandle<()>,
}

impl Service {
    /// Starts a service with a worker inside.
    pub async fn start() -> Self {
        Self::start_with(|_| {}).await
    }

    /// Starts a service whose settings `change` has set.
    pub async fn start_with(change: impl FnOnce(&mut Config)) -> Self {
        let folder = tempfile::tempdir().expect("a folder for the test");
        let mut config = Config { data_dir: folder.path().to_owned(), ..Config::default() };
        config.upload_starts_per_minute = 0;
        change(&mut config);
        Self::run(folder, config).await
    }

    async fn run(folder: TempDir, mut config: Config) -> Self {
        let any = SocketAddr::from(([127, 0, 0, 1], 0));
        let listener = TcpListener::bind(any).await.expect("a free port");
        config.listen = listener.local_addr().expect("its address");
        let base = config.public_base();
        let service = serve::open(config.clone()).await.expect("the service opens");
        let token = std::fs::read_to_string(folder.path().join("organiser.token"));
        let token = token.expect("the token's file").trim().to_owned();
        let client = http_client::builder().build().expect("a client");
        let (stop, stopped) = oneshot::channel::<()>();
        let ended = tokio::spawn(async move {
            let told = async { drop(stopped.await) };
            service.run(listener, told).await.expect("the service ends well");
        });
        Self { base, token, http: client, folder, config, stop, ended }
    }

    /// Stops it gracefully and gives its data folder.
    pub async fn stop(self) -> (TempDir, Config) {
        let _ = self.stop.send(());
        self.ended.await.expect("the service does not panic");
        (self.folder, self.config)
    }

    /// Stops it and starts one on the same data, at another port.
    pub async fn restart(self) -> Self {
        let (folder, config) = self.stop().await;
        Self::run(folder, config).await
    }

    /// The data folder.
    pub fn folder(&self) -> &Path {
        self.folder.path()
    }

    /// A request to a path, as anyone.
    pub fn get(&self, path: &str) -> RequestBuilder {
        self.http.get(format!("{}{path}", self.base))
    }

    /// A POST to a path, as anyone.
    pub fn post(&self, path: &str) -> RequestBuilder {
        self.http.post(format!("{}{path}", self.base))
    }

    /// Any method on a path, as the organiser.
    pub fn organiser(&self, method: &str, path: &str) -> RequestBuilder {
        let method = method.parse().expect("a method");
        self.http.request(method, format!("{}{path}", self.base)).bearer_auth(&self.token)
    }

    /// Makes the demo's piece, as its document is, and gives its slug.
    pub async fn make_nine_harbours(&self) -> String {
        self.make_piece(ripieno_score::PIECE_TOML).await
    }

    /// Makes a piece of a TOML document and gives its slug.
    pub async fn make_piece(&self, toml: &str) -> String {
        let answer = self
            .organiser("POST", "/api/v1/pieces")
            .header("content-type", "application/toml")
            .body(toml.to_owned())
            .send()
            .await
            .expect("an answer");
        let (status, body) = read(answer).await;
        assert_eq!(status, 201, "{body}");
        body["slug"].as_str().expect("a slug").to_owned()
    }

    /// Hands a recording in with a form that is in order.
    pub async fn hand_in(&self, slug: &str, file_name: &str, bytes: Vec<u8>) -> (u16, Value) {
        let form = good_form().part("recording", file_part(file_name, bytes));
        self.hand_in_form(slug, form).await
    }

    /// Hands in any form.
    pub async fn hand_in_form(&self, slug: &str, form: multipart::Form) -> (u16, Value) {
        let path = format!("/api/v1/pieces/{slug}/takes");
        read(self.post(&path).multipart(form).send().await.expect("an answer")).await
    }
}

/// A form in order, without a recording.
pub fn good_form() -> multipart::Form {
    multipart::Form::new()
        .text("name", "Ada Quay")
        .text("instrument", "two-row melodeon")
        .text("place", "Slipway")
        .text("consent_recording", "on")
        .text("consent_credit", "on")
        .text("consent_version", "2026-11")
}

/// A file of a form.
pub fn file_part(file_name: &str, bytes: Vec<u8>) -> multipart::Part {
    multipart::Part::bytes(bytes).file_name(file_name.to_owned())
}

/// Status and body of an answer; a body that is no JSON is given as text.
pub async fn read(answer: Response) -> (u16, Value) {
    let status = answer.status().as_u16();
    let text = answer.text().await.expect("a body");
    (status, serde_json::from_str(&text).unwrap_or(Value::String(text)))
}

/// A mono 16-bit WAV of a quiet tone, `seconds` long.
pub fn tone_wav(seconds: f64) -> Vec<u8> {
    let rate = 48_000u32;
    let frames = (seconds * f64::from(rate)) as u32;
    let mut wav = Vec::with_capacity(44 + frames as usize * 2);
    wav.extend_from_slice(b"RIFF");
    wav.extend_from_slice(&(36 + frames * 2).to_le_bytes());
    wav.extend_from_slice(b"WAVEfmt \x10\0\0\0\x01\0\x01\0");
    wav.extend_from_slice(&rate.to_le_bytes());
    wav.extend_from_slice(&(rate * 2).to_le_bytes());
    wav.extend_from_slice(b"\x02\0\x10\0data");
    wav.extend_from_slice(&(frames * 2).to_le_bytes());
    for frame in 0..frames {
        let at_s = f64::from(frame) / f64::from(rate);
        let sample = (at_s * 440.0 * std::f64::consts::TAU).sin() * 3000.0;
        wav.extend_from_slice(&(sample as i16).to_le_bytes());
    }
    wav
}
