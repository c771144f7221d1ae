//! Compound instruments: the split at issue, what the liability is carried at later, a repurchase, and amended terms.

use std::sync::Arc;

use parwright::accounting::Amount;
use parwright::accounting::fiscal_calendar::FiscalCalendar;
use parwright::accounting::instrument::Instrument;
use parwright::accounting::transaction::extinguishment::{Extinguishment, Occasion, Price};
use parwright::accounting::transaction::inducement::Offer;
use parwright::accounting::transaction::{Books, issuance};
use rust_decimal::Decimal;
use serde::Deserialize;

use super::case::{Expectation, Measured, decimal};
use super::terms::{TermsData, amount, day, usd};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Run {
    about: String,
    terms: TermsData,
    straight_debt_rate: String,
    repurchase: Option<Repurchase>,
    amendment: Option<Amendment>,
    expected: Vec<Expectation<Figure>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Repurchase {
    date: String,
    consideration: String,
    straight_debt_rate: String,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Amendment {
    date: String,
    new_shares_per_denomination: String,
    share_price: String,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Figure {
    Liability,
    EquityComponent,
    /// On the dates of the expectation.
    CarryingAmount,
    RepurchaseGainLoss,
    PaidForEquity,
    EquityDifference,
    LossOnAmendment,
}

/// What of a run does not hold.
pub fn failures(run: &Run) -> Vec<String> {
    match measured(run) {
        Ok(failures) => failures,
        Err(problem) => vec![format!("{}: {problem}", run.about)],
    }
}

/// Figures are of the issue magnified, so that what its cents hide can be compared too.
fn measured(run: &Run) -> Result<Vec<String>, String> {
    let refused = |refusal: parwright::accounting::Refusal| refusal.to_string();
    // Shares are whole, so that amended terms are of true size.
    let times = if run.amendment.is_some() { Decimal::ONE } else { run.terms.magnification()? };
    let mut terms = run.terms.terms(times)?;
    terms.straight_debt_rate = Some(decimal(&run.straight_debt_rate)?);
    let principal = terms.principal;
    let calendar = FiscalCalendar::new("12-31", None).map_err(refused)?;
    let books = Books::empty(Arc::new(Instrument::new(terms).map_err(refused)?), calendar);
    let issued = issuance::decide(&books.instrument, calendar).map_err(refused)?;
    let books = books.after(&issued);
    let small = |amount: Amount| amount.to_major(usd()) / times;
    let bought = run.repurchase.as_ref().map(|repurchase| {
        Extinguishment {
            occasion: Occasion::Repurchase,
            effective_date: day(&repurchase.date)?,
            paid_on: None,
            principal,
            price: Price::Consideration(amount(decimal(&repurchase.consideration)?, times)?),
            accrued_interest: None,
            costs: Amount::ZERO,
            straight_debt_rate: Some(decimal(&repurchase.straight_debt_rate)?),
        }
        .decide(&books)
        .map_err(refused)
    });
    let bought = bought.transpose()?;
    let amended = run.amendment.as_ref().map(|amendment| {
        Offer {
            acceptance_date: day(&amendment.date)?,
            principal,
            acceptance_share_price: Some(decimal(&amendment.share_price)?),
            new_shares_per_denomination: Some(decimal(&amendment.new_shares_per_denomination)?),
            cash: None,
            other_consideration: None,
            criteria: None,
        }
        .assess(&books)
        .map_err(refused)
    });
    let amended = amended.transpose()?;
    let mut failures = Vec::new();
    for expectation in &run.expected {
        let carried = |date: &String| {
            let moment = books.instrument.moment_of(day(date)?);
            let position = books.history.position(moment, &books.instrument).map_err(refused)?;
            Ok::<_, String>(small(
                position.components().and_then(|components| components.carrying_amount()).map_err(refused)?,
            ))
        };
        let equity = bought.as_ref().and_then(|decision| decision.outcome.equity);
        let missing = || format!("{}: nothing was repurchased or amended", run.about);
        let ours: Vec<Decimal> = match expectation.figure {
            Figure::Liability => vec![small(books.instrument.start().clean)],
            Figure::EquityComponent => vec![small(books.instrument.start().equity_component)],
            Figure::CarryingAmount => expectation.dates.iter().map(carried).collect::<Result<_, _>>()?,
            Figure::RepurchaseGainLoss => vec![small(bought.as_ref().ok_or_else(missing)?.outcome.gain_loss)],
            Figure::PaidForEquity => vec![small(equity.ok_or_else(missing)?.consideration)],
            Figure::EquityDifference => vec![small(equity.ok_or_else(missing)?.difference)],
            Figure::LossOnAmendment => vec![small(amended.as_ref().ok_or_else(missing)?.expense)],
        };
        let ours: Vec<&dyn Measured> = ours.iter().map(|figure| figure as &dyn Measured).collect();
        failures.extend(expectation.failures(&ours));
    }
    Ok(failures)
}
