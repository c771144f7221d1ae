//! The ceiling on PostgreSQL: pgbench with prepared statements that writes what the service wrote for one conversion, under the
//! same lock: with a statement a table, and, for comparison, with a single statement after the lock.

use std::fmt::Write;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::Duration;

use tempfile::TempDir;

use crate::database;
use crate::written::{Cell, Key, Written};

/// An issue in each entity whose id can be computed, since a script cannot look ids up without a query more.
const ISSUE: &str = ".019ab000-0000-7000-8000-000000000001";

/// How the rows are written.
#[derive(Clone, Copy)]
pub enum Style {
    Tables,
    Together,
}

/// A database that pgbench writes to, and its scripts.
pub struct Ceiling {
    url: String,
    scripts: TempDir,
    /// How often each kind is to be taken.
    weights: Vec<usize>,
}

impl Ceiling {
    /// `url` is a database of its own, with the same entities; `shapes` are the kinds of conversion with their weights.
    pub async fn new(url: String, entities: usize, shapes: &[(Vec<Written>, usize)]) -> Ceiling {
        let mut connection = database::connect(&url).await;
        for (table, id) in [("bond_issue", "id"), ("issue_head", "bond_issue")] {
            let columns = database::columns(&mut connection, table).await;
            let selected: Vec<String> = columns
                .iter()
                .map(|column| if column == id { format!("entity || '{ISSUE}'") } else { column.clone() })
                .collect();
            let statement = format!(
                "insert into {table} ({}) select distinct on (entity) {} from {table} order by entity",
                columns.join(", "),
                selected.join(", ")
            );
            database::run(&mut connection, &statement).await;
        }
        // As the service has it done for its own tables.
        database::run(&mut connection, "analyze").await;
        let scripts = TempDir::with_prefix("parwright-bench-").expect("a temporary directory can be made");
        let mut weights = Vec::new();
        for (at, (shape, weight)) in shapes.iter().enumerate() {
            for style in [Style::Tables, Style::Together] {
                let text = script(entities, shape, style);
                std::fs::write(scripts.path().join(file(at, style)), text).expect("a file can be written in it");
            }
            weights.push(*weight);
        }
        Ceiling { url, scripts, weights }
    }

    /// Transactions a second of 8 clients.
    pub fn run(&self, program: &Path, style: Style, duration: Duration) -> f64 {
        let mut command = Command::new(program);
        command.current_dir(self.scripts.path()).env("PGSSLMODE", "disable").stdin(Stdio::null());
        command.args(["-n", "-M", "prepared", "-c", "8", "-j", "1", "-T", &duration.as_secs().max(1).to_string()]);
        for (at, weight) in self.weights.iter().enumerate() {
            command.args(["-f", &format!("{}@{weight}", file(at, style))]);
        }
        // Not as an argument, which everybody on the machine can read: it holds a password.
        let output = command.env("PGDATABASE", &self.url).output().expect("pgbench can be run");
        let text = String::from_utf8_lossy(&output.stdout).into_owned();
        let errors = String::from_utf8_lossy(&output.stderr);
        assert!(output.status.success() && text.contains("number of failed transactions: 0"), "{text}\n{errors}");
        let tps = text.lines().find_map(|line| line.strip_prefix("tps = ")).and_then(|line| line.split(' ').next());
        tps.and_then(|tps| tps.parse().ok()).unwrap_or_else(|| panic!("pgbench gave no rate:\n{text}"))
    }
}

fn file(at: usize, style: Style) -> String {
    match style {
        Style::Tables => format!("tables-{at}.sql"),
        Style::Together => format!("together-{at}.sql"),
    }
}

fn script(entities: usize, shape: &[Written], style: Style) -> String {
    let next = "lpad((h.sequence + 1)::text, 12, '0')";
    let id = |group: &str| format!("h.entity || '.019ab00{group}-0000-7000-8000-' || {next}");
    let mut text = format!(
        "\\set e random(1, {entities})\nbegin;\n\
         select h.entity as entity, h.entity || '{ISSUE}' as issue, h.sequence + 1 as sequence, h.sequence as follows, \
         h.release + 1 as release, h.recorded_at + 1 as at, {} as event, {} as batch, h.entity || '-2099-' || {next} as number, \
         'ceiling-' || repeat('k', 16) || {next} as key, 'CEILING-' || repeat('r', 8) || {next} as reference, \
         ('2040-01-01'::date + h.sequence::int)::text as day \
         from entity_head h where h.entity = 'B' || lpad((:e)::text, 4, '0') for update \\gset\n",
        id("1"),
        id("2"),
    );
    let write = |written: &Written| match written.replaces() {
        Some(key) => update(written, key),
        None => insert(written),
    };
    let mut statements: Vec<String> = shape.iter().map(write).collect();
    if let Style::Together = style {
        let last = statements.pop().unwrap_or_default();
        let others = statements.iter().enumerate().map(|(at, statement)| format!("w{at} as ({statement})"));
        statements = vec![format!("with {} {last}", others.collect::<Vec<_>>().join(", "))];
    }
    for statement in statements {
        let _ = writeln!(text, "{statement};");
    }
    text.push_str("commit;\n");
    text
}

fn insert(written: &Written) -> String {
    let row = |row: &Vec<Cell>| format!("({})", row.iter().map(value).collect::<Vec<_>>().join(", "));
    let rows = written.rows.iter().map(row).collect::<Vec<_>>().join(", ");
    format!("insert into {} ({}) values {rows}", written.table, written.columns.join(", "))
}

fn update(written: &Written, key: &[&str]) -> String {
    // An entity has a row for each of its fiscal years, of which a conversion moves one.
    let row = written.rows.last().expect("there is a row");
    let assign = |(column, cell): (&String, &Cell)| format!("{column} = {}", value(cell));
    let cells = || written.columns.iter().zip(row);
    let is_key = |column: &str| key.contains(&column);
    let set = cells().filter(|(column, _)| !is_key(column)).map(assign).collect::<Vec<_>>().join(", ");
    let found = cells().filter(|(column, _)| is_key(column)).map(assign).collect::<Vec<_>>().join(" and ");
    format!("update {} set {set} where {found}", written.table)
}

fn value(cell: &Cell) -> String {
    let (name, kind) = match cell {
        Cell::Null => return "null".to_owned(),
        Cell::Number(number) => return number.to_string(),
        // A colon would begin a variable, even inside quotes.
        Cell::Text(text) => return format!("'{}'", text.replace('\'', "''").replace(':', ";").replace('\n', " ")),
        Cell::Key(Key::Entity) => ("entity", "text"),
        Cell::Key(Key::Issue) => ("issue", "text"),
        Cell::Key(Key::Sequence) => ("sequence", "bigint"),
        Cell::Key(Key::Follows) => ("follows", "bigint"),
        Cell::Key(Key::Release) => ("release", "bigint"),
        Cell::Key(Key::RecordedAt) => ("at", "bigint"),
        Cell::Key(Key::Event) => ("event", "text"),
        Cell::Key(Key::Batch) => ("batch", "text"),
        Cell::Key(Key::BatchNumber) => ("number", "text"),
        Cell::Key(Key::OfRequest) => ("key", "text"),
        Cell::Key(Key::Reference) => ("reference", "text"),
        Cell::Key(Key::Day) => ("day", "text"),
    };
    format!("(:{name})::{kind}")
}
