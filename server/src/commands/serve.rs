//! `ripieno serve`: the service, with the worker inside.

use std::net::SocketAddr;

use clap::Args;
use tokio::net::TcpListener;

use super::{Failure, SettingsArgs, runtime, say};
use crate::config::{Config, LogFormat};
use crate::serve;

/// Flags of `ripieno serve`.
#[derive(Args, Debug)]
pub struct ServeArgs {
    /// Address and port to listen on
    #[arg(long, value_name = "ADDRESS:PORT")]
    pub listen: Option<SocketAddr>,
    /// Jobs worked on at a time inside the server; 0 for none
    #[arg(long, value_name = "N")]
    pub workers: Option<usize>,
}

/// Serves until SIGINT or SIGTERM.
///
/// # Errors
/// The settings, the data folder or the listening address cannot be used.
pub fn run(settings: &SettingsArgs, args: ServeArgs) -> Result<(), Failure> {
    let config = settings.load(&[
        ("listen", args.listen.map(|a| a.to_string())),
        ("workers", args.workers.map(|n| n.to_string())),
    ])?;
    start_log(&config)?;
    runtime()?.block_on(serve(config))
}

async fn serve(mut config: Config) -> Result<(), Failure> {
    let listener = TcpListener::bind(config.listen).await.map_err(|e| {
        Failure::job(format!(
            "Cannot listen on {}: {e}. Choose another address with --listen.",
            config.listen
        ))
    })?;
    // Port 0 is any free one; from here on its real number counts.
    config.listen = listener.local_addr().map_err(Failure::job)?;
    let base = config.public_base();
    let service = serve::open(config).await.map_err(Failure::job)?;
    if let Some((token, file)) = &service.first_token {
        say(&format!(
            "The organiser's token, shown this once and kept in {}:\n\n    {token}\n",
            file.display()
        ));
    }
    say(&format!("Serving at {base}, the desk at {base}/desk. Ctrl-C stops."));
    service.run(listener, told_to_stop()).await.map_err(Failure::job)
}

/// Done at SIGINT or SIGTERM.
pub async fn told_to_stop() {
    use tokio::signal::unix::{SignalKind, signal};
    let (Ok(mut interrupt), Ok(mut terminate)) =
        (signal(SignalKind::interrupt()), signal(SignalKind::terminate()))
    else {
        // Without signals only SIGKILL stops the service; it loses nothing by that.
        return std::future::pending().await;
    };
    tokio::select! {
        _ = interrupt.recv() => {}
        _ = terminate.recv() => {}
    }
}

/// Sends log lines to standard error as the settings say.
///
/// # Errors
/// The setting `log` is no filter.
pub fn start_log(config: &Config) -> Result<(), Failure> {
    use tracing_subscriber::EnvFilter;
    let filter = EnvFilter::try_new(&config.log)
        .map_err(|e| Failure::given(format!("The setting log cannot be used: {e}.")))?;
    let log = tracing_subscriber::fmt().with_env_filter(filter).with_writer(std::io::stderr);
    // A second start in one process (tests) keeps the first log.
    let _ = match config.log_format {
        LogFormat::Text => log.try_init(),
        LogFormat::Json => log.json().flatten_event(true).try_init(),
    };
    Ok(())
}
