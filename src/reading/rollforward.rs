//! The rollforward of a period.

use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::sync::Arc;

use jiff::civil::Date;
use rust_decimal::Decimal;
use serde::Serialize;
use utoipa::ToSchema;

use super::closed_rollforward::{ChangedSinceClose, View};
use super::{Known, Library, ReadError, known};
use crate::accounting::Currency;
use crate::accounting::journal::AccountRole;
use crate::accounting::money::Amount;
use crate::accounting::refusal::Refusal;
use crate::document::wire::Timestamp;
use crate::document::{WaiverDocument, money};
use crate::reports::rollforward::{self, ByRole, MovementLine, Sums};
use crate::store::{self, Reader};

/// How many rows are read at once.
const PAGE: i64 = 1_000;

/// The rollforward of an entity's debt over a period, by issue and in total.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct RollforwardDocument {
    pub entity: String,
    /// The fiscal period, where one was asked for.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<String>,
    /// Of a fiscal period: as it was closed, or as it is now.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub view: Option<View>,
    /// When the period was closed last; absent if it never was.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub closed_at: Option<String>,
    pub from: String,
    pub to: String,
    pub currency: String,
    /// Currencies of issues that are left out; ask for them with `currency`.
    pub other_currencies: Vec<String>,
    pub known_at: String,
    pub issues: Vec<IssueRollforward>,
    pub total: Vec<RollforwardLine>,
    pub tie_out: Vec<TieOut>,
    /// What was expected, not recorded, and waived when the period was closed last.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub waivers: Option<Vec<WaiverDocument>>,
    /// Of the current view of a period that was closed: what was recorded since and is effective in it or posted in it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub changed_since_close: Option<Vec<ChangedSinceClose>>,
    pub caution: String,
}

/// The lines of one issue.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct IssueRollforward {
    pub bond_issue: String,
    pub reference: String,
    pub lines: Vec<RollforwardLine>,
}

/// One movement. Signed as the liability: credit positive.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct RollforwardLine {
    #[schema(example = "amortization")]
    pub movement: String,
    /// The movement that a reversal takes back.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reverses_movement: Option<String>,
    pub principal: String,
    pub premium_discount: String,
    pub issue_costs: String,
    pub carrying_amount: String,
    pub interest_payable: String,
    pub interest_receivable: String,
    /// Of convertible issues under IFRS; absent where there is none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub equity_component: Option<String>,
    pub gain_loss: String,
    pub expense: String,
    pub cash: String,
    pub shares: String,
    pub paid_in_capital: String,
    /// The numbers of the batches that it is made of.
    // Most issues share them: those of ten years' months would take more memory than everything else.
    #[schema(value_type = Vec<String>)]
    pub batches: Arc<[String]>,
}

/// One check.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct TieOut {
    pub check: String,
    pub left: String,
    pub right: String,
    pub difference: String,
    pub passed: bool,
}

pub(super) type Movements = BTreeMap<String, Vec<(String, Sums)>>;
type Batches = HashMap<(String, String), Arc<[String]>>;

impl Library {
    /// The rollforward by posting date, from the close of the day before `from` to the close of `to`.
    ///
    /// # Errors
    /// [`RecordError::NotFound`](crate::posting::RecordError::NotFound), or a period that ends before it begins.
    pub async fn rollforward(
        &self,
        entity: &str,
        (from, to): (Date, Date),
        at: Option<Timestamp>,
        currency: Option<Currency>,
    ) -> Result<RollforwardDocument, ReadError> {
        if to < from {
            return Err(Refusal::contradiction("to", format!("to {to} is before from {from}")).into());
        }
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let (_, currency) = super::entity_in(&mut reader, entity, currency).await?;
        let known = known(&mut reader, entity, at).await?;
        report(entity, (from, to), known, currency, &mut reader).await
    }
}

/// The report, of what is read.
pub(super) async fn report(
    entity: &str,
    (from, to): (Date, Date),
    known: Known,
    currency: Currency,
    reader: &mut Reader<'_>,
) -> Result<RollforwardDocument, ReadError> {
    let rolled = Rolled::read(entity, (from, to), known.sequence, currency, reader).await?;
    let period = (from.to_string(), to.to_string());
    let batches = batches(reader, entity, (&period.0, &period.1), known.sequence, currency).await?;
    let mut issues = Vec::new();
    for (id, issue) in &rolled.issues {
        let of = |stored: &str| batches.get(&(id.clone(), stored.to_owned())).cloned().unwrap_or_default();
        let lines = rolled.lines_of(id)?;
        let lines = lines.iter().map(|line| shown(line, currency, of)).collect::<Result<_, _>>()?;
        issues.push(IssueRollforward { bond_issue: id.clone(), reference: issue.reference.clone(), lines });
    }
    let of = |stored: &str| {
        let of_movement = batches.iter().filter(|((_, movement), _)| movement == stored);
        let numbers: BTreeSet<&String> = of_movement.flat_map(|(_, numbers)| numbers.iter()).collect();
        numbers.into_iter().cloned().collect()
    };
    Ok(RollforwardDocument {
        entity: entity.to_owned(),
        period: None,
        view: None,
        closed_at: None,
        from: period.0,
        to: period.1,
        currency: currency.code().to_owned(),
        other_currencies: super::other_currencies(reader, entity, known, currency).await?,
        known_at: known.text(),
        issues,
        total: rolled.total.iter().map(|line| shown(line, currency, of)).collect::<Result<_, _>>()?,
        tie_out: rolled.checks.iter().map(|check| tie_out(check, currency)).collect::<Result<_, _>>()?,
        waivers: None,
        changed_since_close: None,
        caution: super::CAUTION.to_owned(),
    })
}

/// What a rollforward is made of.
pub(crate) struct Rolled {
    /// The issues that there are, by id.
    pub issues: BTreeMap<String, RolledIssue>,
    opening: Movements,
    movements: Movements,
    total: Vec<MovementLine>,
    pub checks: Vec<rollforward::Check>,
}

/// An issue of a rollforward.
pub(crate) struct RolledIssue {
    pub reference: String,
    /// What its booked row holds at the end.
    pub booked: Sums,
}

impl Rolled {
    /// Reads the figures of a period by posting date.
    pub async fn read(
        entity: &str,
        (from, to): (Date, Date),
        known: i64,
        currency: Currency,
        reader: &mut Reader<'_>,
    ) -> Result<Rolled, ReadError> {
        let (first, last) = (from.to_string(), to.to_string());
        let opening = by_issue(&reader.opening(entity, &first, known, currency.code()).await?)?;
        let movements = by_issue(&reader.movements(entity, (&first, &last), known, currency.code()).await?)?;
        let issues = booked(reader, entity, &last, known, currency).await?;
        let at_end = roles(reader, entity, &last, known, currency).await?;
        let eve = from.yesterday().unwrap_or(from).to_string();
        let before = roles(reader, entity, &eve, known, currency).await?;
        let by_role = ByRole { expense: at_end.expense.minus(before.expense)?, ..at_end };
        let booked = issues.values().try_fold(Sums::default(), |total, issue| total.plus(&issue.booked))?;
        let total = rollforward::total(movements.values().map(Vec::as_slice))?;
        let total = rollforward::lines(&sum(opening.values().flatten())?, &total)?;
        let checks = rollforward::checks(&total, &booked, &by_role)?;
        Ok(Rolled { issues, opening, movements, total, checks })
    }

    /// The lines of one issue.
    pub fn lines_of(&self, id: &str) -> Result<Vec<MovementLine>, Refusal> {
        let opening = self.opening.get(id).map_or(Ok(Sums::default()), sum)?;
        rollforward::lines(&opening, self.movements.get(id).map_or(&[] as &[_], Vec::as_slice))
    }
}

fn sum<'a>(sums: impl IntoIterator<Item = &'a (String, Sums)>) -> Result<Sums, Refusal> {
    sums.into_iter().try_fold(Sums::default(), |total, (_, sums)| total.plus(sums))
}

/// The movements of each issue.
pub(super) fn by_issue(rows: &[store::Movement]) -> Result<Movements, ReadError> {
    let mut issues = Movements::new();
    for row in rows {
        let sums = &row.sums;
        let amount = Amount::from_minor;
        // Fractions are counted in ten-billionths.
        let shares =
            Decimal::from(sums.shares).checked_add(Decimal::new(sums.shares_fraction, 10)).ok_or(Refusal::Overflow)?;
        issues.entry(row.bond_issue.clone()).or_default().push((
            row.movement.clone(),
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
                cash: amount(sums.cash),
                shares: shares.normalize(),
                paid_in_capital: amount(sums.paid_in_capital),
            },
        ));
    }
    Ok(issues)
}

async fn batches(
    reader: &mut Reader<'_>,
    entity: &str,
    period: (&str, &str),
    known: i64,
    currency: Currency,
) -> Result<Batches, ReadError> {
    let found = reader.batches_of_movements(entity, period, known, currency.code()).await?;
    let mut shared: HashMap<String, Arc<[String]>> = HashMap::new();
    let mut sorted = |numbers: String| {
        let list = shared.entry(numbers).or_insert_with_key(|numbers| {
            let mut numbers: Vec<String> = numbers.split(',').map(str::to_owned).collect();
            numbers.sort_unstable();
            numbers.into()
        });
        Arc::clone(list)
    };
    Ok(found.into_iter().map(|row| ((row.bond_issue, row.movement), sorted(row.numbers))).collect())
}

/// The issues that there are, and what the booked row of each holds at a date.
async fn booked(
    reader: &mut Reader<'_>,
    entity: &str,
    as_of: &str,
    known: i64,
    currency: Currency,
) -> Result<BTreeMap<String, RolledIssue>, ReadError> {
    let (mut issues, mut after) = (BTreeMap::new(), String::new());
    loop {
        let page = reader.carrying_page(entity, as_of, known, &after, PAGE).await?;
        let Some(last) = page.last() else { return Ok(issues) };
        after.clone_from(&last.issue.id);
        for row in page.into_iter().filter(|row| row.issue.currency == currency.code()) {
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

/// The balances of the roles that a rollforward ties to; of expense, what was debited up to the date.
async fn roles(
    reader: &mut Reader<'_>,
    entity: &str,
    as_of: &str,
    known: i64,
    currency: Currency,
) -> Result<ByRole, ReadError> {
    let (mut carrying, mut interest, mut expense) = (Amount::ZERO, Amount::ZERO, Amount::ZERO);
    for side in reader.trial_balance(entity, as_of, known, currency.code()).await? {
        let balance = Amount::from_minor(side.credit).minus(Amount::from_minor(side.debit))?;
        match AccountRole::from_name(&side.account_role) {
            Some(
                AccountRole::BondsPayable
                | AccountRole::PremiumOnBondsPayable
                | AccountRole::DiscountOnBondsPayable
                | AccountRole::DebtIssueCosts
                | AccountRole::CurrentPortionOfBondsPayable,
            ) => carrying = carrying.plus(balance)?,
            Some(AccountRole::InterestPayable) => interest = interest.plus(balance)?,
            Some(
                AccountRole::InterestExpense
                | AccountRole::DebtConversionExpense
                | AccountRole::LossOnAmendmentOfConversionTerms,
            ) => expense = expense.minus(balance)?,
            _ => {}
        }
    }
    Ok(ByRole { carrying_amount: carrying, interest_payable: interest, expense })
}

fn shown(
    line: &MovementLine,
    currency: Currency,
    batches: impl Fn(&str) -> Arc<[String]>,
) -> Result<RollforwardLine, Refusal> {
    let sums = &line.sums;
    let figure = |amount| money(amount, currency);
    Ok(RollforwardLine {
        movement: line.movement.to_owned(),
        reverses_movement: line.reverses_movement.map(str::to_owned),
        principal: figure(sums.principal),
        premium_discount: figure(sums.premium_discount),
        issue_costs: figure(sums.issue_costs),
        carrying_amount: figure(sums.carrying_amount()?),
        interest_payable: figure(sums.interest_payable),
        interest_receivable: figure(sums.interest_receivable),
        equity_component: (!sums.equity_component.is_zero()).then(|| figure(sums.equity_component)),
        gain_loss: figure(sums.gain_loss),
        expense: figure(sums.expense),
        cash: figure(sums.cash),
        shares: sums.shares.normalize().to_string(),
        paid_in_capital: figure(sums.paid_in_capital),
        batches: line.stored.as_deref().map(batches).unwrap_or_default(),
    })
}

fn tie_out(check: &rollforward::Check, currency: Currency) -> Result<TieOut, Refusal> {
    let difference = check.left.minus(check.right)?;
    Ok(TieOut {
        check: check.check.to_owned(),
        left: money(check.left, currency),
        right: money(check.right, currency),
        difference: money(difference, currency),
        passed: difference.is_zero(),
    })
}
