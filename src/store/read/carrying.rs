//! The rows in force of all issues of an entity, at a date as known at a sequence.
//!
//! Walking back over an issue's dates passes over those that were added since. For one issue that is asked for often, [`added`](super::added)
//! and [`heads`](super::heads) do without.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::Texts;
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{BondIssueRow, BookedRow, PositionRow};
use crate::store::table::Stored;

cells! {
    /// An issue with the rows in force.
    pub struct Carrying {
        /// The terms and rates.
        issue: (BondIssueRow),
        /// The position at `as_of`; none before the first.
        position: (Option<PositionRow>),
        /// What is booked by posting date at `as_of`; none before the first posting.
        booked: (Option<BookedRow>),
        /// The position at the date through which interest is accrued by those postings.
        accrued_position: (Option<PositionRow>),
        /// The event that wrote the booked row, where something of it is taken back later.
        taken_back_by: (Option<WrittenBy>),
    }

    /// The event that wrote a row.
    pub struct WrittenBy {
        /// Its id.
        event: text,
        /// Its date.
        effective_date: text,
    }
}

/// A table of rows by date: its name, and the column of the date.
type Dated = (&'static str, &'static str);
const POSITION: Dated = ("position", "date");
const BOOKED: Dated = ("booked", "posting_date");

/// Joins, as `name`, the newest row of one date of an issue that was known at a sequence; `key` is what the entity, the issue and the
/// date are in the statement.
///
/// PostgreSQL gets a lateral join, which it can only run as a look-up; SQLite has none, and never does anything else.
fn join_newest(
    (table, column): Dated,
    name: &str,
    [entity, bond_issue, date]: [&str; 3],
    known: &str,
    lateral: bool,
) -> String {
    let key =
        |row: &str| format!("{row}.entity = {entity} and {row}.bond_issue = {bond_issue} and {row}.{column} = {date}");
    let newest =
        format!("from {table} q where {} and q.sequence <= {known} order by q.sequence desc limit 1", key("q"));
    if lateral {
        format!("left join lateral (select q.* {newest}) {name} on true")
    } else {
        format!("left join {table} {name} on {} and {name}.sequence = (select q.sequence {newest})", key(name))
    }
}

/// The date whose row is in force at the date `at`, as known at $3, for the issue that is called `of` in the statement.
fn date_in_force((table, _): Dated, of: &str, at: &str) -> String {
    format!(
        "(select s.date from first_seen s where s.entity = {of}.entity and s.bond_issue = {of}.id \
         and s.axis = '{table}' and s.date <= {at} and s.sequence <= $3 order by s.date desc limit 1)"
    )
}

/// `dated` and `placed` are materialised, so that each date is found once and not wherever it is used.
fn carrying(lateral: bool) -> String {
    format!(
        "with dated as materialized (select i.entity, i.id, {position_date} as position_date, {booked_date} as booked_date \
         from bond_issue i where i.entity = $1 and i.sequence <= $3 and i.id > $4 and i.settlement_date <= $2 \
         order by i.id limit $5),\n\
         placed as materialized (select d.entity, d.id, d.position_date, {booked}, {accrued_date} as accrued_date \
         from dated d {join_booked})\n\
         select {issue}, {position}, {placed}, {accrued}, v.id, v.effective_date from placed f \
         join bond_issue i on i.entity = f.entity and i.id = f.id {join_position} {join_accrued} \
         left join event v on v.entity = f.entity and v.bond_issue = f.id and v.sequence = f.b_sequence \
         and f.b_later_posting_date is not null order by f.id",
        position_date = date_in_force(POSITION, "i", "$2"),
        booked_date = date_in_force(BOOKED, "i", "$2"),
        booked = booked_as(|column| format!("b.{column} as b_{column}")),
        accrued_date = date_in_force(POSITION, "d", "b.accrued_through"),
        join_booked = join_newest(BOOKED, "b", ["d.entity", "d.id", "d.booked_date"], "$3", lateral),
        issue = BondIssueRow::columns("i"),
        position = PositionRow::columns("p"),
        placed = booked_as(|column| format!("f.b_{column}")),
        accrued = PositionRow::columns("a"),
        join_position = join_newest(POSITION, "p", ["f.entity", "f.id", "f.position_date"], "$3", lateral),
        join_accrued = join_newest(POSITION, "a", ["f.entity", "f.id", "f.accrued_date"], "$3", lateral),
    )
}

fn booked_as(column: impl Fn(&str) -> String) -> String {
    BookedRow::TABLE.columns.iter().map(|(name, _)| column(name)).collect::<Vec<_>>().join(", ")
}

static CARRYING: Texts = Texts::new(|| [false, true].map(carrying));

impl Reader<'_> {
    /// The rows in force of the issues of an entity settled by `as_of`, as known at `known`, in order of id, after one (or
    /// after `""`).
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn carrying_page(
        &mut self,
        entity: &str,
        as_of: &str,
        known: i64,
        after: &str,
        limit: i64,
    ) -> Result<Vec<Carrying>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(as_of), Arg::Int(known), Arg::Text(after), Arg::Int(limit)];
        self.either(&CARRYING, &args).await
    }
}
