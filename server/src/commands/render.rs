//! `ripieno render`: ask a server for a render, wait for it, fetch the file. For nightly scripts.

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use reqwest::{Client, Response};
use serde_json::{Value, json};

use super::{Failure, runtime, say, say_error};

/// Flags of `ripieno render`.
#[derive(Args, Debug)]
pub struct RenderArgs {
    /// Address of the server
    #[arg(long, value_name = "URL", env = "RIPIENO_URL", default_value = "http://127.0.0.1:8080")]
    pub server: String,
    /// File that holds the organiser's token
    #[arg(long, value_name = "FILE", env = "RIPIENO_TOKEN_FILE")]
    pub token_file: PathBuf,
    /// Slug of the piece
    #[arg(long, value_name = "SLUG")]
    pub piece: String,
    /// `preview` or `final`
    #[arg(long, default_value = "preview", value_parser = ["preview", "final"])]
    pub kind: String,
    /// Only this section; may be given several times
    #[arg(long, value_name = "NAME")]
    pub section: Vec<String>,
    /// Wait until it is done
    #[arg(long)]
    pub wait: bool,
    /// Fetch the mix to this file (waits)
    #[arg(long, value_name = "FILE")]
    pub out: Option<PathBuf>,
    /// Which of the render's files to fetch [default: the mix]
    #[arg(long, value_name = "NAME")]
    pub file: Option<String>,
    /// Give up waiting after so many seconds
    #[arg(long, value_name = "SECONDS", default_value_t = 6 * 3600)]
    pub timeout: u64,
}

/// Asks, waits, fetches.
///
/// # Errors
/// The server cannot be reached or refuses, the render fails, the file cannot be written.
pub fn run(args: &RenderArgs) -> Result<(), Failure> {
    let token = std::fs::read_to_string(&args.token_file).map_err(|e| {
        Failure::given(format!("The token file {} cannot be read: {e}.", args.token_file.display()))
    })?;
    let server = Server {
        http: Client::new(),
        base: args.server.trim_end_matches('/').to_owned(),
        token: token.trim().to_owned(),
    };
    runtime()?.block_on(server.render(args))
}

struct Server {
    http: Client,
    base: String,
    token: String,
}

impl Server {
    async fn render(&self, args: &RenderArgs) -> Result<(), Failure> {
        let path = format!("/api/v1/pieces/{}/renders", args.piece);
        let wish = json!({ "kind": args.kind, "sections": args.section });
        let asked = self.http.post(self.url(&path)).bearer_auth(&self.token).json(&wish);
        let render = json_of(asked.send().await).await?;
        let id = render["id"].as_str().unwrap_or_default().to_owned();
        if !args.wait && args.out.is_none() {
            say(&id);
            return Ok(());
        }
        let deadline = Duration::from_secs(args.timeout);
        let done = tokio::time::timeout(deadline, self.wait(&id)).await.map_err(|_| {
            Failure::job(format!("The render {id} was not done after {} s.", args.timeout))
        })??;
        match &args.out {
            Some(out) => self.fetch(&done, args.file.as_deref(), out).await,
            None => {
                say(&id);
                Ok(())
            }
        }
    }

    async fn wait(&self, id: &str) -> Result<Value, Failure> {
        let mut said = String::new();
        loop {
            let asked = self.http.get(self.url(&format!("/api/v1/renders/{id}")));
            let render = json_of(asked.bearer_auth(&self.token).send().await).await?;
            let doing = render["doing"].as_str().unwrap_or_default();
            if !doing.is_empty() && doing != said {
                said = doing.to_owned();
                let percent = render["progress"].as_f64().unwrap_or_default() * 100.0;
                say_error(&format!("{percent:3.0} % {said}"));
            }
            match render["state"].as_str() {
                Some("done") => return Ok(render),
                Some("failed") => {
                    let why = render["error"].as_str().unwrap_or("no reason was given");
                    return Err(Failure::job(format!("The render failed: {why}")));
                }
                Some("cancelled") => return Err(Failure::job("The render was called off.")),
                _ => tokio::time::sleep(Duration::from_millis(500)).await,
            }
        }
    }

    async fn fetch(&self, render: &Value, name: Option<&str>, out: &Path) -> Result<(), Failure> {
        let files = render["files"].as_array().map_or(&[][..], Vec::as_slice);
        let named = |f: &&Value| {
            let file = f["name"].as_str().unwrap_or_default();
            name.map_or(file.starts_with("mix."), |wanted| file == wanted)
        };
        let Some(url) = files.iter().find(named).and_then(|f| f["url"].as_str()) else {
            let all: Vec<_> = files.iter().filter_map(|f| f["name"].as_str()).collect();
            return Err(Failure::given(format!(
                "The render has no such file. It has: {}.",
                all.join(", ")
            )));
        };
        let sent = self.http.get(self.url(url)).bearer_auth(&self.token).send().await;
        let mut answer = accepted(sent).await?;
        // Written beside its place and moved there when whole.
        let mut partial = out.as_os_str().to_owned();
        partial.push(".part");
        let cannot = |e: std::io::Error| {
            Failure::job(format!("The file {} cannot be written: {e}.", out.display()))
        };
        let mut file = File::create(&partial).map_err(cannot)?;
        while let Some(chunk) = answer.chunk().await.map_err(unreachable)? {
            file.write_all(&chunk).map_err(cannot)?;
        }
        file.sync_all().map_err(cannot)?;
        std::fs::rename(&partial, out).map_err(cannot)?;
        say(&out.display().to_string());
        Ok(())
    }

    fn url(&self, path: &str) -> String {
        format!("{}{path}", self.base)
    }
}

async fn json_of(sent: reqwest::Result<Response>) -> Result<Value, Failure> {
    accepted(sent).await?.json().await.map_err(unreachable)
}

/// The answer, or the server's own sentence when it refused.
async fn accepted(sent: reqwest::Result<Response>) -> Result<Response, Failure> {
    let answer = sent.map_err(unreachable)?;
    if answer.status().is_success() {
        return Ok(answer);
    }
    let status = answer.status();
    let problem: Value = answer.json().await.unwrap_or_default();
    let detail = problem["detail"].as_str().unwrap_or("it gave no reason");
    Err(Failure::job(format!("The server refused ({status}): {detail}")))
}

fn unreachable(error: reqwest::Error) -> Failure {
    use std::error::Error;
    let mut last: &dyn Error = &error;
    while let Some(inner) = last.source() {
        last = inner;
    }
    Failure::job(format!("The server cannot be reached: {last}. Check --server."))
}
