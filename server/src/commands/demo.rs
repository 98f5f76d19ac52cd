//! `ripieno demo`.

use clap::Args;

use super::{Failure, SettingsArgs};

/// Flags of `ripieno demo`.
#[derive(Args, Debug)]
pub struct DemoArgs {
    /// How many takes to invent
    #[arg(long, default_value_t = 48)]
    pub takes: u32,
}

/// Runs the demo.
///
/// # Errors
/// Always, for now.
pub fn run(_settings: &SettingsArgs, _args: DemoArgs) -> Result<(), Failure> {
    Err(Failure::job("The demo is not part of this build."))
}
