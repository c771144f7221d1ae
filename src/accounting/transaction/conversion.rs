//! Conversion under the original terms, by the book value method (ASC 470-20-40-4): the carrying amount is reduced by cash given,
//! the rest goes to capital; no gain or loss.

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::leaving::Leaving;
use super::settlement::{
    Consideration, FractionalShares, Settlement, check_per_share, consideration, shares_of, value,
};
use super::{Books, Decision, OwnEntries, record};
use crate::accounting::instrument::{ConversionTerms, InterestOnConversion, ShareCapital};
use crate::accounting::journal::{AccountRole, Derivation, Entry, EntryKind, LineDraft, MovementKind, credit};
use crate::accounting::money::Amount;
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
