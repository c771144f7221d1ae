//! The figures of a rollforward.

use std::collections::BTreeMap;

use jiff::civil::Date;
use rust_decimal::Decimal;

use crate::accounting::Currency;
use crate::accounting::journal::AccountRole;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::reading::ReadError;
use crate::reports::rollforward::{self, MovementLine, Sums};
use crate::reports::ties::{self, Against, ByRole, Check};
use crate::store::{self, Reader};

/// How many rows are read at once.
const PAGE: i64 = 1_000;

/// The movements of each issue by id.
type Movements = BTreeMap<String, Vec<(String, Sums)>>;

/// Of which entity, days, knowledge and currency a rollforward is.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Scope<'a> {
    pub entity: &'a str,
    /// The first and the last.
    pub days: (Date, Date),
    /// The last command that is known.
    pub known: i64,
    pub currency: Currency,
}

/// What a rollforward is made of.
pub(crate) struct Rolled {
    /// The issues that there are, by id.
    pub issues: BTreeMap<String, RolledIssue>,
    opening: Movements,
    movements: Movements,
    pub total: Vec<MovementLine>,
    pub checks: Vec<Check>,
}

/// An issue of a rollforward.
pub(crate) struct RolledIssue {
    pub reference: String,
    /// What its booked row holds at the end.
    pub booked: Sums,
}

impl Rolled {
    /// Reads the figures of a period by posting date.
    pub async fn read(scope: &Scope<'_>, reader: &mut Reader<'_>) -> Result<Rolled, ReadError> {
        let Scope { entity, days: (from, to), known, currency } = *scope;
        let (first, last, code) = (from.to_string(), to.to_string(), currency.code());
        let opening = by_issue(reader.opening(entity, &first, known, code).await?)?;
        let movements = by_issue(reader.movements(entity, (&first, &last), known, code).await?)?;
        let eve = from.yesterday().unwrap_or(from).to_string();
        let before = booked(scope, &eve, reader).await?;
        let issues = booked(scope, &last, reader).await?;
        let (at_end, in_period) = by_role(scope, reader).await?;
        let total = rollforward::total(movements.values().map(Vec::as_slice))?;
        let total = rollforward::lines(&sum(opening.values().flatten())?, &total)?;
        let against = Against { booked_before: whole(&before)?, booked: whole(&issues)?, at_end, in_period };
        let checks = ties::checks(&total, &against)?;
        Ok(Rolled { issues, opening, movements, total, checks })
    }

    /// The lines of one issue.
    pub fn lines_of(&self, id: &str) -> Result<Vec<MovementLine>, Refusal> {
        rollforward::lines(&self.opening_of(id)?, self.movements.get(id).map_or(&[] as &[_], Vec::as_slice))
    }

    /// What one issue opens with.
    pub fn opening_of(&self, id: &str) -> Result<Sums, Refusal> {
        self.opening.get(id).map_or(Ok(Sums::default()), sum)
    }

    /// What moved of one issue, by the names under which movements are stored.
    pub fn movements_of(&self, id: &str) -> &[(String, Sums)] {
        self.movements.get(id).map_or(&[], Vec::as_slice)
    }
}

fn sum<'a>(sums: impl IntoIterator<Item = &'a (String, Sums)>) -> Result<Sums, Refusal> {
    sums.into_iter().try_fold(Sums::default(), |total, (_, sums)| total.plus(sums))
}

fn whole(issues: &BTreeMap<String, RolledIssue>) -> Result<Sums, Refusal> {
    issues.values().try_fold(Sums::default(), |total, issue| total.plus(&issue.booked))
}

/// The movements of each issue.
pub(in crate::reading) fn by_issue(rows: Vec<store::Movement>) -> Result<Movements, ReadError> {
    let mut issues = Movements::new();
    for row in rows {
        let sums = &row.sums;
        let amount = Amount::from_minor;
        // Fractions are counted in ten-billionths.
        let shares =
            Decimal::from(sums.shares).checked_add(Decimal::new(sums.shares_fraction, 10)).ok_or(Refusal::Overflow)?;
        issues.entry(row.bond_issue).or_default().push((
            row.movement,
            Sums {
                principal: amount(sums.principal),
                premium_discount: amount(sums.premium_discount),
                issue_costs: amount(sums.issue_costs),
                interest_payable: amount(sums.interest_payable),
                interest_receivable: amount(sums.interest_receivable),
                equity_component: amount(sums.equity_component),
                coupon_interest: amount(sums.coupon_interest),
                gain_loss: amount(sums.gain_loss),
                expense: amount(sums.expense),
                debt_conversion_expense: amount(sums.debt_conversion_expense),
                loss_on_amendment: amount(sums.loss_on_amendment),
                cash: amount(sums.cash),
                shares: shares.normalize(),
                paid_in_capital: amount(sums.paid_in_capital),
                common_stock: amount(sums.common_stock),
                treasury_stock: amount(sums.treasury_stock),
            },
        ));
    }
    Ok(issues)
}

/// The issues that there are, and what the booked row of each holds at a date.
async fn booked(
    scope: &Scope<'_>,
    as_of: &str,
    reader: &mut Reader<'_>,
) -> Result<BTreeMap<String, RolledIssue>, ReadError> {
    let (mut issues, mut after) = (BTreeMap::new(), String::new());
    loop {
        let page = reader.carrying_page(scope.entity, as_of, scope.known, &after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(issues) };
        after.clone_from(&last.issue.id);
        for row in page.into_iter().filter(|row| row.issue.currency == scope.currency.code()) {
            let booked = row.booked.map_or_else(Sums::default, |booked| Sums {
                principal: Amount::from_minor(booked.principal),
                premium_discount: Amount::from_minor(booked.premium_discount),
                issue_costs: Amount::from_minor(booked.issue_costs),
                interest_payable: Amount::from_minor(booked.interest_payable),
                interest_receivable: Amount::from_minor(booked.interest_receivable),
                equity_component: Amount::from_minor(booked.equity_component),
                ..Sums::default()
            });
            issues.insert(row.issue.id, RolledIssue { reference: row.issue.reference, booked });
        }
    }
}

/// What journal lines leave of each role at the end, and what those of the period come to, credit positive. Income and expense that is
/// closed to retained earnings is the same income and expense.
async fn by_role(scope: &Scope<'_>, reader: &mut Reader<'_>) -> Result<(ByRole, ByRole), ReadError> {
    let Scope { entity, days: (from, to), known, currency } = *scope;
    let (mut at_end, mut in_period) = (ByRole::default(), ByRole::default());
    for row in reader.role_balances(entity, (&from.to_string(), &to.to_string()), known, currency.code()).await? {
        if let Some(role) = AccountRole::from_name(&row.account_role) {
            let (before, all) = (Amount::from_minor(row.before), Amount::from_minor(row.at_end));
            at_end.0.insert(role, all.negated()?);
            in_period.0.insert(role, before.minus(all)?);
        }
    }
    Ok((at_end, in_period))
}
