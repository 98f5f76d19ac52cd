//! `ripieno demo`: the whole job on an invented piece, through the real interface.

mod crowd;
mod results;

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use clap::Args;
use reqwest::Method;
use serde_json::{Value, json};
use tokio::net::TcpListener;
use tokio_util::sync::CancellationToken;

use super::client::{Server, accepted, json_of};
use super::serve::{start_log, told_to_stop};
use super::{Failure, SettingsArgs, runtime, say};
use crate::config::Config;
use crate::serve::{self, Service};
use crowd::Sent;

/// Flags of `ripieno demo`.
#[derive(Args, Debug)]
pub struct DemoArgs {
    /// How many takes to invent
    #[arg(long, default_value_t = 48, value_parser = clap::value_parser!(u32).range(1..=1000))]
    pub takes: u32,
    /// Which cast: another seed, other players
    #[arg(long, default_value_t = 9)]
    pub seed: u64,
    /// Folder for everything the demo makes
    #[arg(long, value_name = "DIR", default_value = "nine-harbours")]
    pub out: PathBuf,
    /// Go on serving when all is done
    #[arg(long)]
    pub stay: bool,
}

/// Holds the demo's folder, so that only a folder of the demo's own is ever made anew.
const MADE_BY_DEMO: &str = "made-by-ripieno-demo.txt";
const SLUG: &str = "nine-harbours";

/// Of a crowd larger than this no second copy is kept of what the service has: neither of what the
/// players sent nor of their stems. For 480 that would be some 16 GB.
const MOST_COPIED: u32 = 100;

impl DemoArgs {
    fn keeps_copies(&self) -> bool {
        self.takes <= MOST_COPIED
    }
}

/// Runs the demo.
///
/// # Errors
/// The folder cannot be used, or a step of the job fails.
pub fn run(settings: &SettingsArgs, args: DemoArgs) -> Result<(), Failure> {
    let out = fresh_folder(&args.out)?;
    let cores = std::thread::available_parallelism().map_or(2, usize::from);
    let config = settings.load(&[
        // Beside everything else the demo makes, and on any free port, unless told otherwise.
        ("data_dir", settings.data_dir.is_none().then(|| out.join("data").display().to_string())),
        ("listen", Some("127.0.0.1:0".to_owned())),
        ("workers", Some(cores.to_string())),
        ("upload_starts_per_minute", Some("0".to_owned())),
        // While the pack is being written, asking for it is answered 503: no fault.
        ("log", Some("warn,tower_http=off".to_owned())),
    ])?;
    start_log(&config)?;
    runtime()?.block_on(happen(config, &out, &args))
}

/// An empty folder, where there was none or one that an earlier demo made.
fn fresh_folder(out: &Path) -> Result<PathBuf, Failure> {
    let cannot = |e: std::io::Error| {
        Failure::given(format!("The folder {} cannot be used: {e}.", out.display()))
    };
    if out.join(MADE_BY_DEMO).is_file() {
        std::fs::remove_dir_all(out).map_err(cannot)?;
    } else if out.exists() && std::fs::read_dir(out).map_err(cannot)?.next().is_some() {
        return Err(Failure::given(format!(
            "The folder {} is there and not from a demo. Name another with --out.",
            out.display()
        )));
    }
    std::fs::create_dir_all(out.join("takes")).map_err(cannot)?;
    std::fs::create_dir_all(out.join("pack")).map_err(cannot)?;
    std::fs::write(out.join(MADE_BY_DEMO), "Everything here may be deleted.\n").map_err(cannot)?;
    out.canonicalize().map_err(cannot)
}

async fn happen(mut config: Config, out: &Path, args: &DemoArgs) -> Result<(), Failure> {
    let listener = TcpListener::bind(config.listen).await.map_err(Failure::job)?;
    config.listen = listener.local_addr().map_err(Failure::job)?;
    let (base, data_dir) = (config.public_base(), config.data_dir.clone());
    let service = serve::open(config).await.map_err(Failure::job)?;
    let Some((token, _)) = service.first_token.clone() else {
        return Err(Failure::given(format!(
            "The folder {} holds data already, which the demo leaves alone. Name an empty one with \
             --data-dir, or leave it out.",
            data_dir.display()
        )));
    };
    let stop = CancellationToken::new();
    let running = keep_serving(service, listener, stop.clone());
    let server = Server::at(&base, &token);
    let shown = show(&server, out, args).await;
    if shown.is_ok() {
        results::where_to_look(&base, &token, &data_dir, args.stay);
    }
    if args.stay && shown.is_ok() {
        told_to_stop().await;
    }
    stop.cancel();
    running.await.map_err(Failure::job)?.map_err(Failure::job)?;
    shown
}

fn keep_serving(
    service: Service,
    listener: TcpListener,
    stop: CancellationToken,
) -> tokio::task::JoinHandle<Result<(), serve::ServeError>> {
    tokio::spawn(async move { service.run(listener, async move { stop.cancelled().await }).await })
}

/// The job from the piece to the final.
async fn show(server: &Server, out: &Path, args: &DemoArgs) -> Result<(), Failure> {
    let began = Instant::now();
    let clock = |what: &str| say(&format!("{:6.1} s  {what}", began.elapsed().as_secs_f64()));
    let piece = create_piece(server).await?;
    clock(&format!(
        "{} is created: {} bars, {:.0} s",
        piece.title,
        piece.last_bar,
        piece.duration_s()
    ));
    fetch_pack(server, &out.join("pack")).await?;
    clock("its guide pack is made and downloaded: guide, marks, pulse, chords, MIDI, chart");
    let sent = crowd::play_and_send(server, &piece, out, args).await?;
    let refused = sent.iter().filter(|s| s.refused.is_some()).count();
    clock(&format!("{} files recorded and sent, {refused} refused at the door", sent.len()));
    let takes = wait_for_takes(server, &sent).await?;
    clock("every take is conformed");
    put_arrangement(server).await?;
    clock("the arrangement map is set");
    let preview = render(server, "preview", out, args).await?;
    clock("a preview is rendered");
    let last = render(server, "final", out, args).await?;
    clock(match args.keeps_copies() {
        true => "a final is rendered",
        false => "a final is rendered; its stems are left with the service, which has them",
    });
    results::page(&sent, &takes, &preview, &last, out);
    Ok(())
}

/// Creates the piece, its deadline a month from now.
async fn create_piece(server: &Server) -> Result<ripieno_score::Piece, Failure> {
    let (mut piece, _) = ripieno_score::nine_harbours();
    let deadline = jiff::Timestamp::now() + jiff::SignedDuration::from_hours(30 * 24);
    piece.deadline = Some(deadline.to_string());
    let request = server
        .organiser(Method::POST, "/api/v1/pieces")
        .header("content-type", "application/toml")
        .body(piece.to_toml());
    accepted(request).await?;
    Ok(piece)
}

/// Downloads the guide pack's files, waiting while the worker writes them.
async fn fetch_pack(server: &Server, folder: &Path) -> Result<(), Failure> {
    let path = |file: &str| format!("/api/v1/pieces/{SLUG}/pack/{file}");
    loop {
        let asked = server.public(Method::GET, &path("marks.json")).send().await;
        if asked.map_err(super::client::unreachable)?.status() != 503 {
            break;
        }
        tokio::time::sleep(Duration::from_millis(500)).await;
    }
    server.fetch(&path("marks.json"), &folder.join("marks.json")).await?;
    let account: Value = std::fs::read(folder.join("marks.json"))
        .ok()
        .and_then(|bytes| serde_json::from_slice(&bytes).ok())
        .ok_or_else(|| Failure::job("The guide pack's marks.json cannot be read."))?;
    let mut files = vec!["guide.wav".to_owned()];
    for which in ["opening", "closing"] {
        files.extend(account[which]["file"].as_str().map(str::to_owned));
    }
    for file in files {
        server.fetch(&path(&file), &folder.join(&file)).await?;
    }
    Ok(())
}

/// Looks at every take until none is on its way any more.
async fn wait_for_takes(server: &Server, sent: &[Sent]) -> Result<Vec<Value>, Failure> {
    let mut takes = Vec::with_capacity(sent.len());
    for take in sent {
        let Some(id) = &take.take_id else {
            takes.push(Value::Null);
            continue;
        };
        loop {
            let seen = server.get(&format!("/api/v1/takes/{id}")).await?;
            if !matches!(seen["state"].as_str(), Some("received" | "conforming")) {
                takes.push(seen);
                break;
            }
            tokio::time::sleep(Duration::from_millis(100)).await;
        }
    }
    Ok(takes)
}

async fn put_arrangement(server: &Server) -> Result<(), Failure> {
    let request = server
        .organiser(Method::PUT, &format!("/api/v1/pieces/{SLUG}/arrangement"))
        .header("content-type", "application/toml")
        .header("if-match", "*")
        .body(ripieno_score::ARRANGEMENT_TOML);
    json_of(request).await.map(|_| ())
}

/// Renders and downloads the files of the render into a folder of its kind's name.
async fn render(
    server: &Server,
    kind: &str,
    out: &Path,
    args: &DemoArgs,
) -> Result<Value, Failure> {
    let id = server.ask_render(SLUG, &json!({ "kind": kind })).await?;
    let done = server.wait_render(&id).await?;
    let folder = out.join(kind);
    for file in done["files"].as_array().map_or(&[][..], Vec::as_slice) {
        let (Some(name), Some(url)) = (file["name"].as_str(), file["url"].as_str()) else {
            continue;
        };
        if name.starts_with("stems/") && !args.keeps_copies() {
            continue;
        }
        let file = folder.join(name);
        std::fs::create_dir_all(file.parent().unwrap_or(&folder)).map_err(Failure::job)?;
        server.fetch(url, &file).await?;
    }
    Ok(done)
}
