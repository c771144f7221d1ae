//! The dates at which an issue of a long history has rows, and the rows at a date; and what is the newest of any issue.
//!
//! The row in force at a date, as known at a time, is the newest row known by then of the last date up to the asked one that had
//! a row by then. Rows only ever are added, so a caller may keep an issue's dates: what was added since is found by the
//! sequence of the issue's newest event, which [`Reader::in_force`] answers with the rows. Then a read is a few key look-ups, however
//! long the history, and any number of reads are one statement. Of an issue whose rows the caller keeps, the newest event is all that it asks for.

use crate::store::cells::{FromCells, cells};
use crate::store::error::StoreError;
use crate::store::read::Texts;
use crate::store::read::carrying::{BOOKED, POSITION, join_newest};
use crate::store::reader::{Arg, Reader, json};
use crate::store::rows::{BookedRow, PositionRow};
use crate::store::table::Stored;

cells! {
    /// A date at which an issue has rows, or none for an issue without new dates.
    pub struct DateSeen {
        /// The sequence of the issue's newest event.
        event_sequence: bigint,
        /// Whether the issue has entries posted later than they are effective.
        has_late_entries: bigint,
        /// The date.
        seen: (Option<Seen>),
    }

    /// Where a date first had a row.
    pub struct Seen {
        /// `position` or `booked`.
        axis: text,
        /// The date.
        date: text,
        /// When the row was recorded, in microseconds since 1970.
        recorded_at: bigint,
    }

    /// The rows at two dates, as known at a time.
    pub struct InForce {
        /// Which question they answer, counted from one.
        nth: bigint,
        /// The sequence of the last command known.
        known: bigint,
        /// When that was recorded, in microseconds since 1970.
        recorded_at: bigint,
        /// The sequence of the issue's newest event, known or not.
        event_sequence: bigint,
        /// The position at its date.
        position: (Option<PositionRow>),
        /// What is booked at its date.
        booked: (Option<BookedRow>),
    }

    /// The same without rows.
    pub struct Head {
        /// Which question it answers, counted from one.
        nth: bigint,
        /// The sequence of the last command known.
        known: bigint,
        /// When that was recorded, in microseconds since 1970.
        recorded_at: bigint,
        /// The sequence of the issue's newest event, known or not.
        event_sequence: bigint,
    }
}

/// A question: the rows of an issue at two dates (each may be empty for none; of both, what is the newest is asked for alone), as known at a time in microseconds since 1970.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// The entity of the issue.
    pub entity: String,
    /// The id of the issue.
    pub bond_issue: String,
    /// The time.
    pub known_at: i64,
    /// The date of a position.
    pub position_date: String,
    /// The date of a booked row.
    pub posting_date: String,
}

impl Asked {
    fn is_of_head(&self) -> bool {
        self.position_date.is_empty() && self.posting_date.is_empty()
    }

    fn columns(&self) -> (&str, &str, i64, &str, &str) {
        let Asked { entity, bond_issue, known_at, position_date, posting_date } = self;
        (entity, bond_issue, *known_at, position_date, posting_date)
    }
}

impl From<Head> for InForce {
    fn from(Head { nth, known, recorded_at, event_sequence }: Head) -> InForce {
        InForce { nth, known, recorded_at, event_sequence, position: None, booked: None }
    }
}

/// The dates of an issue that were seen, so far as they are known to the one who keeps them.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Dates {
    /// The sequence of the newest event that they hold.
    pub event_sequence: i64,
    /// Whether the issue has entries posted later than they are effective.
    pub has_late_entries: bool,
    /// By date, with when each was first recorded.
    positions: Vec<(String, i64)>,
    booked: Vec<(String, i64)>,
}

impl Dates {
    /// The date of the position in force at `as_of`, as known at a time in microseconds since 1970.
    pub fn of_position(&self, as_of: &str, known_at: i64) -> Option<&str> {
        last(&self.positions, as_of, known_at)
    }

    /// The posting date of the booked row in force.
    pub fn of_booked(&self, as_of: &str, known_at: i64) -> Option<&str> {
        last(&self.booked, as_of, known_at)
    }

    /// How many dates there are.
    pub fn count(&self) -> usize {
        self.positions.len() + self.booked.len()
    }

    fn add(&mut self, found: Vec<DateSeen>) {
        for DateSeen { event_sequence, has_late_entries, seen } in found {
            self.event_sequence = event_sequence;
            self.has_late_entries = has_late_entries != 0;
            let Some(seen) = seen else { continue };
            let dates = if seen.axis == "booked" { &mut self.booked } else { &mut self.positions };
            if let Err(place) = dates.binary_search_by(|(date, _)| date.cmp(&seen.date)) {
                dates.insert(place, (seen.date, seen.recorded_at));
            }
        }
    }
}

fn last<'d>(dates: &'d [(String, i64)], as_of: &str, known_at: i64) -> Option<&'d str> {
    let end = dates.partition_point(|(date, _)| date.as_str() <= as_of);
    dates[..end].iter().rev().find(|(_, recorded_at)| *recorded_at <= known_at).map(|(date, _)| date.as_str())
}

const SEEN: &str = "select h.event_sequence, \
    cast(case when exists (select 1 from entry e where e.entity = $1 and e.bond_issue = $2 \
    and e.posting_date > e.effective_date) then 1 else 0 end as bigint), \
    f.axis, f.date, r.recorded_at \
    from issue_head h left join first_seen f on f.entity = $1 and f.bond_issue = $2 and f.sequence > $3 \
    left join record r on r.entity = $1 and r.sequence = f.sequence \
    where h.entity = $1 and h.bond_issue = $2 order by f.axis, f.date";

/// What is asked for: rows, or only the heads of issues.
#[derive(Clone, Copy)]
enum Wanted {
    Rows { lateral: bool },
    Heads,
}

/// The answers to any number of questions. `asked` makes a row of each, `known` joins the last record known at its time, `head` the
/// head of its issue.
fn answers(asked: &str, known: &str, head: &str, wanted: Wanted) -> String {
    let found = "a.nth, k.sequence, k.recorded_at, h.event_sequence";
    let Wanted::Rows { lateral } = wanted else { return format!("select {found} from {asked} {known} {head}") };
    let join = |dated, name, date| join_newest(dated, name, ["a.entity", "a.bond_issue", date], "k.sequence", lateral);
    format!(
        "select {found}, {position}, {booked} from {asked} {known} {head} {join_position} {join_booked}",
        position = PositionRow::columns("p"),
        booked = BookedRow::columns("b"),
        join_position = join(POSITION, "p", "a.position_date"),
        join_booked = join(BOOKED, "b", "a.posting_date"),
    )
}

/// `cross join` keeps SQLite to the order of the tables; the questions are materialised, so that each is parsed once.
fn sqlite(wanted: Wanted) -> String {
    let answers = answers(
        "asked a",
        "cross join record k on k.entity = a.entity and k.recorded_at = (select max(r.recorded_at) from record r \
         where r.entity = a.entity and r.recorded_at <= a.known_at)",
        "cross join issue_head h on h.entity = a.entity and h.bond_issue = a.bond_issue",
        wanted,
    );
    format!(
        "with asked as materialized (select key + 1 as nth, value->>0 as entity, value->>1 as bond_issue, value->>2 as known_at, \
         value->>3 as position_date, value->>4 as posting_date from json_each($1)) {answers}"
    )
}

/// The limits keep PostgreSQL to look-ups: without them it may join a small table by reading all of it, and keeps such a plan
/// while the table grows.
fn postgres(wanted: Wanted) -> String {
    answers(
        "unnest($1::text[], $2::text[], $3::bigint[], $4::text[], $5::text[]) with ordinality \
         a (entity, bond_issue, known_at, position_date, posting_date, nth)",
        "cross join lateral (select r.sequence, r.recorded_at from record r where r.entity = a.entity \
         and r.recorded_at <= a.known_at order by r.recorded_at desc limit 1) k",
        "cross join lateral (select i.event_sequence from issue_head i where i.entity = a.entity \
         and i.bond_issue = a.bond_issue limit 1) h",
        wanted,
    )
}

static ROWS: Texts = Texts::new(|| [sqlite(Wanted::Rows { lateral: false }), postgres(Wanted::Rows { lateral: true })]);
static HEADS: Texts = Texts::new(|| [sqlite(Wanted::Heads), postgres(Wanted::Heads)]);

impl Reader<'_> {
    /// Adds what was recorded of an issue since its dates were read. An issue that is not there leaves them as they are.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn see_dates(&mut self, entity: &str, bond_issue: &str, dates: &mut Dates) -> Result<(), StoreError> {
        let args = [Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(dates.event_sequence)];
        dates.add(self.all(SEEN, &args).await?);
        Ok(())
    }

    /// The answer to each question, in one statement. None where the issue is not there or its entity was not known.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn in_force(&mut self, asked: &[Asked]) -> Result<Vec<Option<InForce>>, StoreError> {
        let rows = if asked.iter().all(Asked::is_of_head) {
            let heads: Vec<Head> = self.answered(&HEADS, asked).await?;
            heads.into_iter().map(InForce::from).collect()
        } else {
            self.answered(&ROWS, asked).await?
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

    async fn answered<R: FromCells>(&mut self, texts: &'static Texts, asked: &[Asked]) -> Result<Vec<R>, StoreError> {
        match self {
            Self::Sqlite(_) => {
                let json = json(&asked.iter().map(Asked::columns).collect::<Vec<_>>())?;
                self.either(texts, &[Arg::Text(&json)]).await
            }
            Self::Postgres(_) => {
                let column = |of: fn(&Asked) -> &str| asked.iter().map(of).collect::<Vec<_>>();
                let args = [
                    Arg::Texts(&column(|asked| &asked.entity)),
                    Arg::Texts(&column(|asked| &asked.bond_issue)),
                    Arg::Ints(&asked.iter().map(|asked| asked.known_at).collect::<Vec<_>>()),
                    Arg::Texts(&column(|asked| &asked.position_date)),
                    Arg::Texts(&column(|asked| &asked.posting_date)),
                ];
                self.either(texts, &args).await
            }
        }
    }
}
