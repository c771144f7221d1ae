//! Conversions and inducements: the whole batch that an event posts, accruals apart, line by line.

use parwright::accounting::Amount;
use parwright::accounting::instrument::SettlementType;
use parwright::accounting::journal::{EntryKind, Line, Posting};
use parwright::accounting::transaction::conversion::{self, Conversion};
use parwright::accounting::transaction::coupon_payment::CouponPayment;
use parwright::accounting::transaction::criteria::{Criteria, Standard};
use parwright::accounting::transaction::inducement::{Accounting, Completion, Offer};
use parwright::accounting::transaction::{Books, DailyPrice, FractionalShares, Settlement, ShareSource};
use rust_decimal::Decimal;
use serde::Deserialize;

use super::case::{Status, decimal};
use super::life::issued;
use super::terms::{TermsData, amount, day, usd};

/// One issue and what happens to it.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Run {
    pub about: String,
    pub terms: TermsData,
    steps: Vec<Step>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Step {
    action: Action,
    /// Every line, in exact amounts. A source's account may be several roles of ours.
    batch: Vec<LineData>,
    #[serde(default)]
    outcome: Vec<OutcomeData>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields, rename_all = "snake_case")]
enum Action {
    PayCoupon {
        coupon_date: String,
    },
    Convert {
        effective_date: String,
        principal: String,
        share_price: Option<String>,
        cash: Option<String>,
        shares: Option<String>,
        #[serde(default)]
        daily_prices: Vec<DailyData>,
    },
    /// Accepted and converted on one date, all criteria met.
    Induce {
        date: String,
        principal: String,
        new_shares_per_denomination: String,
        acceptance_share_price: String,
    },
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct DailyData {
    date: String,
    price: String,
}

impl DailyData {
    fn price(&self) -> Result<DailyPrice, String> {
        Ok(DailyPrice { date: day(&self.date)?, price: decimal(&self.price)? })
    }
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct LineData {
    roles: Vec<String>,
    side: String,
    amount: String,
    status: Status,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct OutcomeData {
    figure: String,
    shown: String,
    status: Status,
}

type Outcome = Vec<(&'static str, Decimal)>;

/// What of a run does not hold.
pub fn failures(run: &Run) -> Vec<String> {
    let failures = run_steps(run).unwrap_or_else(|problem| vec![problem.to_string()]);
    failures.into_iter().map(|failure| format!("{}: {failure}", run.about)).collect()
}

fn run_steps(run: &Run) -> Result<Vec<String>, Box<dyn std::error::Error>> {
    let mut books = issued(&run.terms, Decimal::ONE)?;
    let mut failures = Vec::new();
    for step in &run.steps {
        let (after, postings, outcome) = step.action.run(&books)?;
        failures.extend(
            step.check(&postings, &outcome)?.into_iter().map(|failure| format!("{:?}: {failure}", step.action)),
        );
        books = after;
    }
    Ok(failures)
}

impl Action {
    fn run(&self, books: &Books) -> Result<(Books, Vec<Posting>, Outcome), Box<dyn std::error::Error>> {
        match self {
            Action::PayCoupon { coupon_date } => {
                let decision = CouponPayment { coupon_date: day(coupon_date)?, paid_on: None }.decide(books, false)?;
                Ok((books.after(&decision), decision.postings, Vec::new()))
            }
            Action::Convert { effective_date, principal, share_price, cash, shares, daily_prices } => {
                let settlement = match cash {
                    Some(cash) => Some(Settlement {
                        kind: SettlementType::Combination,
                        cash: Some(major(cash)?),
                        shares: shares.as_deref().map(decimal).transpose()?,
                    }),
                    None => None,
                };
                let conversion = Conversion {
                    make_whole: None,
                    method: conversion::Method::BookValue,
                    source: ShareSource::NewShares,
                    daily_prices: daily_prices.iter().map(DailyData::price).collect::<Result<_, _>>()?,
                    effective_date: day(effective_date)?,
                    principal: major(principal)?,
                    share_price: share_price.as_deref().map(decimal).transpose()?,
                    settlement,
                    fractional_shares: FractionalShares::Cash,
                };
                let decision = conversion.decide(books)?;
                let outcome = converted(&decision.outcome);
                Ok((books.after(&decision), decision.postings, outcome))
            }
            Action::Induce { date, principal, new_shares_per_denomination, acceptance_share_price } => {
                let met = Criteria {
                    standard: Standard::Asu202404,
                    shares_one_year_before: None,
                    limited_time: true,
                    preserves_form_and_amount: true,
                    substantive_at_issuance: true,
                    substantive_at_acceptance: true,
                };
                let offer = Offer {
                    acceptance_date: day(date)?,
                    principal: major(principal)?,
                    acceptance_share_price: Some(decimal(acceptance_share_price)?),
                    new_shares_per_denomination: Some(decimal(new_shares_per_denomination)?),
                    cash: None,
                    other_consideration: None,
                    criteria: Some(met),
                };
                let completion = Completion {
                    effective_date: day(date)?,
                    share_price: None,
                    settlement: None,
                    fractional_shares: FractionalShares::Cash,
                };
                let decision = offer.accept_and_complete(&completion, books)?;
                let assessment = decision.outcome.assessment.clone();
                if assessment.accounting != Accounting::InducedConversion {
                    return Err("it is no induced conversion".into());
                }
                let mut outcome = decision.outcome.conversion.as_ref().map_or_else(Vec::new, converted);
                outcome.push(("expense", assessment.expense.to_major(usd())));
                let values = [
                    ("value_issued", assessment.fair_value_transferred),
                    ("value_original", assessment.fair_value_existing_terms),
                ];
                outcome.extend(values.into_iter().filter_map(|(name, value)| Some((name, value?.to_major(usd())))));
                Ok((books.after(&decision), decision.postings, outcome))
            }
        }
    }
}

fn converted(outcome: &conversion::Outcome) -> Outcome {
    vec![
        ("shares_issued", outcome.shares_issued),
        ("carrying_amount", outcome.carrying_amount.to_major(usd())),
        ("cash_in_lieu", outcome.cash_in_lieu.to_major(usd())),
        ("accrued_interest", outcome.accrued_interest.to_major(usd())),
        ("coupon_handed_over", outcome.coupon_handed_over.to_major(usd())),
        ("gain_loss", outcome.gain_loss.to_major(usd())),
    ]
}

impl Step {
    fn check(&self, postings: &[Posting], outcome: &Outcome) -> Result<Vec<String>, Box<dyn std::error::Error>> {
        let own = postings.iter().filter(|posting| posting.entry.kind() != EntryKind::Accrual);
        let lines: Vec<&Line> = own.flat_map(|posting| posting.entry.lines()).collect();
        let mut failures = Vec::new();
        for expected in &self.batch {
            let amounts = lines.iter().filter(|line| expected.is_of(line)).map(|line| line.amount);
            let ours = Amount::total(amounts)?.to_major(usd());
            if ours != decimal(&expected.amount)? {
                let LineData { roles, side, amount, status } = expected;
                failures.push(format!("{side} {} ({status:?}): shown {amount}, ours {ours}", roles.join(" and ")));
            }
        }
        let covered_once = |line: &&Line| self.batch.iter().filter(|expected| expected.is_of(line)).count() == 1;
        failures.extend(
            lines.iter().filter(|line| !covered_once(line)).map(|line| format!("not expected, or twice: {line:?}")),
        );
        for expected in &self.outcome {
            let ours = outcome.iter().find(|(name, _)| *name == expected.figure).map(|(_, value)| *value);
            if ours != Some(decimal(&expected.shown)?) {
                failures.push(format!(
                    "{} ({:?}): shown {}, ours {ours:?}",
                    expected.figure, expected.status, expected.shown
                ));
            }
        }
        Ok(failures)
    }
}

impl LineData {
    fn is_of(&self, line: &Line) -> bool {
        self.side == line.side.name() && self.roles.iter().any(|role| role == line.role.name())
    }
}

fn major(text: &str) -> Result<Amount, String> {
    amount(decimal(text)?, Decimal::ONE)
}
