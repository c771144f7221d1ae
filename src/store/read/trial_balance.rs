//! What journal lines leave of account roles.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::Text;
use crate::store::reader::{Arg, Reader};

cells! {
    /// What journal lines leave of an account role, debit positive.
    pub struct RoleBalance {
        /// The role.
        account_role: text,
        /// The sum of what is posted before the first day.
        before: bigint,
        /// The sum of what is posted by the last.
        at_end: bigint,
    }

    /// The two sides of an account role.
    pub struct Side {
        /// The role.
        account_role: text,
        /// The sum of its debits, positive.
        debit: bigint,
        /// The sum of its credits, positive.
        credit: bigint,
    }
}

/// Lines hold roles and signed amounts, debits positive; the batch has the posting date and the currency. Events that share a batch are
/// known one after the other, by the sequences of their entries. `cross join` keeps SQLite to the order of the tables, in which each is
/// read along its key: beginning with the lines it would look up the entry and the batch of every one.
fn by_role(sums: &str, condition: &str) -> String {
    format!(
        "select l.account_role, {sums} from batch b cross join entry e cross join line l \
         where b.entity = $1 and b.posting_date <= $2 and b.currency = $4 \
         and e.entity = b.entity and e.batch = b.id and e.sequence <= $3 {condition} \
         and l.entity = e.entity and l.batch = e.batch and l.entry = e.entry \
         group by l.account_role order by l.account_role"
    )
}

static TRIAL_BALANCE: Text = Text::new(|| {
    let sides = "cast(sum(case when l.amount > 0 then l.amount else 0 end) as bigint), \
                 cast(sum(case when l.amount < 0 then -l.amount else 0 end) as bigint)";
    by_role(sides, "")
});

static ROLE_BALANCES: Text = Text::new(|| {
    let sums =
        "cast(sum(case when b.posting_date < $5 then l.amount else 0 end) as bigint), cast(sum(l.amount) as bigint)";
    by_role(sums, "and e.movement not in ('year_end_closing', 'reversal of year_end_closing')")
});

impl Reader<'_> {
    /// Debits and credits by account role of all batches posted by `as_of`, as known at `known`.
    pub async fn trial_balance(
        &mut self,
        entity: &str,
        as_of: &str,
        known: i64,
        currency: &str,
    ) -> Result<Vec<Side>, StoreError> {
        self.all(&TRIAL_BALANCE, &[Arg::Text(entity), Arg::Text(as_of), Arg::Int(known), Arg::Text(currency)]).await
    }

    /// What is left of each role before the first of some days and at the close of the last, as known at `known`. Without what closed years
    /// to retained earnings, and what took that back: of income and expense it is what was posted to them.
    pub async fn role_balances(
        &mut self,
        entity: &str,
        (from, to): (&str, &str),
        known: i64,
        currency: &str,
    ) -> Result<Vec<RoleBalance>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(to), Arg::Int(known), Arg::Text(currency), Arg::Text(from)];
        self.all(&ROLE_BALANCES, &args).await
    }
}
