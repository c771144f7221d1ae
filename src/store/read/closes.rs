//! Closes of fiscal periods, and what a close looks at that no report does.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::Text;
use crate::store::read::reversals::STANDS;
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{EventRow, PeriodCloseRow};
use crate::store::table::Stored;

cells! {
    /// A role of a batch that was never released, and the issue it is of.
    pub struct UnreleasedRole {
        /// The batch's number.
        number: text,
        /// Its posting date.
        posting_date: text,
        /// The role.
        account_role: text,
        /// The issue.
        bond_issue: text,
    }

    /// What a role of an issue was debited less credited.
    pub struct PostedByRole {
        /// The issue.
        bond_issue: text,
        /// The role.
        account_role: text,
        /// Debits positive.
        amount: bigint,
    }

    /// The first and last posting dates of an entity.
    pub struct PostingDates {
        /// The first.
        first: maybe_text,
        /// The last.
        last: maybe_text,
    }
}

static CLOSES: Text = Text::new(|| {
    format!("select {} from period_close c where c.entity = $1 order by c.sequence", PeriodCloseRow::columns("c"))
});

const UNRELEASED: &str = "select distinct b.number, b.posting_date, l.account_role, e.bond_issue from batch b \
    join line l on l.entity = b.entity and l.batch = b.id \
    join entry e on e.entity = l.entity and e.batch = l.batch and e.entry = l.entry \
    where b.entity = $1 and b.ready = 1 and b.posting_date <= $2 \
    and not exists (select 1 from release r where r.entity = b.entity and r.batch = b.id) \
    order by b.number, l.account_role, e.bond_issue";

const POSTING_DATES: &str = "select (select e.posting_date from entry e where e.entity = $1 order by e.posting_date limit 1), \
    (select e.posting_date from entry e where e.entity = $1 order by e.posting_date desc limit 1)";

const POSTED_BY_ROLE: &str = "select e.bond_issue, l.account_role, cast(sum(l.amount) as bigint) from entry e \
    join line l on l.entity = e.entity and l.batch = e.batch and l.entry = e.entry \
    where e.entity = $1 and e.posting_date >= $2 and e.posting_date <= $3 and e.sequence <= $4 \
    group by e.bond_issue, l.account_role order by e.bond_issue, l.account_role";

/// What inverts them is a batch of its own for each.
const STANDING_CLOSINGS: &str = "select distinct e.batch from entry e \
    where e.entity = $1 and e.posting_date >= $2 and e.posting_date <= $3 and e.kind = 'closing' \
    and not exists (select 1 from batch r where r.entity = e.entity and r.reverses = e.batch) order by e.batch";

static UNSETTLED: Text = Text::new(|| {
    format!(
        "select {} from event v where v.entity = $1 and v.kind = 'inducement_acceptance' and v.effective_date <= $2 and {STANDS} \
         and not exists (select 1 from natural_key k where k.entity = v.entity and k.kind = 'acceptance' and k.reference = v.id) \
         order by v.effective_date, v.sequence",
        EventRow::columns("v")
    )
});

static REDEMPTIONS: Text = Text::new(|| {
    format!(
        "select {} from event v where v.entity = $1 and v.kind = 'redemption' and v.effective_date >= $2 and {STANDS} \
         order by v.effective_date, v.sequence",
        EventRow::columns("v")
    )
});

impl Reader<'_> {
    /// The closes and reopens of an entity, in the order in which they were recorded.
    pub async fn period_closes(&mut self, entity: &str) -> Result<Vec<PeriodCloseRow>, StoreError> {
        self.all(&CLOSES, &[Arg::Text(entity)]).await
    }

    /// The roles of batches posted by a date that were never released, by batch.
    pub async fn unreleased_roles(&mut self, entity: &str, through: &str) -> Result<Vec<UnreleasedRole>, StoreError> {
        self.all(UNRELEASED, &[Arg::Text(entity), Arg::Text(through)]).await
    }

    /// What each role of each issue was debited less credited between two posting dates, both included, as known at a sequence.
    pub async fn posted_by_role(
        &mut self,
        entity: &str,
        (from, through): (&str, &str),
        known: i64,
    ) -> Result<Vec<PostedByRole>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(from), Arg::Text(through), Arg::Int(known)];
        self.all(POSTED_BY_ROLE, &args).await
    }

    /// The ids of the batches of closing entries between two posting dates that are not taken back.
    pub async fn standing_closings(
        &mut self,
        entity: &str,
        (from, through): (&str, &str),
    ) -> Result<Vec<String>, StoreError> {
        self.all(STANDING_CLOSINGS, &[Arg::Text(entity), Arg::Text(from), Arg::Text(through)]).await
    }

    /// The first and last date on which anything of an entity is posted.
    pub async fn posting_dates(&mut self, entity: &str) -> Result<Option<PostingDates>, StoreError> {
        self.one(POSTING_DATES, &[Arg::Text(entity)]).await
    }

    /// The acceptances of offers by a date that stand and are not settled.
    pub async fn unsettled_acceptances(&mut self, entity: &str, through: &str) -> Result<Vec<EventRow>, StoreError> {
        self.all(&UNSETTLED, &[Arg::Text(entity), Arg::Text(through)]).await
    }

    /// The redemptions from a date on that stand.
    pub async fn redemptions(&mut self, entity: &str, from: &str) -> Result<Vec<EventRow>, StoreError> {
        self.all(&REDEMPTIONS, &[Arg::Text(entity), Arg::Text(from)]).await
    }
}
