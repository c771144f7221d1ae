//! What was recorded of an issue last, and all its rows: for a caller who keeps them.
//!
//! Rows only ever are added, each by an event of its issue, so whoever has all rows up to the issue's newest event has all that there are.
//! Whether an event is the newest is a look-up by key, however long the history, and any number of such questions are one statement.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::Text;
use crate::store::reader::{Arg, Reader, json};
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

    /// What was known at a time, and what is the newest of an issue.
    pub struct Head {
        /// Which question they answer, counted from one.
        nth: bigint,
        /// The sequence of the last command known.
        known: bigint,
        /// When that was recorded, in microseconds since 1970.
        recorded_at: bigint,
        /// The sequence of the issue's newest event, known or not.
        event_sequence: bigint,
    }
}

/// A question: the newest event of an issue, and what was known at a time in microseconds since 1970.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// The entity of the issue.
    pub entity: String,
    /// The id of the issue.
    pub bond_issue: String,
    /// The time.
    pub known_at: i64,
}

const NEWEST: &str = "select h.event_sequence, \
    cast(case when exists (select 1 from entry e where e.entity = $1 and e.bond_issue = $2 \
    and e.posting_date > e.effective_date) then 1 else 0 end as bigint), \
    cast(case when exists (select 1 from revision v where v.entity = $1 and v.bond_issue = $2) then 1 else 0 end as bigint) \
    from issue_head h where h.entity = $1 and h.bond_issue = $2";

fn added<R: Stored>(table: &str, date: &str) -> String {
    format!(
        "select {} from {table} p where p.entity = $1 and p.bond_issue = $2 and p.sequence > $3 and p.sequence <= $4 \
         order by p.{date}, p.sequence",
        R::columns("p")
    )
}

static POSITIONS_ADDED: Text = Text::new(|| added::<PositionRow>("position", "date"));
static BOOKED_ADDED: Text = Text::new(|| added::<BookedRow>("booked", "posting_date"));

/// The questions are materialised, so that each is parsed once; `cross join` keeps SQLite to the order of the tables.
const HEADS_SQLITE: &str = "with asked as materialized (select key + 1 as nth, value->>0 as entity, value->>1 as bond_issue, \
    value->>2 as known_at from json_each($1)) \
    select a.nth, k.sequence, k.recorded_at, h.event_sequence from asked a \
    cross join record k on k.entity = a.entity and k.recorded_at = (select max(r.recorded_at) from record r \
    where r.entity = a.entity and r.recorded_at <= a.known_at) \
    cross join issue_head h on h.entity = a.entity and h.bond_issue = a.bond_issue";

/// The limits keep PostgreSQL to look-ups: without them it may join a small table by reading all of it, and keeps such a plan
/// while the table grows.
const HEADS_POSTGRES: &str = "select a.nth, k.sequence, k.recorded_at, h.event_sequence \
    from unnest($1::text[], $2::text[], $3::bigint[]) with ordinality a (entity, bond_issue, known_at, nth) \
    cross join lateral (select r.sequence, r.recorded_at from record r where r.entity = a.entity \
    and r.recorded_at <= a.known_at order by r.recorded_at desc limit 1) k \
    cross join lateral (select i.event_sequence from issue_head i where i.entity = a.entity \
    and i.bond_issue = a.bond_issue limit 1) h";

impl Reader<'_> {
    /// The newest of an issue; none when there is no such issue.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn newest(&mut self, entity: &str, bond_issue: &str) -> Result<Option<Newest>, StoreError> {
        self.one(NEWEST, &[Arg::Text(entity), Arg::Text(bond_issue)]).await
    }

    /// The positions of an issue that were recorded after one sequence up to another, by date and sequence.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn positions_added(
        &mut self,
        entity: &str,
        bond_issue: &str,
        (after, through): (i64, i64),
    ) -> Result<Vec<PositionRow>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(after), Arg::Int(through)];
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
    ) -> Result<Vec<BookedRow>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(after), Arg::Int(through)];
        self.all(&BOOKED_ADDED, &args).await
    }

    /// The answer to each question, in one statement. None where the issue is not there or its entity was not known.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn heads(&mut self, asked: &[Asked]) -> Result<Vec<Option<Head>>, StoreError> {
        let rows: Vec<Head> = match self {
            Self::Sqlite(_) => {
                let columns = |asked: &Asked| (asked.entity.clone(), asked.bond_issue.clone(), asked.known_at);
                let json = json(&asked.iter().map(columns).collect::<Vec<_>>())?;
                self.all(HEADS_SQLITE, &[Arg::Text(&json)]).await?
            }
            Self::Postgres(_) => {
                let texts = |of: fn(&Asked) -> &str| asked.iter().map(of).collect::<Vec<_>>();
                let args = [
                    Arg::Texts(&texts(|asked| &asked.entity)),
                    Arg::Texts(&texts(|asked| &asked.bond_issue)),
                    Arg::Ints(&asked.iter().map(|asked| asked.known_at).collect::<Vec<_>>()),
                ];
                self.all(HEADS_POSTGRES, &args).await?
            }
        };
        let mut answers = vec![None; asked.len()];
        for row in rows {
            let place = usize::try_from(row.nth - 1).ok().and_then(|nth| answers.get_mut(nth));
            if let Some(place) = place {
                *place = Some(row);
            }
        }
        Ok(answers)
    }
}
