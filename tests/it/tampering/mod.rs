//! Somebody with all rights on the database changes, deletes or adds one row: verification names it, table by table and column by column.
//!
//! Tables and columns are those of the database itself: one that is added needs a case here, or a reason why nothing can notice.

mod books;
mod intruder;

use std::collections::{BTreeMap, BTreeSet};

use self::intruder::Intruder;
use crate::support::client::{Service, on_both_engines};

on_both_engines! {
    whatever_is_changed_in_any_table_is_named
}

/// The columns of a table with their types.
type Columns = BTreeMap<String, String>;

/// SQL for the new values of columns.
type Changes<'a> = BTreeMap<&'a str, String>;

/// How a table is tampered with, and what must be named then.
struct Case {
    table: &'static str,
    /// Which row.
    row: &'static str,
    /// SQL for what names the row, of which one must be said (`|` stands between them): of the row as it was, or as it is.
    named: &'static str,
    /// The columns of a row that is added, which is the same in all others.
    added_by: &'static [&'static str],
    /// Columns that nothing can notice, all with the reason.
    unnoticed: (&'static [&'static str], &'static str),
}

const ALL: (&[&str], &str) = (&[], "");

const fn case(table: &'static str, row: &'static str, named: &'static str, added_by: &'static [&'static str]) -> Case {
    Case { table, row, named, added_by, unnoticed: ALL }
}

/// Tables whose rows nothing can be held against, with the reason.
const UNNOTICED: [(&str, &str); 2] = [
    (
        "idempotency",
        "answers that are kept for a while so that a request can be repeated; nothing of the books rests on them",
    ),
    ("token", "who may come in, not what was recorded; an administrator lists them"),
];

const CASES: [Case; 28] = [
    case("entity", "entity = 'ACME'", "'entity of ACME|the entity has no head'", &["entity"]),
    case("entity_head", "entity = 'ACME'", "'head'", &["entity"]),
    case("year_head", "fiscal_year = 2025", "'ACME-' || fiscal_year", &["fiscal_year"]),
    case(
        "record",
        "subject = (select id from event where reference = 'C-1')",
        "'record ' || sequence",
        &["sequence", "recorded_at"],
    ),
    case("account_mapping", "effective_from = '2000-01-01'", "'record ' || sequence", &["sequence"]),
    case("layout", "version = 1", "'record ' || sequence", &["version"]),
    case("period_close", "period = '2025-01'", "period || '|record ' || sequence", &["sequence"]),
    case("bond_issue", "reference = 'CB-2'", "id", &["id"]),
    case("event", "kind = 'repurchase'", "'record ' || sequence", &["sequence", "follows", "id"]),
    case("series_member", "series = 'NOTES'", "bond_issue", &["series"]),
    case(
        "position",
        "sequence = (select sequence from event where kind = 'repurchase') and date = '2025-05-20'",
        "bond_issue",
        &["date"],
    ),
    case(
        "booked",
        "sequence = (select sequence from event where kind = 'repurchase') and posting_date = '2025-05-20'",
        "bond_issue",
        &["posting_date"],
    ),
    case("first_seen", "axis = 'booked' and date = '2025-05-20'", "bond_issue", &["date"]),
    Case {
        added_by: &[],
        ..case("issue_head", "bond_issue = (select id from bond_issue where reference = 'CB-2')", "bond_issue", &[])
    },
    case("coupon", "coupon_date = '2025-08-15'", "bond_issue", &["revision"]),
    case("conversion_rate", "reason is not null", "bond_issue", &["date"]),
    case("reversal", "reversed > 0", "bond_issue", &["reversed", "sequence"]),
    case("revision", "sequence > 0", "bond_issue", &["sequence"]),
    case("batch", "number = 'ACME-2025-000004'", "number || '|record ' || sequence", &["id", "number", "ordinal"]),
    case("entry", "kind = 'repurchase'", OF_ENTRY, &["entry"]),
    case("line", "account_role = 'gain_on_extinguishment' and amount < 0", NUMBER, &["line"]),
    case("release", "release = 2", "'release ' || release || '|record ' || sequence", &["release", "revision"]),
    case("acknowledgement", "status = 'acknowledged'", "'record ' || sequence", &["revision"]),
    case("destination", "after = 0", "name || '|record ' || sequence", &["sequence"]),
    Case {
        unnoticed: (
            &["state", "reason", "failures", "due_at", "tried_at", "lease_until", "fence"],
            "who delivers, and when the next attempt is made: it changes all the time and is nobody's record",
        ),
        ..case("delivery", "destination = 'ledger'", "destination", &["destination"])
    },
    Case {
        unnoticed: (
            &["started_at", "duration", "status", "detail", "next_attempt_at"],
            "told to whoever looks for a fault of the receiver; nothing follows from it",
        ),
        ..case("attempt", "attempt = (select max(attempt) from attempt)", "destination", &["attempt"])
    },
    case("natural_key", "kind = 'conversion' and reference = 'C-1'", "reference", &["reference"]),
    // A second row of a table that has two kinds of them.
    case(
        "entry",
        "event = '' and bond_issue = (select id from bond_issue where reference = 'CB-2')",
        NUMBER,
        &["entry"],
    ),
];

/// An entry is named by its batch, and by its issue where it is the event's hash that tells.
const OF_ENTRY: &str = "bond_issue || coalesce('|' || (select number from batch b where b.id = batch), '')";
/// The number of the batch that a row is of.
const NUMBER: &str = "(select number from batch b where b.id = batch)";

async fn whatever_is_changed_in_any_table_is_named(service: Service) {
    let service = books::recorded(service).await;
    service.verify().await;
    let mut intruder = Intruder::on(service.database()).await;
    intruder.run("insert into token (token_sha256, name, role, created_at) values ('0', 'N', 'reader', 0)").await;
    let tables = intruder.tables().await;
    let known: BTreeSet<&str> = CASES.iter().map(|case| case.table).chain(UNNOTICED.map(|(table, _)| table)).collect();
    assert_eq!(tables.keys().map(String::as_str).collect::<BTreeSet<_>>(), known);
    for table in tables.keys() {
        intruder.keep(table).await;
    }
    let mut wrong = Vec::new();
    for (table, reason) in UNNOTICED {
        assert!(!reason.is_empty());
        assert!(intruder.run(&format!("delete from {table}")).await > 0, "{table} has rows");
        wrong.extend(service.breaks().await);
        intruder.put_back(table).await;
    }
    for case in &CASES {
        check(case, &tables[case.table], &service, &mut intruder, &mut wrong).await;
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    service.verify().await;
}

/// Changes every column of a row, deletes the row, and adds another like it.
async fn check(case: &Case, columns: &Columns, service: &Service, intruder: &mut Intruder, wrong: &mut Vec<String>) {
    let Case { table, row, unnoticed: (unnoticed, reason), .. } = case;
    assert_eq!(
        intruder.texts(&format!("select '1' from {table} where {row}")).await,
        ["1"],
        "one row of {table} where {row}"
    );
    assert_eq!(unnoticed.is_empty(), reason.is_empty());
    for column in unnoticed.iter().chain(case.added_by) {
        assert!(columns.contains_key(*column), "{table}.{column}");
    }
    for (column, kind) in columns {
        for value in Intruder::other_values(column, kind) {
            let names = case.names(columns, &Changes::from([(column.as_str(), value.clone())]), intruder).await;
            assert_eq!(intruder.run(&format!("update {table} set {column} = {value} where {row}")).await, 1);
            let breaks = service.breaks().await;
            intruder.put_back(table).await;
            if unnoticed.contains(&column.as_str()) {
                wrong.extend(breaks.iter().map(|found| format!("{table}.{column} is noticed: {found}")));
            } else if !is_named(&breaks, &names) {
                wrong.push(format!("{table}.{column} = {value}: {breaks:#?} names none of {names:?}"));
            }
        }
    }
    let names = case.names(columns, &Changes::new(), intruder).await;
    assert_eq!(intruder.run(&format!("delete from {table} where {row}")).await, 1);
    let breaks = service.breaks().await;
    intruder.put_back(table).await;
    if !is_named(&breaks, &names) {
        wrong.push(format!("a row of {table} less: {breaks:#?} names none of {names:?}"));
    }
    if case.added_by.is_empty() {
        return;
    }
    let changes: Changes =
        case.added_by.iter().map(|key| (*key, Intruder::other_values(key, &columns[*key]).remove(0))).collect();
    let added = format!(
        "insert into {table} ({}) select {} from {table} where {row}",
        listed(columns, &Changes::new()),
        listed(columns, &changes)
    );
    let names = case.names(columns, &changes, intruder).await;
    assert_eq!(intruder.run(&added).await, 1);
    let breaks = service.breaks().await;
    intruder.put_back(table).await;
    if !is_named(&breaks, &names) {
        wrong.push(format!("a row of {table} more: {breaks:#?} names none of {names:?}"));
    }
}

impl Case {
    /// What names the row, as it is and with another value in a column.
    async fn names(&self, columns: &Columns, changes: &Changes<'_>, intruder: &mut Intruder) -> Vec<String> {
        let Case { table, row, named, .. } = self;
        let changed = columns.keys().map(|column| match changes.get(column.as_str()) {
            Some(value) => format!("{value} as {column}"),
            None => column.clone(),
        });
        let changed = changed.collect::<Vec<_>>().join(", ");
        let statement = format!(
            "select {named} from {table} where {row} union all select {named} from (select {changed} from {table} where {row}) x"
        );
        let found = intruder.texts(&statement).await;
        found.iter().flat_map(|names| names.split('|')).map(str::to_owned).collect()
    }
}

/// The columns, or what stands in their place.
fn listed(columns: &Columns, changes: &Changes<'_>) -> String {
    let values = columns.keys().map(|column| changes.get(column.as_str()).unwrap_or(column).as_str());
    values.collect::<Vec<_>>().join(", ")
}

fn is_named(breaks: &[String], names: &[String]) -> bool {
    names.iter().any(|name| breaks.iter().any(|found| found.contains(name.as_str())))
}
