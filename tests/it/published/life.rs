//! An issue from issuance through accruals and coupon payments, as they are posted.

use std::sync::Arc;

use parwright::accounting::fiscal_calendar::FiscalCalendar;
use parwright::accounting::instrument::{Instrument, ScheduleRow};
use parwright::accounting::transaction::accrual::Accrual;
use parwright::accounting::transaction::coupon_payment::CouponPayment;
use parwright::accounting::transaction::{Books, issuance};
use parwright::accounting::{Amount, Refusal};
use rust_decimal::Decimal;
use serde::Deserialize;

use super::case::{Expectation, Measured, decimal};
use super::price::Price;
use super::terms::{TermsData, day, usd};

/// One issue of a case.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Run {
    pub about: String,
    pub terms: TermsData,
    /// The first of its coupon dates.
    #[serde(default)]
    coupon_dates: Vec<String>,
    expected: Vec<Expectation<Figure>>,
}

/// A figure of an issue. Amounts are read off postings, not off the schedule; the two are compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Figure {
    /// Of one coupon period.
    PeriodRate,
    NominalAnnualRate,
    EffectiveAnnualRate,
    /// What the last period of a stated rate takes up: redemption price less where the rate leads.
    StatedRateDifference,
    /// The proceeds that `rate` explains.
    Price,
    InterestReceivedAtIssuance,
    // One a coupon period:
    InterestExpense,
    CouponPaid,
    Amortization,
    CarryingAmount,
    // One a date, accrued through its close:
    CarryingAmountOn,
    InterestPayableOn,
    /// Between each date and the next.
    AmortizationBetween,
}

/// What was posted in a coupon period.
struct Period {
    interest_expense: Amount,
    coupon_paid: Amount,
    amortization: Amount,
    carrying_amount: Amount,
}

/// What of a run does not hold.
pub fn failures(run: &Run) -> Vec<String> {
    let checked = run.expected.iter().flat_map(|expectation| match run.measure(expectation) {
        Ok(ours) => expectation.failures(&ours.iter().map(Box::as_ref).collect::<Vec<_>>()),
        Err(problem) => vec![format!("{:?}: {problem}", expectation.figure)],
    });
    let all = checked.chain(run.check_coupon_dates().err());
    all.map(|failure| format!("{}: {failure}", run.about)).collect()
}

impl Run {
    /// Our figures for an expectation. What a source shows in more than cents is taken from the same issue magnified.
    fn measure(&self, expectation: &Expectation<Figure>) -> Result<Vec<Box<dyn Measured>>, String> {
        let ours = expectation.differs.iter().map(|difference| &difference.ours);
        let figures = expectation.shown.iter().chain(ours).map(|text| decimal(text)).collect::<Result<Vec<_>, _>>()?;
        let in_cents = figures.iter().all(|figure| figure.scale() <= 2);
        let times = if in_cents { Decimal::ONE } else { self.terms.magnification()? };
        if expectation.figure == Figure::Price {
            let rate = decimal(expectation.rate.as_deref().ok_or("a price is at a rate")?)?;
            let price = |_: &String| Box::new(Price { terms: self.terms.clone(), rate }) as Box<dyn Measured>;
            return Ok(expectation.shown.iter().map(price).collect());
        }
        let figures = self.figures(expectation, times).map_err(|refusal| refusal.to_string())?;
        Ok(figures.into_iter().map(|figure| Box::new(figure) as Box<dyn Measured>).collect())
    }

    fn figures(
        &self,
        expectation: &Expectation<Figure>,
        times: Decimal,
    ) -> Result<Vec<Decimal>, Box<dyn std::error::Error>> {
        let books = issued(&self.terms, times)?;
        let instrument = &books.instrument;
        let shown = |amounts: Vec<Amount>| amounts.into_iter().map(|amount| amount.to_major(usd()) / times).collect();
        let periods = |of: fn(&Period) -> Amount| {
            Ok::<_, Box<dyn std::error::Error>>(shown(live(&books)?.iter().map(of).collect()))
        };
        match expectation.figure {
            Figure::PeriodRate => Ok(vec![instrument.rates().net]),
            Figure::NominalAnnualRate => Ok(vec![instrument.nominal_annual_rate()]),
            Figure::EffectiveAnnualRate => Ok(vec![instrument.effective_annual_rate()]),
            Figure::StatedRateDifference => Ok(shown(instrument.stated_rate_difference().into_iter().collect())),
            Figure::Price => Err("a price is not read off books".into()),
            Figure::InterestReceivedAtIssuance => Ok(shown(vec![books.booked_total().interest_payable])),
            Figure::InterestExpense => periods(|period| period.interest_expense),
            Figure::CouponPaid => periods(|period| period.coupon_paid),
            Figure::Amortization => periods(|period| period.amortization),
            Figure::CarryingAmount => periods(|period| period.carrying_amount),
            Figure::CarryingAmountOn => Ok(shown(carrying_amounts(&books, &expectation.dates)?)),
            Figure::InterestPayableOn => {
                let payable = |date: &String| Ok(accrued_through(&books, date)?.booked_total().interest_payable);
                Ok(shown(expectation.dates.iter().map(payable).collect::<Result<_, Box<dyn std::error::Error>>>()?))
            }
            Figure::AmortizationBetween => {
                let carrying = carrying_amounts(&books, &expectation.dates)?;
                Ok(shown(carrying.windows(2).map(|pair| pair[1].minus(pair[0])).collect::<Result<_, Refusal>>()?))
            }
        }
    }

    fn check_coupon_dates(&self) -> Result<(), String> {
        let books = issued(&self.terms, Decimal::ONE)?;
        let ours: Vec<String> = books.instrument.dates().coupon_dates().iter().map(ToString::to_string).collect();
        if ours.starts_with(&self.coupon_dates) { Ok(()) } else { Err(format!("coupon dates {ours:?}")) }
    }
}

/// The books right after issuance.
pub fn issued(terms: &TermsData, times: Decimal) -> Result<Books, String> {
    let books = |terms| {
        let instrument = Arc::new(Instrument::new(terms)?);
        let calendar = FiscalCalendar::new("12-31", None)?;
        let decision = issuance::decide(&instrument, calendar)?;
        Ok(Books::empty(instrument, calendar).after(&decision))
    };
    books(terms.terms(times)?).map_err(|refusal: Refusal| refusal.to_string())
}

/// The books accrued through a date, no coupon paid.
fn accrued_through(books: &Books, date: &str) -> Result<Books, Box<dyn std::error::Error>> {
    let accrual = Accrual { through: day(date)? }.decide(books)?;
    Ok(accrual.map_or_else(|| books.clone(), |decision| books.after(&decision)))
}

fn carrying_amounts(books: &Books, dates: &[String]) -> Result<Vec<Amount>, Box<dyn std::error::Error>> {
    dates.iter().map(|date| Ok(accrued_through(books, date)?.booked_total().carrying_amount()?)).collect()
}

/// Accrues and pays every coupon to maturity. What is posted in a period must be the schedule's row of it.
fn live(issued: &Books) -> Result<Vec<Period>, Box<dyn std::error::Error>> {
    let mut books = issued.clone();
    let schedule = books.instrument.schedule(books.instrument.terms().principal)?;
    let mut periods = Vec::new();
    for row in schedule {
        let mut movement = (Amount::ZERO, Amount::ZERO);
        if let Some(accrual) = (Accrual { through: row.end }).decide(&books)? {
            for posting in &accrual.postings {
                let posted = posting.entry.movement();
                movement.0 = movement.0.plus(posted.expense)?;
                movement.1 = Amount::total([movement.1, posted.premium_discount, posted.issue_costs])?;
            }
            books = books.after(&accrual);
        }
        let coupon = CouponPayment { coupon_date: row.end, paid_on: None }.decide(&books, false)?;
        books = books.after(&coupon);
        let period = Period {
            interest_expense: movement.0,
            coupon_paid: coupon.outcome.amount,
            amortization: movement.1,
            carrying_amount: books.booked_total().carrying_amount()?,
        };
        if !period.is(&row) {
            return Err(
                format!("the postings of the period that ends on {} are not its row of the schedule", row.end).into()
            );
        }
        periods.push(period);
    }
    Ok(periods)
}

impl Period {
    fn is(&self, row: &ScheduleRow) -> bool {
        let posted = (self.interest_expense, self.coupon_paid, self.amortization, self.carrying_amount);
        posted == (row.interest_expense, row.coupon, row.amortization, row.carrying_amount)
    }
}
