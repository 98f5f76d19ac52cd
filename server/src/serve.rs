//! The service as a whole: store, workers inside, and the router, until it is told to stop.

use std::future::Future;
use std::io;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Duration;

use ripieno_store::{Store, StoreError};
use tokio::net::TcpListener;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::clock::now_us;
use crate::config::Config;
use crate::http::identity::{Seal, keep_token};
use crate::http::rate::PerAddress;
use crate::http::{App, router};

/// Why the service could not run, in one plain sentence.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// The store could not be opened or used.
    #[error("{0}")]
    Store(#[from] StoreError),
    /// A file of the data folder could not be read or written.
    #[error("The data folder {folder} cannot be used: {source}. Check its owner and permissions.")]
    Folder {
        /// The folder.
        folder: PathBuf,
        /// What the system said.
        source: io::Error,
    },
    /// The listening address failed.
    #[error("The listening address failed: {0}.")]
    Listen(#[from] io::Error),
}

/// The service, opened and ready to run.
pub struct Service {
    app: Arc<App>,
    /// At a first start: the organiser's token, and the file it is kept in.
    pub first_token: Option<(String, PathBuf)>,
}

/// Opens the store and makes the first organiser if there is none.
///
/// # Errors
/// The data folder or the database cannot be used.
pub async fn open(config: Config) -> Result<Service, ServeError> {
    let in_folder = |source| ServeError::Folder { folder: config.data_dir.clone(), source };
    std::fs::create_dir_all(&config.data_dir).map_err(in_folder)?;
    let store = open_store(&config).await?;
    let seal = Seal::open(&config.data_dir).map_err(in_folder)?;
    let token = store.create_first_organiser("Organiser", now_us()).await?;
    let first_token = match token {
        Some(token) => {
            let file = keep_token(&config.data_dir, token.reveal()).map_err(in_folder)?;
            Some((token.reveal().to_owned(), file))
        }
        None => None,
    };
    let app = App {
        upload_starts: PerAddress::new(config.upload_starts_per_minute),
        token_tries: PerAddress::new(config.sign_in_tries_per_minute),
        stopping: CancellationToken::new(),
        store,
        config,
        seal,
    };
    Ok(Service { app: Arc::new(app), first_token })
}

/// Runs the service on `listener` until `shutdown` is done, then finishes what is under way.
///
/// # Errors
/// See [`ServeError`].
pub async fn run(
    config: Config,
    listener: TcpListener,
    shutdown: impl Future<Output = ()> + Send + 'static,
) -> Result<(), ServeError> {
    open(config).await?.run(listener, shutdown).await
}

impl Service {
    /// See [`run`].
    ///
    /// # Errors
    /// The listener fails.
    pub async fn run(
        self,
        listener: TcpListener,
        shutdown: impl Future<Output = ()> + Send + 'static,
    ) -> Result<(), ServeError> {
        let app = self.app;
        let stopping = app.stopping.clone();
        let workers = start_workers(&app);
        let told = stopping.clone();
        let server = axum::serve(
            listener,
            router(app.clone()).into_make_service_with_connect_info::<SocketAddr>(),
        )
        .with_graceful_shutdown(async move {
            shutdown.await;
            tracing::info!("stopping: no new requests, finishing those under way");
            told.cancel();
        });
        let grace = Duration::from_secs(app.config.stop_grace_s);
        let late = async {
            stopping.cancelled().await;
            tokio::time::sleep(grace).await;
        };
        let served = tokio::select! {
            served = async { server.await } => served,
            () = late => Ok(()),
        };
        stopping.cancel();
        finish(workers, grace).await;
        app.store.close().await;
        served.map_err(ServeError::Listen)
    }

    /// The store, for those who run the service in their own process.
    #[must_use]
    pub fn store(&self) -> &Store {
        &self.app.store
    }
}

/// Starts the worker inside, if the settings want one.
fn start_workers(app: &App) -> JoinSet<()> {
    let mut workers = JoinSet::new();
    if app.config.workers > 0 {
        let told = app.stopping.clone();
        let shutdown = async move { told.cancelled().await };
        let settings = worker_settings(&app.config);
        workers.spawn(ripieno_worker::run::run(app.store.clone(), settings, shutdown));
    }
    workers
}

/// What the settings say to a worker, inside the server or beside it.
#[must_use]
pub fn worker_settings(config: &Config) -> ripieno_worker::run::Settings {
    let default = ripieno_worker::run::Settings::default();
    let mut limits = default.limits.clone();
    limits.max_decoded_s = config.max_decoded_s;
    ripieno_worker::run::Settings {
        slots: config.workers.max(1),
        render_threads: match config.render_threads {
            0 => default.render_threads,
            threads => threads,
        },
        stop_within: Duration::from_secs(config.stop_grace_s),
        limits,
        webhook_secret: config.webhook_secret.clone(),
        ..default
    }
}

/// Opens the store of a data folder.
///
/// # Errors
/// The folder or the database cannot be used.
pub async fn open_store(config: &Config) -> Result<Store, ServeError> {
    Ok(Store::open(&ripieno_store::Settings::in_folder(&config.data_dir)).await?)
}

/// Waits for the workers, and drops what is not done in time: its lease runs out, and the job is
/// taken up again at the next start.
async fn finish(mut workers: JoinSet<()>, grace: Duration) {
    let all = async { while workers.join_next().await.is_some() {} };
    if tokio::time::timeout(grace, all).await.is_err() {
        tracing::warn!("a job is still under way; it will be done again at the next start");
    }
}
