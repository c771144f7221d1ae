//! Running a read on either engine, inside a posting or outside.

use futures_util::TryStreamExt;
use sqlx::pool::PoolConnection;
use sqlx::postgres::PgArguments;
use sqlx::sqlite::SqliteArguments;
use sqlx::{Arguments, AssertSqlSafe, PgConnection, Postgres, SqlSafeStr, SqlStr, Sqlite, SqliteConnection};

use crate::store::cells::{Cursor, FromCells};
use crate::store::error::StoreError;

/// A connection that reads, taken from the pool and given back when this is dropped.
#[derive(Debug)]
pub struct Reading(Pooled);

#[derive(Debug)]
enum Pooled {
    Sqlite(PoolConnection<Sqlite>),
    Postgres(PoolConnection<Postgres>),
}

impl Reading {
    pub(super) fn sqlite(connection: PoolConnection<Sqlite>) -> Self {
        Self(Pooled::Sqlite(connection))
    }

    pub(super) fn postgres(connection: PoolConnection<Postgres>) -> Self {
        Self(Pooled::Postgres(connection))
    }

    /// The reads of the store.
    pub fn reader(&mut self) -> Reader<'_> {
        match &mut self.0 {
            Pooled::Sqlite(connection) => Reader::Sqlite(connection),
            Pooled::Postgres(connection) => Reader::Postgres(connection),
        }
    }
}

/// The reads of the store, on the connection of a [`Posting`](super::Posting) or a [`Reading`].
///
/// Each read is one statement and sees what was committed before it began. A row that is posted never changes, so several
/// reads that are given the same `known` sequence fit together.
#[derive(Debug)]
pub enum Reader<'c> {
    /// On SQLite.
    Sqlite(&'c mut SqliteConnection),
    /// On PostgreSQL.
    Postgres(&'c mut PgConnection),
}

/// A value for a parameter of a statement.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Arg<'a> {
    Text(&'a str),
    Int(i64),
    /// An array on PostgreSQL, a JSON array on SQLite.
    Texts(&'a [&'a str]),
    /// The same.
    Ints(&'a [i64]),
}

fn sqlite_arguments(args: &[Arg<'_>]) -> Result<SqliteArguments, sqlx::Error> {
    let mut arguments = SqliteArguments::default();
    for arg in args {
        match arg {
            Arg::Text(value) => arguments.add(*value),
            Arg::Int(value) => arguments.add(*value),
            Arg::Texts(values) => arguments.add(json(values)?),
            Arg::Ints(values) => arguments.add(json(values)?),
        }
        .map_err(sqlx::Error::Encode)?;
    }
    Ok(arguments)
}

/// What SQLite takes in the place of an array.
pub(crate) fn json(values: &(impl serde::Serialize + ?Sized)) -> Result<String, sqlx::Error> {
    serde_json::to_string(values).map_err(|error| sqlx::Error::Encode(error.into()))
}

fn postgres_arguments(args: &[Arg<'_>]) -> Result<PgArguments, sqlx::Error> {
    let mut arguments = PgArguments::default();
    for arg in args {
        match arg {
            Arg::Text(value) => arguments.add(*value),
            Arg::Int(value) => arguments.add(*value),
            Arg::Texts(values) => arguments.add(*values),
            Arg::Ints(values) => arguments.add(*values),
        }
        .map_err(sqlx::Error::Encode)?;
    }
    Ok(arguments)
}

impl Reader<'_> {
    async fn run<T: FromCells>(&mut self, text: SqlStr, args: &[Arg<'_>]) -> Result<Vec<T>, StoreError> {
        // Each row is read as it comes: a driver's own row takes several times the memory of ours.
        let mut read = Vec::new();
        match self {
            Self::Sqlite(connection) => {
                let mut rows = sqlx::query_with(text, sqlite_arguments(args)?).fetch(&mut **connection);
                while let Some(row) = rows.try_next().await? {
                    read.push(T::from_cells(&mut Cursor::new(&row))?);
                }
            }
            Self::Postgres(connection) => {
                let mut rows = sqlx::query_with(text, postgres_arguments(args)?).fetch(&mut **connection);
                while let Some(row) = rows.try_next().await? {
                    read.push(T::from_cells(&mut Cursor::new(&row))?);
                }
            }
        }
        Ok(read)
    }

    /// All rows of a statement.
    pub(crate) async fn all<T: FromCells>(
        &mut self,
        text: &'static str,
        args: &[Arg<'_>],
    ) -> Result<Vec<T>, StoreError> {
        self.run(text.into_sql_str(), args).await
    }

    /// The row of a statement that returns at most one.
    pub(crate) async fn one<T: FromCells>(
        &mut self,
        text: &'static str,
        args: &[Arg<'_>],
    ) -> Result<Option<T>, StoreError> {
        Ok(self.all(text, args).await?.pop())
    }

    /// All rows of a statement that is put together from texts of this program. Values never are part of it.
    pub(crate) async fn composed<T: FromCells>(
        &mut self,
        text: String,
        args: &[Arg<'_>],
    ) -> Result<Vec<T>, StoreError> {
        self.run(AssertSqlSafe(text).into_sql_str(), args).await
    }

    /// Runs a statement that returns nothing.
    pub(crate) async fn execute(&mut self, text: &'static str, args: &[Arg<'_>]) -> Result<(), StoreError> {
        match self {
            Self::Sqlite(connection) => {
                sqlx::query_with(text, sqlite_arguments(args)?).execute(&mut **connection).await?;
            }
            Self::Postgres(connection) => {
                sqlx::query_with(text, postgres_arguments(args)?).execute(&mut **connection).await?;
            }
        }
        Ok(())
    }

    /// The text for this engine.
    pub(crate) fn pick<T>(&self, sqlite: T, postgres: T) -> T {
        match self {
            Self::Sqlite(_) => sqlite,
            Self::Postgres(_) => postgres,
        }
    }
}
