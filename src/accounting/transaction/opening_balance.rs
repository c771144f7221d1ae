//! Opening balance: an issue taken over in mid-life, at the close of a day.

use super::booking::{booked_rows, premium_discount_lines};
use super::issuance::nothing;
use super::{Books, Decision};
use crate::accounting::instrument::Opening;
use crate::accounting::journal::{
    AccountRole, Derivation, Entry, EntryKind, MovementKind, Posting, credit, debit, signed,
};
use crate::accounting::money::Amount;
use crate::accounting::position::{Components, PositionRow};
use crate::accounting::refusal::Refusal;

/// What only an opening balance tells: interest since the last coupon date, computed and as it was taken over. The first accrual posts
/// the difference.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outcome {
    pub interest_computed: Amount,
    pub interest_taken_over: Amount,
}

/// Takes over what is outstanding, against opening balance clearing: the receiving ledger holds these balances already. (Common
/// practice, no source.) The curve starts from the carrying amount taken over.
///
/// # Errors
/// [`Refusal::Overflow`]; [`Refusal::MissingField`] for an issue without an opening balance.
pub fn decide(books: &Books) -> Result<Decision<Outcome>, Refusal> {
    let instrument = &books.instrument;
    let opening = instrument.terms().opening.ok_or_else(|| {
        Refusal::missing("opening_balance", "an issue that is taken over states what stood at the close of a day")
    })?;
    let start = instrument.start().moment;
    let moved = Components {
        principal: opening.principal,
        premium_discount: opening.premium_discount,
        issue_costs: opening.issue_costs,
        interest_payable: opening.interest_payable,
        interest_receivable: Amount::ZERO,
        equity_component: opening.equity_component,
    };
    let row = PositionRow {
        principal: opening.principal,
        interest_due: opening.interest_due,
        moved,
        ..PositionRow::before(opening.date)
    };
    let posting_date = books.calendar.posting_date(opening.date);
    let posting = |entry| Posting {
        posting_date,
        effective_date: opening.date,
        movement_kind: MovementKind::OpeningBalance,
        reverses: None,
        entry,
    };
    let postings: Vec<Posting> = entry(books, &opening)?.into_iter().map(posting).collect();
    let booked_rows = booked_rows(&[], &postings, &[], &[], instrument.before_start())?;
    Ok(Decision {
        effective_date: opening.date,
        before: nothing(start),
        after: row.position(start, instrument)?,
        postings,
        position_rows: vec![row],
        coupon: None,
        rate: None,
        revised: None,
        booked_rows,
        outcome: Outcome {
            interest_computed: instrument.accrued_at_start()?,
            interest_taken_over: opening.interest_payable.minus(opening.interest_due)?,
        },
    })
}

fn entry(books: &Books, opening: &Opening) -> Result<Option<Entry>, Refusal> {
    let currency = books.instrument.terms().currency;
    let figure = |amount: Amount| amount.to_major(currency);
    let rule =
        Derivation::new("balances as they stood at the close of the day, taken over as stated", "common practice")
            .with("date", opening.date)
            .with("principal", figure(opening.principal))
            .with("premium_discount", figure(opening.premium_discount))
            .with("issue_costs", figure(opening.issue_costs))
            .with("interest_payable", figure(opening.interest_payable));
    let carrying = Amount::total([opening.principal, opening.premium_discount, opening.issue_costs])?;
    let cleared = Amount::total([carrying, opening.interest_payable, opening.equity_component])?;
    let mut lines = vec![
        signed(AccountRole::OpeningBalanceClearing, cleared, "Taken over", rule.clone()),
        debit(AccountRole::DebtIssueCosts, opening.issue_costs.negated()?, "Issue costs taken over", rule.clone()),
        credit(AccountRole::BondsPayable, opening.principal, "Principal taken over", rule.clone())?,
        credit(AccountRole::InterestPayable, opening.interest_payable, "Interest taken over", rule.clone())?,
        credit(AccountRole::EquityComponent, opening.equity_component, "Equity component taken over", rule.clone())?,
    ];
    let memo = ("Premium taken over", "Discount taken over");
    lines.extend(premium_discount_lines(Amount::ZERO, opening.premium_discount, Amount::ZERO, memo, &rule)?);
    let description = format!("{currency} {} of bonds taken over", figure(opening.principal));
    Entry::new(EntryKind::OpeningBalance, description, lines)
}
