//! The two schemas are one, and posted rows never change.

use std::collections::{BTreeMap, BTreeSet};

use parwright::store::*;
use sqlx::{AssertSqlSafe, Connection, PgConnection, Row, SqliteConnection};

use super::rows::*;
use super::{Books, on_both};

/// A table: its columns with type and nullability, and its keys by kind and columns.
#[derive(Debug, Default, PartialEq, Eq)]
struct Shape {
    columns: BTreeMap<String, (String, bool)>,
    keys: BTreeSet<String>,
}

async fn sqlite_schema(url: &str) -> BTreeMap<String, Shape> {
    let mut connection = SqliteConnection::connect(url).await.expect("connects");
    let mut schema: BTreeMap<String, Shape> = BTreeMap::new();
    let columns = "select t.name, c.name, lower(c.type), c.\"notnull\" from sqlite_schema t, pragma_table_info(t.name) c \
                   where t.type = 'table' and t.name not like '\\_%' escape '\\' and t.name not like 'sqlite%'";
    for row in sqlx::query(columns).fetch_all(&mut connection).await.expect("reads") {
        let kind: String = row.get(2);
        let kind = kind.replace("integer", "bigint");
        schema.entry(row.get(0)).or_default().columns.insert(row.get(1), (kind, row.get::<i64, _>(3) == 1));
    }
    for (table, shape) in &mut schema {
        let indexes = format!(
            "select case when l.origin = 'c' and l.\"unique\" then 'u' else l.origin end || case when l.partial then ' partial' else '' end, \
             (select group_concat(i.name, ', ' order by i.seqno) from pragma_index_info(l.name) i) from pragma_index_list('{table}') l"
        );
        for row in sqlx::query(AssertSqlSafe(indexes)).fetch_all(&mut connection).await.expect("reads") {
            shape.keys.insert(format!("{}: {}", row.get::<String, _>(0), row.get::<String, _>(1)));
        }
        let foreign = format!(
            "select f.\"table\", group_concat(f.\"from\", ', ' order by f.seq) from pragma_foreign_key_list('{table}') f group by f.id"
        );
        for row in sqlx::query(AssertSqlSafe(foreign)).fetch_all(&mut connection).await.expect("reads") {
            shape.keys.insert(format!("f {}: {}", row.get::<String, _>(0), row.get::<String, _>(1)));
        }
    }
    schema
}

async fn postgres_schema(url: &str) -> BTreeMap<String, Shape> {
    let mut connection = PgConnection::connect(url).await.expect("connects");
    let mut schema: BTreeMap<String, Shape> = BTreeMap::new();
    let columns = "select table_name::text, column_name::text, data_type::text, is_nullable = 'NO', \
                   coalesce(collation_name::text, '') from information_schema.columns \
                   where table_schema = 'public' and table_name not like '\\_%'";
    for row in sqlx::query(columns).fetch_all(&mut connection).await.expect("reads") {
        let (table, column, kind): (String, String, String) = (row.get(0), row.get(1), row.get(2));
        assert_eq!(row.get::<String, _>(4), if kind == "text" { "C" } else { "" }, "collation of {table}.{column}");
        schema.entry(table).or_default().columns.insert(column, (kind, row.get(3)));
    }
    let indexes = "select t.relname::text, case when i.indisprimary then 'pk' when i.indisunique then 'u' else 'c' end \
                   || case when i.indpred is null then '' else ' partial' end, \
                   (select string_agg(a.attname, ', ' order by k.at) from unnest(i.indkey::int[]) with ordinality k(attnum, at) \
                   join pg_attribute a on a.attrelid = i.indrelid and a.attnum = k.attnum) \
                   from pg_index i join pg_class t on t.oid = i.indrelid where t.relnamespace = 'public'::regnamespace";
    let foreign = "select t.relname::text, 'f ' || r.relname, \
                   (select string_agg(a.attname, ', ' order by k.at) from unnest(c.conkey::int[]) with ordinality k(attnum, at) \
                   join pg_attribute a on a.attrelid = c.conrelid and a.attnum = k.attnum) \
                   from pg_constraint c join pg_class t on t.oid = c.conrelid join pg_class r on r.oid = c.confrelid where c.contype = 'f'";
    for statement in [indexes, foreign] {
        for row in sqlx::query(statement).fetch_all(&mut connection).await.expect("reads") {
            let Some(shape) = schema.get_mut(&row.get::<String, _>(0)) else {
                continue;
            };
            shape.keys.insert(format!("{}: {}", row.get::<String, _>(1), row.get::<String, _>(2)));
        }
    }
    schema
}

#[tokio::test]
async fn the_schemas_of_the_two_engines_are_the_same() {
    let Some(postgres) = Books::postgres().await else {
        return;
    };
    let sqlite = Books::sqlite().await;
    let (left, right) = (sqlite_schema(&sqlite.url).await, postgres_schema(&postgres.url).await);
    assert!(left.len() > 15, "{left:?}");
    assert_eq!(left.keys().collect::<Vec<_>>(), right.keys().collect::<Vec<_>>());
    for (table, shape) in &left {
        assert_eq!(Some(shape), right.get(table), "{table}");
    }
}

#[tokio::test]
async fn every_key_of_a_table_that_grows_begins_with_the_entity() {
    let schema = sqlite_schema(&Books::sqlite().await.url).await;
    for (table, shape) in schema.iter().filter(|(table, _)| *table != "token") {
        for key in &shape.keys {
            let columns = key.split_once(": ").map(|(_, columns)| columns).expect("a key has columns");
            assert!(columns.split(", ").next() == Some("entity"), "{table}: {key}");
        }
    }
}

/// The tables whose rows are posted.
const POSTED: [&str; 17] = [
    "record",
    "account_mapping",
    "layout",
    "period_close",
    "bond_issue",
    "event",
    "position",
    "booked",
    "first_seen",
    "coupon",
    "conversion_rate",
    "batch",
    "entry",
    "line",
    "release",
    "destination",
    "attempt",
];

async fn run(url: &str, statement: String) -> Result<(), sqlx::Error> {
    if url.starts_with("sqlite") {
        let mut connection = SqliteConnection::connect(url).await?;
        sqlx::query(AssertSqlSafe(statement)).execute(&mut connection).await.map(drop)
    } else {
        let mut connection = PgConnection::connect(url).await?;
        sqlx::query(AssertSqlSafe(statement)).execute(&mut connection).await.map(drop)
    }
}

on_both! {
    async fn posted_rows_refuse_update_and_delete(books: Books) {
        let mut rows = opened();
        rows.extend(journal("b2", 2, "2024-02-01", 5));
        rows.releases.push(release("b2", 1, 1, 2));
        rows.account_mappings.push(AccountMappingRow {
            entity: ENTITY.into(), sequence: 1, bond_issue: String::new(), effective_from: "2024-01-01".into(), accounts: "{}".into(),
        });
        rows.layouts.push(LayoutRow {
            entity: ENTITY.into(), name: "import".into(), version: 1, sequence: 1, recorded_at: 1, document: "{}".into(),
        });
        rows.period_closes.push(PeriodCloseRow {
            entity: ENTITY.into(), sequence: 1, recorded_at: 1, kind: "close".into(), period: "2024-01".into(),
            first_day: "2024-01-01".into(), last_day: "2024-01-31".into(), locked_from: None, reason: None, name: None,
            waivers: "[]".into(), answer: "{}".into(), content_sha256: String::new(),
        });
        rows.coupons.push(CouponRow {
            entity: ENTITY.into(), bond_issue: ISSUE.into(), coupon_date: "2024-07-01".into(), revision: 0, sequence: 1,
            paid_on: None, amount: 5,
        });
        rows.conversion_rates.push(ConversionRateRow {
            entity: ENTITY.into(), bond_issue: ISSUE.into(), date: "2024-07-01".into(), sequence: 1,
            shares_per_denomination: "40".into(), carried_shares: None,
            reason: None,
            share_par_value: None,
        });
        rows.extend(destination("ledger"));
        rows.attempts.push(attempt("ledger", 1));
        post(&books.store, &rows).await.expect("posts");
        for table in POSTED {
            for statement in [format!("update {table} set entity = entity"), format!("delete from {table}")] {
                let error = run(&books.url, statement.clone()).await.expect_err("posted rows never change");
                let message = error.to_string();
                assert!(message.contains(&format!("posted rows of {table} never change")), "{statement}: {message}");
            }
        }
    }
}
