//! The service as a client sees it: for the verbs that talk to one over HTTP.

use std::fs::File;
use std::io::Write;
use std::path::Path;
use std::time::Duration;

use reqwest::{Client, RequestBuilder, Response};
use ripieno_worker::http_client;
use serde_json::Value;

use super::{Failure, say_error};

/// How much further a render is when that is told anew while it does the same.
const TELL_EVERY_PERCENT: f64 = 5.0;

/// A server and the organiser's token for it.
#[derive(Clone)]
pub struct Server {
    http: Client,
    base: String,
    token: String,
}

impl Server {
    /// A server by its address.
    pub fn at(base: &str, token: &str) -> Server {
        Server {
            http: http_client::builder().build().unwrap_or_default(),
            base: base.trim_end_matches('/').to_owned(),
            token: token.trim().to_owned(),
        }
    }

    /// A request without the organiser's token, as anybody may send it.
    pub fn public(&self, method: reqwest::Method, path: &str) -> RequestBuilder {
        self.http.request(method, format!("{}{path}", self.base))
    }

    /// A request with the organiser's token.
    pub fn organiser(&self, method: reqwest::Method, path: &str) -> RequestBuilder {
        self.public(method, path).bearer_auth(&self.token)
    }

    /// What a path answers the organiser.
    ///
    /// # Errors
    /// The server cannot be reached or refuses.
    pub async fn get(&self, path: &str) -> Result<Value, Failure> {
        json_of(self.organiser(reqwest::Method::GET, path)).await
    }

    /// Asks for a render and gives its id.
    ///
    /// # Errors
    /// The server cannot be reached or refuses.
    pub async fn ask_render(&self, piece: &str, wish: &Value) -> Result<String, Failure> {
        let path = format!("/api/v1/pieces/{piece}/renders");
        let render = json_of(self.organiser(reqwest::Method::POST, &path).json(wish)).await?;
        Ok(render["id"].as_str().unwrap_or_default().to_owned())
    }

    /// Waits for a render, telling on standard error what it does, and gives it when it is done.
    ///
    /// # Errors
    /// The render fails or is called off.
    pub async fn wait_render(&self, id: &str) -> Result<Value, Failure> {
        let mut said = (String::new(), 0.0);
        loop {
            let render = self.get(&format!("/api/v1/renders/{id}")).await?;
            let doing = render["doing"].as_str().unwrap_or_default();
            let percent = render["progress"].as_f64().unwrap_or_default() * 100.0;
            if !doing.is_empty() && (doing != said.0 || percent >= said.1 + TELL_EVERY_PERCENT) {
                say_error(&format!("{percent:3.0} % {doing}"));
                said = (doing.to_owned(), percent);
            }
            match render["state"].as_str() {
                Some("done") => return Ok(render),
                Some("failed") => {
                    let why = render["error"].as_str().unwrap_or("no reason was given");
                    return Err(Failure::job(format!("The render failed: {why}")));
                }
                Some("cancelled") => return Err(Failure::job("The render was called off.")),
                _ => tokio::time::sleep(Duration::from_millis(300)).await,
            }
        }
    }

    /// Fetches a path into a file, which appears only when it is whole.
    ///
    /// # Errors
    /// The server refuses or the file cannot be written.
    pub async fn fetch(&self, path: &str, out: &Path) -> Result<(), Failure> {
        let mut answer = accepted(self.organiser(reqwest::Method::GET, path)).await?;
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
        std::fs::rename(&partial, out).map_err(cannot)
    }
}

/// The answer to a request as JSON.
///
/// # Errors
/// The server cannot be reached or refuses.
pub async fn json_of(request: RequestBuilder) -> Result<Value, Failure> {
    accepted(request).await?.json().await.map_err(unreachable)
}

/// The answer to a request, or the server's own sentence when it refused.
///
/// # Errors
/// The server cannot be reached or refuses.
pub async fn accepted(request: RequestBuilder) -> Result<Response, Failure> {
    let answer = request.send().await.map_err(unreachable)?;
    if answer.status().is_success() {
        return Ok(answer);
    }
    let status = answer.status();
    let problem: Value = answer.json().await.unwrap_or_default();
    let detail = problem["detail"].as_str().unwrap_or("it gave no reason");
    Err(Failure::job(format!("The server refused ({status}): {detail}")))
}

/// A transport fault as a sentence.
pub fn unreachable(error: reqwest::Error) -> Failure {
    use std::error::Error;
    let mut last: &dyn Error = &error;
    while let Some(inner) = last.source() {
        last = inner;
    }
    Failure::job(format!("The server cannot be reached: {last}. Check its address."))
}
