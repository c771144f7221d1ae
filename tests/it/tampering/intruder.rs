//! Somebody with all rights on a database, for whom nothing is in the way any more: no trigger, no foreign key, no condition.

use std::collections::BTreeMap;

use sqlx::{AssertSqlSafe, Connection, PgConnection, SqliteConnection};

pub enum Intruder {
    Sqlite(SqliteConnection),
    Postgres(PgConnection),
}

/// Before the name of a table that keeps what another held.
const KEPT: &str = "kept_";

impl Intruder {
    pub async fn on(url: &str) -> Intruder {
        if url.starts_with("sqlite") {
            let mut intruder = Intruder::Sqlite(SqliteConnection::connect(url).await.expect("connects"));
            for trigger in intruder.texts("select name from sqlite_schema where type = 'trigger'").await {
                intruder.run(&format!("drop trigger {trigger}")).await;
            }
            intruder.run("pragma foreign_keys = off").await;
            intruder.run("pragma ignore_check_constraints = on").await;
            intruder
        } else {
            let mut intruder = Intruder::Postgres(PgConnection::connect(url).await.expect("connects"));
            let found = "select 'alter table ' || conrelid::regclass || ' drop constraint ' || conname from pg_constraint \
                         where contype in ('f', 'c') and connamespace = 'public'::regnamespace \
                         union all select 'alter table ' || oid::regclass || ' disable trigger user' from pg_class \
                         where relkind = 'r' and relnamespace = 'public'::regnamespace";
            for statement in intruder.texts(found).await {
                intruder.run(&statement).await;
            }
            intruder
        }
    }

    /// Runs a statement. How many rows it changed.
    pub async fn run(&mut self, statement: &str) -> u64 {
        let text = AssertSqlSafe(statement.to_owned());
        let done = match self {
            Intruder::Sqlite(connection) => {
                sqlx::query(text).execute(connection).await.map(|done| done.rows_affected())
            }
            Intruder::Postgres(connection) => {
                sqlx::query(text).execute(connection).await.map(|done| done.rows_affected())
            }
        };
        done.unwrap_or_else(|error| panic!("{statement}: {error}"))
    }

    /// The first column of what a statement finds.
    pub async fn texts(&mut self, statement: &str) -> Vec<String> {
        let text = AssertSqlSafe(statement.to_owned());
        let found: Result<Vec<Option<String>>, _> = match self {
            Intruder::Sqlite(connection) => sqlx::query_scalar(text).fetch_all(connection).await,
            Intruder::Postgres(connection) => sqlx::query_scalar(text).fetch_all(connection).await,
        };
        found.unwrap_or_else(|error| panic!("{statement}: {error}")).into_iter().flatten().collect()
    }

    /// The tables of the store, each with the types of its columns.
    pub async fn tables(&mut self) -> BTreeMap<String, BTreeMap<String, String>> {
        let found = match self {
            Intruder::Sqlite(_) => {
                "select t.name || ' ' || c.name || ' ' || lower(c.type) from sqlite_schema t, pragma_table_info(t.name) c \
                 where t.type = 'table' and t.name not like '\\_%' escape '\\' and t.name not like 'sqlite%'"
            }
            Intruder::Postgres(_) => {
                "select table_name || ' ' || column_name || ' ' || data_type from information_schema.columns \
                 where table_schema = 'public' and table_name not like '\\_%'"
            }
        };
        let mut tables: BTreeMap<String, BTreeMap<String, String>> = BTreeMap::new();
        for found in self.texts(found).await {
            let (table, column) = found.split_once(' ').expect("a table and its column");
            let (column, kind) = column.split_once(' ').expect("a column and its type");
            tables.entry(table.to_owned()).or_default().insert(column.to_owned(), kind.to_owned());
        }
        tables
    }

    /// Keeps what a table holds.
    pub async fn keep(&mut self, table: &str) {
        self.run(&format!("create table {KEPT}{table} as select * from {table}")).await;
    }

    /// Puts back what it held.
    pub async fn put_back(&mut self, table: &str) {
        self.run(&format!("delete from {table}")).await;
        self.run(&format!("insert into {table} select * from {KEPT}{table}")).await;
    }

    /// SQL for other values of a column: one that nobody would write, and for a date one that might be.
    pub fn other_values(column: &str, kind: &str) -> Vec<String> {
        if kind != "text" {
            return vec![format!("{column} + 1000003")];
        }
        let garbled = format!("coalesce({column}, '') || '~'");
        let a_day_later = format!("case when {column} = '2025-05-20' then '2025-05-21' else '2025-04-03' end");
        let is_a_date = column == "date"
            || ["_date", "_from", "_through", "_boundary", "_day", "paid_on"].iter().any(|end| column.ends_with(end));
        if is_a_date { vec![garbled, a_day_later] } else { vec![garbled] }
    }
}
