//! Journal batches and their releases.

use std::collections::HashMap;

use crate::store::cells::{FromCells, cells};
use crate::store::error::StoreError;
use crate::store::read::{AMONG, Text, Texts};
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{AcknowledgementRow, BatchRow, EntryRow, LineRow, ReleaseRow};
use crate::store::table::Stored;

cells! {
    /// A batch without its entries, and how far it has come.
    pub struct BatchHead {
        /// The batch.
        batch: (BatchRow),
        /// The number of its newest release; none if it is not released.
        release: (Option<i64>),
        /// The revision that this release is.
        revision: (Option<i64>),
    }
}

cells! {
    /// A batch's number with its id.
    pub struct NumberedBatch {
        /// The number.
        number: text,
        /// The id.
        id: text,
    }
}

cells! {
    /// A batch that holds entries of an event.
    pub struct EventBatch {
        /// The event's id.
        event: text,
        /// The batch's number.
        number: text,
        /// The batch's id.
        id: text,
    }
}

/// A batch with everything that it holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct WholeBatch {
    /// The batch.
    pub batch: BatchRow,
    /// Its entries, in order.
    pub entries: Vec<EntryRow>,
    /// The lines of all entries, in order.
    pub lines: Vec<LineRow>,
    /// Its newest release; none if it is not released.
    pub release: Option<ReleaseRow>,
    /// What the ledger answered to its releases, by revision.
    pub acknowledgements: Vec<AcknowledgementRow>,
    /// The id of the batch that inverts its entries.
    pub reversed_by: Option<String>,
}

impl WholeBatch {
    /// What the ledger answered to the release that stands in it.
    pub fn acknowledgement(&self) -> Option<&AcknowledgementRow> {
        let revision = self.release.as_ref()?.revision;
        self.acknowledgements.iter().find(|answer| answer.revision == revision)
    }

    /// Whether the ledger has it, or will: it is released, and not rejected.
    pub fn is_under_way(&self) -> bool {
        self.release.is_some() && self.acknowledgement().is_none_or(|answer| answer.status != REJECTED)
    }
}

/// The status of a release of which the ledger posted nothing.
pub(super) const REJECTED: &str = "rejected";

/// Which batches to list.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BatchFilter {
    /// All of them.
    All,
    /// Those with a role that has no account yet.
    Ready,
    /// Those that were released and not answered.
    Released,
    /// Those whose newest release the ledger posted.
    Acknowledged,
    /// Those whose newest release the ledger posted nothing of.
    Rejected,
}

/// The newest release of the batch `b` that was known at $2, or one of its columns.
fn newest_release(column: &str) -> String {
    format!(
        "(select r.{column} from release r where r.entity = b.entity and r.batch = b.id and r.sequence <= $2 \
         order by r.revision desc limit 1)"
    )
}

const RELEASED: &str =
    "exists (select 1 from release r where r.entity = b.entity and r.batch = b.id and r.sequence <= $2)";

fn batches(condition: &str) -> String {
    format!(
        "select {}, {}, {} from batch b where b.entity = $1 and b.sequence <= $2 and (b.sequence, b.ordinal) > ($3, $4) \
         {condition} order by b.sequence, b.ordinal limit $5",
        BatchRow::columns("b"),
        newest_release("release"),
        newest_release("revision"),
    )
}

static BATCHES: Text = Text::new(|| batches(""));
// Most batches are released as they are posted: those that were not have an index of their own.
static READY: Text = Text::new(|| batches(&format!("and b.ready = 1 and not {RELEASED}")));
static RELEASED_ONES: Text = Text::new(|| batches(&format!("and {RELEASED} and not {}", answered(""))));
static ACKNOWLEDGED: Text = Text::new(|| batches(&format!("and {}", answered("and a.status = 'acknowledged'"))));
static REJECTED_ONES: Text = Text::new(|| batches(&format!("and {}", answered("and a.status = 'rejected'"))));

static NEWEST: Text = Text::new(|| {
    format!(
        "select {}, {}, {} from batch b where b.entity = $1 and b.sequence <= $2 order by b.sequence desc, b.ordinal desc limit $3",
        BatchRow::columns("b"),
        newest_release("release"),
        newest_release("revision"),
    )
});

/// The condition that the ledger answered the newest release of the batch `b` that was known at $2.
fn answered(with: &str) -> String {
    format!(
        "exists (select 1 from acknowledgement a where a.entity = b.entity and a.batch = b.id and a.sequence <= $2 {with} \
         and a.revision = {})",
        newest_release("revision")
    )
}

pub(super) fn among<R: Stored>(column: &str, order: &str) -> [String; 2] {
    AMONG.map(|among| {
        format!(
            "select {} from {} t where t.entity = $1 and t.{column} {among} order by {order}",
            R::columns("t"),
            R::TABLE.name
        )
    })
}

static NUMBERED: Texts = Texts::new(|| {
    AMONG.map(|among| {
        format!("select b.number, b.id from batch b where b.entity = $1 and b.number {among} order by b.number")
    })
});
static OF_EVENTS: Texts = Texts::new(|| {
    AMONG.map(|among| {
        format!(
            "select distinct e.event, b.number, b.id from entry e join batch b on b.entity = e.entity and b.id = e.batch \
             where e.entity = $1 and e.event {among} order by e.event, b.number"
        )
    })
});
static WHOLE_BATCHES: Texts = Texts::new(|| among::<BatchRow>("id", "t.sequence, t.ordinal"));
static WHOLE_ENTRIES: Texts = Texts::new(|| among::<EntryRow>("batch", "t.batch, t.entry"));
static WHOLE_LINES: Texts = Texts::new(|| among::<LineRow>("batch", "t.batch, t.entry, t.line"));
static WHOLE_REVERSALS: Texts = Texts::new(|| among::<BatchRow>("reverses", "t.id"));
static WHOLE_RELEASES: Texts = Texts::new(|| among::<ReleaseRow>("batch", "t.batch, t.revision"));

static RELEASES: Text = Text::new(|| {
    format!(
        "select {} from release r where r.entity = $1 and r.release > $2 order by r.release limit $3",
        ReleaseRow::columns("r")
    )
});

/// Rows by the batch that they belong to.
fn by_batch<R>(rows: Vec<R>, batch: impl Fn(&R) -> &str) -> HashMap<String, Vec<R>> {
    let mut groups: HashMap<String, Vec<R>> = HashMap::new();
    for row in rows {
        groups.entry(batch(&row).to_owned()).or_default().push(row);
    }
    groups
}

impl Reader<'_> {
    /// A batch with its entries, lines and newest release.
    pub async fn batch(&mut self, entity: &str, id: &str) -> Result<Option<WholeBatch>, StoreError> {
        Ok(self.whole_batches(entity, &[id]).await?.pop())
    }

    /// Some batches with their entries, lines and newest releases, in order of posting; an unknown id is left out.
    pub async fn whole_batches(&mut self, entity: &str, ids: &[&str]) -> Result<Vec<WholeBatch>, StoreError> {
        let batches: Vec<BatchRow> = self.among(&WHOLE_BATCHES, entity, ids).await?;
        let mut entries = by_batch(self.among::<EntryRow>(&WHOLE_ENTRIES, entity, ids).await?, |row| &row.batch);
        let mut lines = by_batch(self.among::<LineRow>(&WHOLE_LINES, entity, ids).await?, |row| &row.batch);
        let mut releases = by_batch(self.among::<ReleaseRow>(&WHOLE_RELEASES, entity, ids).await?, |row| &row.batch);
        let reversals: Vec<BatchRow> = self.among(&WHOLE_REVERSALS, entity, ids).await?;
        let acknowledgements = self.acknowledgements(entity, ids).await?;
        let mut acknowledgements = by_batch(acknowledgements, |row| &row.batch);
        let mut reversed_by: HashMap<String, String> =
            reversals.into_iter().filter_map(|by| Some((by.reverses?, by.id))).collect();
        let whole = |batch: BatchRow| WholeBatch {
            reversed_by: reversed_by.remove(&batch.id),
            entries: entries.remove(&batch.id).unwrap_or_default(),
            lines: lines.remove(&batch.id).unwrap_or_default(),
            acknowledgements: acknowledgements.remove(&batch.id).unwrap_or_default(),
            release: releases.remove(&batch.id).and_then(|mut revisions| revisions.pop()),
            batch,
        };
        Ok(batches.into_iter().map(whole).collect())
    }

    pub(super) async fn among<R: FromCells>(
        &mut self,
        texts: &'static [String; 2],
        entity: &str,
        ids: &[&str],
    ) -> Result<Vec<R>, StoreError> {
        self.either(texts, &[Arg::Text(entity), Arg::Texts(ids)]).await
    }

    /// Batches posted up to `known`, in order of posting, after a sequence and ordinal (or after `(0, 0)`; ordinals may
    /// begin at any number, sequences at 1). Their status is that known at `known`.
    pub async fn batches(
        &mut self,
        entity: &str,
        filter: BatchFilter,
        known: i64,
        after: (i64, i64),
        limit: i64,
    ) -> Result<Vec<BatchHead>, StoreError> {
        let text = match filter {
            BatchFilter::All => &BATCHES,
            BatchFilter::Ready => &READY,
            BatchFilter::Released => &RELEASED_ONES,
            BatchFilter::Acknowledged => &ACKNOWLEDGED,
            BatchFilter::Rejected => &REJECTED_ONES,
        };
        let args = [Arg::Text(entity), Arg::Int(known), Arg::Int(after.0), Arg::Int(after.1), Arg::Int(limit)];
        self.all(text, &args).await
    }

    /// The batches posted last up to `known`, the newest first.
    pub async fn newest_batches(&mut self, entity: &str, known: i64, limit: i64) -> Result<Vec<BatchHead>, StoreError> {
        self.all(&NEWEST, &[Arg::Text(entity), Arg::Int(known), Arg::Int(limit)]).await
    }

    /// The ids of some batches by their numbers; an unknown number is left out.
    pub async fn numbered_batches(&mut self, entity: &str, numbers: &[&str]) -> Result<Vec<NumberedBatch>, StoreError> {
        self.among(&NUMBERED, entity, numbers).await
    }

    /// The batches that hold entries of some events; an event without any is left out.
    pub async fn batches_of_events(&mut self, entity: &str, events: &[&str]) -> Result<Vec<EventBatch>, StoreError> {
        self.among(&OF_EVENTS, entity, events).await
    }

    /// The ids of the batches that hold entries of an event.
    pub async fn batches_of_event(&mut self, entity: &str, event: &str) -> Result<Vec<String>, StoreError> {
        let text = "select distinct e.batch from entry e where e.entity = $1 and e.event = $2 order by e.batch";
        self.all(text, &[Arg::Text(entity), Arg::Text(event)]).await
    }

    /// The feed of an entity: its releases in order, after a number, each with the batch that it is a revision of. The
    /// batch's own `release` is the newest one, which may be later than the one listed.
    pub async fn releases(
        &mut self,
        entity: &str,
        after: i64,
        limit: i64,
    ) -> Result<Vec<(ReleaseRow, WholeBatch)>, StoreError> {
        let releases: Vec<ReleaseRow> =
            self.all(&RELEASES, &[Arg::Text(entity), Arg::Int(after), Arg::Int(limit)]).await?;
        let ids: Vec<&str> = releases.iter().map(|release| release.batch.as_str()).collect();
        let batches = self.whole_batches(entity, &ids).await?;
        let batches: HashMap<&str, &WholeBatch> =
            batches.iter().map(|whole| (whole.batch.id.as_str(), whole)).collect();
        // A release without its batch cannot be: its foreign key says so.
        let with_batch = |release: ReleaseRow| {
            let batch = batches.get(release.batch.as_str()).map(|whole| (*whole).clone());
            batch.map(|batch| (release, batch))
        };
        Ok(releases.iter().cloned().filter_map(with_batch).collect())
    }
}
