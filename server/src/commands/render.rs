//! `ripieno render`: ask a server for a render, wait for it, fetch the file. For nightly scripts.

use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use serde_json::{Value, json};

use super::client::Server;
use super::{Failure, runtime, say};

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
    /// Only this group; may be given several times
    #[arg(long, value_name = "NAME")]
    pub group: Vec<String>,
    /// A take to hear a little louder in the crowd, by its id
    #[arg(long, value_name = "TAKE")]
    pub louder: Option<String>,
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
    runtime()?.block_on(render(&Server::at(&args.server, &token), args))
}

async fn render(server: &Server, args: &RenderArgs) -> Result<(), Failure> {
    let wish = wish(args);
    let id = server.ask_render(&args.piece, &wish).await?;
    if !args.wait && args.out.is_none() {
        say(&id);
        return Ok(());
    }
    let deadline = Duration::from_secs(args.timeout);
    let done = tokio::time::timeout(deadline, server.wait_render(&id)).await.map_err(|_| {
        Failure::job(format!("The render {id} was not done after {} s.", args.timeout))
    })??;
    let Some(out) = &args.out else {
        say(&id);
        return Ok(());
    };
    server.fetch(file_url(&done, args.file.as_deref(), out)?, out).await?;
    say(&out.display().to_string());
    Ok(())
}

fn wish(args: &RenderArgs) -> Value {
    json!({
        "kind": args.kind,
        "sections": args.section,
        "groups": args.group,
        "louder_take": args.louder,
    })
}

/// Where a render's file of that name is, or its sound that fits `out` where none is named.
fn file_url<'r>(render: &'r Value, name: Option<&str>, out: &Path) -> Result<&'r str, Failure> {
    let files = render["files"].as_array().map_or(&[][..], Vec::as_slice);
    let called = |wanted: &str| files.iter().find(|f| f["name"] == wanted);
    let found = match name {
        Some(name) => called(name),
        None => sounds_for(out).into_iter().find_map(called),
    };
    found.and_then(|f| f["url"].as_str()).ok_or_else(|| {
        let all: Vec<_> = files.iter().filter_map(|f| f["name"].as_str()).collect();
        Failure::given(format!("The render has no such file. It has: {}.", all.join(", ")))
    })
}

/// A render's main sound files, those first that end as `out` does.
fn sounds_for(out: &Path) -> Vec<&'static str> {
    let mut names = vec!["mix.wav", "mix.flac", "preview.ogg"];
    names.sort_by_key(|name| Path::new(name).extension() != out.extension());
    names
}

#[cfg(test)]
mod tests {
    use super::*;

    #[derive(clap::Parser)]
    struct Line {
        #[command(flatten)]
        render: RenderArgs,
    }

    #[test]
    fn what_is_to_be_heard_is_asked_of_the_server() {
        let words = "render --token-file t --piece p --section Ebb --group Low --group Bells";
        let words = words.split(' ').chain(["--louder", "a-take"]);
        let line = <Line as clap::Parser>::try_parse_from(words).unwrap();
        let heard = json!({ "kind": "preview", "sections": ["Ebb"], "groups": ["Low", "Bells"],
            "louder_take": "a-take" });
        assert_eq!(wish(&line.render), heard);
    }

    #[test]
    fn the_ending_of_the_file_wanted_chooses_among_a_renders_sounds() {
        assert_eq!(sounds_for(Path::new("a/morning.ogg"))[0], "preview.ogg");
        assert_eq!(sounds_for(Path::new("b.flac"))[0], "mix.flac");
        assert_eq!(sounds_for(Path::new("b"))[0], "mix.wav");
        let preview = json!({ "files": [{ "name": "preview.ogg", "url": "/p" }] });
        assert_eq!(file_url(&preview, None, Path::new("b.wav")).unwrap(), "/p");
        assert!(file_url(&preview, Some("mix.wav"), Path::new("b.wav")).is_err());
    }
}
