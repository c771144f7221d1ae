//! The journal lines of a period, found by the releases of their batches.

use crate::store::error::StoreError;
use crate::store::read::{ReleasedBatch, Text, WholeBatch};
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{BatchRow, EntryRow, LineRow, ReleaseRow};
use crate::store::table::Stored;

/// Which released batches: those with a posting date from one date to another, both included, and one currency.
#[derive(Debug, Clone, Copy)]
pub struct ReleasedIn<'a> {
    /// The entity.
    pub entity: &'a str,
    /// The first posting date.
    pub from: &'a str,
    /// The last posting date.
    pub to: &'a str,
    /// The currency.
    pub currency: &'a str,
    /// What was known.
    pub known: i64,
}

// A batch that was released again stands where its newest release does.
static RELEASED: Text = Text::new(|| {
    format!(
        "select {}, {} from release r join batch b on b.entity = r.entity and b.id = r.batch where r.entity = $1 \
         and r.sequence <= $2 and r.release >= $3 and b.posting_date >= $4 and b.posting_date <= $5 and b.currency = $6 \
         and not exists (select 1 from release n where n.entity = r.entity and n.batch = r.batch and n.revision > r.revision \
         and n.sequence <= $2) order by r.release limit $7",
        ReleaseRow::columns("r"),
        BatchRow::columns("b")
    )
});

static ENTRIES: Text = Text::new(|| {
    format!(
        "select {} from entry e where e.entity = $1 and e.batch = $2 and e.entry >= $3 and e.entry <= $4 order by e.entry",
        EntryRow::columns("e")
    )
});

static LINES: Text = Text::new(|| {
    format!(
        "select {} from line l where l.entity = $1 and l.batch = $2 and l.entry >= $3 and l.entry <= $4 order by l.entry, l.line",
        LineRow::columns("l")
    )
});

impl Reader<'_> {
    /// Released batches in order of their newest releases, from a release on.
    pub async fn released_in(
        &mut self,
        asked: ReleasedIn<'_>,
        from_release: i64,
        limit: i64,
    ) -> Result<Vec<ReleasedBatch>, StoreError> {
        let args = [
            Arg::Text(asked.entity),
            Arg::Int(asked.known),
            Arg::Int(from_release),
            Arg::Text(asked.from),
            Arg::Text(asked.to),
            Arg::Text(asked.currency),
            Arg::Int(limit),
        ];
        self.all(&RELEASED, &args).await
    }

    /// A released batch with some of its entries, both ends included.
    pub async fn part_of_batch(
        &mut self,
        released: &ReleasedBatch,
        (first, last): (i64, i64),
    ) -> Result<WholeBatch, StoreError> {
        let ReleasedBatch { release, batch } = released.clone();
        let args = [Arg::Text(&batch.entity), Arg::Text(&batch.id), Arg::Int(first), Arg::Int(last)];
        let entries = self.all(&ENTRIES, &args).await?;
        let lines = self.all(&LINES, &args).await?;
        Ok(WholeBatch {
            entries,
            lines,
            release: Some(release),
            acknowledgements: Vec::new(),
            reversed_by: None,
            batch,
        })
    }
}
