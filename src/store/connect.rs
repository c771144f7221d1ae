//! The two engines: their connections, their migrations and whether they are ready.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::str::FromStr;
use std::sync::Arc;
use std::time::Duration;

use sqlx::migrate::Migrator;
use sqlx::postgres::{PgConnectOptions, PgPoolOptions};
use sqlx::sqlite::{SqliteConnectOptions, SqliteJournalMode, SqlitePoolOptions, SqliteSynchronous};
use sqlx::{ConnectOptions, Connection, PgPool, SqliteConnection, SqlitePool};
use tokio::sync::Mutex;

use crate::store::append::{Growth, Texts};
use crate::store::error::StoreError;
use crate::store::folding::{self, Folding};
use crate::store::json::Json;
use crate::store::lot::{Lot, Waiting};
use crate::store::posting::{self, Posting};
use crate::store::reader::Reading;
use crate::store::rows::{EntityHeadRow, Rows};

static SQLITE_MIGRATIONS: Migrator = sqlx::migrate!("./migrations/sqlite");
static POSTGRES_MIGRATIONS: Migrator = sqlx::migrate!("./migrations/postgres");

/// How long SQLite waits for another process that writes, before it is busy. No longer, since [`Store::write`] cannot look at the
/// time once it waits.
const BUSY_TIMEOUT: Duration = Duration::from_secs(1);
/// How often [`Store::begin`] waits so long.
const BUSY_WAITS: usize = 5;
/// How long a caller waits for a connection of a full pool.
const ACQUIRE_TIMEOUT: Duration = Duration::from_secs(10);
/// A connection that rested longer than this is tested before it is used; testing each costs every request a round trip.
const TRUSTED_IDLE: Duration = Duration::from_secs(5);
/// Prepared statements a connection keeps: every read, and each set of tables that postings write together.
const STATEMENTS: usize = 256;

/// Settings of the connections.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Options {
    /// Connections at most; on SQLite those that read, besides the one that writes.
    pub max_connections: u32,
}

impl Default for Options {
    fn default() -> Self {
        Self { max_connections: 16 }
    }
}

/// Which database holds the books.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Engine {
    /// A SQLite file.
    Sqlite,
    /// A PostgreSQL server.
    Postgres,
}

/// The books. A clone is another handle to the same connections.
#[derive(Debug, Clone)]
pub struct Store {
    engine: Pools,
    texts: Arc<Texts>,
}

#[derive(Debug, Clone)]
enum Pools {
    Sqlite {
        writer: Arc<Mutex<SqliteConnection>>,
        options: Arc<SqliteConnectOptions>,
        readers: SqlitePool,
        folding: Arc<Folding>,
    },
    Postgres {
        pool: PgPool,
        growth: Arc<Growth>,
    },
}

impl Store {
    /// Connects to `postgres://..`, `postgresql://..`, `sqlite:path`, or a path. A SQLite file is created if it is missing; its
    /// directory must exist.
    ///
    /// # Errors
    ///
    /// [`StoreError::Address`] if the address cannot be understood or names an in-memory SQLite database, whose connections
    /// would not see each other.
    pub async fn connect(url: &str, options: Options) -> Result<Self, StoreError> {
        let engine = if url.starts_with("postgres://") || url.starts_with("postgresql://") {
            postgres(url, options).await?
        } else {
            sqlite(url, options).await?
        };
        Ok(Self { engine, texts: Arc::default() })
    }

    /// Which engine this is.
    pub fn engine(&self) -> Engine {
        match self.engine {
            Pools::Sqlite { .. } => Engine::Sqlite,
            Pools::Postgres { .. } => Engine::Postgres,
        }
    }

    /// Brings the schema up to this version of the program. Several processes may do so at once.
    pub async fn migrate(&self) -> Result<(), StoreError> {
        match &self.engine {
            Pools::Sqlite { writer, .. } => Ok(SQLITE_MIGRATIONS.run(&mut *writer.lock().await).await?),
            Pools::Postgres { pool, .. } => Ok(POSTGRES_MIGRATIONS.run(pool).await?),
        }
    }

    /// Whether the database answers and has every migration of this version of the program.
    pub async fn is_ready(&self) -> bool {
        const APPLIED: &str = "select coalesce(max(version), 0) from _sqlx_migrations where success";
        let (applied, migrations) = match &self.engine {
            Pools::Sqlite { readers, .. } => {
                (sqlx::query_scalar::<_, i64>(APPLIED).fetch_one(readers).await, &SQLITE_MIGRATIONS)
            }
            Pools::Postgres { pool, .. } => {
                (sqlx::query_scalar::<_, i64>(APPLIED).fetch_one(pool).await, &POSTGRES_MIGRATIONS)
            }
        };
        let newest = migrations.iter().map(|migration| migration.version).max();
        applied.is_ok_and(|applied| Some(applied) >= newest)
    }

    /// Opens a write transaction. On SQLite there is one at a time; the others wait here in order.
    pub async fn begin(&self) -> Result<Posting, StoreError> {
        match &self.engine {
            Pools::Sqlite { writer, options, folding, .. } => {
                let mut writer = Arc::clone(writer).lock_owned().await;
                let mut begun = begin_immediate(&mut writer).await;
                for _ in 1..BUSY_WAITS {
                    if matches!(begun, Err(StoreError::Busy(_))) {
                        begun = begin_immediate(&mut writer).await;
                    }
                }
                if let Err(error) = begun {
                    if matches!(error, StoreError::Busy(_)) {
                        return Err(error);
                    }
                    // A transaction was left open, or the connection is broken: the first is ended, the second replaced.
                    posting::abandon(&mut writer).await;
                    if begin_immediate(&mut writer).await.is_err() {
                        *writer = SqliteConnection::connect_with(options).await?;
                        begin_immediate(&mut writer).await?;
                    }
                }
                Ok(Posting::sqlite(writer, folding, Arc::clone(&self.texts)))
            }
            Pools::Postgres { pool, growth } => Posting::postgres(pool, growth, Arc::clone(&self.texts)).await,
        }
    }

    /// A lot without rows.
    pub fn lot(&self) -> Lot {
        Lot(match &self.engine {
            Pools::Sqlite { .. } => Waiting::Sqlite(Json::default()),
            Pools::Postgres { .. } => Waiting::Postgres(Rows::default()),
        })
    }

    /// Writes a lot in a transaction of its own, if the heads of its entities are these and `in_time` agrees once their turn has come;
    /// otherwise says so by false or an error, and nothing was written.
    ///
    /// A lot has a record of each of these entities, with the sequence after that of its head: SQLite, which takes everything in one
    /// round trip, cannot add it if a head has moved.
    pub async fn write(
        &self,
        heads: &BTreeMap<String, EntityHeadRow>,
        lot: Lot,
        in_time: impl Fn() -> bool,
    ) -> Result<bool, StoreError> {
        match (&self.engine, lot.0) {
            (Pools::Sqlite { writer, folding, .. }, Waiting::Sqlite(json)) => {
                let writer = Arc::clone(writer).lock_owned().await;
                if !in_time() {
                    return Ok(false);
                }
                posting::write_whole(writer, folding, &self.texts, json).await?;
                Ok(true)
            }
            (Pools::Postgres { .. }, Waiting::Postgres(rows)) => {
                let entities: Vec<&str> = heads.keys().map(String::as_str).collect();
                let mut posting = self.begin().await?;
                let locked = posting.lock_heads(&entities).await?;
                if !in_time() || !locked.iter().eq(heads.values()) {
                    posting.rollback().await?;
                    return Ok(false);
                }
                posting.append(rows).await?;
                posting.commit().await?;
                Ok(true)
            }
            _ => Ok(false),
        }
    }

    /// Takes a connection for reading.
    pub async fn reading(&self) -> Result<Reading, StoreError> {
        match &self.engine {
            Pools::Sqlite { readers, .. } => Ok(Reading::sqlite(readers.acquire().await?)),
            Pools::Postgres { pool, .. } => Ok(Reading::postgres(pool.acquire().await?)),
        }
    }

    /// Closes all connections, after the work that is under way.
    pub async fn close(&self) {
        match &self.engine {
            Pools::Sqlite { writer, readers, folding, .. } => {
                folding.stop();
                readers.close().await;
                // The last connection that closes folds the log into the file. The connection itself cannot be closed
                // through a shared handle; checkpointing leaves the file as closing would.
                let _ = sqlx::query("pragma wal_checkpoint(truncate)").execute(&mut *writer.lock().await).await;
            }
            Pools::Postgres { pool, .. } => pool.close().await,
        }
    }
}

/// A transaction that begins by reading and then writes would fail if another process wrote in between.
async fn begin_immediate(writer: &mut SqliteConnection) -> Result<(), StoreError> {
    sqlx::query("begin immediate").execute(writer).await?;
    Ok(())
}

async fn sqlite(url: &str, options: Options) -> Result<Pools, StoreError> {
    let given = match url.strip_prefix("sqlite:") {
        Some(_) => SqliteConnectOptions::from_str(url).map_err(|_| StoreError::Address("not a SQLite address"))?,
        None if url.contains("://") => {
            return Err(StoreError::Address("neither SQLite nor PostgreSQL"));
        }
        None => SqliteConnectOptions::new().filename(PathBuf::from(url)),
    };
    if given.get_filename().as_os_str().is_empty() || url.contains(":memory:") || url.contains("mode=memory") {
        return Err(StoreError::Address("an in-memory SQLite database cannot hold the books"));
    }
    let shared = given
        .foreign_keys(true)
        .busy_timeout(BUSY_TIMEOUT)
        .statement_cache_capacity(STATEMENTS)
        .disable_statement_logging();
    let writing = shared
        .clone()
        .create_if_missing(true)
        .journal_mode(SqliteJournalMode::Wal)
        .synchronous(SqliteSynchronous::Full)
        // What a statement of many rows would have to undo is more than SQLite keeps in memory unless it is told to.
        .pragma("temp_store", "memory")
        .pragma("wal_autocheckpoint", folding::LONGEST_LOG);
    // The writer comes first: it creates the file that the readers open.
    let writer = SqliteConnection::connect_with(&writing).await?;
    let readers = SqlitePoolOptions::new()
        .max_connections(options.max_connections.max(1))
        .acquire_timeout(ACQUIRE_TIMEOUT)
        .test_before_acquire(false)
        .max_lifetime(None)
        .connect_with(shared.read_only(true))
        .await?;
    let folding = Arc::new(Folding::start(writing.clone()));
    Ok(Pools::Sqlite { writer: Arc::new(Mutex::new(writer)), options: Arc::new(writing), readers, folding })
}

async fn postgres(url: &str, options: Options) -> Result<Pools, StoreError> {
    let connect = PgConnectOptions::from_str(url).map_err(|_| StoreError::Address("not a PostgreSQL address"))?;
    let connect = connect
        .statement_cache_capacity(STATEMENTS)
        .application_name("parwright")
        .disable_statement_logging()
        // Every statement is a set of key look-ups, for which one plan serves all values; planning each time costs more than
        // the look-ups do.
        .options([("plan_cache_mode", "force_generic_plan")]);
    let pool = PgPoolOptions::new()
        .max_connections(options.max_connections.max(1))
        .acquire_timeout(ACQUIRE_TIMEOUT)
        .test_before_acquire(false)
        .before_acquire(|connection, meta| {
            Box::pin(async move {
                if meta.idle_for > TRUSTED_IDLE {
                    connection.ping().await?;
                }
                Ok(true)
            })
        })
        .connect_with(connect)
        .await?;
    Ok(Pools::Postgres { pool, growth: Arc::default() })
}
