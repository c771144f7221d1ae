//! What was posted to roles and released, by issue and posting date: what the ledger has in the accounts of these roles.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::batches::REJECTED;
use crate::store::read::{AMONG, Texts};
use crate::store::reader::{Arg, Reader};

cells! {
    /// The sum of an issue's released lines of a role on a posting date, debit positive.
    pub struct Released {
        /// The issue.
        bond_issue: text,
        /// The role.
        account_role: text,
        /// The posting date; of all dates before the one that was asked for, the empty text.
        posting_date: text,
        /// The sum.
        amount: bigint,
    }

    /// A batch whose newest release was rejected.
    pub struct RejectedBatch {
        /// The batch.
        batch: text,
        /// When it was rejected.
        sequence: bigint,
    }
}

/// Of one issue, or of all where $4 is empty. A batch that was not ready was released when it was posted.
static RELEASED: Texts = Texts::new(|| {
    AMONG.map(|among| {
        format!(
            "select e.bond_issue, l.account_role, case when e.posting_date < $3 then '' else e.posting_date end d, \
             cast(sum(l.amount) as bigint) \
             from line l join entry e on e.entity = l.entity and e.batch = l.batch and e.entry = l.entry \
             join batch b on b.entity = l.entity and b.id = l.batch \
             where l.entity = $1 and l.account_role {among} and ($4 = '' or e.bond_issue = $4) \
             and (b.ready = 0 or exists (select 1 from release r where r.entity = b.entity and r.batch = b.id)) \
             group by e.bond_issue, l.account_role, d order by e.bond_issue, l.account_role, d"
        )
    })
});

const REJECTED_SINCE: &str = "select a.batch, a.sequence from acknowledgement a where a.entity = $1 and a.status = $2 and a.sequence > $3 \
    and not exists (select 1 from release r where r.entity = a.entity and r.batch = a.batch and r.revision > a.revision) order by a.sequence";

impl Reader<'_> {
    /// What was released of some roles, by issue, role and posting date in that order; all that is before `from` in one sum.
    pub async fn released_by_role(
        &mut self,
        entity: &str,
        roles: &[&str],
        from: &str,
        bond_issue: Option<&str>,
    ) -> Result<Vec<Released>, StoreError> {
        let args = [Arg::Text(entity), Arg::Texts(roles), Arg::Text(from), Arg::Text(bond_issue.unwrap_or_default())];
        self.either(&RELEASED, &args).await
    }

    /// The batches that were rejected after a sequence and not released again, in that order.
    pub async fn rejected_since(&mut self, entity: &str, sequence: i64) -> Result<Vec<RejectedBatch>, StoreError> {
        self.all(REJECTED_SINCE, &[Arg::Text(entity), Arg::Text(REJECTED), Arg::Int(sequence)]).await
    }
}
