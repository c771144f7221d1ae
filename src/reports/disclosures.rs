//! Figures for the notes: what falls due when, what was converted, how cash moved, and what a conversion would give.

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::rollforward::Sums;
use crate::accounting::classification::months_after;
use crate::accounting::instrument::{Instrument, MakeWhole};
use crate::accounting::journal::{MovementKind, REVERSAL_OF};
use crate::accounting::money::{Amount, pro_rata, round_to_minor_unit, units_of};
use crate::accounting::position::History;
use crate::accounting::refusal::Refusal;

/// An issue as of a date: the terms of then, and what was outstanding then.
#[derive(Debug)]
pub struct AsOf<'a> {
    date: Date,
    instrument: &'a Instrument,
    history: History,
}

/// The years after the date that are told one by one (ASC 470-10-50-1).
pub const YEARS: usize = 5;

/// What is repaid in each of the years after the date, and thereafter.
pub type Maturities = [Amount; YEARS + 1];

/// The last day of each of the years after a date.
pub fn years_after(date: Date) -> [Date; YEARS] {
    [12, 24, 36, 48, 60].map(|months| months_after(date, months))
}

/// Bands of time to payment (IFRS 7.B11, which leaves them to the entity).
pub const BANDS: [(&str, Option<i32>); 5] = [
    ("on_demand_or_within_1_month", Some(1)),
    ("1_to_3_months", Some(3)),
    ("3_to_12_months", Some(12)),
    ("1_to_5_years", Some(60)),
    ("over_5_years", None),
];

/// Undiscounted payments of a band.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Payments {
    pub interest: Amount,
    pub principal: Amount,
}

impl<'a> AsOf<'a> {
    /// An issue at close of business on a date, whatever is recorded for later.
    pub fn new(date: Date, instrument: &'a Instrument, history: &History) -> AsOf<'a> {
        let rows = history.rows().iter().copied().filter(|row| row.date <= date).collect();
        AsOf { date, instrument: instrument.on(date), history: History::new(rows, Vec::new()) }
    }

    /// Bonds that bear interest: without those surrendered for conversion.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn principal(&self) -> Result<Amount, Refusal> {
        Ok(self.history.at(self.date, self.instrument)?.principal)
    }

    /// What is repaid at maturity, by year; what is overdue counts in the first. Bonds surrendered for conversion are not repaid.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn maturities(&self) -> Result<Maturities, Refusal> {
        let terms = self.instrument.terms();
        let year = years_after(self.date).partition_point(|end| *end < terms.maturity_date);
        let mut maturities = [Amount::ZERO; YEARS + 1];
        maturities[year] = units_of(self.principal()?, terms.redemption_price)?;
        Ok(maturities)
    }

    /// Undiscounted coupons and principal by band. Principal that holders may demand earlier counts on the first date on which they may,
    /// without coupons after it (IFRS 7.B11C(a)); coupons that are due and unpaid count in the first band.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn payments(&self) -> Result<[Payments; BANDS.len()], Refusal> {
        let mut payments = [Payments::default(); BANDS.len()];
        let row = self.history.at(self.date, self.instrument)?;
        payments[0].interest = row.interest_due;
        let end = self.repaid_on();
        for coupon_date in self.instrument.dates().coupon_dates_between(self.date, end) {
            let due = self.history.due_with(*coupon_date, self.instrument)?.total()?;
            let of_band = &mut payments[self.band(*coupon_date)].interest;
            *of_band = of_band.plus(due)?;
        }
        let repaid = units_of(row.principal, self.instrument.terms().redemption_price)?;
        let of_band = &mut payments[self.band(end)].principal;
        *of_band = of_band.plus(repaid)?;
        Ok(payments)
    }

    /// The first date on which holders can have their principal.
    fn repaid_on(&self) -> Date {
        let terms = self.instrument.terms();
        let puts = terms.put_dates.iter().copied().chain(terms.amortization_end).filter(|put| self.date < *put);
        puts.chain([terms.maturity_date]).min().unwrap_or(terms.maturity_date)
    }

    fn band(&self, date: Date) -> usize {
        let is_before =
            |(_, months): &&(&str, Option<i32>)| months.is_some_and(|months| months_after(self.date, months) < date);
        BANDS.iter().take_while(is_before).count()
    }

    /// Until when premium, discount and issue costs are amortised (ASC 835-30-35-2, 470-20-50-1D).
    pub fn amortized_through(&self) -> Date {
        let terms = self.instrument.terms();
        let expected = self.instrument.expected().map(|expected| expected.date);
        expected.or(terms.amortization_end).unwrap_or(terms.maturity_date)
    }

    /// What the conversion feature comes to at a rate in force for one denomination; none without one.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn conversion(
        &self,
        rate: Decimal,
        surrendered: Amount,
        share_price: Option<Decimal>,
    ) -> Result<Option<ConversionFigures>, Refusal> {
        let terms = self.instrument.terms();
        let Some(conversion) = &terms.conversion else { return Ok(None) };
        let major = |amount: Amount| amount.to_major(terms.currency);
        let denomination = major(terms.denomination);
        let shares_of = |principal: Amount, rate: Decimal| {
            let bonds = major(principal).checked_div(denomination);
            bonds.and_then(|bonds| bonds.checked_mul(rate)).ok_or(Refusal::Overflow)
        };
        let principal = self.principal()?;
        let shares = shares_of(principal, rate)?;
        let most = match &conversion.make_whole {
            Some(table) => most_shares(table, self.date, rate, conversion.shares_per_denomination)?,
            None => rate,
        };
        let worth = share_price.map(|price| {
            let minor = Decimal::from(10_i64.pow(u32::from(terms.currency.exponent())));
            let product = shares.checked_mul(price).and_then(|worth| worth.checked_mul(minor));
            round_to_minor_unit(product.ok_or(Refusal::Overflow)?)
        });
        let worth = worth.transpose()?;
        Ok(Some(ConversionFigures {
            rate,
            price: denomination.checked_div(rate).ok_or(Refusal::Overflow)?,
            shares,
            reserved: shares_of(principal.plus(surrendered)?, most)?,
            worth,
            excess: worth.map(|worth| worth.minus(principal)).transpose()?.map(Amount::positive_part),
        }))
    }
}

/// What a conversion of all bonds would give (ASC 470-20-50-1B, 50-5).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ConversionFigures {
    /// Shares for one denomination.
    pub rate: Decimal,
    /// In major units a share.
    pub price: Decimal,
    pub shares: Decimal,
    /// The shares to be reserved: with the most that a make-whole event can add, and for bonds surrendered and not settled.
    pub reserved: Decimal,
    /// Of the shares, at the share price given.
    pub worth: Option<Amount>,
    /// Above the principal.
    pub excess: Option<Amount>,
}

/// The most shares for one denomination that the table can come to from a date on. It moves with the rate. Between two dates its figures lie
/// on a straight line, so that none is above both.
fn most_shares(table: &MakeWhole, date: Date, rate: Decimal, of_terms: Decimal) -> Result<Decimal, Refusal> {
    let moved = |shares: Decimal| {
        let product = shares.checked_mul(rate).and_then(|product| product.checked_div(of_terms));
        product.ok_or(Refusal::Overflow)
    };
    let past = table.rows.partition_point(|row| row.effective_date <= date);
    let rows = match table.rows.last() {
        Some(last) if last.effective_date < date => &[],
        _ => &table.rows[past.saturating_sub(1)..],
    };
    let additional = rows.iter().flat_map(|row| &row.additional_shares).copied().max().unwrap_or_default();
    let most = rate.checked_add(moved(additional)?).ok_or(Refusal::Overflow)?;
    Ok(match table.most_shares {
        Some(limit) => most.min(moved(limit)?.max(rate)),
        None => most,
    })
}

/// Bonds that left by conversion in a period, by what was posted; what was taken back counts against it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Converted {
    pub principal: Amount,
    pub carrying_amount: Amount,
    pub shares: Decimal,
    /// Common stock and additional paid-in capital, less treasury stock given.
    pub credited_to_capital: Amount,
    /// For fractions, as settlement, and as interest where the terms pay it.
    pub cash_paid: Amount,
}

impl Converted {
    /// Of one kind of conversion.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn of(movements: &[(String, Sums)], kind: MovementKind) -> Result<Converted, Refusal> {
        let of_kind = movements.iter().filter(|(name, _)| kind_of(name) == Some(kind));
        let sums = of_kind.map(|(_, sums)| sums).try_fold(Sums::default(), |total, sums| total.plus(sums))?;
        Ok(Converted {
            principal: sums.principal.negated()?,
            carrying_amount: sums.carrying_amount()?.negated()?,
            shares: sums.shares,
            credited_to_capital: sums.paid_in_capital,
            cash_paid: sums.cash.negated()?,
        })
    }

    /// The same of two issues.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn plus(&self, other: &Converted) -> Result<Converted, Refusal> {
        Ok(Converted {
            principal: self.principal.plus(other.principal)?,
            carrying_amount: self.carrying_amount.plus(other.carrying_amount)?,
            shares: self.shares.checked_add(other.shares).ok_or(Refusal::Overflow)?,
            credited_to_capital: self.credited_to_capital.plus(other.credited_to_capital)?,
            cash_paid: self.cash_paid.plus(other.cash_paid)?,
        })
    }
}

/// Lines of the statement of cash flows (ASC 230-10-45, 50), by what was posted in a period; paid is positive.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct CashFlows {
    /// For bonds issued, with interest accrued to settlement, less issue costs paid out of it.
    pub proceeds: Amount,
    /// With coupons, and on bonds repaid or bought back (230-10-50-2, 45-17).
    pub interest_paid: Amount,
    /// For bonds repaid or bought back, costs included and without interest.
    pub paid_for_bonds: Amount,
    /// What of that is interest accreted on a zero-coupon issue: an operating payment (230-10-45-17). None where it is not known.
    pub accreted_interest_repaid: Option<Amount>,
    /// Gain positive: deducted from income, for it is no cash flow of operations.
    pub gain_loss: Amount,
}

impl CashFlows {
    /// Of an issue.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn of(instrument: &Instrument, movements: &[(String, Sums)]) -> Result<CashFlows, Refusal> {
        let mut flows = CashFlows { accreted_interest_repaid: Some(Amount::ZERO), ..CashFlows::default() };
        for (name, sums) in movements {
            flows.gain_loss = flows.gain_loss.plus(sums.gain_loss)?;
            let paid = sums.cash.negated()?;
            match kind_of(name) {
                Some(MovementKind::Issuance) => flows.proceeds = flows.proceeds.plus(sums.cash)?,
                Some(MovementKind::CouponPaid) => flows.interest_paid = flows.interest_paid.plus(paid)?,
                Some(MovementKind::Repurchase | MovementKind::Call | MovementKind::Put | MovementKind::Maturity) => {
                    let interest = sums.interest_payable.negated()?;
                    flows.interest_paid = flows.interest_paid.plus(interest)?;
                    flows.paid_for_bonds = flows.paid_for_bonds.plus(paid)?.minus(interest)?;
                    let accreted = accreted(instrument, sums)?;
                    flows.accreted_interest_repaid = both(flows.accreted_interest_repaid, accreted)?;
                }
                _ => {}
            }
        }
        Ok(flows)
    }

    /// The same of two issues.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn plus(&self, other: &CashFlows) -> Result<CashFlows, Refusal> {
        Ok(CashFlows {
            proceeds: self.proceeds.plus(other.proceeds)?,
            interest_paid: self.interest_paid.plus(other.interest_paid)?,
            paid_for_bonds: self.paid_for_bonds.plus(other.paid_for_bonds)?,
            accreted_interest_repaid: both(self.accreted_interest_repaid, other.accreted_interest_repaid)?,
            gain_loss: self.gain_loss.plus(other.gain_loss)?,
        })
    }
}

fn both(one: Option<Amount>, other: Option<Amount>) -> Result<Option<Amount>, Refusal> {
    one.zip(other).map(|(one, other)| one.plus(other)).transpose()
}

/// The discount that was accreted on bonds of a zero-coupon issue when they left: what they stood at, issue costs aside, above what was
/// received for them. Of an issue taken over that is not known.
fn accreted(instrument: &Instrument, sums: &Sums) -> Result<Option<Amount>, Refusal> {
    let terms = instrument.terms();
    if !terms.is_zero_coupon() {
        return Ok(Some(Amount::ZERO));
    }
    if terms.opening.is_some() || terms.is_compound() {
        return Ok(None);
    }
    let principal = sums.principal.negated()?;
    let received = pro_rata(terms.proceeds, principal, terms.principal)?;
    principal.minus(sums.premium_discount)?.minus(received).map(Some)
}

fn kind_of(name: &str) -> Option<MovementKind> {
    MovementKind::from_name(name.strip_prefix(REVERSAL_OF).unwrap_or(name))
}
