//! The terms of an issue, as the indenture and the books state them.

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::{DayCount, MakeWhole};
use crate::accounting::money::{Amount, Currency, units_of};
use crate::accounting::refusal::Refusal;

/// How premium, discount and issue costs are spread over an issue's life.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum AmortizationMethod {
    /// At a constant rate on the amount outstanding (ASC 835-30-35-2).
    EffectiveInterest,
    /// In equal daily amounts, where the result is not materially different (ASC 835-30-35-4).
    StraightLine,
}

/// How a coupon period's movement is spread over its days. GAAP gives no formula; both agree at coupon dates.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum WithinPeriod {
    /// In equal daily amounts (for tax: 26 CFR 1.171-2(a)(3) and 1.1272-1(b)(1)).
    Ratable,
    /// At a constant rate by the day.
    Compound,
}

/// To which day boundary a balance at close of business runs.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum AccrualCutoff {
    /// The day itself has earned its interest: boundary D+1.
    ThroughDate,
    /// Interest runs to the day: boundary D.
    ToDate,
}

/// What becomes of interest accrued on bonds that are converted between coupon dates.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum InterestOnConversion {
    /// It is forfeited and credited to capital (ASC 470-20-35-11, 470-20-40-11).
    Forfeited,
    /// It is paid in cash at conversion.
    Paid,
    /// It stays payable and is paid with the next coupon.
    Payable,
}

/// What bondholders get at conversion.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum SettlementType {
    /// Shares, and cash for a fraction.
    Physical,
    /// Cash only.
    Cash,
    /// Cash and shares.
    Combination,
}

/// What of a share's issue price is common stock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum ShareCapital {
    /// Par value a share, in major units.
    ParValue(Decimal),
    /// All of it.
    NoPar,
}

/// The conversion feature.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ConversionTerms {
    /// Shares for one denomination.
    pub shares_per_denomination: Decimal,
    pub share_capital: ShareCapital,
    pub accrued_interest: InterestOnConversion,
    pub settlement: SettlementType,
    /// The fraction of the rate below which an adjustment is carried forward, if the terms have one.
    pub minimum_adjustment: Option<Decimal>,
    pub make_whole: Option<MakeWhole>,
    /// In what the principal is paid at a conversion that is settled in cash and shares, where the terms say it.
    pub principal_on_conversion: Option<PrincipalOnConversion>,
    /// What the share price must have been for holders to be allowed to convert.
    pub sale_price_condition: Option<SalePriceCondition>,
}

/// In what the principal is paid at a conversion.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum PrincipalOnConversion {
    Cash,
    /// In cash, shares or both, as the issuer chooses each time.
    IssuerElects,
}

/// A condition on the share price under which holders may convert: during a calendar quarter, if on so many of the last trading days of
/// the quarter before the price was at least so much of the conversion price. (So in public indentures.)
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct SalePriceCondition {
    /// As a fraction of the conversion price: 1.3 is 130%.
    pub threshold: Decimal,
    /// On at least so many days
    pub days: u16,
    /// of so many trading days up to the last one of the quarter.
    pub of_days: u16,
    /// From when holders may convert whatever the price is.
    pub convertible_from: Option<Date>,
}

impl ConversionTerms {
    /// Whether the issuer must pay the principal in cash when a holder converts.
    pub fn principal_in_cash(&self) -> bool {
        match self.settlement {
            SettlementType::Physical => false,
            SettlementType::Cash => true,
            SettlementType::Combination => self.principal_on_conversion != Some(PrincipalOnConversion::IssuerElects),
        }
    }
}

/// What becomes of a substantial premium on a convertible issue (ASC 470-20-25-13).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum PremiumTreatment {
    /// It is part of the debt and amortised.
    Liability,
    /// It is paid-in capital, and the debt begins at what is repaid at maturity.
    PaidInCapital,
}

/// What is taken over of an issue at the close of a day, signed as in a position: a premium is positive, a discount and issue costs are
/// negative.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Opening {
    pub date: Date,
    /// Outstanding.
    pub principal: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    /// Interest due and accrued.
    pub interest_payable: Amount,
    /// Coupons of completed periods that are not paid yet.
    pub interest_due: Amount,
    /// Of a convertible issue under IFRS, net of its issue costs.
    pub equity_component: Amount,
}

/// The terms of an issue. Plain data: [`Instrument::new`](super::Instrument::new) is what proves them right.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Terms {
    pub currency: Currency,
    pub principal: Amount,
    pub denomination: Amount,
    /// Annual rate as a fraction: 0.0425.
    pub coupon_rate: Decimal,
    /// Coupons a year: 1, 2, 4, 12, or 0 for a zero-coupon issue.
    pub coupon_frequency: u8,
    /// Compounding periods a year of a zero-coupon issue.
    pub compounding_frequency: u8,
    pub day_count: DayCount,
    /// From when interest accrues.
    pub dated_date: Date,
    /// When proceeds were received; the day the debt is recognised.
    pub settlement_date: Date,
    pub first_coupon_date: Option<Date>,
    pub maturity_date: Date,
    /// What was received for the bonds before issue costs, without accrued interest.
    pub proceeds: Amount,
    /// What was received for interest accrued to settlement, if another amount than the computed one.
    pub accrued_interest_received: Option<Amount>,
    pub issue_costs: Amount,
    /// As a fraction of principal: 1 is par.
    pub redemption_price: Decimal,
    pub amortization_method: AmortizationMethod,
    pub within_period: WithinPeriod,
    pub accrual_cutoff: AccrualCutoff,
    /// The earliest non-contingent put, to which discount and issue costs are amortised.
    pub amortization_end: Option<Date>,
    /// When holders may demand repayment before maturity, without any condition; in order.
    pub put_dates: Vec<Date>,
    pub premium_treatment: Option<PremiumTreatment>,
    /// Nominal annual rate of books taken over.
    pub stated_effective_rate: Option<Decimal>,
    /// The record date lies so many days before the coupon date.
    pub record_days: Option<u16>,
    pub conversion: Option<ConversionTerms>,
    /// Under IFRS, of a convertible issue: the rate at which the issuer could have borrowed without the conversion option, nominal
    /// annual at the coupon frequency.
    pub straight_debt_rate: Option<Decimal>,
    /// The part of the issue costs that goes to the equity component, if it is not in proportion to what was received for each.
    pub equity_issue_costs: Option<Amount>,
    /// Where the books begin, if not at settlement. Then `proceeds`, `issue_costs` and `accrued_interest_received` are nothing.
    pub opening: Option<Opening>,
}

impl Terms {
    /// Periods a year of the grid on which interest compounds.
    pub(crate) fn periods_per_year(&self) -> u8 {
        if self.coupon_frequency == 0 { self.compounding_frequency } else { self.coupon_frequency }
    }

    /// Whether a part of what was received is equity (IAS 32.28).
    pub fn is_compound(&self) -> bool {
        self.straight_debt_rate.is_some()
    }

    /// What is repaid at maturity, without the last coupon.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn repaid_at_maturity(&self) -> Result<Amount, Refusal> {
        units_of(self.principal, self.redemption_price)
    }

    /// The part of the proceeds that is paid-in capital: the premium, where it is treated so (ASC 470-20-25-13).
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn premium_in_capital(&self) -> Result<Amount, Refusal> {
        match self.premium_treatment {
            Some(PremiumTreatment::PaidInCapital) => self.proceeds.minus(self.repaid_at_maturity()?),
            Some(PremiumTreatment::Liability) | None => Ok(Amount::ZERO),
        }
    }

    /// The dates before maturity on which holders may demand repayment, `amortization_end` among them.
    pub fn puts(&self) -> impl Iterator<Item = Date> {
        let end = self.amortization_end.filter(|end| *end < self.maturity_date && !self.put_dates.contains(end));
        end.into_iter().chain(self.put_dates.iter().copied())
    }

    /// Whether the issue pays no coupons.
    pub fn is_zero_coupon(&self) -> bool {
        self.coupon_frequency == 0
    }
}
