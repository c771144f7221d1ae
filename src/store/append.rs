//! Appending rows: everything a posting writes, in one statement.
//!
//! PostgreSQL gets one statement of data-modifying `with` queries, SQLite one string of inserts. Either way a posting costs
//! one round trip, whatever the number of tables and rows, and the text depends only on which tables have rows: the engines
//! keep it prepared.

use std::collections::HashMap;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex, PoisonError};

use sqlx::postgres::PgArguments;
use sqlx::sqlite::SqliteArguments;
use sqlx::{Arguments, AssertSqlSafe, PgConnection, PgPool, SqliteConnection};

use crate::store::error::StoreError;
use crate::store::json::Json;
use crate::store::rows::Rows;
use crate::store::table::Table;

/// The texts written so far, by the tables that have rows: bit n stands for the nth part, the last one for a transaction around
/// them.
#[derive(Debug, Default)]
pub(crate) struct Texts(Mutex<HashMap<u64, Arc<str>>>);

impl Texts {
    fn get(&self, tables: &[(usize, Table)], is_whole: bool, text: impl FnOnce(&[Table]) -> String) -> Arc<str> {
        let key = tables.iter().fold(u64::from(is_whole) << 63, |key, (at, _)| key | 1 << at);
        let mut texts = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let tables = || tables.iter().map(|(_, table)| *table).collect::<Vec<_>>();
        texts.entry(key).or_insert_with(|| text(&tables()).into()).clone()
    }
}

/// When to have PostgreSQL look at its tables.
///
/// Every key begins with the entity. Until a table has statistics the planner takes that column to be nearly unique, and so any
/// index that begins with it to be as good as the right one; and it keeps such plans, those of foreign keys too, while the
/// tables grow. The server's own analysis comes a minute late: by then a posting takes twenty times as long. So a store asks
/// for one after 256 rows and whenever it has written four times as many, until the server's own will do.
#[derive(Debug)]
pub(crate) struct Growth {
    written: AtomicU64,
    analyze_at: AtomicU64,
}

impl Default for Growth {
    fn default() -> Self {
        Self { written: AtomicU64::new(0), analyze_at: AtomicU64::new(256) }
    }
}

impl Growth {
    /// The last analysis; from there on the share of rows that is new grows slowly.
    const ENOUGH: u64 = 1_000_000;

    /// Counts rows, and tells one caller when it is time.
    pub(crate) fn is_due(&self, rows: u64) -> bool {
        let written = self.written.fetch_add(rows, Ordering::Relaxed) + rows;
        let at = self.analyze_at.load(Ordering::Relaxed);
        written >= at
            && at <= Self::ENOUGH
            && self.analyze_at.compare_exchange(at, written * 4, Ordering::Relaxed, Ordering::Relaxed).is_ok()
    }
}

/// Has PostgreSQL look at all tables that postings grow.
pub(crate) async fn analyze(pool: &PgPool) {
    if let Err(error) = sqlx::query(AssertSqlSafe(analysis())).execute(pool).await {
        tracing::warn!(%error, "the tables could not be analyzed");
    }
}

/// The same inside a transaction, which sees what it has written itself.
pub(crate) async fn analyze_within(connection: &mut PgConnection) -> Result<(), StoreError> {
    sqlx::query(AssertSqlSafe(analysis())).execute(connection).await?;
    Ok(())
}

fn analysis() -> String {
    let (rows, first_seen) = (Rows::default(), Vec::new());
    let tables = rows.parts(&first_seen).iter().map(|part| part.table().name).collect::<Vec<_>>().join(", ");
    format!("analyze {tables}")
}

/// Foreign keys inside one PostgreSQL statement are checked at its end, so the order is free.
fn postgres_text(tables: &[Table]) -> String {
    let mut first = 1;
    let mut inserts = Vec::new();
    for table in tables {
        inserts.push(table.postgres_insert(first));
        first += table.columns.len();
    }
    let last = inserts.pop().unwrap_or_default();
    if inserts.is_empty() {
        return last;
    }
    let named = inserts.iter().enumerate().map(|(at, insert)| format!("w{at} as ({insert})")).collect::<Vec<_>>();
    format!("with {}\n{last}", named.join(",\n"))
}

fn sqlite_text(tables: &[Table]) -> String {
    let inserts = tables.iter().enumerate().map(|(at, table)| table.sqlite_insert(at + 1)).collect::<Vec<_>>();
    inserts.join(";\n")
}

pub(super) async fn postgres(connection: &mut PgConnection, texts: &Texts, rows: Rows) -> Result<(), StoreError> {
    let rows = rows.newest_heads();
    let first_seen = rows.first_seen();
    let (mut tables, mut arguments) = (Vec::new(), PgArguments::default());
    for (at, part) in rows.parts(&first_seen).into_iter().enumerate().filter(|(_, part)| part.len() > 0) {
        part.bind(&mut arguments).map_err(sqlx::Error::Encode)?;
        tables.push((at, part.table()));
    }
    if tables.is_empty() {
        return Ok(());
    }
    let text = texts.get(&tables, false, postgres_text);
    sqlx::query_with(AssertSqlSafe(text), arguments).execute(connection).await?;
    Ok(())
}

pub(super) async fn sqlite(connection: &mut SqliteConnection, texts: &Texts, json: Json) -> Result<(), StoreError> {
    let (tables, arguments) = arguments(json)?;
    if tables.is_empty() {
        return Ok(());
    }
    let text = texts.get(&tables, false, sqlite_text);
    sqlx::query_with(AssertSqlSafe(text), arguments).execute(connection).await?;
    Ok(())
}

/// The same as a transaction of its own, in one round trip. After an error it may still be open.
pub(super) async fn sqlite_whole(
    connection: &mut SqliteConnection,
    texts: &Texts,
    json: Json,
) -> Result<(), StoreError> {
    let (tables, arguments) = arguments(json)?;
    let text = texts.get(&tables, true, |tables| format!("begin immediate;\n{};\ncommit", sqlite_text(tables)));
    sqlx::query_with(AssertSqlSafe(text), arguments).execute(connection).await?;
    Ok(())
}

fn arguments(json: Json) -> Result<(Vec<(usize, Table)>, SqliteArguments), StoreError> {
    let (mut tables, mut arguments) = (Vec::new(), SqliteArguments::default());
    for (at, table, json) in json.tables()? {
        arguments.add(json).map_err(sqlx::Error::Encode)?;
        tables.push((at, table));
    }
    Ok((tables, arguments))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::rows::{EntityHeadRow, NaturalKeyRow};
    use crate::store::table::Stored;

    #[test]
    fn a_posting_is_one_statement_on_postgres() {
        let text = postgres_text(&[NaturalKeyRow::TABLE, EntityHeadRow::TABLE]);
        assert_eq!(
            text,
            "with w0 as (insert into natural_key (entity, kind, reference, id) \
             select * from unnest($1::text[], $2::text[], $3::text[], $4::text[]))\n\
             insert into entity_head (entity, sequence, release, recorded_at, hash, closed_through) \
             select * from unnest($5::text[], $6::bigint[], $7::bigint[], $8::bigint[], $9::text[], $10::text[]) \
             on conflict (entity) do update set sequence = excluded.sequence, release = excluded.release, \
             recorded_at = excluded.recorded_at, hash = excluded.hash, closed_through = excluded.closed_through"
        );
    }

    #[test]
    fn a_posting_is_one_string_on_sqlite() {
        let text = sqlite_text(&[NaturalKeyRow::TABLE, EntityHeadRow::TABLE]);
        assert_eq!(
            text,
            "insert into natural_key (entity, kind, reference, id) \
             select value->>0, value->>1, value->>2, value->>3 from jsonb_each($1);\n\
             insert into entity_head (entity, sequence, release, recorded_at, hash, closed_through) \
             select value->>0, value->>1, value->>2, value->>3, value->>4, value->>5 from jsonb_each($2) where true \
             on conflict (entity) do update set sequence = excluded.sequence, release = excluded.release, \
             recorded_at = excluded.recorded_at, hash = excluded.hash, closed_through = excluded.closed_through"
        );
    }
}
