//! Rows of an issue for a caller who keeps them: rows only ever are added, each by an event of the issue.

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

    /// A date at which an issue has rows.
    pub struct Seen {
        /// `position` or `booked`.
        axis: text,
        /// The date.
        date: text,
        /// The sequence of the event that wrote the first of them.
        sequence: bigint,
    }
}

/// What a row says besides its date, as numbers.
pub type Figures = [i64; 14];

/// Rows of an issue that were recorded after one of its events up to another.
#[derive(Clone, Copy, Debug)]
pub struct Added<'a> {
    /// The entity of the issue.
    pub entity: &'a str,
    /// Its id.
    pub bond_issue: &'a str,
    /// The sequence of the first event, whose rows are left out.
    pub after: i64,
    /// The sequence of the last.
    pub through: i64,
}

const NEWEST: &str = "select h.event_sequence, \
    cast(case when exists (select 1 from entry e where e.entity = $1 and e.bond_issue = $2 \
    and e.posting_date > e.effective_date) then 1 else 0 end as bigint), \
    cast(case when exists (select 1 from revision v where v.entity = $1 and v.bond_issue = $2) then 1 else 0 end as bigint) \
    from issue_head h where h.entity = $1 and h.bond_issue = $2";

const SEEN: &str = "select f.axis, f.date, f.sequence from first_seen f where f.entity = $1 and f.bond_issue = $2 \
    and f.sequence > $3 and f.sequence <= $4";

/// The rows of a table by date and sequence, no more than $5.
fn added<R: Stored>(table: &str, date: &str) -> String {
    format!("{} order by p.{date}, p.sequence limit $5", between(&R::columns("p"), table))
}

/// The figures of those of the date $5 by sequence: a row as one text, which either engine writes faster than the driver reads its cells.
fn added_on(table: &str, date: &str, figures: &[&str]) -> String {
    // What is null must not be left out, and a date is the number that its digits make.
    let figure = |column: &&str| match column.ends_with("date") || column.starts_with("accrued") {
        true => format!("coalesce(replace(p.{column}, '-', ''), '0')"),
        false => format!("p.{column}"),
    };
    let figures = figures.iter().map(figure).collect::<Vec<_>>().join(", ");
    format!(
        "{} and p.{date} = $5 order by p.sequence",
        between(&format!("concat_ws(' ', p.sequence, {figures})"), table)
    )
}

fn between(columns: &str, table: &str) -> String {
    format!(
        "select {columns} from {table} p where p.entity = $1 and p.bond_issue = $2 and p.sequence > $3 and p.sequence <= $4"
    )
}

static POSITIONS: Text = Text::new(|| added::<PositionRow>("position", "date"));
static BOOKED: Text = Text::new(|| added::<BookedRow>("booked", "posting_date"));
static POSITIONS_ON: Text = Text::new(|| added_on("position", "date", &POSITION_FIGURES));
static BOOKED_ON: Text = Text::new(|| added_on("booked", "posting_date", &BOOKED_FIGURES));

/// What [`Reader::positions_on`] tells of a row.
const POSITION_FIGURES: [&str; 14] = [
    "principal",
    "interest_due",
    "with_next_coupon",
    "interest_receivable",
    "moved_principal",
    "moved_premium_discount",
    "moved_issue_costs",
    "moved_interest",
    "moved_equity",
    "surrendered_principal",
    "surrendered_premium_discount",
    "surrendered_issue_costs",
    "surrendered_interest",
    "surrendered_equity",
];

/// What [`Reader::booked_on`] tells of a row.
const BOOKED_FIGURES: [&str; 14] = [
    "principal",
    "premium_discount",
    "issue_costs",
    "interest_payable",
    "interest_receivable",
    "equity_component",
    "accrued_through",
    "accrued_boundary",
    "later_posting_date",
    "later_premium_discount",
    "later_issue_costs",
    "later_interest_payable",
    "later_interest_receivable",
    "later_equity_component",
];

impl<'a> Added<'a> {
    fn args(&self, last: Arg<'a>) -> [Arg<'a>; 5] {
        let Added { entity, bond_issue, after, through } = *self;
        [Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(after), Arg::Int(through), last]
    }
}

impl Reader<'_> {
    /// The newest of an issue; none when there is no such issue.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn newest(&mut self, entity: &str, bond_issue: &str) -> Result<Option<Newest>, StoreError> {
        self.one(NEWEST, &[Arg::Text(entity), Arg::Text(bond_issue)]).await
    }

    /// The dates at which an issue has rows since one of its events.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn dates_added(&mut self, added: Added<'_>) -> Result<Vec<Seen>, StoreError> {
        let Added { entity, bond_issue, after, through } = added;
        self.all(SEEN, &[Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(after), Arg::Int(through)]).await
    }

    /// The positions by date and sequence; no more than `limit`.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn positions_added(&mut self, added: Added<'_>, limit: i64) -> Result<Vec<PositionRow>, StoreError> {
        self.all(&POSITIONS, &added.args(Arg::Int(limit))).await
    }

    /// The same of what is booked, by posting date and sequence.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn booked_added(&mut self, added: Added<'_>, limit: i64) -> Result<Vec<BookedRow>, StoreError> {
        self.all(&BOOKED, &added.args(Arg::Int(limit))).await
    }

    /// The positions at a date by sequence, each as its sequence and its figures: the columns from `principal` on, in minor units.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn positions_on(&mut self, added: Added<'_>, date: &str) -> Result<Vec<(i64, Figures)>, StoreError> {
        self.figures(&POSITIONS_ON, added, date).await
    }

    /// What is booked with a posting date by sequence: principal, premium or discount, issue costs, interest payable and receivable and equity
    /// component; the moment accrued to, as its date and its boundary; the date on which something is taken back of it, or 0, and of each but
    /// principal what. Dates are the numbers that their digits make.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn booked_on(&mut self, added: Added<'_>, date: &str) -> Result<Vec<(i64, Figures)>, StoreError> {
        self.figures(&BOOKED_ON, added, date).await
    }

    async fn figures(
        &mut self,
        text: &'static Text,
        added: Added<'_>,
        date: &str,
    ) -> Result<Vec<(i64, Figures)>, StoreError> {
        let rows: Vec<String> = self.all(text, &added.args(Arg::Text(date))).await?;
        rows.iter().map(|row| read(row)).collect()
    }
}

fn read(row: &str) -> Result<(i64, Figures), StoreError> {
    let corrupt = |error: std::num::ParseIntError| StoreError::from(sqlx::Error::Decode(error.into()));
    // A text that ends early gives an empty number, which is none.
    let mut numbers = row.split(' ');
    let mut next = || numbers.next().unwrap_or_default().parse::<i64>().map_err(corrupt);
    let sequence = next()?;
    let mut figures = Figures::default();
    for figure in &mut figures {
        *figure = next()?;
    }
    Ok((sequence, figures))
}
