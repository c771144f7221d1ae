//! Carrying values: the rows in force at a date as known at a sequence, by key look-ups alone.
//!
//! The row in force is the newest row, up to the known sequence, of the last date up to the asked one that had a row by then.
//! Walking back over the dates would pass over every date that was added since, and there is no bound to those. So the
//! date is looked for by calendar, in `first_seen`: the last such day in the asked month; else the last such month in the asked
//! year, and its last such day; else the last such year, its last such month and day. Each step passes over at most the
//! days of a month, the months of a year or the years of the issue, whatever was recorded since.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::Text;
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{BondIssueRow, BookedRow, PositionRow};
use crate::store::table::Stored;

cells! {
    /// The event that wrote a row.
    pub struct WrittenBy {
        /// Its id.
        event: text,
        /// Its date.
        effective_date: text,
    }

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
}

cells! {
    /// The same with what was known, all read at once.
    pub struct CarryingKnown {
        /// The sequence of the last command known.
        known: bigint,
        /// When that was recorded, in microseconds since 1970.
        recorded_at: bigint,
        /// Whether something of the issue is effective by `as_of` but posted after it.
        has_out_of_period: bigint,
        /// The issue with the rows in force.
        rows: (Carrying),
    }
}

/// The tables of `first_seen`'s spans, with the column that holds their date.
const POSITION: (&str, &str) = ("position", "date");
const BOOKED: (&str, &str) = ("booked", "posting_date");

/// The date whose row is in force at the date `at`, as known at $3, for the issue that is called `of` in the statement.
///
/// In the else-branches only an upper bound is needed: the month or year was chosen because it has a day that was known.
fn date_in_force((table, _): (&str, &str), of: &str, at: &str) -> String {
    let last = |span: &str, bounds: String| {
        format!(
            "(select s.start from first_seen s where s.entity = {of}.entity and s.bond_issue = {of}.id \
             and s.span = '{table} {span}' and {bounds} and s.sequence <= $3 order by s.start desc limit 1)"
        )
    };
    let month = format!("substr({at}, 1, 7)");
    let year = format!("substr({at}, 1, 4)");
    let last_year = last("year", format!("s.start < {year}"));
    let month_of_year = last("month", format!("s.start < {last_year} || '~'"));
    let month_of_this_year = last("month", format!("s.start < {month} and s.start >= {year}"));
    let day_of_month = last("day", format!("s.start < coalesce({month_of_this_year}, {month_of_year}) || '~'"));
    let day_of_this_month = last("day", format!("s.start <= {at} and s.start >= {month}"));
    format!("coalesce({day_of_this_month}, {day_of_month})")
}

/// Joins, as `name`, the newest row known at $3 of the date `{of}.{date}`.
///
/// PostgreSQL gets a lateral join, which it can only run as a look-up a row; SQLite has none, and never does anything else.
fn join_newest((table, column): (&str, &str), name: &str, of: &str, date: &str, lateral: bool) -> String {
    let key = |row: &str| {
        format!("{row}.entity = {of}.entity and {row}.bond_issue = {of}.id and {row}.{column} = {of}.{date}")
    };
    let newest = format!("from {table} q where {} and q.sequence <= $3 order by q.sequence desc limit 1", key("q"));
    if lateral {
        format!("left join lateral (select q.* {newest}) {name} on true")
    } else {
        format!("left join {table} {name} on {} and {name}.sequence = (select q.sequence {newest})", key(name))
    }
}

/// `dated` and `placed` are materialised, so that each date is found once and not wherever it is used.
fn carrying(which: &str, lateral: bool) -> String {
    format!(
        "with dated as materialized (select i.entity, i.id, {position_date} as position_date, {booked_date} as booked_date \
         from bond_issue i where i.entity = $1 and i.sequence <= $3 and {which}),\n\
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
        join_booked = join_newest(BOOKED, "b", "d", "booked_date", lateral),
        issue = BondIssueRow::columns("i"),
        position = PositionRow::columns("p"),
        placed = booked_as(|column| format!("f.b_{column}")),
        accrued = PositionRow::columns("a"),
        join_position = join_newest(POSITION, "p", "f", "position_date", lateral),
        join_accrued = join_newest(POSITION, "a", "f", "accrued_date", lateral),
    )
}

fn booked_as(column: impl Fn(&str) -> String) -> String {
    BookedRow::TABLE.columns.iter().map(|(name, _)| column(name)).collect::<Vec<_>>().join(", ")
}

/// The statement for one issue with the sequence looked up by time, and a look for what is posted late, so that the usual
/// question is one round trip.
fn carrying_known(lateral: bool) -> String {
    let known = "(select k.sequence from known k)";
    let body = carrying(ONE, lateral).replace("$3", known).replacen("with dated", "dated", 1);
    let late = format!(
        "cast(case when exists (select 1 from entry e where e.entity = $1 and e.bond_issue = $4 \
         and e.posting_date > e.effective_date and e.posting_date > $2 and e.effective_date <= $2 \
         and e.sequence <= {known}) then 1 else 0 end as bigint)"
    );
    let columns = format!("\nselect {known}, (select k.recorded_at from known k), {late}, ");
    format!(
        "with known as materialized (select r.sequence, r.recorded_at from record r \
         where r.entity = $1 and r.recorded_at <= $3 order by r.recorded_at desc limit 1),\n{}",
        body.replacen("\nselect ", &columns, 1)
    )
}

const ONE: &str = "i.id = $4";
const PAGE: &str = "i.id > $4 and i.settlement_date <= $2 order by i.id limit $5";

static ONE_SQLITE: Text = Text::new(|| carrying(ONE, false));
static ONE_POSTGRES: Text = Text::new(|| carrying(ONE, true));
static KNOWN_SQLITE: Text = Text::new(|| carrying_known(false));
static KNOWN_POSTGRES: Text = Text::new(|| carrying_known(true));
static PAGE_SQLITE: Text = Text::new(|| carrying(PAGE, false));
static PAGE_POSTGRES: Text = Text::new(|| carrying(PAGE, true));

impl Reader<'_> {
    /// The rows of an issue that are in force at `as_of`, as known at `known`; none if the issue was not known then. Its cost
    /// does not depend on the history.
    pub async fn carrying(
        &mut self,
        entity: &str,
        bond_issue: &str,
        as_of: &str,
        known: i64,
    ) -> Result<Option<Carrying>, StoreError> {
        let text = self.pick(&ONE_SQLITE, &ONE_POSTGRES);
        self.one(text, &[Arg::Text(entity), Arg::Text(as_of), Arg::Int(known), Arg::Text(bond_issue)]).await
    }

    /// The same as known at a time (microseconds since 1970), in one round trip.
    pub async fn carrying_known(
        &mut self,
        entity: &str,
        bond_issue: &str,
        as_of: &str,
        at: i64,
    ) -> Result<Option<CarryingKnown>, StoreError> {
        let text = self.pick(&KNOWN_SQLITE, &KNOWN_POSTGRES);
        self.one(text, &[Arg::Text(entity), Arg::Text(as_of), Arg::Int(at), Arg::Text(bond_issue)]).await
    }

    /// The same for the issues of an entity settled by `as_of`, in order of id, after one (or after `""`).
    pub async fn carrying_page(
        &mut self,
        entity: &str,
        as_of: &str,
        known: i64,
        after: &str,
        limit: i64,
    ) -> Result<Vec<Carrying>, StoreError> {
        let text = self.pick(&PAGE_SQLITE, &PAGE_POSTGRES);
        let args = [Arg::Text(entity), Arg::Text(as_of), Arg::Int(known), Arg::Text(after), Arg::Int(limit)];
        self.all(text, &args).await
    }
}
