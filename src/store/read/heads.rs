//! What was known at a time, and what is the newest of an issue.
//!
//! Rows only ever are added, so a caller may keep those of an issue: all that it has to ask before it answers from them is whether the
//! issue has a newer event than it knows. Any number of such questions are one statement, of a few look-ups each.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::Texts;
use crate::store::reader::{Arg, Reader, json};

cells! {
    /// The answer to a question.
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

/// A question: an issue, and a time in microseconds since 1970.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Asked {
    /// The entity of the issue.
    pub entity: String,
    /// The id of the issue.
    pub bond_issue: String,
    /// The time.
    pub known_at: i64,
}

impl Asked {
    fn columns(&self) -> (&str, &str, i64) {
        (&self.entity, &self.bond_issue, self.known_at)
    }
}

/// `cross join` keeps SQLite to the order of the tables; the questions are materialised, so that each is parsed once. The limits keep
/// PostgreSQL to look-ups: without them it may join a small table by reading all of it, and keeps such a plan while the table grows.
static HEADS: Texts = Texts::new(|| {
    let found = "a.nth, k.sequence, k.recorded_at, h.event_sequence";
    [
        format!(
            "with asked as materialized (select key + 1 as nth, value->>0 as entity, value->>1 as bond_issue, \
             value->>2 as known_at from json_each($1)) select {found} from asked a \
             cross join record k on k.entity = a.entity and k.recorded_at = (select max(r.recorded_at) from record r \
             where r.entity = a.entity and r.recorded_at <= a.known_at) \
             cross join issue_head h on h.entity = a.entity and h.bond_issue = a.bond_issue"
        ),
        format!(
            "select {found} from unnest($1::text[], $2::text[], $3::bigint[]) with ordinality \
             a (entity, bond_issue, known_at, nth) \
             cross join lateral (select r.sequence, r.recorded_at from record r where r.entity = a.entity \
             and r.recorded_at <= a.known_at order by r.recorded_at desc limit 1) k \
             cross join lateral (select i.event_sequence from issue_head i where i.entity = a.entity \
             and i.bond_issue = a.bond_issue limit 1) h"
        ),
    ]
});

impl Reader<'_> {
    /// The answer to each question, in one statement. None where the issue is not there or its entity was not known.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn heads(&mut self, asked: &[Asked]) -> Result<Vec<Option<Head>>, StoreError> {
        let found: Vec<Head> = match self {
            Self::Sqlite(_) => {
                let json = json(&asked.iter().map(Asked::columns).collect::<Vec<_>>())?;
                self.either(&HEADS, &[Arg::Text(&json)]).await?
            }
            Self::Postgres(_) => {
                let entities: Vec<&str> = asked.iter().map(|asked| asked.entity.as_str()).collect();
                let issues: Vec<&str> = asked.iter().map(|asked| asked.bond_issue.as_str()).collect();
                let times: Vec<i64> = asked.iter().map(|asked| asked.known_at).collect();
                self.either(&HEADS, &[Arg::Texts(&entities), Arg::Texts(&issues), Arg::Ints(&times)]).await?
            }
        };
        let mut answers = vec![None; asked.len()];
        for head in found {
            let place = usize::try_from(head.nth - 1).ok().and_then(|nth| answers.get_mut(nth));
            if let Some(place) = place {
                *place = Some(head);
            }
        }
        Ok(answers)
    }
}
