//! Issuance: the debt is recognised at what was received for it.

use super::Decision;
use super::booking::{booked_rows, premium_discount_lines};
use crate::accounting::fiscal_calendar::FiscalCalendar;
use crate::accounting::instrument::{Instrument, Moment};
use crate::accounting::journal::{
    AccountRole, Derivation, Entry, EntryKind, MovementKind, Posting, credit, debit, signed,
};
use crate::accounting::money::Amount;
use crate::accounting::position::{Components, Position, PositionRow};
use crate::accounting::refusal::Refusal;

/// What only an issuance tells: interest computed to settlement less interest received, posted by the first accrual.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outcome {
    pub accrued_interest_computed: Amount,
    pub accrued_interest_received: Amount,
    /// The premium that is paid-in capital (ASC 470-20-25-13); mostly nothing.
    pub paid_in_capital: Amount,
}

/// Recognises an issue on its settlement date: Dr cash (proceeds + accrued interest - costs), discount, debt issue costs; Cr bonds
/// payable, premium, interest payable (ASC 835-30-45-1A, 470-20-25-12). A substantial premium that is paid-in capital goes there (ASC
/// 470-20-25-13).
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn decide(instrument: &Instrument, calendar: FiscalCalendar) -> Result<Decision<Outcome>, Refusal> {
    let terms = instrument.terms();
    let settlement = Moment::of_movement(terms.settlement_date);
    let computed = instrument.accrued_at_start()?;
    let received = terms.accrued_interest_received.unwrap_or(computed);
    let start = instrument.start();
    let premium_discount = start.clean.minus(terms.principal)?;
    let issue_costs = start.issue_costs.negated()?;
    let moved = Components {
        principal: terms.principal,
        premium_discount,
        issue_costs,
        interest_payable: received,
        interest_receivable: Amount::ZERO,
        equity_component: start.equity_component,
    };
    let row = PositionRow { principal: terms.principal, moved, ..PositionRow::before(terms.settlement_date) };
    let entry = entry(instrument, received, premium_discount)?;
    let posting_date = calendar.posting_date(terms.settlement_date);
    let postings: Vec<Posting> = entry
        .into_iter()
        .map(|entry| Posting {
            posting_date,
            effective_date: terms.settlement_date,
            movement_kind: MovementKind::Issuance,
            reverses: None,
            entry,
        })
        .collect();
    let booked_rows = booked_rows(&[], &postings, &[], &[], instrument.before_start())?;
    Ok(Decision {
        effective_date: terms.settlement_date,
        before: nothing(settlement),
        after: row.position(settlement, instrument)?,
        postings,
        position_rows: vec![row],
        coupon: None,
        rate: None,
        revised: None,
        booked_rows,
        outcome: Outcome {
            accrued_interest_computed: computed,
            accrued_interest_received: received,
            paid_in_capital: terms.premium_in_capital()?,
        },
    })
}

/// The position before anything is.
pub(super) fn nothing(moment: Moment) -> Position {
    Position {
        moment,
        principal: Amount::ZERO,
        premium_discount: Amount::ZERO,
        issue_costs: Amount::ZERO,
        interest_due: Amount::ZERO,
        interest_accrued: Amount::ZERO,
        interest_receivable: Amount::ZERO,
        equity_component: Amount::ZERO,
        surrendered: Components::default(),
    }
}

fn entry(instrument: &Instrument, received: Amount, premium_discount: Amount) -> Result<Option<Entry>, Refusal> {
    let terms = instrument.terms();
    let currency = terms.currency;
    let figure = |amount: Amount| amount.to_major(currency);
    let cash = Amount::total([terms.proceeds, received])?.minus(terms.issue_costs)?;
    let cash_rule = Derivation::new("proceeds + accrued interest received - issue costs", "ASC 835-30-45-1A")
        .with("proceeds", figure(terms.proceeds))
        .with("accrued_interest_received", figure(received))
        .with("issue_costs", figure(terms.issue_costs));
    let start = instrument.start();
    let in_capital = terms.premium_in_capital()?;
    let rules = match terms.straight_debt_rate {
        None => [
            match in_capital.is_zero() {
                true => Derivation::new("principal; no portion goes to the conversion feature", "ASC 470-20-25-12"),
                false => Derivation::new("principal; the premium is paid-in capital", "ASC 470-20-25-13"),
            },
            Derivation::new("proceeds in the debt - principal", "ASC 835-30-45-1A")
                .with("proceeds", figure(start.clean)),
            Derivation::new("issue costs, a deduction from the debt", "ASC 835-30-45-1A"),
        ],
        Some(rate) => [
            Derivation::new("principal of the liability component", "IAS 32.28"),
            Derivation::new("payments discounted at the rate of straight debt - principal", "IAS 32.31-32")
                .with("straight_debt_rate", rate)
                .with("liability", figure(start.clean)),
            Derivation::new("issue costs of the liability component", "IAS 32.38")
                .with("all_issue_costs", figure(terms.issue_costs)),
        ],
    };
    let [principal_rule, premium_rule, costs_rule] = rules.map(|rule| rule.with("principal", figure(terms.principal)));
    let costs_rule = costs_rule.with("issue_costs", figure(start.issue_costs));
    let equity_rule = Derivation::new("proceeds - liability, less its part of the issue costs", "IAS 32.31, 38")
        .with("proceeds", figure(terms.proceeds))
        .with("liability", figure(start.clean))
        .with("equity_issue_costs", figure(terms.issue_costs.minus(start.issue_costs)?));
    let capital_rule =
        Derivation::new("proceeds - what is repaid at maturity: a substantial premium", "ASC 470-20-25-13")
            .with("proceeds", figure(terms.proceeds))
            .with("repaid_at_maturity", figure(terms.repaid_at_maturity()?));
    let interest_rule =
        Derivation::new("interest accrued from the dated date to settlement, received from holders", "ASC 835-30-35-2")
            .with("dated_date", terms.dated_date)
            .with("settlement_date", terms.settlement_date);
    let mut lines = vec![
        signed(AccountRole::Cash, cash, "Proceeds received", cash_rule),
        debit(AccountRole::DebtIssueCosts, start.issue_costs, "Issue costs", costs_rule),
        credit(AccountRole::BondsPayable, terms.principal, "Principal issued", principal_rule)?,
        credit(AccountRole::InterestPayable, received, "Accrued interest received", interest_rule)?,
        credit(AccountRole::EquityComponent, start.equity_component, "Equity component", equity_rule)?,
        credit(AccountRole::AdditionalPaidInCapital, in_capital, "Substantial premium", capital_rule)?,
    ];
    let memo = ("Premium on issue", "Discount on issue");
    lines.extend(premium_discount_lines(Amount::ZERO, premium_discount, Amount::ZERO, memo, &premium_rule)?);
    let description = format!("Issue of {currency} {} bonds", figure(terms.principal));
    Entry::new(EntryKind::Issuance, description, lines)
}
