//! The binary: parse, match the verb, call one function.

use std::process::ExitCode;

use clap::Parser;
use ripieno::commands::{Cli, run};

fn main() -> ExitCode {
    run(Cli::parse())
}
