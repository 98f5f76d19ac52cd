//! The verbs of the command line, one file each.

pub mod client;
pub mod config;
pub mod demo;
pub mod examine;
pub mod openapi;
pub mod pack;
pub mod piece;
pub mod render;
pub mod serve;
pub mod work;

use std::fmt;
use std::path::PathBuf;
use std::process::ExitCode;

use clap::{Args, Parser, Subcommand};

use crate::config::Config;

/// Turns hundreds of home recordings of one long piece into one mix.
#[derive(Debug, Parser)]
#[command(name = "ripieno", version, max_term_width = 100)]
pub struct Cli {
    /// Where settings come from.
    #[command(flatten)]
    pub settings: SettingsArgs,
    /// What to do.
    #[command(subcommand)]
    pub verb: Verb,
}

/// The flags every verb takes.
#[derive(Args, Clone, Debug, Default)]
pub struct SettingsArgs {
    /// Settings file [default: ripieno.toml, if there is one]
    #[arg(long, global = true, value_name = "FILE", env = "RIPIENO_CONFIG_FILE")]
    pub config: Option<PathBuf>,
    /// Folder for everything the service keeps
    #[arg(long, global = true, value_name = "DIR")]
    pub data_dir: Option<PathBuf>,
    /// Any setting by name; `ripieno config` lists them
    #[arg(long, global = true, value_name = "NAME=VALUE", value_parser = name_and_value)]
    pub set: Vec<(String, String)>,
}

/// The verbs.
#[derive(Debug, Subcommand)]
pub enum Verb {
    /// Serve the pages and the API, with the worker inside
    Serve(serve::ServeArgs),
    /// Work on jobs of a data folder, beside a server or instead of its own worker
    Work(work::WorkArgs),
    /// Show the whole job on an invented piece: takes over HTTP in, one mix out
    Demo(demo::DemoArgs),
    /// Write a piece's guide pack into a folder
    Pack(pack::PackArgs),
    /// Say of recordings what a receipt would say, without a server
    Examine(examine::ExamineArgs),
    /// Ask a server for a render, wait for it, fetch the file
    Render(render::RenderArgs),
    /// Check a piece or import one from a Standard MIDI File
    Piece(piece::PieceArgs),
    /// Print every setting with its explanation and the value in force
    Config,
    /// Print the description of the HTTP interface (OpenAPI 3.1, JSON)
    Openapi,
}

/// A verb that failed: one plain sentence, and the exit code.
#[derive(Debug)]
pub struct Failure {
    /// What is wrong, where, and what to do.
    pub says: String,
    /// 1 for a failure of the job, 2 for something wrong in what was given.
    pub code: u8,
}

impl Failure {
    /// Something in what was given is wrong: exit code 2.
    pub fn given(says: impl fmt::Display) -> Self {
        Self { says: says.to_string(), code: 2 }
    }

    /// The job could not be done: exit code 1.
    pub fn job(says: impl fmt::Display) -> Self {
        Self { says: says.to_string(), code: 1 }
    }
}

/// Runs one verb to its end and gives the process's exit code.
#[must_use]
pub fn run(cli: Cli) -> ExitCode {
    let settings = cli.settings;
    let done = match cli.verb {
        Verb::Serve(args) => serve::run(&settings, args),
        Verb::Work(args) => work::run(&settings, args),
        Verb::Demo(args) => demo::run(&settings, args),
        Verb::Pack(args) => pack::run(&args),
        Verb::Examine(args) => examine::run(&settings, &args),
        Verb::Render(args) => render::run(&args),
        Verb::Piece(args) => piece::run(&args),
        Verb::Config => config::run(&settings),
        Verb::Openapi => openapi::run(),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            say_error(&failure.says);
            ExitCode::from(failure.code)
        }
    }
}

impl SettingsArgs {
    /// The settings in force, with `more` on top.
    ///
    /// # Errors
    /// A setting that cannot be used.
    pub fn load(&self, more: &[(&str, Option<String>)]) -> Result<Config, Failure> {
        let mut overrides = Vec::new();
        if let Some(dir) = &self.data_dir {
            overrides.push(("data_dir".to_owned(), quoted(&dir.to_string_lossy())));
        }
        for (name, value) in more {
            overrides.extend(value.as_ref().map(|v| ((*name).to_owned(), v.clone())));
        }
        overrides.extend(self.set.iter().cloned());
        Config::load(self.config.as_deref(), &overrides).map_err(Failure::given)
    }
}

fn quoted(text: &str) -> String {
    toml::Value::String(text.to_owned()).to_string()
}

fn name_and_value(text: &str) -> Result<(String, String), String> {
    let (name, value) = text.split_once('=').ok_or("write it as NAME=VALUE")?;
    Ok((name.trim().to_owned(), value.trim().to_owned()))
}

/// One line to the terminal; a reader that has gone away (`| head`) is no error.
pub(crate) fn say(line: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stdout().lock(), "{line}");
}

/// One line to standard error.
pub(crate) fn say_error(line: &str) {
    use std::io::Write;
    let _ = writeln!(std::io::stderr().lock(), "{line}");
}

/// Starts the async machinery for a verb that needs it.
pub(crate) fn runtime() -> Result<tokio::runtime::Runtime, Failure> {
    tokio::runtime::Builder::new_multi_thread()
        .enable_all()
        .build()
        .map_err(|e| Failure::job(format!("The system gives no threads or timers to run on: {e}.")))
}
