//! Conversion under the original terms, by the book value method (ASC 470-20-40-4): the carrying amount is reduced by cash given,
//! the rest goes to capital; no gain or loss.

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::leaving::Leaving;
use super::observation::{DailyPrice, observed};
use super::series::Part;
use super::settlement::{
    Consideration, FractionalShares, Settlement, ShareSource, check_per_share, consideration, shares_of, value,
};
use super::{Books, Decision, OwnEntries, record};
use crate::accounting::instrument::{ConversionTerms, Instrument, InterestOnConversion, ShareCapital};
use crate::accounting::journal::{
    AccountRole, Derivation, Entry, EntryKind, LineDraft, LinePart, MovementKind, credit, debit,
};
use crate::accounting::money::{Amount, round_shares};
use crate::accounting::refusal::Refusal;

/// Convert part or all of the bonds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Conversion {
    pub effective_date: Date,
    pub principal: Amount,
    pub share_price: Option<Decimal>,
    pub settlement: Option<Settlement>,
    pub fractional_shares: FractionalShares,
    pub method: Method,
    pub source: ShareSource,
    /// Of an observation period, in order; none where the bonds settle at once.
    pub daily_prices: Vec<DailyPrice>,
    /// The event in connection with which additional shares are given.
    pub make_whole: Option<MakeWholeEvent>,
}

/// A make-whole event: its effective date, and the share price by which the table of additional shares is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MakeWholeEvent {
    pub effective_date: Date,
    pub share_price: Decimal,
}

/// How a conversion is accounted for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Method {
    /// At the carrying amount, without gain or loss (ASC 470-20-40-4).
    BookValue,
    /// Shares at fair value, the difference from the carrying amount to gain or loss. Original terms do not allow it under US
    /// GAAP, so the accountant states on what policy it rests.
    MarketValue { policy_basis: String },
}

/// What shares are credited with.
pub(super) struct Stock {
    pub role: AccountRole,
    pub amount: Amount,
    pub rule: Derivation,
    memo: &'static str,
}

impl Stock {
    /// The line that credits it.
    pub fn line(&self) -> Result<LineDraft, Refusal> {
        credit(self.role, self.amount, self.memo, self.rule.clone())
    }
}

/// What a conversion moved. Premium positive, discount and issue costs negative; paid-in capital is the balance, of either sign.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Outcome {
    pub principal: Amount,
    pub shares_issued: Decimal,
    pub cash_in_lieu: Amount,
    pub cash: Amount,
    pub carrying_amount: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    /// Interest accrued on the converted principal since the last coupon date, whatever becomes of it.
    pub accrued_interest: Amount,
    /// The coupon that a holder who converts after its record date hands over.
    pub coupon_handed_over: Amount,
    pub common_stock: Amount,
    /// The cost of treasury shares given.
    pub treasury_stock: Amount,
    pub additional_paid_in_capital: Amount,
    pub gain_loss: Amount,
    /// For one denomination, of a make-whole event.
    pub additional_shares: Option<Decimal>,
    /// The fraction of a share that is passed on to the next issue of the series.
    pub passed_on: Decimal,
}

/// What so many shares are credited with: treasury shares with their cost, new ones with their par value, or with `all` if they
/// have none.
pub(super) fn stock(
    books: &Books,
    terms: &ConversionTerms,
    shares: Decimal,
    source: ShareSource,
    all: Amount,
) -> Result<Stock, Refusal> {
    let currency = books.instrument.terms().currency;
    let (role, memo) = match source {
        ShareSource::NewShares => (AccountRole::CommonStock, "Shares issued at par"),
        ShareSource::TreasuryShares(_) => (AccountRole::TreasuryStock, "Treasury shares reissued at cost"),
    };
    let (amount, rule) = match (source, terms.share_capital) {
        (ShareSource::TreasuryShares(cost), _) => {
            let rule = Derivation::new("treasury shares given x cost a share", "ASC 505-30");
            (value(shares, cost, currency)?, rule.with("shares", shares).with("cost_per_share", cost))
        }
        (ShareSource::NewShares, ShareCapital::ParValue(par)) => {
            let rule = Derivation::new("shares issued x par value", "ASC 505-10");
            (value(shares, par, currency)?, rule.with("shares", shares).with("par_value", par))
        }
        (ShareSource::NewShares, ShareCapital::NoPar) if shares.is_zero() => {
            (Amount::ZERO, Derivation::new("no shares issued", "ASC 505-10"))
        }
        (ShareSource::NewShares, ShareCapital::NoPar) => {
            let rule = Derivation::new("no-par stock takes the whole amount", "common practice, no source");
            (all, rule.with("shares", shares))
        }
    };
    Ok(Stock { role, amount, rule, memo })
}

impl Conversion {
    /// Converts bonds at their carrying amount, or by the market value method if that is the stated policy.
    ///
    /// # Errors
    /// A [`Refusal`] when the issue has no conversion terms, or date, principal or settlement cannot be.
    pub fn decide(&self, books: &Books) -> Result<Decision<Outcome>, Refusal> {
        self.decide_part(books, Part::default())
    }

    /// The same of one issue's part of a conversion of its series.
    ///
    /// # Errors
    /// As [`Conversion::decide`].
    pub fn decide_part(&self, books: &Books, part: Part) -> Result<Decision<Outcome>, Refusal> {
        let treatment = books.conversion_at(self.effective_date)?.accrued_interest;
        let leaving = Leaving::at(books, self.effective_date, self.principal, treatment)?;
        self.convert(books, (&books.instrument, self.effective_date), &leaving, part)
    }

    /// Converts what leaves by the terms of the issue, as it was then, in force on the conversion date; with an entry on the effective
    /// date.
    pub(super) fn convert(
        &self,
        books: &Books,
        (issue, conversion_date): (&Instrument, Date),
        leaving: &Leaving,
        part: Part,
    ) -> Result<Decision<Outcome>, Refusal> {
        let terms = books.instrument.terms();
        let mut conversion = books.conversion_of(issue, conversion_date)?;
        let additional = self.additional_shares(issue, conversion_date, &conversion)?;
        conversion.shares_per_denomination += additional;
        check_per_share("share_price", self.share_price)?;
        let own = shares_of(leaving.principal, terms, conversion.shares_per_denomination)?;
        let shares = own.checked_add(part.carried_in).ok_or(Refusal::Overflow)?;
        let passed_on = if part.passes_on { shares.fract() } else { Decimal::ZERO };
        let shares = shares - passed_on;
        self.check_method()?;
        let given = match self.daily_prices.as_slice() {
            [] => consideration(
                shares,
                &conversion,
                self.settlement,
                self.share_price,
                self.fractional_shares,
                terms.currency,
            )?,
            prices => {
                let of_terms = Settlement { kind: conversion.settlement, cash: None, shares: None };
                let settlement = self.settlement.unwrap_or(of_terms);
                observed(shares, prices, settlement, self.effective_date, terms.currency)?
            }
        };
        let given = Given {
            consideration: given,
            terms: &conversion,
            source: self.source,
            method: &self.method,
            price: self.share_price,
        };
        let own = (Vec::new(), Vec::new());
        let decision = convert(books, self.effective_date, leaving, &given, MovementKind::Conversion, own)?;
        let outcome = Outcome { additional_shares: self.make_whole.map(|_| additional), passed_on, ..decision.outcome };
        Ok(Decision { outcome, ..decision })
    }

    /// The additional shares for one denomination that a make-whole event gives, up to the greatest number of the terms.
    fn additional_shares(
        &self,
        issue: &Instrument,
        conversion_date: Date,
        in_force: &ConversionTerms,
    ) -> Result<Decimal, Refusal> {
        let Some(event) = self.make_whole else { return Ok(Decimal::ZERO) };
        let table = in_force.make_whole.as_ref().ok_or_else(|| {
            Refusal::contradiction(
                "make_whole",
                "the issue was recorded without a table of additional shares; leave it out",
            )
        })?;
        if event.effective_date > conversion_date {
            return Err(Refusal::contradiction(
                "make_whole/effective_date",
                format!("the event of {} comes after the conversion of {conversion_date}", event.effective_date),
            ));
        }
        check_per_share("make_whole/share_price", Some(event.share_price))?;
        let terms = issue.terms().conversion.as_ref().ok_or(Refusal::NoConversionTerms)?;
        let rate = in_force.shares_per_denomination;
        let adjusted = rate.checked_div(terms.shares_per_denomination).ok_or(Refusal::Overflow)?;
        let additional = table.additional(event.effective_date, event.share_price, adjusted)?;
        match table.most_shares {
            Some(most) => {
                let most = round_shares(most.checked_mul(adjusted).ok_or(Refusal::Overflow)?);
                Ok(additional.min((most - rate).max(Decimal::ZERO)))
            }
            None => Ok(additional),
        }
    }

    fn check_method(&self) -> Result<(), Refusal> {
        if let ShareSource::TreasuryShares(cost) = self.source {
            check_per_share("treasury_cost_per_share", Some(cost))?;
        }
        match &self.method {
            Method::MarketValue { .. } if self.share_price.is_none() => {
                Err(Refusal::missing("share_price", "the market value method measures shares at it"))
            }
            Method::MarketValue { policy_basis } if policy_basis.trim().is_empty() => Err(Refusal::missing(
                "policy_basis",
                "original terms do not allow the market value method (ASC 470-20-40-4); say on what policy it rests",
            )),
            _ => Ok(()),
        }
    }
}

/// What is given for converted bonds, and how that is measured.
pub(super) struct Given<'a> {
    pub consideration: Consideration,
    /// Those in force on the conversion date.
    pub terms: &'a ConversionTerms,
    pub source: ShareSource,
    pub method: &'a Method,
    pub price: Option<Decimal>,
}

impl<'a> Given<'a> {
    /// New shares for the carrying amount.
    pub fn at_book_value(consideration: Consideration, terms: &'a ConversionTerms) -> Given<'a> {
        Given { consideration, terms, source: ShareSource::NewShares, method: &Method::BookValue, price: None }
    }
}

/// The conversion itself. An inducement adds lines that leave capital alone, and an entry before it.
pub(super) fn convert(
    books: &Books,
    date: Date,
    leaving: &Leaving,
    given: &Given<'_>,
    movement_kind: MovementKind,
    inducement: (Vec<LineDraft>, OwnEntries),
) -> Result<Decision<Outcome>, Refusal> {
    let (extra, mut own) = inducement;
    let (outcome, stock) = outcome(books, leaving, given)?;
    let change = leaving.change()?;
    record(
        books,
        date,
        &change,
        |booked| {
            let mut lines = leaving.lines(books, booked)?;
            lines.extend(consideration_lines(books, leaving, given, &stock, &outcome)?);
            lines.extend(extra);
            let terms = books.instrument.terms();
            let description =
                format!("Conversion of {} {}", terms.currency, leaving.principal.to_major(terms.currency));
            let entry = Entry::new(EntryKind::Conversion, description, lines)?
                .map(|entry| entry.with_shares(outcome.shares_issued));
            own.push((date, movement_kind, entry));
            Ok(own)
        },
        outcome,
    )
}

fn outcome(books: &Books, leaving: &Leaving, given: &Given<'_>) -> Result<(Outcome, Stock), Refusal> {
    let currency = books.instrument.terms().currency;
    let forfeited = if leaving.treatment == InterestOnConversion::Forfeited { leaving.interest } else { Amount::ZERO };
    let Consideration { shares, cash, cash_in_lieu } = given.consideration;
    let given_up = Amount::total([leaving.carrying_amount()?, leaving.equity_component, forfeited])?;
    let left = given_up.minus(cash)?.minus(cash_in_lieu)?;
    let capital = match (given.method, given.price) {
        (Method::MarketValue { .. }, Some(price)) => value(shares, price, currency)?,
        _ => left,
    };
    let stock = stock(books, given.terms, shares, given.source, capital)?;
    let of = |role| if stock.role == role { stock.amount } else { Amount::ZERO };
    let outcome = Outcome {
        principal: leaving.principal,
        shares_issued: shares,
        cash_in_lieu,
        cash,
        carrying_amount: leaving.carrying_amount()?,
        premium_discount: leaving.premium_discount,
        issue_costs: leaving.issue_costs,
        accrued_interest: leaving.accrued,
        coupon_handed_over: leaving.handed_over,
        common_stock: of(AccountRole::CommonStock),
        treasury_stock: of(AccountRole::TreasuryStock),
        additional_paid_in_capital: capital.minus(stock.amount)?,
        gain_loss: left.minus(capital)?,
        additional_shares: None,
        passed_on: Decimal::ZERO,
    };
    Ok((outcome, stock))
}

fn consideration_lines(
    books: &Books,
    leaving: &Leaving,
    given: &Given<'_>,
    stock: &Stock,
    outcome: &Outcome,
) -> Result<Vec<LineDraft>, Refusal> {
    let terms = books.instrument.terms();
    let figure = |amount: Amount| amount.to_major(terms.currency);
    let cash_rule = Derivation::new("cash given in settlement", "ASC 470-20-40-4").with("cash", figure(outcome.cash));
    let fraction_rule = Derivation::new("fraction of a share x share price", "ASC 470-20-40-4")
        .with("cash_in_lieu", figure(outcome.cash_in_lieu));
    let forfeited = if leaving.treatment == InterestOnConversion::Forfeited { leaving.interest } else { Amount::ZERO };
    let (rule, paragraph) = match given.method {
        Method::BookValue => {
            ("carrying amount + accrued interest forfeited - cash - common or treasury stock", "ASC 470-20-40-4")
        }
        Method::MarketValue { .. } => (
            "shares at fair value - common or treasury stock; carrying amount + interest forfeited - cash - shares at fair value is a gain or loss",
            "policy of the entity",
        ),
    };
    let mut capital_rule = Derivation::new(rule, paragraph)
        .with("carrying_amount", figure(outcome.carrying_amount))
        .with("accrued_interest_forfeited", figure(forfeited))
        .with("equity_component", figure(leaving.equity_component))
        .with("cash", figure(outcome.cash.plus(outcome.cash_in_lieu)?))
        .with(stock.role.name(), figure(stock.amount));
    if let (Method::MarketValue { policy_basis }, Some(price)) = (given.method, given.price) {
        capital_rule = capital_rule.with("share_price", price).with("policy_basis", policy_basis);
    }
    let loss = outcome.gain_loss.negative_part().negated()?;
    Ok(vec![
        credit(AccountRole::Cash, outcome.cash, LinePart::CashSettlement.memo(), cash_rule)?,
        credit(AccountRole::Cash, outcome.cash_in_lieu, LinePart::CashForFractions.memo(), fraction_rule)?,
        stock.line()?,
        credit(
            AccountRole::AdditionalPaidInCapital,
            outcome.additional_paid_in_capital,
            "Conversion of bonds",
            capital_rule.clone(),
        )?,
        debit(AccountRole::LossOnExtinguishment, loss, "Conversion at market value", capital_rule.clone()),
        credit(
            AccountRole::GainOnExtinguishment,
            outcome.gain_loss.positive_part(),
            "Conversion at market value",
            capital_rule,
        )?,
    ])
}
