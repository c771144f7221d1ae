//! The ceiling on SQLite: sqlx alone on one connection, one transaction a conversion, a statement a table, writing what the
//! service wrote for one, on as many issues as the service has.

use std::time::{Duration, Instant};

use sqlx::sqlite::{SqliteArguments, SqliteConnectOptions, SqliteJournalMode, SqliteSynchronous};
use sqlx::{Arguments, AssertSqlSafe, Connection, SqliteConnection};

use crate::books::Conversions;
use crate::written::{Cell, Key, Written};

/// A database file of its own, with statements that write to it.
pub struct Ceiling {
    connection: SqliteConnection,
    shapes: Vec<Vec<Statement>>,
    entity: String,
    issues: Vec<String>,
    /// How many conversions were written, of the issues in turn.
    done: usize,
    sequence: i64,
}

struct Statement {
    text: String,
    cells: Vec<Cell>,
}

impl Ceiling {
    /// `shapes` are the kinds of conversion, of each issue in turn; `sequence` is the newest of the entity in this file.
    pub async fn new(file: &str, entity: &str, issues: &[String], sequence: i64, shapes: &[&[Written]]) -> Ceiling {
        let options = SqliteConnectOptions::new()
            .filename(file)
            .journal_mode(SqliteJournalMode::Wal)
            .synchronous(SqliteSynchronous::Full)
            .foreign_keys(true)
            .statement_cache_capacity(256);
        let connection = SqliteConnection::connect_with(&options).await.expect("the file can be opened");
        let shapes = shapes.iter().map(|shape| shape.iter().map(statement).collect()).collect();
        Ceiling { connection, shapes, entity: entity.to_owned(), issues: issues.to_vec(), done: 0, sequence }
    }

    /// Transactions a second.
    pub async fn run(&mut self, duration: Duration) -> f64 {
        let started = Instant::now();
        let mut done = 0_u32;
        while started.elapsed() < duration {
            self.write().await.expect("the ceiling can write its rows");
            done += 1;
        }
        f64::from(done) / started.elapsed().as_secs_f64()
    }

    async fn write(&mut self) -> Result<(), sqlx::Error> {
        let nth = self.done / self.issues.len();
        self.sequence += 1;
        sqlx::query("begin immediate").execute(&mut self.connection).await?;
        for statement in &self.shapes[nth % self.shapes.len()] {
            let mut arguments = SqliteArguments::default();
            for cell in &statement.cells {
                let added = match cell {
                    Cell::Null => arguments.add(None::<String>),
                    Cell::Text(text) => arguments.add(text.clone()),
                    Cell::Number(number) => arguments.add(*number),
                    Cell::Key(key) => self.add(*key, &mut arguments),
                };
                added.map_err(sqlx::Error::Encode)?;
            }
            sqlx::query_with(AssertSqlSafe(statement.text.clone()), arguments).execute(&mut self.connection).await?;
        }
        sqlx::query("commit").execute(&mut self.connection).await?;
        self.done += 1;
        Ok(())
    }

    fn add(&self, key: Key, arguments: &mut SqliteArguments) -> Result<(), sqlx::error::BoxDynError> {
        let (entity, next) = (&self.entity, self.sequence);
        let issue = &self.issues[self.done % self.issues.len()];
        match key {
            Key::Entity => arguments.add(entity.clone()),
            Key::Issue => arguments.add(issue.clone()),
            Key::Sequence => arguments.add(next),
            // The issue's own events came before; the first free number after them is as good as any.
            Key::Follows => arguments.add(next - 1),
            Key::Release => arguments.add(1_000_000 + next),
            // After every time that the service gave.
            Key::RecordedAt => arguments.add(2_000_000_000_000_000 + next),
            Key::Event => arguments.add(format!("{entity}.019ab001-0000-7000-8000-{next:012}")),
            Key::Batch => arguments.add(format!("{entity}.019ab002-0000-7000-8000-{next:012}")),
            Key::BatchNumber => arguments.add(format!("{entity}-2099-{next:06}")),
            Key::OfRequest => arguments.add(Conversions::key(issue, self.sequence as usize)),
            Key::Reference => arguments.add(Conversions::reference(issue, self.sequence as usize)),
            Key::Day => {
                arguments.add(format!("{:04}-{:02}-{:02}", 2040 + next / 372, next / 31 % 12 + 1, next % 31 + 1))
            }
        }
    }
}

fn statement(written: &Written) -> Statement {
    let mut at = 0;
    let mut next = || {
        at += 1;
        format!("${at}")
    };
    let Some(key) = written.replaces() else {
        let row = |row: &Vec<Cell>| format!("({})", row.iter().map(|_| next()).collect::<Vec<_>>().join(", "));
        let rows = written.rows.iter().map(row).collect::<Vec<_>>().join(", ");
        return Statement {
            text: format!("insert into {} ({}) values {rows}", written.table, written.columns.join(", ")),
            cells: written.rows.iter().flatten().cloned().collect(),
        };
    };
    let row = written.rows.last().expect("there is a row");
    let (keys, others): (Vec<_>, Vec<_>) =
        written.columns.iter().zip(row).partition(|(column, _)| key.contains(&column.as_str()));
    let mut assign = |cells: &[(&String, &Cell)], with: &str| {
        cells.iter().map(|(column, _)| format!("{column} = {}", next())).collect::<Vec<_>>().join(with)
    };
    let set = assign(&others, ", ");
    let found = assign(&keys, " and ");
    Statement {
        text: format!("update {} set {set} where {found}", written.table),
        cells: others.iter().chain(&keys).map(|(_, cell)| (*cell).clone()).collect(),
    }
}
