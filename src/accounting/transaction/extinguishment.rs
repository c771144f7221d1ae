//! Extinguishment: bonds bought back by agreement, called, put, or repaid at maturity (ASC 405-20-40-1, 470-50-40-2).

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::leaving::Leaving;
use super::settlement::value;
use super::{Books, Decision, record};
use crate::accounting::instrument::Moment;
use crate::accounting::journal::{
    AccountRole, Derivation, Entry, EntryKind, LineDraft, LinePart, MovementKind, credit, debit, signed,
};
use crate::accounting::money::{Amount, pro_rata};
use crate::accounting::refusal::Refusal;

/// Why bonds are extinguished.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Occasion {
    /// Bought back by agreement with holders.
    Repurchase,
    /// At the issuer's right.
    Call,
    /// At the holders' option, on a date of the terms.
    Put,
    /// At the holders' option, after a fundamental change.
    FundamentalChange,
    Maturity,
}

impl Occasion {
    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            Occasion::Repurchase => "repurchase",
            Occasion::Call => "call",
            Occasion::Put => "put",
            Occasion::FundamentalChange => "fundamental_change",
            Occasion::Maturity => "maturity",
        }
    }

    fn kinds(self) -> (EntryKind, MovementKind) {
        match self {
            Occasion::Repurchase => (EntryKind::Repurchase, MovementKind::Repurchase),
            Occasion::Call => (EntryKind::Redemption, MovementKind::Call),
            Occasion::Put | Occasion::FundamentalChange => (EntryKind::Redemption, MovementKind::Put),
            Occasion::Maturity => (EntryKind::Redemption, MovementKind::Maturity),
        }
    }
}

/// What is paid for the bonds, without accrued interest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Price {
    Consideration(Amount),
    /// In percent of principal.
    Percent(Decimal),
    /// The redemption price of the terms.
    Redemption,
}

/// Buy back or repay bonds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Extinguishment {
    pub occasion: Occasion,
    pub effective_date: Date,
    /// When a repayment at maturity was paid, if not on the maturity date.
    pub paid_on: Option<Date>,
    pub principal: Amount,
    pub price: Price,
    /// Interest paid for the time since the last coupon date, if not what has accrued.
    pub accrued_interest: Option<Amount>,
    /// Costs of reacquisition.
    pub costs: Amount,
    /// Under IFRS, of a convertible issue: the rate of debt without the option on the date, by which the price is split.
    pub straight_debt_rate: Option<Decimal>,
}

/// What an extinguishment moved. Premium positive, discount and issue costs negative; a gain is positive.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outcome {
    pub principal: Amount,
    pub consideration: Amount,
    pub costs: Amount,
    pub carrying_amount: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    /// Accrued on these bonds since the last coupon date.
    pub accrued_interest: Amount,
    pub accrued_interest_paid: Amount,
    pub gain_loss: Amount,
    /// Of a convertible issue under IFRS.
    pub equity: Option<EquityPart>,
}

/// What of a repurchase goes to equity (IAS 32.AG33-34).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct EquityPart {
    /// The bonds' part of the equity component.
    pub component: Amount,
    /// The part of the price and costs that is paid for it.
    pub consideration: Amount,
    pub costs: Amount,
    /// What remains, which stays in equity; positive where less is paid than the component.
    pub difference: Amount,
}

impl Extinguishment {
    /// The date on which the bonds leave: that of the payment.
    pub fn date(&self) -> Date {
        self.paid_on.unwrap_or(self.effective_date)
    }

    /// Takes the bonds' share of every component out of the debt against cash; the difference, with costs, is a gain or loss of
    /// the period (ASC 470-50-40-2). Coupons that are due stay due and are paid by their own payment.
    ///
    /// # Errors
    /// A [`Refusal`] when date, principal or price cannot be.
    pub fn decide(&self, books: &Books) -> Result<Decision<Outcome>, Refusal> {
        self.check(books)?;
        let date = self.date();
        let leaving = Leaving::extinguished(books, date, self.principal)?;
        let carrying_amount = leaving.carrying_amount()?;
        let consideration = match (self.occasion, self.price) {
            // At maturity what is carried is that, to the cent, unless a redemption at another price was expected before it.
            (Occasion::Maturity, _) | (_, Price::Redemption) => self.redeemed(books)?,
            (_, Price::Consideration(amount)) => amount,
            (_, Price::Percent(percent)) => self.at(percent / Decimal::ONE_HUNDRED, books)?,
        };
        let accrued_interest_paid = self.accrued_interest.unwrap_or(leaving.accrued);
        let carried = carrying_amount.plus(leaving.accrued)?;
        let equity = self.equity_part(&leaving, consideration, books)?;
        let (to_equity, equity_costs) =
            equity.map_or((Amount::ZERO, Amount::ZERO), |equity| (equity.consideration, equity.costs));
        let for_debt = consideration.minus(to_equity)?;
        let debt_costs = self.costs.minus(equity_costs)?;
        let outcome = Outcome {
            principal: self.principal,
            consideration,
            costs: self.costs,
            carrying_amount,
            premium_discount: leaving.premium_discount,
            issue_costs: leaving.issue_costs,
            accrued_interest: leaving.accrued,
            accrued_interest_paid,
            gain_loss: carried.minus(for_debt)?.minus(accrued_interest_paid)?.minus(debt_costs)?,
            equity,
        };
        record(
            books,
            date,
            &leaving.change()?,
            |booked| {
                let (kind, movement) = self.occasion.kinds();
                let mut lines = leaving.lines(books, booked)?;
                lines.extend(self.lines(books, &outcome)?);
                Ok(vec![(date, movement, Entry::new(kind, self.description(books), lines)?)])
            },
            outcome,
        )
    }

    /// Splits the price as the proceeds were split at issue: the liability at the rate of straight debt on the date, the rest to equity,
    /// and the costs in proportion to both. At maturity the component stays in equity (IAS 32.AG32).
    fn equity_part(
        &self,
        leaving: &Leaving,
        consideration: Amount,
        books: &Books,
    ) -> Result<Option<EquityPart>, Refusal> {
        let component = leaving.equity_component;
        match (books.instrument.terms().is_compound(), self.occasion, self.straight_debt_rate) {
            (false, _, None) => Ok(None),
            (false, _, Some(_)) | (true, Occasion::Maturity, Some(_)) => Err(Refusal::contradiction(
                "straight_debt_rate",
                "only the repurchase of a convertible issue with an equity component is split by it; leave it out",
            )),
            (true, Occasion::Maturity, None) => Ok(Some(EquityPart {
                component,
                consideration: Amount::ZERO,
                costs: Amount::ZERO,
                difference: component,
            })),
            (true, _, None) => Err(Refusal::missing(
                "straight_debt_rate",
                "the price of bonds with an equity component is split by the rate of debt without the option on that date (IAS 32.AG33)",
            )),
            (true, _, Some(rate)) => {
                let liability = books.instrument.worth_at(self.principal, self.date(), rate)?;
                let for_equity = consideration.minus(liability)?;
                let costs = if consideration.is_zero() {
                    Amount::ZERO
                } else {
                    pro_rata(self.costs, for_equity, consideration)?
                };
                let difference = component.minus(for_equity)?.minus(costs)?;
                Ok(Some(EquityPart { component, consideration: for_equity, costs, difference }))
            }
        }
    }

    /// The bonds at the redemption price of the terms. What is rounded is the redemption premium, before less after, as that of the debt
    /// is: otherwise bonds whose premium ends in half a minor unit would be repaid with a gain or loss of one.
    fn redeemed(&self, books: &Books) -> Result<Amount, Refusal> {
        let terms = books.instrument.terms();
        let position = books.history.position(Moment::of_movement(self.date()), &books.instrument)?;
        let outstanding = position.outstanding()?.principal;
        let premium = |principal: Amount| {
            value(principal.to_major(terms.currency), terms.redemption_price - Decimal::ONE, terms.currency)
        };
        let premium = premium(outstanding)?.minus(premium(outstanding.minus(self.principal)?)?)?;
        self.principal.plus(premium)
    }

    /// The principal at a price for one unit of it.
    fn at(&self, price: Decimal, books: &Books) -> Result<Amount, Refusal> {
        let currency = books.instrument.terms().currency;
        value(self.principal.to_major(currency), price, currency)
    }

    fn description(&self, books: &Books) -> String {
        let currency = books.instrument.terms().currency;
        let principal = self.principal.to_major(currency);
        match self.occasion {
            Occasion::Repurchase => format!("Repurchase of {currency} {principal}"),
            Occasion::Call => format!("Call of {currency} {principal}"),
            Occasion::Put => format!("{currency} {principal} put by holders"),
            Occasion::FundamentalChange => format!("{currency} {principal} put by holders after a fundamental change"),
            Occasion::Maturity => format!("Repayment of {currency} {principal} at maturity"),
        }
    }

    fn check(&self, books: &Books) -> Result<(), Refusal> {
        let terms = books.instrument.terms();
        let major = |amount: Amount| amount.to_major(terms.currency);
        books.check_date("effective_date", self.effective_date)?;
        if self.occasion == Occasion::Maturity {
            return self.check_maturity(books);
        }
        if self.paid_on.is_some() {
            return Err(Refusal::contradiction(
                "paid_on",
                "only a repayment at maturity is paid on another date; leave it out",
            ));
        }
        match self.price {
            Price::Consideration(amount) if amount.is_negative() => {
                return Err(Refusal::invalid("consideration", major(amount), "it cannot be negative"));
            }
            Price::Percent(percent) if percent.is_sign_negative() || percent > Decimal::from(1_000_000) => {
                return Err(Refusal::invalid("price_percent", percent, "it must be between 0 and 1000000"));
            }
            Price::Percent(percent) if percent.normalize().scale() > 10 => {
                return Err(Refusal::invalid("price_percent", percent, "it may have at most 10 decimals"));
            }
            _ => {}
        }
        if self.costs.is_negative() {
            return Err(Refusal::invalid("costs", major(self.costs), "they cannot be negative"));
        }
        match self.accrued_interest.filter(|amount| amount.is_negative()) {
            Some(amount) => Err(Refusal::invalid("accrued_interest", major(amount), "it cannot be negative")),
            None => Ok(()),
        }
    }

    /// Bonds that mature are repaid at the redemption price of the terms, on the maturity date or after it.
    fn check_maturity(&self, books: &Books) -> Result<(), Refusal> {
        let terms = books.instrument.terms();
        if self.effective_date != terms.maturity_date {
            return Err(Refusal::contradiction(
                "effective_date",
                format!("bonds mature on {}, not on {}", terms.maturity_date, self.effective_date),
            ));
        }
        if self.date() < terms.maturity_date {
            return Err(Refusal::contradiction(
                "paid_on",
                format!("paid_on {} is before the maturity date {}", self.date(), terms.maturity_date),
            ));
        }
        let stated = [
            ("consideration", matches!(self.price, Price::Consideration(_))),
            ("price_percent", matches!(self.price, Price::Percent(_))),
            ("accrued_interest", self.accrued_interest.is_some()),
            ("costs", !self.costs.is_zero()),
        ];
        if let Some((field, _)) = stated.into_iter().find(|(_, stated)| *stated) {
            return Err(Refusal::contradiction(
                field,
                "bonds that mature are repaid at the redemption price of the terms, and their last coupon by its payment; leave it out",
            ));
        }
        Ok(())
    }

    /// Cash given, and the gain or loss.
    fn lines(&self, books: &Books, outcome: &Outcome) -> Result<Vec<LineDraft>, Refusal> {
        let figure = |amount: Amount| amount.to_major(books.instrument.terms().currency);
        let paragraph = if self.occasion == Occasion::Maturity { "ASC 405-20-40-1" } else { "ASC 470-50-40-2" };
        let paid = match (self.occasion, self.price) {
            (Occasion::Maturity, _) | (_, Price::Redemption) => {
                let percent = books.instrument.terms().redemption_price.saturating_mul(Decimal::ONE_HUNDRED);
                Derivation::new("redemption price x principal", paragraph).with("redemption_price", percent.normalize())
            }
            _ => Derivation::new("price of the bonds, without accrued interest", paragraph),
        }
        .with("consideration", figure(outcome.consideration));
        let costs = Derivation::new("costs of reacquisition", "ASC 470-50-40-2").with("costs", figure(outcome.costs));
        // The lines of what leaves pay the interest that has accrued.
        let apart = outcome.accrued_interest_paid.minus(outcome.accrued_interest)?;
        let interest = Derivation::new("interest paid - interest accrued", "ASC 470-50-40-2")
            .with("interest_paid", figure(outcome.accrued_interest_paid))
            .with("interest_accrued", figure(outcome.accrued_interest));
        let gain_loss = Derivation::new(
            "net carrying amount + interest accrued - consideration - interest paid - costs",
            "ASC 470-50-40-2",
        )
        .with("carrying_amount", figure(outcome.carrying_amount))
        .with("interest_accrued", figure(outcome.accrued_interest))
        .with("consideration", figure(outcome.consideration))
        .with("interest_paid", figure(outcome.accrued_interest_paid))
        .with("costs", figure(outcome.costs));
        let loss = outcome.gain_loss.negative_part().negated()?;
        let equity = outcome.equity.unwrap_or(EquityPart {
            component: Amount::ZERO,
            consideration: Amount::ZERO,
            costs: Amount::ZERO,
            difference: Amount::ZERO,
        });
        let equity_rule = Derivation::new("equity component - price and costs that are paid for it", "IAS 32.AG32-34")
            .with("equity_component", figure(equity.component))
            .with("consideration", figure(equity.consideration))
            .with("costs", figure(equity.costs));
        Ok(vec![
            credit(AccountRole::AdditionalPaidInCapital, equity.difference, "Equity component", equity_rule)?,
            credit(AccountRole::Cash, outcome.consideration, LinePart::BondsPaidFor.memo(), paid)?,
            signed(AccountRole::Cash, apart.negated()?, LinePart::InterestBeyondAccrued.memo(), interest),
            credit(AccountRole::Cash, outcome.costs, LinePart::CostsOfReacquisition.memo(), costs)?,
            debit(AccountRole::LossOnExtinguishment, loss, "Extinguishment", gain_loss.clone()),
            credit(AccountRole::GainOnExtinguishment, outcome.gain_loss.positive_part(), "Extinguishment", gain_loss)?,
        ])
    }
}
