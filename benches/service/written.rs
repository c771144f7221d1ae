//! The rows that one recorded command wrote, read back from the books: what a ceiling has to write as well. The columns are
//! those of the tables as they are, so that a new one is not forgotten.

use sqlx::{AssertSqlSafe, PgConnection, Row, SqliteConnection};

/// The tables that a command on an issue writes, so ordered that nothing is referred to before it is there, and which rows of
/// each belong to the command with sequence $2 of entity $1.
pub const TABLES: [(&str, &str); 14] = [
    ("entity_head", "t.entity = $1"),
    ("year_head", "t.entity = $1"),
    ("record", BY_SEQUENCE),
    ("event", BY_SEQUENCE),
    ("position", BY_SEQUENCE),
    ("booked", BY_SEQUENCE),
    ("first_seen", BY_SEQUENCE),
    ("issue_head", "t.entity = $1 and t.event_sequence = $2"),
    ("batch", BY_SEQUENCE),
    ("entry", BY_SEQUENCE),
    ("line", "t.entity = $1 and t.batch in (select b.id from batch b where b.entity = $1 and b.sequence = $2)"),
    ("release", BY_SEQUENCE),
    (
        "idempotency",
        "t.entity = $1 and t.recorded_at = (select r.recorded_at from record r where r.entity = $1 and r.sequence = $2)",
    ),
    ("natural_key", "t.entity = $1 and t.id in (select v.id from event v where v.entity = $1 and v.sequence = $2)"),
];

const BY_SEQUENCE: &str = "t.entity = $1 and t.sequence = $2";

/// Tables whose row is there already and is replaced, with the columns of its key.
pub const HEADS: [(&str, &[&str]); 3] = [
    ("entity_head", &["entity"]),
    ("year_head", &["entity", "fiscal_year"]),
    ("issue_head", &["entity", "bond_issue"]),
];

/// What stands in a column: a value, or something that differs from command to command.
#[derive(Clone, Debug)]
pub enum Cell {
    Null,
    Text(String),
    Number(i64),
    Key(Key),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Key {
    Entity,
    Issue,
    Sequence,
    Follows,
    Release,
    RecordedAt,
    Event,
    Batch,
    BatchNumber,
    OfRequest,
    Reference,
    Day,
}

impl Key {
    /// What differs in a column from one command to the next; the rest is written as it was read.
    fn of(table: &str, column: &str) -> Option<Key> {
        Some(match (table, column) {
            (_, "entity") => Key::Entity,
            (_, "bond_issue") => Key::Issue,
            (_, "sequence" | "event_sequence" | "position_sequence" | "booked_sequence") | ("year_head", "number") => {
                Key::Sequence
            }
            ("event", "follows") => Key::Follows,
            (_, "release") => Key::Release,
            (_, "recorded_at" | "released_at") => Key::RecordedAt,
            ("event" | "natural_key", "id") | ("record", "subject") | (_, "event") => Key::Event,
            ("batch", "id") | (_, "batch") => Key::Batch,
            ("batch", "number") => Key::BatchNumber,
            ("idempotency", "key") => Key::OfRequest,
            ("event" | "natural_key", "reference") => Key::Reference,
            ("first_seen", "date") => Key::Day,
            _ => return None,
        })
    }
}

/// Rows of one table.
#[derive(Debug)]
pub struct Written {
    pub table: &'static str,
    pub columns: Vec<String>,
    pub rows: Vec<Vec<Cell>>,
}

impl Written {
    /// The columns by which the row is found that these replace; none if they are added.
    pub fn replaces(&self) -> Option<&'static [&'static str]> {
        HEADS.iter().find(|(table, _)| *table == self.table).map(|(_, key)| *key)
    }
}

/// Reads the rows of a command as text, column by column.
macro_rules! read {
    ($connection:expr, $entity:expr, $sequence:expr, $columns:expr) => {{
        let mut tables = Vec::new();
        for (table, condition) in TABLES {
            let columns: Vec<(String, bool)> = $columns($connection, table).await;
            let selected =
                columns.iter().map(|(name, _)| format!("cast(t.{name} as text)")).collect::<Vec<_>>().join(", ");
            let text = format!("select {selected} from {table} t where {condition}");
            let query = sqlx::query(AssertSqlSafe(text)).bind($entity).bind($sequence);
            let rows = query.fetch_all(&mut *$connection).await.unwrap_or_else(|error| panic!("{table}: {error}"));
            let rows: Vec<Vec<Cell>> = rows
                .iter()
                .map(|row| {
                    let cell = |(at, (name, is_number)): (usize, &(String, bool))| {
                        let value: Option<String> = row.get(at);
                        match (Key::of(table, name), value) {
                            (_, None) => Cell::Null,
                            (Some(key), _) => Cell::Key(key),
                            (None, Some(value)) if *is_number => Cell::Number(value.parse().expect("an integer")),
                            (None, Some(value)) => Cell::Text(value),
                        }
                    };
                    columns.iter().enumerate().map(cell).collect()
                })
                .collect();
            if !rows.is_empty() {
                tables.push(Written { table, columns: columns.into_iter().map(|(name, _)| name).collect(), rows });
            }
        }
        tables
    }};
}

pub async fn from_postgres(connection: &mut PgConnection, entity: &str, sequence: i64) -> Vec<Written> {
    async fn columns(connection: &mut PgConnection, table: &str) -> Vec<(String, bool)> {
        let rows = sqlx::query(
            "select column_name::text, data_type::text from information_schema.columns where table_schema = 'public' \
             and table_name = $1 order by ordinal_position",
        )
        .bind(table)
        .fetch_all(connection)
        .await
        .expect("the catalogue can be read");
        rows.iter().map(|row| (row.get(0), row.get::<String, _>(1) == "bigint")).collect()
    }
    read!(connection, entity, sequence, columns)
}

pub async fn from_sqlite(connection: &mut SqliteConnection, entity: &str, sequence: i64) -> Vec<Written> {
    async fn columns(connection: &mut SqliteConnection, table: &str) -> Vec<(String, bool)> {
        let rows = sqlx::query("select name, type from pragma_table_info($1) order by cid")
            .bind(table)
            .fetch_all(connection)
            .await
            .expect("the catalogue can be read");
        rows.iter().map(|row| (row.get(0), !row.get::<String, _>(1).eq_ignore_ascii_case("text"))).collect()
    }
    let mut tables = read!(connection, entity, sequence, columns);
    // There a trigger looks at the lines of an entry when the entry is written; their foreign key waits for the commit.
    if let (Some(entry), Some(line)) = (place(&tables, "entry"), place(&tables, "line")) {
        tables.swap(entry, line);
    }
    tables
}

fn place(tables: &[Written], table: &str) -> Option<usize> {
    tables.iter().position(|written| written.table == table)
}

/// How many rows there are in all.
pub fn count(tables: &[Written]) -> usize {
    tables.iter().map(|written| written.rows.len()).sum()
}
