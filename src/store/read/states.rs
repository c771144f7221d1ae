//! The states of issues: what the next command is decided on.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::{AMONG, Texts};
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{BondIssueRow, BookedRow, IssueHeadRow, PositionRow};
use crate::store::table::Stored;

cells! {
    /// An issue with its newest event, position and booked row: what the next command is decided on.
    pub struct IssueState {
        /// The terms and rates.
        issue: (BondIssueRow),
        /// Which rows are the newest.
        head: (IssueHeadRow),
        /// The position at its last date.
        position: (PositionRow),
        /// What is booked at its last posting date.
        booked: (BookedRow),
    }
}

/// The rows that are the newest of an issue.
const NEWEST_ROWS: [(&str, &str, &str); 3] = [
    ("issue_head", "h", "h.entity = i.entity and h.bond_issue = i.id"),
    (
        "position",
        "p",
        "p.entity = i.entity and p.bond_issue = i.id and p.date = h.position_date and p.sequence = h.position_sequence",
    ),
    (
        "booked",
        "b",
        "b.entity = i.entity and b.bond_issue = i.id and b.posting_date = h.booked_date and b.sequence = h.booked_sequence",
    ),
];

fn states(issues: &str, join: fn((&str, &str, &str)) -> String) -> String {
    let joins = NEWEST_ROWS.map(join).join(" ");
    format!(
        "select {}, {}, {}, {} from {issues} {joins} order by i.id",
        BondIssueRow::columns("i"),
        IssueHeadRow::columns("h"),
        PositionRow::columns("p"),
        BookedRow::columns("b"),
    )
}

fn joined((table, name, on): (&str, &str, &str)) -> String {
    format!("join {table} {name} on {on}")
}

/// A limit keeps PostgreSQL to look-ups: it would read all three tables for each page.
fn looked_up((table, name, on): (&str, &str, &str)) -> String {
    format!("cross join lateral (select {name}.* from {table} {name} where {on} limit 1) {name}")
}

/// The states of some issues: of a page of them, or of those among $2.
static STATES_PAGE: Texts = Texts::new(|| {
    let page = "(select * from bond_issue where entity = $1 and id > $2 order by id limit $3) i";
    [states(page, joined), states(page, looked_up)]
});
static STATES: Texts = Texts::new(|| {
    let [sqlite, postgres] =
        AMONG.map(|among| format!("(select * from bond_issue where entity = $1 and id {among}) i"));
    [states(&sqlite, joined), states(&postgres, looked_up)]
});

impl Reader<'_> {
    /// The states of some issues of an entity, in order of id; an unknown id is left out.
    pub async fn issue_states(&mut self, entity: &str, ids: &[&str]) -> Result<Vec<IssueState>, StoreError> {
        self.either(&STATES, &[Arg::Text(entity), Arg::Texts(ids)]).await
    }

    /// The states of an entity's issues in order of id, after one (or after `""`).
    pub async fn issue_states_page(
        &mut self,
        entity: &str,
        after: &str,
        limit: i64,
    ) -> Result<Vec<IssueState>, StoreError> {
        self.either(&STATES_PAGE, &[Arg::Text(entity), Arg::Text(after), Arg::Int(limit)]).await
    }
}
