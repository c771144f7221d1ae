//! What the description of a table gives: its row, and the insert of many rows on each engine.

use std::fmt::Write;

use sqlx::Arguments;
use sqlx::error::BoxDynError;
use sqlx::postgres::PgArguments;

/// The type of a column. There are no others: money and counters are integers, everything else is text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    Text,
    MaybeText,
    Bigint,
}

/// What becomes of a row whose key is there already.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum OnConflict {
    /// It is a conflict.
    Add,
    /// It takes the place of the old one, which has these key columns.
    Replace(&'static [&'static str]),
}

/// A table's name and columns, in order.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Table {
    pub(crate) name: &'static str,
    pub(crate) columns: &'static [(&'static str, Kind)],
    pub(crate) on_conflict: OnConflict,
}

impl Table {
    fn names(&self) -> String {
        self.columns.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(", ")
    }

    fn on_conflict(&self) -> String {
        match self.on_conflict {
            OnConflict::Add => String::new(),
            OnConflict::Replace(key) => {
                let others = self.columns.iter().map(|(name, _)| *name).filter(|name| !key.contains(name));
                let set = others.map(|name| format!("{name} = excluded.{name}")).collect::<Vec<_>>();
                format!(" on conflict ({}) do update set {}", key.join(", "), set.join(", "))
            }
        }
    }

    /// The PostgreSQL insert of any number of rows, one array a column; the arrays are numbered from `first`.
    pub(crate) fn postgres_insert(&self, first: usize) -> String {
        let array = |(at, (_, kind)): (usize, &(&str, Kind))| {
            let element = if *kind == Kind::Bigint { "bigint" } else { "text" };
            format!("${}::{element}[]", first + at)
        };
        let arrays = self.columns.iter().enumerate().map(array).collect::<Vec<_>>().join(", ");
        format!("insert into {} ({}) select * from unnest({arrays}){}", self.name, self.names(), self.on_conflict())
    }

    /// The SQLite insert of any number of rows from parameter `at`, a JSON array of arrays. `jsonb_each` gives each row as SQLite has it
    /// after parsing; of `json_each` it would be text, parsed once more for its cells.
    pub(crate) fn sqlite_insert(&self, at: usize) -> String {
        let mut values = String::new();
        for column in 0..self.columns.len() {
            let _ = write!(values, "{}value->>{column}", if column == 0 { "" } else { ", " });
        }
        // Without a `where`, SQLite would read `on conflict` as the condition of a join.
        let on_conflict = self.on_conflict();
        let condition = if on_conflict.is_empty() { "" } else { " where true" };
        format!(
            "insert into {} ({}) select {values} from jsonb_each(${at}){condition}{on_conflict}",
            self.name,
            self.names()
        )
    }
}

/// A row of a table, as the description gives it.
pub(crate) trait Stored: Sized {
    const TABLE: Table;

    /// Writes the row as a JSON array.
    fn json(&self, out: &mut Vec<u8>) -> Result<(), serde_json::Error>;

    /// Binds rows as one array a column.
    fn bind(rows: &[Self], arguments: &mut PgArguments) -> Result<(), BoxDynError>;

    /// The columns to select of a table that is called `alias` in a statement, in the order in which a row is read.
    fn columns(alias: &str) -> String {
        Self::TABLE.columns.iter().map(|(name, _)| format!("{alias}.{name}")).collect::<Vec<_>>().join(", ")
    }
}

/// Some rows of one table, whatever the table.
pub(crate) trait Part: Sync {
    fn table(&self) -> Table;
    fn len(&self) -> usize;
    /// Writes each row as a JSON array with a comma after it.
    fn json(&self, out: &mut Vec<u8>) -> Result<(), BoxDynError>;
    fn bind(&self, arguments: &mut PgArguments) -> Result<(), BoxDynError>;
}

impl<R: Stored + Sync> Part for Vec<R> {
    fn table(&self) -> Table {
        R::TABLE
    }

    fn len(&self) -> usize {
        Vec::len(self)
    }

    fn json(&self, out: &mut Vec<u8>) -> Result<(), BoxDynError> {
        for row in self {
            row.json(out)?;
            out.push(b',');
        }
        Ok(())
    }

    fn bind(&self, arguments: &mut PgArguments) -> Result<(), BoxDynError> {
        R::bind(self, arguments)
    }
}

/// Ends an array, in the place of the comma after its last element.
pub(crate) fn close(out: &mut Vec<u8>) {
    if out.last() == Some(&b',') {
        out.pop();
    }
    out.push(b']');
}

/// A column of rows, as PostgreSQL wants it: an array.
pub(crate) fn array<'q, T>(arguments: &mut PgArguments, values: impl Iterator<Item = T>) -> Result<(), BoxDynError>
where
    Vec<T>: sqlx::Encode<'q, sqlx::Postgres> + sqlx::Type<sqlx::Postgres>,
{
    arguments.add(values.collect::<Vec<_>>())
}

macro_rules! tables {
    ($( $(#[$meta:meta])* $row:ident: $table:literal $clash:ident $(($key:expr))? { $( $column:ident: $kind:ident ),+ $(,)? } )+) => { $(
        $crate::store::cells::cells! {
            $(#[$meta])*
            pub struct $row {
                $( #[doc = concat!("Column `", stringify!($column), "`.")] $column: $kind ),+
            }
        }

        impl $crate::store::table::Stored for $row {
            const TABLE: $crate::store::table::Table = $crate::store::table::Table {
                name: $table,
                columns: &[$( (stringify!($column), $crate::store::table::kind!($kind)) ),+],
                on_conflict: $crate::store::table::on_conflict!($clash $(($key))?),
            };

            fn json(&self, out: &mut Vec<u8>) -> Result<(), serde_json::Error> {
                out.push(b'[');
                $( serde_json::to_writer(&mut *out, &self.$column)?; out.push(b','); )+
                $crate::store::table::close(out);
                Ok(())
            }

            fn bind(
                rows: &[Self],
                arguments: &mut sqlx::postgres::PgArguments,
            ) -> Result<(), sqlx::error::BoxDynError> {
                $( $crate::store::table::bind!(rows, arguments, $column, $kind); )+
                Ok(())
            }
        }
    )+ };
}

macro_rules! kind {
    (text) => {
        $crate::store::table::Kind::Text
    };
    (maybe_text) => {
        $crate::store::table::Kind::MaybeText
    };
    (bigint) => {
        $crate::store::table::Kind::Bigint
    };
}

macro_rules! on_conflict {
    (add) => {
        $crate::store::table::OnConflict::Add
    };
    (replace($key:expr)) => {
        $crate::store::table::OnConflict::Replace(&$key)
    };
}

macro_rules! bind {
    ($rows:ident, $arguments:ident, $column:ident, text) => {
        $crate::store::table::array($arguments, $rows.iter().map(|row| row.$column.as_str()))?
    };
    ($rows:ident, $arguments:ident, $column:ident, maybe_text) => {
        $crate::store::table::array($arguments, $rows.iter().map(|row| row.$column.as_deref()))?
    };
    ($rows:ident, $arguments:ident, $column:ident, bigint) => {
        $crate::store::table::array($arguments, $rows.iter().map(|row| row.$column))?
    };
}

pub(crate) use {bind, kind, on_conflict, tables};
