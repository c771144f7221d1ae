//! All rows of an issue, for a caller who keeps them: rows only ever are added, each by an event of the issue.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::Text;
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{BookedRow, PositionRow};
use crate::store::table::Stored;

cells! {
    /// The newest of an issue.
    pub struct Newest {
        /// The sequence of its newest event.
        event_sequence: bigint,
        /// Whether it has entries posted later than they are effective.
        has_late_entries: bigint,
        /// Whether it was ever revised.
        is_revised: bigint,
    }
}

const NEWEST: &str = "select h.event_sequence, \
    cast(case when exists (select 1 from entry e where e.entity = $1 and e.bond_issue = $2 \
    and e.posting_date > e.effective_date) then 1 else 0 end as bigint), \
    cast(case when exists (select 1 from revision v where v.entity = $1 and v.bond_issue = $2) then 1 else 0 end as bigint) \
    from issue_head h where h.entity = $1 and h.bond_issue = $2";

fn added<R: Stored>(table: &str, date: &str) -> String {
    format!(
        "select {} from {table} p where p.entity = $1 and p.bond_issue = $2 and p.sequence > $3 and p.sequence <= $4 \
         order by p.{date}, p.sequence limit $5",
        R::columns("p")
    )
}

static POSITIONS_ADDED: Text = Text::new(|| added::<PositionRow>("position", "date"));
static BOOKED_ADDED: Text = Text::new(|| added::<BookedRow>("booked", "posting_date"));

impl Reader<'_> {
    /// The newest of an issue; none when there is no such issue.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn newest(&mut self, entity: &str, bond_issue: &str) -> Result<Option<Newest>, StoreError> {
        self.one(NEWEST, &[Arg::Text(entity), Arg::Text(bond_issue)]).await
    }

    /// The positions of an issue that were recorded after one sequence up to another, by date and sequence; no more than `limit`.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn positions_added(
        &mut self,
        entity: &str,
        bond_issue: &str,
        (after, through): (i64, i64),
        limit: i64,
    ) -> Result<Vec<PositionRow>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(after), Arg::Int(through), Arg::Int(limit)];
        self.all(&POSITIONS_ADDED, &args).await
    }

    /// The same of what is booked, by posting date and sequence.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn booked_added(
        &mut self,
        entity: &str,
        bond_issue: &str,
        (after, through): (i64, i64),
        limit: i64,
    ) -> Result<Vec<BookedRow>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(after), Arg::Int(through), Arg::Int(limit)];
        self.all(&BOOKED_ADDED, &args).await
    }
}
