//! `ripieno work`: a worker of its own on a data folder.

use clap::Args;

use super::serve::{start_log, told_to_stop};
use super::{Failure, SettingsArgs, runtime, say};
use crate::serve::{open_store, worker_settings};

/// Flags of `ripieno work`.
#[derive(Args, Debug)]
pub struct WorkArgs {
    /// Jobs worked on at a time [default: as the setting `workers`, at least 1]
    #[arg(long, value_name = "N")]
    pub workers: Option<usize>,
}

/// Works until SIGINT or SIGTERM.
///
/// # Errors
/// The settings or the data folder cannot be used.
pub fn run(settings: &SettingsArgs, args: WorkArgs) -> Result<(), Failure> {
    let config = settings.load(&[("workers", args.workers.map(|n| n.to_string()))])?;
    start_log(&config)?;
    runtime()?.block_on(async {
        let store = open_store(&config).await.map_err(Failure::job)?;
        say(&format!("Working on {}. Ctrl-C stops.", config.data_dir.display()));
        ripieno_worker::run::run(store.clone(), worker_settings(&config), told_to_stop()).await;
        store.close().await;
        Ok(())
    })
}
