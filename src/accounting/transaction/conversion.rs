//! Conversion under the original terms, by the book value method (ASC 470-20-40-4): the carrying amount is reduced by cash given,
//! the rest goes to capital; no gain or loss.

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::booking::premium_discount_lines;
use super::settlement::{
    Consideration, FractionalShares, Settlement, check_per_share, consideration, shares_of, value,
};
use super::{Books, Decision, OwnEntries, moved, record};
use crate::accounting::instrument::{ConversionTerms, InterestOnConversion, Moment, ShareCapital};
use crate::accounting::journal::{
    AccountRole, Derivation, Entry, EntryKind, LineDraft, MovementKind, credit, debit, signed,
};
use crate::accounting::money::Amount;
use crate::accounting::position::{Components, RowChange};
use crate::accounting::refusal::Refusal;

/// Convert part or all of the bonds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Conversion {
    pub effective_date: Date,
    pub principal: Amount,
    pub share_price: Option<Decimal>,
    pub settlement: Option<Settlement>,
    pub fractional_shares: FractionalShares,
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
    pub additional_paid_in_capital: Amount,
    pub gain_loss: Amount,
}

/// The part of the debt that leaves with converted bonds, balance before less balance after.
#[derive(Clone, Copy, Debug)]
pub(super) struct Leaving {
    pub principal: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    pub accrued: Amount,
    /// Part of `accrued` that leaves the liability: all of it, unless it stays payable.
    pub interest: Amount,
    pub handed_over: Amount,
    pub treatment: InterestOnConversion,
}

impl Leaving {
    /// What leaves when `principal` converts on `date`.
    ///
    /// # Errors
    /// When the date or the principal cannot be, or more is converted than is outstanding.
    pub fn at(
        books: &Books,
        date: Date,
        principal: Amount,
        treatment: InterestOnConversion,
    ) -> Result<Leaving, Refusal> {
        let instrument = &books.instrument;
        let terms = instrument.terms();
        books.check_date("effective_date", date)?;
        let major = |amount: Amount| amount.to_major(terms.currency);
        if !principal.is_positive() {
            return Err(Refusal::invalid("principal", major(principal), "it must be more than zero"));
        }
        if principal.minor() % terms.denomination.minor() != 0 {
            return Err(Refusal::PrincipalNotMultiple {
                principal: major(principal),
                denomination: major(terms.denomination),
            });
        }
        let moment = Moment::of_movement(date);
        let before = books.history.position(moment, instrument)?;
        let rest = before.principal.minus(principal)?;
        if rest.is_negative() {
            return Err(Refusal::ExceedsOutstanding {
                principal: major(principal),
                outstanding: major(before.principal),
                date,
            });
        }
        let accrued = moved(before.interest_accrued, instrument.accrued(rest, moment)?)?;
        let next_coupon = instrument.dates().next_coupon_date(date);
        let handed_over = match (next_coupon, treatment) {
            (Some(coupon_date), InterestOnConversion::Forfeited)
                if after_record_date(date, coupon_date, terms.record_days) =>
            {
                // As it was or will be paid: on what is outstanding before the coupon date, not on the conversion date.
                let held = books.history.due_with(coupon_date, instrument)?.principal;
                moved(instrument.coupon(held, coupon_date)?, instrument.coupon(held.minus(principal)?, coupon_date)?)?
            }
            _ => Amount::ZERO,
        };
        Ok(Leaving {
            principal,
            premium_discount: moved(before.premium_discount, instrument.premium_discount(rest, date)?)?,
            issue_costs: moved(before.issue_costs, instrument.issue_costs(rest, date)?)?,
            accrued,
            interest: if treatment == InterestOnConversion::Payable { Amount::ZERO } else { accrued },
            handed_over,
            treatment,
        })
    }

    pub fn carrying_amount(&self) -> Result<Amount, Refusal> {
        Amount::total([self.principal, self.premium_discount, self.issue_costs])
    }

    /// What it changes in the rows of what is outstanding.
    pub fn change(&self) -> Result<RowChange, Refusal> {
        let left_payable = self.accrued.minus(self.interest)?;
        let with_next_coupon = left_payable.plus(self.handed_over)?;
        Ok(RowChange {
            principal: self.principal.negated()?,
            with_next_coupon,
            paid: None,
            moved: Components {
                principal: self.principal.negated()?,
                premium_discount: self.premium_discount.negated()?,
                issue_costs: self.issue_costs.negated()?,
                interest_payable: self.handed_over.minus(self.interest)?,
                interest_receivable: Amount::ZERO,
            },
        })
    }

    /// The lines that take it out of the liability, with interest paid or handed over.
    pub fn lines(&self, books: &Books, booked: &Components) -> Result<Vec<LineDraft>, Refusal> {
        let currency = books.instrument.terms().currency;
        let figure = |amount: Amount| amount.to_major(currency);
        let pro_rata = |component: &'static str, amount: Amount| {
            Derivation::new("balance before less balance after, at the conversion date", "ASC 470-20-40-4")
                .with("component", component)
                .with("principal_converted", figure(self.principal))
                .with("amount", figure(amount))
        };
        let premium_rule = pro_rata("premium_discount", self.premium_discount);
        let mut lines = vec![debit(
            AccountRole::BondsPayable,
            self.principal,
            "Principal converted",
            pro_rata("principal", self.principal),
        )];
        let memo = ("Premium converted", "Discount converted");
        lines.extend(premium_discount_lines(
            booked.premium_discount,
            self.premium_discount.negated()?,
            memo,
            &premium_rule,
        )?);
        lines.push(signed(
            AccountRole::DebtIssueCosts,
            self.issue_costs,
            "Issue costs converted",
            pro_rata("issue_costs", self.issue_costs),
        ));
        match self.treatment {
            InterestOnConversion::Forfeited => {
                let rule = Derivation::new(
                    "interest accrued to the conversion date, forfeited and credited to capital",
                    "ASC 470-20-40-11",
                )
                .with("accrued_interest", figure(self.accrued));
                lines.push(debit(AccountRole::InterestPayable, self.interest, "Accrued interest forfeited", rule));
            }
            InterestOnConversion::Paid => {
                let rule = Derivation::new("interest accrued to the conversion date, paid", "terms of the issue")
                    .with("accrued_interest", figure(self.accrued));
                lines.push(debit(AccountRole::InterestPayable, self.interest, "Accrued interest paid", rule.clone()));
                lines.push(credit(AccountRole::Cash, self.interest, "Accrued interest paid", rule)?);
            }
            InterestOnConversion::Payable => {}
        }
        let rule =
            Derivation::new("coupon handed over by a holder who converts after the record date", "terms of the issue")
                .with("coupon", figure(self.handed_over));
        lines.push(debit(AccountRole::Cash, self.handed_over, "Coupon handed over", rule.clone()));
        lines.push(credit(AccountRole::InterestPayable, self.handed_over, "Coupon handed over", rule)?);
        Ok(lines)
    }
}

/// Whether a conversion on `date` comes after the record date of the coupon of `coupon_date`, whose holder then gets it.
fn after_record_date(date: Date, coupon_date: Date, record_days: Option<u16>) -> bool {
    use jiff::ToSpan;
    let record_date = record_days.and_then(|days| coupon_date.checked_sub(i32::from(days).days()).ok());
    record_date.is_some_and(|record_date| record_date < date && date < coupon_date)
}

/// Common stock of so many shares, if no-par stock takes `all`.
pub(super) fn common_stock(
    books: &Books,
    terms: &ConversionTerms,
    shares: Decimal,
    all: Amount,
) -> Result<(Amount, Derivation), Refusal> {
    let currency = books.instrument.terms().currency;
    match terms.share_capital {
        ShareCapital::ParValue(par) => {
            let rule = Derivation::new("shares issued x par value", "ASC 505-10")
                .with("shares", shares)
                .with("par_value", par);
            Ok((value(shares, par, currency)?, rule))
        }
        ShareCapital::NoPar if shares.is_zero() => {
            Ok((Amount::ZERO, Derivation::new("no shares issued", "ASC 505-10")))
        }
        ShareCapital::NoPar => Ok((
            all,
            Derivation::new("no-par stock takes the whole amount", "common practice, no source").with("shares", shares),
        )),
    }
}

impl Conversion {
    /// Converts bonds at their carrying amount.
    ///
    /// # Errors
    /// A [`Refusal`] when the issue has no conversion terms, or date, principal or settlement cannot be.
    pub fn decide(&self, books: &Books) -> Result<Decision<Outcome>, Refusal> {
        let terms = books.instrument.terms();
        let conversion = terms.conversion.as_ref().ok_or(Refusal::NoConversionTerms)?;
        check_per_share("share_price", self.share_price)?;
        let leaving = Leaving::at(books, self.effective_date, self.principal, conversion.accrued_interest)?;
        let shares = shares_of(self.principal, terms, conversion.shares_per_denomination)?;
        let given = consideration(
            shares,
            conversion,
            self.settlement,
            self.share_price,
            self.fractional_shares,
            terms.currency,
        )?;
        book_value(books, self.effective_date, &leaving, &given, MovementKind::Conversion, (Vec::new(), Vec::new()))
    }
}

/// The book value conversion itself. An inducement adds lines that leave capital alone, and an entry before it.
pub(super) fn book_value(
    books: &Books,
    date: Date,
    leaving: &Leaving,
    given: &Consideration,
    movement_kind: MovementKind,
    inducement: (Vec<LineDraft>, OwnEntries),
) -> Result<Decision<Outcome>, Refusal> {
    let (extra, mut own) = inducement;
    let outcome = outcome(books, leaving, given)?;
    let change = leaving.change()?;
    record(
        books,
        date,
        &change,
        |booked| {
            let mut lines = leaving.lines(books, booked)?;
            lines.extend(consideration_lines(books, leaving, given, &outcome)?);
            lines.extend(extra);
            let terms = books.instrument.terms();
            let description =
                format!("Conversion of {} {}", terms.currency, leaving.principal.to_major(terms.currency));
            let entry =
                Entry::new(EntryKind::Conversion, description, lines)?.map(|entry| entry.with_shares(given.shares));
            own.push((date, movement_kind, entry));
            Ok(own)
        },
        outcome,
    )
}

fn outcome(books: &Books, leaving: &Leaving, given: &Consideration) -> Result<Outcome, Refusal> {
    let conversion = books.instrument.terms().conversion.as_ref().ok_or(Refusal::NoConversionTerms)?;
    let forfeited = if leaving.treatment == InterestOnConversion::Forfeited { leaving.interest } else { Amount::ZERO };
    let capital = leaving.carrying_amount()?.plus(forfeited)?.minus(given.cash)?.minus(given.cash_in_lieu)?;
    let (common_stock, _) = common_stock(books, conversion, given.shares, capital)?;
    Ok(Outcome {
        principal: leaving.principal,
        shares_issued: given.shares,
        cash_in_lieu: given.cash_in_lieu,
        cash: given.cash,
        carrying_amount: leaving.carrying_amount()?,
        premium_discount: leaving.premium_discount,
        issue_costs: leaving.issue_costs,
        accrued_interest: leaving.accrued,
        coupon_handed_over: leaving.handed_over,
        common_stock,
        additional_paid_in_capital: capital.minus(common_stock)?,
        gain_loss: Amount::ZERO,
    })
}

fn consideration_lines(
    books: &Books,
    leaving: &Leaving,
    given: &Consideration,
    outcome: &Outcome,
) -> Result<Vec<LineDraft>, Refusal> {
    let terms = books.instrument.terms();
    let conversion = terms.conversion.as_ref().ok_or(Refusal::NoConversionTerms)?;
    let figure = |amount: Amount| amount.to_major(terms.currency);
    let (_, stock_rule) = common_stock(books, conversion, given.shares, Amount::ZERO)?;
    let cash_rule = Derivation::new("cash given in settlement", "ASC 470-20-40-4").with("cash", figure(given.cash));
    let fraction_rule = Derivation::new("fraction of a share x share price", "ASC 470-20-40-4")
        .with("cash_in_lieu", figure(given.cash_in_lieu));
    let forfeited = if leaving.treatment == InterestOnConversion::Forfeited { leaving.interest } else { Amount::ZERO };
    let capital_rule =
        Derivation::new("carrying amount + accrued interest forfeited - cash - common stock", "ASC 470-20-40-4")
            .with("carrying_amount", figure(outcome.carrying_amount))
            .with("accrued_interest_forfeited", figure(forfeited))
            .with("cash", figure(given.cash.plus(given.cash_in_lieu)?))
            .with("common_stock", figure(outcome.common_stock));
    Ok(vec![
        credit(AccountRole::Cash, given.cash, "Cash settlement", cash_rule)?,
        credit(AccountRole::Cash, given.cash_in_lieu, "Cash for fractional shares", fraction_rule)?,
        credit(AccountRole::CommonStock, outcome.common_stock, "Shares issued at par", stock_rule)?,
        credit(
            AccountRole::AdditionalPaidInCapital,
            outcome.additional_paid_in_capital,
            "Conversion of bonds",
            capital_rule,
        )?,
    ])
}
