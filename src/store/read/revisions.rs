//! Revisions of issues, with those that were taken back.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::reversals::STANDS;
use crate::store::read::{AMONG, Text, Texts};
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{EventRow, RevisionRow};
use crate::store::table::Stored;

cells! {
    /// A revision, and since when it no longer stands.
    pub struct RecordedRevision {
        /// What was recorded.
        revision: (RevisionRow),
        /// The sequence of the reversal that took it back; 0 for none.
        reversed: bigint,
    }
}

fn revisions(condition: &str) -> String {
    format!(
        "select {}, coalesce((select x.sequence from reversal x where x.entity = r.entity and x.bond_issue = r.bond_issue \
         and x.reversed = r.sequence), 0) from revision r where r.entity = $1{condition} order by r.bond_issue, r.sequence",
        RevisionRow::columns("r")
    )
}

static OF_ISSUES: Texts = Texts::new(|| AMONG.map(|among| revisions(&format!(" and r.bond_issue {among}"))));
static OF_ENTITY: Text = Text::new(|| revisions(""));

static REVISION_AFTER: Text = Text::new(|| {
    format!(
        "select {} from event v join revision c on c.entity = v.entity and c.bond_issue = v.bond_issue and c.sequence = v.sequence \
         where v.entity = $1 and v.bond_issue = $2 and v.sequence > $3 and {STANDS} order by v.sequence limit 1",
        EventRow::columns("v")
    )
});

static EVENT_AFTER: Text = Text::new(|| {
    format!(
        "select {} from event v where v.entity = $1 and v.bond_issue = $2 and v.sequence > $3 \
         and v.kind not in ('accrual', 'rate_adjustment', 'reversal') and {STANDS} order by v.sequence desc limit 1",
        EventRow::columns("v")
    )
});

impl Reader<'_> {
    /// All revisions of some issues, by issue and in order.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn revisions(&mut self, entity: &str, ids: &[&str]) -> Result<Vec<RecordedRevision>, StoreError> {
        self.either(&OF_ISSUES, &[Arg::Text(entity), Arg::Texts(ids)]).await
    }

    /// All revisions of an entity's issues, by issue and in order.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn revisions_of_entity(&mut self, entity: &str) -> Result<Vec<RecordedRevision>, StoreError> {
        self.all(&OF_ENTITY, &[Arg::Text(entity)]).await
    }

    /// The first revision of an issue after an event.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn revision_after(
        &mut self,
        entity: &str,
        bond_issue: &str,
        sequence: i64,
    ) -> Result<Option<EventRow>, StoreError> {
        self.one(&REVISION_AFTER, &[Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(sequence)]).await
    }

    /// The newest event after another that may rest on the terms of that time.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn event_after(
        &mut self,
        entity: &str,
        bond_issue: &str,
        sequence: i64,
    ) -> Result<Option<EventRow>, StoreError> {
        self.one(&EVENT_AFTER, &[Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(sequence)]).await
    }
}
