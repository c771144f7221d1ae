//! Sums for reports. They are added up by the database, exactly: an overflow is an error, never a wrapped number.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::{Text, Texts};
use crate::store::reader::{Arg, Reader};

cells! {
    /// Sums of entries by component, in minor units and signed as the entries are.
    pub struct Sums {
        /// Sum of column `principal`.
        principal: bigint,
        /// Sum of column `premium_discount`.
        premium_discount: bigint,
        /// Sum of column `issue_costs`.
        issue_costs: bigint,
        /// Sum of column `interest_payable`.
        interest_payable: bigint,
        /// Sum of column `interest_receivable`.
        interest_receivable: bigint,
        /// Sum of column `equity_component`.
        equity_component: bigint,
        /// Sum of column `coupon_interest`.
        coupon_interest: bigint,
        /// Sum of column `gain_loss`.
        gain_loss: bigint,
        /// Sum of column `expense`.
        expense: bigint,
        /// Sum of column `cash`.
        cash: bigint,
        /// Sum of column `debt_conversion_expense`.
        debt_conversion_expense: bigint,
        /// Sum of column `loss_on_amendment`.
        loss_on_amendment: bigint,
        /// Sum of column `paid_in_capital`.
        paid_in_capital: bigint,
        /// Sum of column `common_stock`.
        common_stock: bigint,
        /// Sum of column `treasury_stock`.
        treasury_stock: bigint,
        /// Sum of the whole shares of column `shares`, each without its fraction.
        shares: bigint,
        /// Sum of the fractions of column `shares`, in ten-billionths; further decimals are not counted.
        shares_fraction: bigint,
    }

    /// One movement of an issue in a period.
    pub struct Movement {
        /// The issue.
        bond_issue: text,
        /// The movement, as the entries name it; empty for an opening balance.
        movement: text,
        /// What moved.
        sums: (Sums),
    }

    /// The batches that take part in a movement.
    pub struct BatchesOfMovement {
        /// The issue.
        bond_issue: text,
        /// The movement.
        movement: text,
        /// Their numbers, each once and in no order, between commas.
        numbers: text,
    }

    /// What an event moved that is effective by a date but posted after it.
    pub struct OutOfPeriod {
        /// The issue.
        bond_issue: text,
        /// The event's id.
        event: text,
        /// When it took effect.
        effective_date: text,
        /// When it was posted.
        posting_date: text,
        /// What moved.
        sums: (Sums),
    }

    /// What a batch moved of an issue by an event.
    pub struct MovedByBatch {
        /// The batch's number.
        number: text,
        /// The issue.
        bond_issue: text,
        /// The event's id.
        event: text,
        /// The kind of the entries.
        kind: text,
        /// When it took effect.
        effective_date: text,
        /// When it was posted.
        posting_date: text,
        /// What moved.
        sums: (Sums),
    }

    /// What the carrying amount of an issue changed by on a day, by what is posted in a period.
    pub struct CarryingChange {
        /// The issue.
        bond_issue: text,
        /// When it took effect.
        effective_date: text,
        /// The change.
        carrying_amount: bigint,
    }
}

/// Shares are decimal text. PostgreSQL computes with decimals; SQLite does not, and so takes the digits apart.
const SHARES: [[&str; 2]; 2] = [
    [
        "cast(e.shares as integer)",
        "case when instr(e.shares, '.') = 0 then 0 else \
         cast(substr(substr(e.shares, instr(e.shares, '.') + 1) || '0000000000', 1, 10) as integer) \
         * case when e.shares like '-%' then -1 else 1 end end",
    ],
    [
        "trunc(cast(e.shares as numeric))",
        "trunc((cast(e.shares as numeric) - trunc(cast(e.shares as numeric))) * 10000000000)",
    ],
];

fn sums([shares, fraction]: [&str; 2]) -> String {
    let columns = [
        "e.principal",
        "e.premium_discount",
        "e.issue_costs",
        "e.interest_payable",
        "e.interest_receivable",
        "e.equity_component",
        "e.coupon_interest",
        "e.gain_loss",
        "e.expense",
        "e.cash",
        "e.debt_conversion_expense",
        "e.loss_on_amendment",
        "e.paid_in_capital",
        "e.common_stock",
        "e.treasury_stock",
        shares,
        fraction,
    ];
    columns.map(|column| format!("cast(sum({column}) as bigint)")).join(", ")
}

/// What is posted in a period, as known at a sequence.
const POSTED: &str = "e.entity = $1 and e.posting_date >= $2 and e.posting_date <= $3 and e.sequence <= $4";

/// The arguments of that, and a currency.
fn posted<'a>(entity: &'a str, (from, to): (&'a str, &'a str), known: i64, currency: &'a str) -> [Arg<'a>; 5] {
    [Arg::Text(entity), Arg::Text(from), Arg::Text(to), Arg::Int(known), Arg::Text(currency)]
}

static MOVEMENTS: Texts = Texts::new(|| {
    SHARES.map(|shares| {
        format!(
            "select e.bond_issue, e.movement, {} from entry e join bond_issue i on i.entity = e.entity and i.id = e.bond_issue \
             where {POSTED} and i.currency = $5 \
             group by e.bond_issue, e.movement order by e.bond_issue, e.movement",
            sums(shares)
        )
    })
});

static OPENING: Texts = Texts::new(|| {
    SHARES.map(|shares| {
        format!(
            "select e.bond_issue, '', {} from entry e join bond_issue i on i.entity = e.entity and i.id = e.bond_issue \
             where e.entity = $1 and e.posting_date < $2 and e.sequence <= $3 and i.currency = $4 \
             group by e.bond_issue order by e.bond_issue",
            sums(shares)
        )
    })
});

/// `posting_date > effective_date` follows from the rest; it is there because the index has it as its condition.
fn out_of_period(shares: [&str; 2], issue: &str) -> String {
    format!(
        "select e.bond_issue, e.event, e.effective_date, e.posting_date, {} from entry e \
         where e.entity = $1 and e.posting_date > $2 and e.effective_date <= $2 and e.sequence <= $3 \
         and e.posting_date > e.effective_date {issue} \
         group by e.bond_issue, e.event, e.effective_date, e.posting_date \
         order by e.bond_issue, e.effective_date, e.posting_date, e.event",
        sums(shares)
    )
}

static OUT_OF_PERIOD: Texts = Texts::new(|| SHARES.map(|shares| out_of_period(shares, "")));
static OUT_OF_PERIOD_OF: Texts = Texts::new(|| SHARES.map(|shares| out_of_period(shares, "and e.bond_issue = $4")));

/// `posting_date > effective_date` follows here too.
static POSTED_LATE: Texts = Texts::new(|| {
    SHARES.map(|shares| {
        format!(
            "select b.number, e.bond_issue, e.event, e.kind, e.effective_date, e.posting_date, {} from entry e \
             join batch b on b.entity = e.entity and b.id = e.batch \
             where {POSTED} and e.effective_date < $2 and e.posting_date > e.effective_date and b.currency = $5 \
             group by e.bond_issue, e.effective_date, e.posting_date, b.sequence, b.ordinal, b.number, e.event, e.kind \
             order by e.bond_issue, e.effective_date, e.posting_date, b.sequence, b.ordinal, e.event, e.kind",
            sums(shares)
        )
    })
});

/// A batch takes part in a movement by each of its entries, but is named once. SQLite's separator of distinct values is a comma.
static BATCHES_OF_MOVEMENTS: Texts = Texts::new(|| {
    ["group_concat(distinct b.number)", "string_agg(distinct b.number, ',')"].map(|numbers| {
        format!(
            "select e.bond_issue, e.movement, {numbers} from entry e join batch b on b.entity = e.entity and b.id = e.batch \
             where {POSTED} and b.currency = $5 \
             group by e.bond_issue, e.movement"
        )
    })
});

/// Of a period by either date. Few batches are recorded after a period's close, so they come first.
static MOVED_SINCE: Texts = Texts::new(|| {
    SHARES.map(|shares| {
        format!(
            "select b.number, e.bond_issue, e.event, e.kind, e.effective_date, e.posting_date, {} from batch b \
             join entry e on e.entity = b.entity and e.batch = b.id \
             where b.entity = $1 and b.sequence > $4 and e.sequence <= $5 and b.currency = $6 \
             and ((e.posting_date >= $2 and e.posting_date <= $3) or (e.effective_date >= $2 and e.effective_date <= $3)) \
             group by b.sequence, b.ordinal, b.number, e.bond_issue, e.event, e.kind, e.effective_date, e.posting_date \
             order by b.sequence, b.ordinal, e.bond_issue, e.event, e.kind, e.effective_date",
            sums(shares)
        )
    })
});

static CARRYING_CHANGES: Text = Text::new(|| {
    format!(
        "select e.bond_issue, e.effective_date, cast(sum(e.principal + e.premium_discount + e.issue_costs) as bigint) \
         from entry e join bond_issue i on i.entity = e.entity and i.id = e.bond_issue where {POSTED} and i.currency = $5 \
         group by e.bond_issue, e.effective_date order by e.bond_issue, e.effective_date"
    )
});

impl Reader<'_> {
    /// What the carrying amounts changed by, of what is posted in a period, by issue and effective date, in that order.
    pub async fn carrying_changes(
        &mut self,
        entity: &str,
        period: (&str, &str),
        known: i64,
        currency: &str,
    ) -> Result<Vec<CarryingChange>, StoreError> {
        self.all(&CARRYING_CHANGES, &posted(entity, period, known, currency)).await
    }

    /// What moved in a period by posting date, both ends included: sums by issue and movement, in that order.
    pub async fn movements(
        &mut self,
        entity: &str,
        period: (&str, &str),
        known: i64,
        currency: &str,
    ) -> Result<Vec<Movement>, StoreError> {
        self.either(&MOVEMENTS, &posted(entity, period, known, currency)).await
    }

    /// What moved before a posting date: sums by issue. It reads every entry before that date, and so proves the booked
    /// rows from which an opening balance can be had at once.
    pub async fn opening(
        &mut self,
        entity: &str,
        before: &str,
        known: i64,
        currency: &str,
    ) -> Result<Vec<Movement>, StoreError> {
        self.either(&OPENING, &[Arg::Text(entity), Arg::Text(before), Arg::Int(known), Arg::Text(currency)]).await
    }

    /// The batches that take part in the movements of a period, by issue and movement, in no order.
    pub async fn batches_of_movements(
        &mut self,
        entity: &str,
        period: (&str, &str),
        known: i64,
        currency: &str,
    ) -> Result<Vec<BatchesOfMovement>, StoreError> {
        self.either(&BATCHES_OF_MOVEMENTS, &posted(entity, period, known, currency)).await
    }

    /// What batches recorded after the sequence `since` moved that is effective in a period or posted in it, in order.
    pub async fn moved_since(
        &mut self,
        entity: &str,
        (from, to): (&str, &str),
        (since, known): (i64, i64),
        currency: &str,
    ) -> Result<Vec<MovedByBatch>, StoreError> {
        let args =
            [Arg::Text(entity), Arg::Text(from), Arg::Text(to), Arg::Int(since), Arg::Int(known), Arg::Text(currency)];
        self.either(&MOVED_SINCE, &args).await
    }

    /// What batches posted in a period moved that is effective before it, by issue and dates.
    pub async fn posted_late(
        &mut self,
        entity: &str,
        period: (&str, &str),
        known: i64,
        currency: &str,
    ) -> Result<Vec<MovedByBatch>, StoreError> {
        self.either(&POSTED_LATE, &posted(entity, period, known, currency)).await
    }

    /// What is effective by `as_of` but posted after it, by event and dates; of one issue, or of all.
    pub async fn out_of_period(
        &mut self,
        entity: &str,
        bond_issue: Option<&str>,
        as_of: &str,
        known: i64,
    ) -> Result<Vec<OutOfPeriod>, StoreError> {
        let mut args = vec![Arg::Text(entity), Arg::Text(as_of), Arg::Int(known)];
        args.extend(bond_issue.map(Arg::Text));
        self.either(if bond_issue.is_some() { &OUT_OF_PERIOD_OF } else { &OUT_OF_PERIOD }, &args).await
    }
}
