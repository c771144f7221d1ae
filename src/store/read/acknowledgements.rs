//! What the ledger answered to releases, and what waits for an answer or a new release.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::batches::among;
use crate::store::read::{Text, Texts};
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{AcknowledgementRow, BatchRow, ReleaseRow};
use crate::store::table::Stored;

cells! {
    /// A release with its batch.
    pub struct ReleasedBatch {
        /// The release.
        release: (ReleaseRow),
        /// The batch that it is a revision of.
        batch: (BatchRow),
    }

    /// A batch by its place in the order of posting.
    pub struct Waiting {
        /// Of the command that posted it.
        sequence: bigint,
        /// Its place among the batches of that command.
        ordinal: bigint,
        /// The batch's id.
        id: text,
    }
}

static RELEASES_OF: Text = Text::new(|| {
    format!(
        "select {}, {} from release r join batch b on b.entity = r.entity and b.id = r.batch \
         where r.entity = $1 and r.batch = $2 order by r.revision",
        ReleaseRow::columns("r"),
        BatchRow::columns("b")
    )
});

static OPEN: Text = Text::new(|| {
    format!(
        "select {}, {} from release r join batch b on b.entity = r.entity and b.id = r.batch \
         where r.entity = $1 and r.release > $2 and r.sequence <= $3 and not exists (select 1 from acknowledgement a \
         where a.entity = r.entity and a.batch = r.batch and a.revision = r.revision and a.sequence <= $3) \
         order by r.release limit $4",
        ReleaseRow::columns("r"),
        BatchRow::columns("b")
    )
});

/// Batches that were posted with a role that had no account and are not released, and those whose newest release was rejected.
const WAITING: &str = "select w.sequence, w.ordinal, w.id from (\
    select b.sequence, b.ordinal, b.id from batch b where b.entity = $1 and b.ready = 1 \
    and not exists (select 1 from release r where r.entity = b.entity and r.batch = b.id) \
    union all \
    select b.sequence, b.ordinal, b.id from acknowledgement a join batch b on b.entity = a.entity and b.id = a.batch \
    where a.entity = $1 and a.status = 'rejected' and not exists (select 1 from release r \
    where r.entity = a.entity and r.batch = a.batch and r.revision > a.revision)) w \
    where (w.sequence, w.ordinal) > ($2, $3) order by w.sequence, w.ordinal limit $4";

static OF_BATCHES: Texts = Texts::new(|| among::<AcknowledgementRow>("batch", "t.batch, t.revision"));

impl Reader<'_> {
    /// The releases of a batch, by revision; none if there is no such batch or it is not released.
    pub async fn releases_of(&mut self, entity: &str, batch: &str) -> Result<Vec<ReleasedBatch>, StoreError> {
        self.all(&RELEASES_OF, &[Arg::Text(entity), Arg::Text(batch)]).await
    }

    /// What the ledger answered to the releases of some batches, by batch and revision.
    pub async fn acknowledgements(
        &mut self,
        entity: &str,
        batches: &[&str],
    ) -> Result<Vec<AcknowledgementRow>, StoreError> {
        self.among(&OF_BATCHES, entity, batches).await
    }

    /// The releases after a number that had no answer as known at `known`, in order.
    pub async fn open_releases(
        &mut self,
        entity: &str,
        after: i64,
        known: i64,
        limit: i64,
    ) -> Result<Vec<ReleasedBatch>, StoreError> {
        self.all(&OPEN, &[Arg::Text(entity), Arg::Int(after), Arg::Int(known), Arg::Int(limit)]).await
    }

    /// The batches that a mapping may release, in order of posting after a sequence and ordinal.
    pub async fn waiting_batches(
        &mut self,
        entity: &str,
        after: (i64, i64),
        limit: i64,
    ) -> Result<Vec<Waiting>, StoreError> {
        let args = [Arg::Text(entity), Arg::Int(after.0), Arg::Int(after.1), Arg::Int(limit)];
        self.all(WAITING, &args).await
    }
}
