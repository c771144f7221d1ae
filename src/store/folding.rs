//! Folding SQLite's log into its file, beside the writer.
//!
//! Whoever commits when the log has grown long folds it, which takes several times as long as the commit. So a connection of its own does
//! so whenever some thousand rows were written, while the writer goes on. It never reaches the end of a log that still grows; the writer
//! itself folds what is left when the log is [`LONGEST_LOG`], and then writes it from its beginning again.

use sqlx::sqlite::SqliteConnectOptions;
use sqlx::{Connection, SqliteConnection};
use tokio::sync::watch;

/// After how many pages of 4,096 bytes the writer folds the log.
pub(super) const LONGEST_LOG: &str = "8000";
/// After how many rows the log is folded beside it. A row takes less than a page.
const ROWS: u64 = 1_000;

/// Counts what is written, and has it folded until this is dropped or stopped.
#[derive(Debug)]
pub(super) struct Folding(watch::Sender<Option<u64>>);

impl Folding {
    pub fn start(options: SqliteConnectOptions) -> Folding {
        let (written, rows) = watch::channel(Some(0));
        tokio::spawn(async move {
            if let Err(error) = fold(&options, rows).await {
                tracing::warn!(%error, "the log is folded by the writer alone from now on");
            }
        });
        Folding(written)
    }

    pub fn count(&self, rows: u64) {
        self.0.send_modify(|written| *written = written.map(|written| written + rows));
    }

    pub fn stop(&self) {
        self.0.send_replace(None);
    }
}

async fn fold(options: &SqliteConnectOptions, mut rows: watch::Receiver<Option<u64>>) -> Result<(), sqlx::Error> {
    let (mut open, mut folded) = (None, 0);
    loop {
        let due = |rows: &Option<u64>| rows.is_none_or(|rows| rows >= folded + ROWS);
        // An error says that the store is gone.
        let Ok(Some(written)) = rows.wait_for(due).await.map(|rows| *rows) else { return Ok(()) };
        folded = written;
        let connection = match &mut open {
            Some(connection) => connection,
            None => open.insert(SqliteConnection::connect_with(options).await?),
        };
        sqlx::query("pragma wal_checkpoint(passive)").execute(connection).await?;
    }
}
