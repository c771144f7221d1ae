//! One write transaction.

use std::sync::Arc;

use sqlx::{PgPool, Postgres, SqliteConnection, Transaction};
use tokio::sync::OwnedMutexGuard;

use crate::store::append::{self, Growth, Texts};
use crate::store::error::StoreError;
use crate::store::folding::Folding;
use crate::store::json::Json;
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{EntityHeadRow, Rows};
use crate::store::table::Stored;

/// A write transaction: nothing of it is kept unless [`commit`](Self::commit) returns without an error. If it is dropped
/// instead, it is rolled back.
///
/// After an error nothing more can be done with it than to roll it back.
#[derive(Debug)]
pub struct Posting {
    transaction: Open,
    texts: Arc<Texts>,
}

#[derive(Debug)]
enum Open {
    Sqlite(SqliteTransaction),
    Postgres(PostgresTransaction),
}

/// A transaction with what it takes to watch over the growth of the tables.
#[derive(Debug)]
struct PostgresTransaction {
    transaction: Transaction<'static, Postgres>,
    pool: PgPool,
    growth: Arc<Growth>,
    rows: u64,
}

impl Posting {
    pub(super) fn sqlite(writer: OwnedMutexGuard<SqliteConnection>, folding: &Arc<Folding>, texts: Arc<Texts>) -> Self {
        let open = SqliteTransaction { writer: Some(writer), folding: Arc::clone(folding), rows: 0 };
        Self { transaction: Open::Sqlite(open), texts }
    }

    pub(super) async fn postgres(pool: &PgPool, growth: &Arc<Growth>, texts: Arc<Texts>) -> Result<Self, StoreError> {
        let transaction = pool.begin().await?;
        let open = PostgresTransaction { transaction, pool: pool.clone(), growth: Arc::clone(growth), rows: 0 };
        Ok(Self { transaction: Open::Postgres(open), texts })
    }

    /// The reads of the store, which see what this posting has written.
    pub fn reader(&mut self) -> Result<Reader<'_>, StoreError> {
        Ok(match &mut self.transaction {
            Open::Sqlite(transaction) => Reader::Sqlite(transaction.connection()?),
            Open::Postgres(open) => Reader::Postgres(&mut open.transaction),
        })
    }

    /// Locks the heads of entities until the end of the transaction and returns them in code order; an unknown code is left
    /// out. Heads are locked in that order by everybody, so that two postings never wait for each other.
    pub async fn lock_heads(&mut self, entities: &[&str]) -> Result<Vec<EntityHeadRow>, StoreError> {
        // Only one SQLite posting is open at a time: there is nothing to lock.
        let columns = EntityHeadRow::columns("h");
        let text = match &self.transaction {
            Open::Sqlite(_) => format!(
                "select {columns} from entity_head h where h.entity in (select value from json_each($1)) order by h.entity"
            ),
            Open::Postgres(_) => {
                format!("select {columns} from entity_head h where h.entity = any($1) order by h.entity for update")
            }
        };
        self.reader()?.composed(text, &[Arg::Texts(entities)]).await
    }

    /// Writes rows, in one statement; of those that take a head's place, the last of each.
    pub async fn append(&mut self, rows: Rows) -> Result<(), StoreError> {
        let count = rows.len() as u64;
        match &mut self.transaction {
            Open::Sqlite(transaction) => {
                transaction.rows += count;
                append::sqlite(transaction.connection()?, &self.texts, Json::of(rows)).await
            }
            Open::Postgres(open) => {
                open.rows += count;
                append::postgres(&mut open.transaction, &self.texts, rows).await
            }
        }
    }

    /// Has PostgreSQL look at its tables if much was written since it did, in a transaction so long that its end is too late for that.
    pub async fn keep_statistics(&mut self) -> Result<(), StoreError> {
        match &mut self.transaction {
            Open::Sqlite(_) => Ok(()),
            Open::Postgres(open) => {
                let written = std::mem::take(&mut open.rows);
                if open.growth.is_due(written) { append::analyze_within(&mut open.transaction).await } else { Ok(()) }
            }
        }
    }

    /// Frees a reference, because what it named was reversed. Does nothing if it is not in use.
    pub async fn free_natural_key(&mut self, entity: &str, kind: &str, reference: &str) -> Result<(), StoreError> {
        let text = "delete from natural_key where entity = $1 and kind = $2 and reference = $3";
        self.reader()?.execute(text, &[Arg::Text(entity), Arg::Text(kind), Arg::Text(reference)]).await
    }

    /// Makes everything that was appended durable. After an error nothing was kept, unless the connection was lost while the
    /// database was committing.
    pub async fn commit(self) -> Result<(), StoreError> {
        match self.transaction {
            Open::Sqlite(transaction) => transaction.end("commit").await,
            Open::Postgres(open) => {
                open.transaction.commit().await?;
                if open.growth.is_due(open.rows) {
                    let pool = open.pool;
                    tokio::spawn(async move { append::analyze(&pool).await });
                }
                Ok(())
            }
        }
    }

    /// Undoes everything. Dropping the posting does so too, but does not wait for it.
    pub async fn rollback(self) -> Result<(), StoreError> {
        match self.transaction {
            Open::Sqlite(transaction) => transaction.end("rollback").await,
            Open::Postgres(open) => Ok(open.transaction.rollback().await?),
        }
    }
}

/// Writes rows on SQLite in a transaction of their own.
pub(super) async fn write_whole(
    mut writer: OwnedMutexGuard<SqliteConnection>,
    folding: &Folding,
    texts: &Texts,
    json: Json,
) -> Result<(), StoreError> {
    let rows = json.len() as u64;
    let written = append::sqlite_whole(&mut writer, texts, json).await;
    match &written {
        Ok(()) => folding.count(rows),
        Err(_) => abandon(&mut writer).await,
    }
    written
}

/// An open transaction on the one connection that writes. It is not sqlx's own type, which cannot own the guard.
#[derive(Debug)]
struct SqliteTransaction {
    /// None once the transaction has ended.
    writer: Option<OwnedMutexGuard<SqliteConnection>>,
    folding: Arc<Folding>,
    rows: u64,
}

impl SqliteTransaction {
    fn connection(&mut self) -> Result<&mut SqliteConnection, StoreError> {
        match &mut self.writer {
            Some(writer) => Ok(writer),
            None => Err(StoreError::Fault(Arc::new(sqlx::Error::WorkerCrashed))),
        }
    }

    async fn end(mut self, statement: &'static str) -> Result<(), StoreError> {
        sqlx::query(statement).execute(self.connection()?).await?;
        self.writer = None;
        self.folding.count(self.rows);
        Ok(())
    }
}

impl Drop for SqliteTransaction {
    fn drop(&mut self) {
        // The guard moves to the task, so that the next posting waits for the rollback. Without a runtime the next posting
        // finds the transaction open and rolls it back itself.
        if let (Some(mut writer), Ok(runtime)) = (self.writer.take(), tokio::runtime::Handle::try_current()) {
            runtime.spawn(async move {
                if let Err(error) = sqlx::query("rollback").execute(&mut *writer).await {
                    tracing::warn!(%error, "an abandoned posting could not be rolled back");
                }
            });
        }
    }
}

/// Ends what an abandoned posting may have left open on a connection. That there is nothing to end is no error.
pub(super) async fn abandon(connection: &mut SqliteConnection) {
    let _ = sqlx::query("rollback").execute(connection).await;
}
