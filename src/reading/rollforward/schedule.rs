//! A rollforward beside the schedules of its issues: where the books end, and whether their interest is reasonable.

use std::collections::HashMap;

use jiff::civil::Date;

use super::document::{InterestExpectation, InterestReasonableness, IssueInterest, TieOut};
use super::rolled::{Rolled, Scope};
use crate::accounting::journal::{MovementKind, REVERSAL_OF};
use crate::accounting::money::Amount;
use crate::accounting::position::Components;
use crate::accounting::refusal::Refusal;
use crate::document::rate;
use crate::posting;
use crate::reading::ReadError;
use crate::reading::carrying::{Valued, Walk};
use crate::reports::reasonableness::Reasonableness;
use crate::reports::rollforward::Sums;
use crate::reports::ties::{Check, Equality};
use crate::store::{Carrying, Reader};

/// What a walk through the schedules adds to a rollforward.
pub(super) struct Scheduled {
    pub tie_out: Vec<TieOut>,
    pub interest: InterestReasonableness,
}

/// Walks through the issues.
pub(super) async fn scheduled(
    scope: &Scope<'_>,
    rolled: &Rolled,
    reader: &mut Reader<'_>,
) -> Result<Scheduled, ReadError> {
    let Scope { entity, days: (from, to), known, currency } = *scope;
    let days = (from.to_string(), to.to_string());
    let mut changes: HashMap<String, Vec<(Date, Amount)>> = HashMap::new();
    for row in reader.carrying_changes(entity, (&days.0, &days.1), known, currency.code()).await? {
        let change = (posting::date(&row.effective_date)?, Amount::from_minor(row.carrying_amount));
        changes.entry(row.bond_issue).or_default().push(change);
    }
    let mut walk = Walk::begin(entity, to, known, reader).await?;
    let (mut scheduled, mut explained) = (Components::default(), Components::default());
    let (mut issues, mut total) = (Vec::new(), Reasonableness::default());
    loop {
        let page = walk.page(reader).await?;
        if page.is_empty() {
            break;
        }
        for rows in page.iter().filter(|rows| rows.issue.currency == currency.code()) {
            let Valued { instrument, value, .. } = walk.value(rows)?;
            // What is booked, with what is not accrued yet and what is posted later, is the schedule's position but for what nothing explains.
            let position = value.position.components()?;
            scheduled = scheduled.plus(&position)?;
            explained = explained.plus(&position.plus(&value.unexplained)?)?;
            let Carrying { issue, .. } = rows;
            let changes = changes.remove(&issue.id).unwrap_or_default();
            let opening = rolled.opening_of(&issue.id)?.carrying_amount()?;
            let accrued = accrued(rolled.movements_of(&issue.id))?;
            if changes.is_empty() && opening.is_zero() && accrued.is_zero() {
                continue;
            }
            let interest = Reasonableness::of(&instrument, (from, to), opening, changes, accrued)?;
            total = total.plus(&interest)?;
            issues.push(IssueInterest {
                bond_issue: issue.id.clone(),
                reference: issue.reference.clone(),
                effective_rate: rate(instrument.on(to).nominal_annual_rate()),
                interest: InterestExpectation::of(&interest, currency)?,
            });
        }
    }
    let carrying = (explained.carrying_amount()?, scheduled.carrying_amount()?);
    let checks = [
        Check::of(Equality::CarryingScheduled, carrying.0, carrying.1),
        Check::of(Equality::InterestScheduled, explained.interest_payable, scheduled.interest_payable),
        Check::of(Equality::EquityScheduled, explained.equity_component, scheduled.equity_component),
    ];
    Ok(Scheduled {
        tie_out: checks.iter().map(|check| TieOut::of(check, currency)).collect::<Result<_, _>>()?,
        interest: InterestReasonableness { issues, total: InterestExpectation::of(&total, currency)? },
    })
}

/// Interest expense of accruals, less what was taken back of it.
fn accrued(movements: &[(String, Sums)]) -> Result<Amount, Refusal> {
    let accrual = |name: &str| name.strip_prefix(REVERSAL_OF).unwrap_or(name) == MovementKind::Accrual.name();
    let accruals = movements.iter().filter(|(name, _)| accrual(name));
    accruals.map(|(_, sums)| sums.interest_expense()).try_fold(Amount::ZERO, |sum, amount| sum.plus(amount?))
}
