//! What a reversal needs to know of the event that it takes back, and which events were taken back.

use std::collections::HashMap;

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::Text;
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{EventRow, PositionRow};
use crate::store::table::Stored;

cells! {
    /// The event behind a batch.
    pub struct EventOfBatch {
        /// Its issue.
        bond_issue: text,
        /// Its id; of a batch of several events, one of them.
        event: text,
        /// Of how many events the batch holds entries that are no accruals.
        events: bigint,
        /// The kind of an entry of the batch: `accrual` only if all are accruals.
        kind: text,
    }

    /// An event that was taken back.
    pub struct Reversed {
        /// Its sequence.
        reversed: bigint,
        /// The id of the event that took it back.
        by: text,
    }
}

/// An entry that is no accrual comes first. `$3` is the id of an event, or empty for any.
const EVENT_OF_BATCH: &str = "select e.bond_issue, e.event, (select count(distinct o.event) from entry o \
    where o.entity = $1 and o.batch = $2 and o.kind <> 'accrual'), e.kind \
    from entry e where e.entity = $1 and e.batch = $2 and ($3 = '' or e.event = $3) \
    order by case when e.kind = 'accrual' then 1 else 0 end, e.entry limit 1";

const REVERSED: &str = "select r.reversed, v.id from reversal r join event v on v.entity = r.entity \
    and v.bond_issue = r.bond_issue and v.sequence = r.sequence \
    where r.entity = $1 and r.bond_issue = $2 and r.sequence <= $3 order by r.reversed";

static FIRST_STANDING: Text = Text::new(|| {
    format!(
        "select {} from event v where v.entity = $1 and v.bond_issue = $2 \
         and v.kind not in ('issuance', 'opening_balance', 'accrual', 'rate_adjustment', 'reversal') and {STANDS} order by v.effective_date, v.sequence limit 1",
        EventRow::columns("v")
    )
});

/// The condition that the event `v` is not reversed.
pub(super) const STANDS: &str = "not exists (select 1 from reversal r where r.entity = v.entity \
    and r.bond_issue = v.bond_issue and r.reversed = v.sequence)";

static POSITION_BY: Text = Text::new(|| {
    format!(
        "select {} from position p where p.entity = $1 and p.bond_issue = $2 and p.date = \
         (select s.date from first_seen s where s.entity = $1 and s.bond_issue = $2 and s.axis = 'position' \
         and s.date <= $3 and s.sequence <= $4 order by s.date desc limit 1) \
         and p.sequence <= $4 order by p.sequence desc limit 1",
        PositionRow::columns("p")
    )
});

static RECLASSIFIED: Text = Text::new(|| {
    format!(
        "select {} from event v where v.entity = $1 and v.bond_issue = $2 and v.effective_date = $3 and v.sequence <= $4 \
         and v.kind = 'reclassification' and not exists (select 1 from reversal r where r.entity = v.entity \
         and r.bond_issue = v.bond_issue and r.reversed = v.sequence and r.sequence <= $4) order by v.sequence limit 1",
        EventRow::columns("v")
    )
});

impl Reader<'_> {
    /// The event behind a batch, or the one of its events that has this id.
    pub async fn event_of_batch(
        &mut self,
        entity: &str,
        batch: &str,
        event: Option<&str>,
    ) -> Result<Option<EventOfBatch>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(batch), Arg::Text(event.unwrap_or_default())];
        self.one(EVENT_OF_BATCH, &args).await
    }

    /// The events of an issue that were taken back as known at `known`: by sequence, each with the id of the event that did so.
    pub async fn reversed(
        &mut self,
        entity: &str,
        bond_issue: &str,
        known: i64,
    ) -> Result<HashMap<i64, String>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(known)];
        let rows: Vec<Reversed> = self.all(REVERSED, &args).await?;
        Ok(rows.into_iter().map(|row| (row.reversed, row.by)).collect())
    }

    /// The first event of an issue by date that rests on its issuance. Accruals and reversals do not, nor what these took back; nor
    /// do adjustments of the conversion rate, which have no entry and no batch by which they could be reversed first.
    pub async fn first_standing(&mut self, entity: &str, bond_issue: &str) -> Result<Option<EventRow>, StoreError> {
        self.one(&FIRST_STANDING, &[Arg::Text(entity), Arg::Text(bond_issue)]).await
    }

    /// The reclassification of an issue at a balance-sheet date that stands as known at a sequence.
    pub async fn reclassified(
        &mut self,
        entity: &str,
        bond_issue: &str,
        date: &str,
        known: i64,
    ) -> Result<Option<EventRow>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(bond_issue), Arg::Text(date), Arg::Int(known)];
        self.one(&RECLASSIFIED, &args).await
    }

    /// The position in force at a date as known at a sequence.
    pub async fn position_by(
        &mut self,
        entity: &str,
        bond_issue: &str,
        date: &str,
        known: i64,
    ) -> Result<Option<PositionRow>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(bond_issue), Arg::Text(date), Arg::Int(known)];
        self.one(&POSITION_BY, &args).await
    }
}
