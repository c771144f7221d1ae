//! The journal lines of an issue's entries, each an amount of the row of its entry.

use super::columns::{Event, Journal};
use super::figures::Figure;
use crate::accounting::journal::{AccountRole, LinePart};
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::export::xlsx::cell::{Column, Held, Row};
use crate::reading::{EntryBooks, LineBooks};

/// The rows of an entry's lines. `figures` are those of its row among the entries, which is `at`.
pub(super) fn rows(
    entry: &EntryBooks,
    reference: &str,
    figures: &[(Event, Figure)],
    at: u32,
) -> Result<Vec<Row>, Refusal> {
    entry.lines.iter().map(|line| row(entry, line, reference, figures, at)).collect()
}

fn row(
    entry: &EntryBooks,
    line: &LineBooks,
    reference: &str,
    figures: &[(Event, Figure)],
    at: u32,
) -> Result<Row, Refusal> {
    let mut row = Row::default();
    row.text(Journal::Batch, entry.number.clone());
    let posted = &entry.row.posting_date;
    row.value(Journal::Posted, posted.parse().map_or_else(|_| Held::Text(posted.clone().into()), Held::Date));
    row.value(Journal::Entry, Held::Number(entry.row.entry.into()));
    row.value(Journal::Line, Held::Number(line.line.into()));
    row.text(Journal::Reference, reference.to_owned());
    row.text(Journal::Movement, entry.row.movement.clone());
    row.text(Journal::Role, line.role.clone());
    if let Some(account) = &line.account {
        row.text(Journal::Account, account.account.clone());
        row.text(Journal::Name, account.name.clone().unwrap_or_default());
    }
    let (column, amount, sign) = match line.amount.is_positive() {
        true => (Journal::Debit, line.amount, 1),
        false => (Journal::Credit, line.amount.negated()?, -1),
    };
    let parts: Vec<(i8, Event)> = parts(entry, line).into_iter().map(|(part, column)| (part * sign, column)).collect();
    let of =
        |column: Event| figures.iter().find(|(known, _)| *known == column).map_or(Amount::ZERO, |(_, it)| it.value);
    let total = parts.iter().try_fold(Amount::ZERO, |total, (sign, column)| match sign {
        1 => total.plus(of(*column)),
        _ => total.minus(of(*column)),
    })?;
    if total == amount && !parts.is_empty() {
        let formula: String = parts
            .iter()
            .map(|(sign, column)| format!("{}{}", if *sign == 1 { "+" } else { "-" }, column.of(at)))
            .collect();
        row.live(column, formula.trim_start_matches('+').to_owned(), Held::Amount(amount));
    } else {
        row.value(column, Held::Amount(amount));
    }
    row.text(Journal::Memo, line.memo.clone());
    row.text(Journal::Rule, line.derivation.rule.clone());
    row.text(Journal::Paragraph, line.derivation.paragraph.clone());
    Ok(row)
}

/// Of which figures of its entry a line's amount consists, debits positive.
fn parts(entry: &EntryBooks, line: &LineBooks) -> Vec<(i8, Event)> {
    let Some(role) = AccountRole::from_name(&line.role) else { return Vec::new() };
    let of_role = entry.lines.iter().filter(|other| other.role == line.role).count();
    let is_spread = |role: &str| {
        [AccountRole::PremiumOnBondsPayable, AccountRole::DiscountOnBondsPayable]
            .iter()
            .any(|known| known.name() == role)
    };
    match (role, line.part) {
        (AccountRole::InterestExpense, Some(LinePart::CouponInterest)) => vec![(1, Event::Coupon)],
        (AccountRole::InterestExpense, Some(LinePart::AmortizedSpread)) => vec![(1, Event::PremiumDiscount)],
        (AccountRole::InterestExpense, Some(LinePart::AmortizedIssueCosts)) => vec![(1, Event::IssueCosts)],
        (AccountRole::Cash | AccountRole::InterestPayable, Some(LinePart::CouponHandedOver)) if of_role > 1 => {
            vec![(if role == AccountRole::Cash { 1 } else { -1 }, Event::HandedOver)]
        }
        (AccountRole::Cash, Some(LinePart::AccruedInterestPaid)) if of_role > 1 => vec![(-1, Event::Accrued)],
        (AccountRole::Cash, Some(LinePart::BondsPaidFor)) if of_role > 1 => vec![(-1, Event::Given)],
        (AccountRole::Cash, Some(LinePart::CostsOfReacquisition)) if of_role > 1 => vec![(-1, Event::Less)],
        (AccountRole::Cash, Some(LinePart::CashForFractions | LinePart::InterestBeyondAccrued)) if of_role > 1 => {
            vec![(-1, Event::BesideCash)]
        }
        (AccountRole::InterestPayable, Some(LinePart::AccruedInterestPaid | LinePart::AccruedInterestForfeited))
            if of_role > 1 =>
        {
            vec![(1, Event::Accrued)]
        }
        (AccountRole::PremiumOnBondsPayable | AccountRole::DiscountOnBondsPayable, _) => {
            let of_both = entry.lines.iter().filter(|other| is_spread(&other.role)).count();
            if of_both == 1 { vec![(-1, Event::PremiumDiscount)] } else { Vec::new() }
        }
        _ if of_role > 1 => Vec::new(),
        (AccountRole::Cash, _) => vec![(1, Event::Cash)],
        (AccountRole::InterestReceivable, _) => vec![(1, Event::InterestReceivable)],
        (AccountRole::BondsPayable, _) => vec![(-1, Event::Principal)],
        (AccountRole::DebtIssueCosts, _) => vec![(-1, Event::IssueCosts)],
        (AccountRole::InterestPayable, _) => vec![(-1, Event::InterestPayable)],
        (AccountRole::InterestExpense, _) => vec![(1, Event::Coupon), (1, Event::Amortization)],
        (AccountRole::DebtConversionExpense, _) => vec![(1, Event::ConversionExpense)],
        (AccountRole::LossOnAmendmentOfConversionTerms, _) => vec![(1, Event::AmendmentLoss)],
        (AccountRole::GainOnExtinguishment | AccountRole::LossOnExtinguishment, _) => vec![(-1, Event::GainLoss)],
        (AccountRole::CommonStock, _) => vec![(-1, Event::CommonStock)],
        (AccountRole::TreasuryStock, _) => vec![(-1, Event::TreasuryStock)],
        (AccountRole::AdditionalPaidInCapital, _) => vec![(-1, Event::PaidIn)],
        (AccountRole::EquityComponent, _) => vec![(-1, Event::Equity)],
        (AccountRole::AccruedInducement | AccountRole::OpeningBalanceClearing, _) => vec![(-1, Event::Other)],
        (AccountRole::CurrentPortionOfBondsPayable | AccountRole::RetainedEarnings, _) => Vec::new(),
    }
}
