//! The database pools, and the three macros by which every statement runs.
//!
//! One kind of database today. A second joins as a variant of each enum here and an arm of the
//! macros; no record's file changes, since the SQL is kept to what both understand (`$1`
//! parameters, text, bigint).

use std::path::Path;
use std::time::Duration;

use sqlx::pool::PoolConnection;
use sqlx::sqlite::{
    SqliteConnectOptions, SqliteJournalMode, SqlitePool, SqlitePoolOptions, SqliteSynchronous,
};
use sqlx::{Executor, Sqlite, SqliteConnection};

use crate::error::{ErrorKind, Result, StoreError, kind_of};

static SQLITE_MIGRATIONS: sqlx::migrate::Migrator = sqlx::migrate!("../../migrations/sqlite");

const READERS: u32 = 4;
const BUSY_TIMEOUT: Duration = Duration::from_secs(15);

pub(crate) enum Database {
    /// One connection writes, so writers queue here instead of colliding in the file; several
    /// read, and never wait for it (write-ahead log).
    Sqlite { write: SqlitePool, read: SqlitePool },
}

/// A connection to read from.
pub(crate) enum Link {
    Sqlite(PoolConnection<Sqlite>),
}

/// A transaction; dropped without `commit` it is rolled back.
///
/// Not sqlx's own: when SQLite itself has rolled back (a full disk), that one keeps counting a
/// transaction as open, and the only connection that writes would be of no use for ever.
pub(crate) enum Tx {
    Sqlite(PoolConnection<Sqlite>),
}

/// What a statement runs on, whichever of the two it came from.
pub(crate) enum Connection<'a> {
    Sqlite(&'a mut SqliteConnection),
}

impl Database {
    pub(crate) async fn open_sqlite(file: &Path) -> Result<Self> {
        let says = |error: sqlx::Error| {
            StoreError::from_source(error, &format!("opening {}", file.display()), kind_of)
        };
        let options = SqliteConnectOptions::new()
            .filename(file)
            .foreign_keys(true)
            .busy_timeout(BUSY_TIMEOUT);
        let writing = options
            .clone()
            .create_if_missing(true)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full);
        let write = SqlitePoolOptions::new()
            .max_connections(1)
            .after_release(|connection, _| {
                Box::pin(async move {
                    // Fails when no transaction is open, which is the normal case.
                    let _ = connection.execute("rollback").await;
                    Ok(true)
                })
            })
            .connect_with(writing)
            .await
            .map_err(says)?;
        SQLITE_MIGRATIONS.run(&write).await.map_err(|error| match error {
            sqlx::migrate::MigrateError::VersionMissing(version) => StoreError::new(
                ErrorKind::NotNow,
                format!(
                    "The database was made by a newer ripieno (it knows migration {version}, \
                     this program does not). Run the newer program."
                ),
            ),
            other => StoreError::from_source(
                other,
                &format!("bringing {} up to date", file.display()),
                kind_of,
            ),
        })?;
        let read = SqlitePoolOptions::new()
            .max_connections(READERS)
            .connect_with(options.read_only(true))
            .await
            .map_err(says)?;
        Ok(Database::Sqlite { write, read })
    }

    pub(crate) async fn read(&self) -> Result<Link> {
        match self {
            Database::Sqlite { read, .. } => Ok(Link::Sqlite(read.acquire().await?)),
        }
    }

    pub(crate) async fn begin(&self) -> Result<Tx> {
        match self {
            // Taken for writing at once: a transaction that reads first and writes later could
            // not be retried by the busy timeout.
            Database::Sqlite { write, .. } => {
                let mut connection = write.acquire().await?;
                connection.execute("begin immediate").await?;
                Ok(Tx::Sqlite(connection))
            }
        }
    }

    pub(crate) async fn close(&self) {
        match self {
            Database::Sqlite { write, read } => {
                read.close().await;
                write.close().await;
            }
        }
    }
}

impl Link {
    pub(crate) fn connection(&mut self) -> Connection<'_> {
        match self {
            Link::Sqlite(link) => Connection::Sqlite(link),
        }
    }
}

impl Tx {
    pub(crate) fn connection(&mut self) -> Connection<'_> {
        match self {
            Tx::Sqlite(tx) => Connection::Sqlite(tx),
        }
    }

    pub(crate) async fn commit(self) -> Result<()> {
        match self {
            Tx::Sqlite(mut connection) => Ok(connection.execute("commit").await.map(drop)?),
        }
    }
}

/// `all!(Row, on, "select …", binds…)`: every row.
macro_rules! all {
    ($row:ty, $on:expr, $sql:expr $(, $bind:expr)* $(,)?) => {{
        #[cfg(test)]
        $crate::tests::note($sql);
        match $on.connection() {
            $crate::database::Connection::Sqlite(c) => {
                sqlx::query_as::<sqlx::Sqlite, $row>($sql)$(.bind($bind))*.fetch_all(&mut *c).await
            }
        }
        .map_err($crate::error::StoreError::from)
    }};
}

/// `first!(Row, on, "select …", binds…)`: the first row, if any.
macro_rules! first {
    ($row:ty, $on:expr, $sql:expr $(, $bind:expr)* $(,)?) => {{
        #[cfg(test)]
        $crate::tests::note($sql);
        match $on.connection() {
            $crate::database::Connection::Sqlite(c) => {
                sqlx::query_as::<sqlx::Sqlite, $row>($sql)$(.bind($bind))*
                    .fetch_optional(&mut *c).await
            }
        }
        .map_err($crate::error::StoreError::from)
    }};
}

/// `run!(on, "update …", binds…)`: how many rows it touched.
macro_rules! run {
    ($on:expr, $sql:expr $(, $bind:expr)* $(,)?) => {{
        #[cfg(test)]
        $crate::tests::note($sql);
        match $on.connection() {
            $crate::database::Connection::Sqlite(c) => {
                sqlx::query::<sqlx::Sqlite>($sql)$(.bind($bind))*.execute(&mut *c).await
                    .map(|done| done.rows_affected())
            }
        }
        .map_err($crate::error::StoreError::from)
    }};
}

pub(crate) use {all, first, run};
