//! Several processes on one database, clients that vanish or stall, and the end of a process that is busy.

mod decided_ahead;
mod draining;
mod repetitions;
mod socket;
mod stalled_writer;
mod two_processes;
mod vanishing_clients;

pub(crate) use draining::terminate;
use sqlx::postgres::PgConnection;
use sqlx::{AssertSqlSafe, Connection, Row};

use crate::crash::Client;
use crate::support::postgres;
use crate::support::process::Process;

const ENTITY: &str = "ROPE";

/// A database of either engine, kept as long as this lives.
struct Database {
    url: String,
    _directory: Option<tempfile::TempDir>,
}

impl Database {
    fn sqlite() -> Database {
        let directory = tempfile::tempdir().expect("a directory");
        let url = format!("sqlite:{}", directory.path().join("books.sqlite").display());
        Database { url, _directory: Some(directory) }
    }

    async fn postgres() -> Option<Database> {
        let url = postgres::server()?.create_database().await;
        Some(Database { url, _directory: None })
    }

    /// Starts the service on it with an entity opened.
    async fn serve(&self) -> (Process, Client) {
        let process = Process::serve(&self.url, "off");
        let client = Client::new(process.address());
        client.open_entity(ENTITY).await;
        (process, client)
    }
}

/// A connection of its own to PostgreSQL that holds the head of the entity, or another thing, so that the service has to wait for it.
struct Held {
    holder: PgConnection,
    watcher: PgConnection,
}

impl Held {
    async fn head(url: &str) -> Held {
        let mut held = Held::nothing(url).await;
        let locked = sqlx::query("select 1 from entity_head where entity = $1 for update").bind(ENTITY);
        locked.fetch_one(&mut held.holder).await.expect("the head is there");
        held
    }

    /// Nobody can release anything; everybody can read.
    async fn releases(url: &str) -> Held {
        let mut held = Held::nothing(url).await;
        sqlx::query("lock table release in share mode").execute(&mut held.holder).await.expect("locks");
        held
    }

    async fn nothing(url: &str) -> Held {
        let mut holder = PgConnection::connect(url).await.expect("a connection");
        let watcher = PgConnection::connect(url).await.expect("a connection");
        sqlx::query("begin").execute(&mut holder).await.expect("begins");
        Held { holder, watcher }
    }

    /// Returns when a connection of the service waits for what is held, with the server's number of it.
    async fn until_waited_for(&mut self) -> i32 {
        until(&mut self.watcher, "wait_event_type = 'Lock'").await
    }

    async fn release(mut self) {
        sqlx::query("commit").execute(&mut self.holder).await.expect("commits");
    }
}

/// Returns when the server says this of a connection to the database, with its number. Asking takes the server a moment each time, and the
/// answers to be counted are bounded.
async fn until(watcher: &mut PgConnection, what: &str) -> i32 {
    let asked = format!(
        "select pid from pg_stat_activity where datname = current_database() and pid <> pg_backend_pid() and {what}"
    );
    for _ in 0..100_000 {
        let found = sqlx::query(AssertSqlSafe(asked.as_str())).fetch_optional(&mut *watcher).await;
        if let Some(row) = found.expect("the server answers") {
            return row.get("pid");
        }
    }
    panic!("it never came to be that {what}");
}

/// The count of the answers with a status.
fn with_status(statuses: &[u16], status: u16) -> usize {
    statuses.iter().filter(|found| **found == status).count()
}
