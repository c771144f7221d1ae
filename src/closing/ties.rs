//! What does not tie, issue by issue and in the rollforward.

use super::{Closing, Issue, difference, in_the_way};
use crate::accounting::Currency;
use crate::accounting::money::Amount;
use crate::accounting::position::Components;
use crate::document::{InTheWay, money};
use crate::posting::RecordError;
use crate::reading::{Rolled, Scope};
use crate::reports::carrying_value::CarryingValue;
use crate::store::Reader;

const VERIFY: &str = "rows were changed or lost outside this service; run `parwright verify` and restore them";

/// Whether an issue is booked as it is computed, before the accrual of the close and after it.
pub(super) fn carrying_value(
    closing: &Closing<'_>,
    issue: &Issue<'_>,
    value: &CarryingValue,
    accrued: Option<&Components>,
    found: &mut Vec<InTheWay>,
) -> Result<(), RecordError> {
    for (name, amount) in components(&value.unexplained).into_iter().filter(|(_, amount)| !amount.is_zero()) {
        let detail = format!(
            "the {name} of {} that is booked on {} is {} off what is computed; {VERIFY}",
            issue.reference,
            closing.through,
            money(amount, issue.currency)
        );
        found.push(off(
            issue.in_the_way("carrying_value_does_not_tie", closing.through, detail),
            amount,
            issue.currency,
        ));
    }
    // What is computed is the position less what is effective by then and posted later.
    let computed = value.booked.plus(&value.unaccrued)?.minus(&value.unexplained)?;
    let left = match accrued {
        Some(booked) => booked.minus(&computed)?,
        None => Components::default().minus(&value.unaccrued)?,
    };
    for (name, amount) in components(&left).into_iter().filter(|(_, amount)| !amount.is_zero()) {
        let detail = format!(
            "an accrual of {} through {} would leave the {name} {} off what is computed",
            issue.reference,
            closing.through,
            money(amount, issue.currency)
        );
        found.push(off(issue.in_the_way("accrual_does_not_tie", closing.through, detail), amount, issue.currency));
    }
    Ok(())
}

fn components(of: &Components) -> [(&'static str, Amount); 6] {
    [
        ("principal", of.principal),
        ("premium or discount", of.premium_discount),
        ("issue costs", of.issue_costs),
        ("interest payable", of.interest_payable),
        ("interest receivable", of.interest_receivable),
        ("equity component", of.equity_component),
    ]
}

fn off(item: InTheWay, amount: Amount, currency: Currency) -> InTheWay {
    InTheWay { amount: Some(money(amount, currency)), currency: Some(currency.code().to_owned()), ..item }
}

/// Whether the rollforward of all that the close locks ties, in each currency: by issue to what is booked, in total to journal lines.
pub(super) async fn rollforwards(
    closing: &Closing<'_>,
    reader: &mut Reader<'_>,
    found: &mut Vec<InTheWay>,
) -> Result<(), RecordError> {
    for code in reader.currencies(closing.entity, closing.known).await? {
        let unknown = || RecordError::corrupt("currency", "a code that is not in ISO 4217");
        let currency = Currency::from_code(&code).ok_or_else(unknown)?;
        let days = (closing.from(), closing.through);
        let scope = Scope { entity: closing.entity, days, known: closing.known, currency };
        let rolled = Rolled::read(&scope, reader).await?;
        for (id, rolled_issue) in &rolled.issues {
            let issue = Issue { id, reference: &rolled_issue.reference, currency };
            let lines = rolled.lines_of(id)?;
            let (Some(closing_line), booked) = (lines.last(), &rolled_issue.booked) else { continue };
            let moved = &closing_line.sums;
            for (name, left, right) in [
                ("carrying amount", moved.carrying_amount()?, booked.carrying_amount()?),
                ("interest payable", moved.interest_payable, booked.interest_payable),
                ("interest receivable", moved.interest_receivable, booked.interest_receivable),
                ("equity component", moved.equity_component, booked.equity_component),
            ] {
                let Some(amount) = difference(left, right)? else { continue };
                let detail = format!(
                    "closing = booked: {name}: the entries of {} leave {}, and {} is booked; {VERIFY}",
                    issue.reference,
                    money(left, currency),
                    money(right, currency)
                );
                let item = issue.in_the_way("rollforward_does_not_tie", closing.through, detail);
                found.push(off(item, amount, currency));
            }
        }
        for check in &rolled.checks {
            let Some(amount) = difference(check.left, check.right)? else { continue };
            let (left, right) = (money(check.left, currency), money(check.right, currency));
            let detail = format!("{}: {left} against {right}; {VERIFY}", check.check);
            found.push(off(in_the_way("rollforward_does_not_tie", closing.through, detail), amount, currency));
        }
    }
    Ok(())
}
