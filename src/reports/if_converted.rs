//! Inputs of diluted earnings per share by the if-converted method (ASC 260-10-45-40, IAS 33.49): what is added back to income, and the
//! shares by which the number of shares grows.
//!
//! Bonds count for the days on which they were outstanding, those that were converted up to their conversion date: from then on their shares
//! are outstanding themselves. Shares are those of the terms at the rate in force on each day. What changes the number of all shares, such
//! as a split, restates every day before it (ASC 260-10-55-12, IAS 33.64). A condition on the share price under which holders may convert
//! does not keep shares out under US GAAP (ASC 260-10-45-44).

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::interest::Interest;
use crate::accounting::instrument::{ConversionTerms, Instrument, Moment, SettlementType};
use crate::accounting::money::{Amount, units_of};
use crate::accounting::refusal::Refusal;
use crate::accounting::transaction::Books;

/// What is asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Asked {
    pub from: Date,
    pub to: Date,
    /// As a fraction of income before tax.
    pub tax_rate: Decimal,
    /// The average market price of a share in the period, in major units.
    pub average_share_price: Option<Decimal>,
}

/// What is known of an issue: its books from the first day on, led by the last row before, and all its conversion rates.
#[derive(Clone, Copy, Debug)]
pub struct Issue<'a> {
    pub books: &'a Books,
    /// The dates of adjustments that restate all shares before them.
    pub restated_on: &'a [Date],
    /// Posted in the period.
    pub interest: Interest,
    pub induced: &'a [Induced],
}

/// Bonds whose holders accepted an offer to convert.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Induced {
    pub principal: Amount,
    /// When they converted; none if not yet.
    pub until: Option<Date>,
}

/// Which bonds of an issue a line is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Part {
    /// All but those induced to convert.
    Existing,
    /// Induced to convert in the period: tested apart, with the expense of the offer added back and the shares of the existing terms.
    Induced,
}

/// How bonds count.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Method {
    /// Interest is added back, and all shares count.
    IfConverted,
    /// The principal is paid in cash: no interest is added back, and only the shares worth more than it count (ASC 260-10-45-40(b)).
    ConversionSpread,
    /// A conversion is paid in cash alone: no shares.
    NoShares,
}

impl Method {
    fn of(terms: &ConversionTerms) -> Method {
        match (terms.settlement, terms.principal_in_cash()) {
            (SettlementType::Cash, _) => Method::NoShares,
            (_, true) => Method::ConversionSpread,
            (_, false) => Method::IfConverted,
        }
    }

    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            Method::IfConverted => "if_converted",
            Method::ConversionSpread => "conversion_spread",
            Method::NoShares => "no_shares",
        }
    }
}

/// Days on which the same principal is convertible at the same rate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span {
    pub first: Date,
    pub last: Date,
    pub days: i32,
    pub principal: Amount,
    /// Restated.
    pub shares_per_denomination: Decimal,
    /// Not weighted; none where the average share price must be known and is not.
    pub shares: Option<Decimal>,
}

/// A part of an issue.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Line {
    pub part: Part,
    pub method: Method,
    pub interest_expense: Amount,
    pub inducement_expense: Amount,
    /// Before tax.
    pub add_back: Amount,
    pub add_back_after_tax: Amount,
    pub spans: Vec<Span>,
    /// Weighted by days; none where the average share price must be known and is not.
    pub incremental_shares: Option<Decimal>,
    /// Counted whatever the share price is.
    pub is_contingent: bool,
}

impl Line {
    /// What is added back for each share, in major units; none without shares.
    ///
    /// # Errors
    /// [`Refusal::Overflow`].
    pub fn per_share(&self, of: &Books) -> Result<Option<Decimal>, Refusal> {
        let currency = of.instrument.terms().currency;
        let shares = self.incremental_shares.filter(|shares| !shares.is_zero());
        let add_back = self.add_back_after_tax.to_major(currency);
        shares.map(|shares| add_back.checked_div(shares).ok_or(Refusal::Overflow)).transpose()
    }
}

/// The lines of an issue: none if nothing of it was convertible in the period.
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn lines(issue: &Issue<'_>, asked: &Asked) -> Result<Vec<Line>, Refusal> {
    let terms = |date| issue.books.instrument.on(date).terms().conversion.as_ref();
    let Some(terms) = terms(asked.to).or_else(|| terms(asked.from)) else { return Ok(Vec::new()) };
    let method = Method::of(terms);
    let begins = issue.books.instrument.start().moment.date;
    let induced_at = |date: Date| {
        let is_there = |induced: &&Induced| begins <= date && induced.until.is_none_or(|until| date < until);
        let there = issue.induced.iter().filter(is_there);
        Amount::total(there.map(|induced| induced.principal))
    };
    let interest_of_induced = issue
        .induced
        .iter()
        .try_fold(Amount::ZERO, |sum, induced| sum.plus(interest_on(&issue.books.instrument, induced, asked)?))?;
    let expense = issue.interest.expense()?;
    let all_at = |date: Date| Ok(issue.books.history.at(date, &issue.books.instrument)?.principal);
    let existing_at = |date: Date| all_at(date)?.minus(induced_at(date)?);
    let existing = spans(issue, asked, method, existing_at)?;
    let induced = spans(issue, asked, method, induced_at)?;
    let mut lines = Vec::new();
    for (part, spans, interest_expense, inducement_expense) in [
        (Part::Existing, existing, expense.minus(interest_of_induced)?, Amount::ZERO),
        (Part::Induced, induced, interest_of_induced, issue.interest.inducement_expense),
    ] {
        let is_nothing = spans.is_empty() && interest_expense.is_zero() && inducement_expense.is_zero();
        if is_nothing || (part == Part::Induced && issue.induced.is_empty()) {
            continue;
        }
        let interest = if method == Method::IfConverted { interest_expense } else { Amount::ZERO };
        let add_back = interest.plus(inducement_expense)?;
        let kept = Decimal::ONE.checked_sub(asked.tax_rate).ok_or(Refusal::Overflow)?;
        lines.push(Line {
            part,
            method,
            interest_expense,
            inducement_expense,
            add_back,
            add_back_after_tax: units_of(add_back, kept)?,
            incremental_shares: weighted(&spans, days(asked.from, asked.to))?,
            is_contingent: terms.sale_price_condition.is_some(),
            spans,
        });
    }
    Ok(lines)
}

/// What accrues in the period on bonds that were induced to convert, as a principal of their own: coupons, interest since the last one, and
/// what is amortised. A revision begins another curve.
fn interest_on(issue: &Instrument, induced: &Induced, asked: &Asked) -> Result<Amount, Refusal> {
    let first = issue.start().moment;
    let eve = asked.from.yesterday().unwrap_or(asked.from);
    let start = if eve < first.date { first } else { issue.close_of(eve) };
    let last = asked.to.min(issue.terms().maturity_date);
    let end = induced.until.map_or_else(|| issue.close_of(last), |until| issue.moment_of(until));
    if end.boundary <= start.boundary {
        return Ok(Amount::ZERO);
    }
    let mut revised: Vec<Date> = revisions(issue).filter(|date| start.date < *date && *date < end.date).collect();
    revised.sort_unstable();
    let (mut total, mut from) = (Amount::ZERO, start);
    for to in revised.into_iter().map(|date| issue.moment_of(date)).chain([end]) {
        let before = issue.on(to.date.yesterday().unwrap_or(to.date));
        let reached = |issue: &Instrument, moment: Moment| {
            Amount::total([
                issue.premium_discount(induced.principal, moment)?,
                issue.issue_costs(induced.principal, moment)?,
                issue.accrued(induced.principal, moment)?,
            ])
        };
        for coupon_date in issue.dates().coupon_dates_between(from.date, to.date) {
            total = total.plus(issue.coupon(induced.principal, *coupon_date)?)?;
        }
        total = total.plus(reached(before, to)?)?.minus(reached(issue, from)?)?;
        from = to;
    }
    Ok(total)
}

/// The dates on which an issue was revised.
fn revisions(issue: &Instrument) -> impl Iterator<Item = Date> {
    std::iter::successors(Some(issue), |issue| issue.before().map(AsRef::as_ref)).filter_map(Instrument::revised_on)
}

/// The days of the period on which something is outstanding, cut where the principal or the rate may change.
fn spans(
    issue: &Issue<'_>,
    asked: &Asked,
    method: Method,
    principal_at: impl Fn(Date) -> Result<Amount, Refusal>,
) -> Result<Vec<Span>, Refusal> {
    let Books { instrument, history, rates, .. } = issue.books;
    let revised = revisions(instrument);
    let maturity = instrument.terms().maturity_date;
    let changes = history.rows().iter().map(|row| row.date).chain(rates.iter().map(|rate| rate.date)).chain(revised);
    let mut firsts: Vec<Date> =
        changes.chain([maturity]).filter(|date| asked.from < *date && *date <= asked.to).collect();
    firsts.push(asked.from);
    firsts.sort_unstable();
    firsts.dedup();
    let ends = firsts.iter().skip(1).map(|next| next.yesterday().unwrap_or(*next)).chain([asked.to]);
    let mut spans: Vec<Span> = Vec::new();
    for (first, last) in firsts.iter().copied().zip(ends) {
        let principal = if first < maturity { principal_at(first)? } else { Amount::ZERO };
        if principal.is_zero() {
            continue;
        }
        let shares_per_denomination = restated_rate(issue, first)?;
        match spans.last_mut() {
            Some(before)
                if before.last.tomorrow().ok() == Some(first)
                    && (before.principal, before.shares_per_denomination) == (principal, shares_per_denomination) =>
            {
                before.last = last;
                before.days += days(first, last);
            }
            _ => {
                let shares = shares(issue.books, (principal, shares_per_denomination), method, asked)?;
                spans.push(Span { first, last, days: days(first, last), principal, shares_per_denomination, shares });
            }
        }
    }
    Ok(spans)
}

/// The rate in force on a date, in shares as they are after every split that comes later.
fn restated_rate(issue: &Issue<'_>, date: Date) -> Result<Decimal, Refusal> {
    let rate_at = |date| match issue.books.conversion_at(date) {
        Ok(terms) => Ok(terms.shares_per_denomination),
        Err(Refusal::NoConversionTerms) => Ok(Decimal::ZERO),
        Err(other) => Err(other),
    };
    let mut rate = rate_at(date)?;
    for split in issue.restated_on.iter().filter(|split| date < **split) {
        let (before, after) = (rate_at(split.yesterday().unwrap_or(*split))?, rate_at(*split)?);
        if !before.is_zero() {
            let product = rate.checked_mul(after).and_then(|product| product.checked_div(before));
            rate = product.ok_or(Refusal::Overflow)?;
        }
    }
    Ok(rate.normalize())
}

/// The shares that a principal adds at a rate for one denomination.
fn shares(
    books: &Books,
    (principal, rate): (Amount, Decimal),
    method: Method,
    asked: &Asked,
) -> Result<Option<Decimal>, Refusal> {
    let terms = books.instrument.terms();
    let major = |amount: Amount| amount.to_major(terms.currency);
    let converted = major(principal).checked_div(major(terms.denomination)).and_then(|bonds| bonds.checked_mul(rate));
    let converted = converted.ok_or(Refusal::Overflow)?;
    match (method, asked.average_share_price) {
        (Method::IfConverted, _) => Ok(Some(converted)),
        (Method::NoShares, _) => Ok(Some(Decimal::ZERO)),
        (Method::ConversionSpread, None) => Ok(None),
        (Method::ConversionSpread, Some(price)) => {
            let paid_in_cash = major(principal).checked_div(price).ok_or(Refusal::Overflow)?;
            Ok(Some(converted.checked_sub(paid_in_cash).ok_or(Refusal::Overflow)?.max(Decimal::ZERO)))
        }
    }
}

fn weighted(spans: &[Span], days: i32) -> Result<Option<Decimal>, Refusal> {
    let mut sum = Decimal::ZERO;
    for span in spans {
        let Some(shares) = span.shares else { return Ok(None) };
        let product = shares.checked_mul(Decimal::from(span.days)).and_then(|product| sum.checked_add(product));
        sum = product.ok_or(Refusal::Overflow)?;
    }
    sum.checked_div(Decimal::from(days)).map(Some).ok_or(Refusal::Overflow)
}

/// From one day to another, both included.
pub fn days(first: Date, last: Date) -> i32 {
    (last - first).get_days() + 1
}

/// The last day through which a known-at day restates figures of a period: statements of a period that ended are restated for a split up
/// to when they are issued.
pub fn restated_through(to: Date, known: Option<Date>) -> Date {
    known.map_or(to, |known| known.max(to))
}

/// What an issue's line brings to earnings per share.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Increment {
    /// In major units.
    pub income: Decimal,
    /// More than none.
    pub shares: Decimal,
}

/// Earnings per share after one more increment.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Step {
    pub is_dilutive: bool,
    pub income: Decimal,
    pub shares: Decimal,
    pub per_share: Decimal,
}

/// Basic earnings per share, and a step for each increment: they are given from the most to the least dilutive, and one that does not
/// lessen earnings per share stays out, as do those after it (ASC 260-10-45-18, IAS 33.44).
///
/// ```
/// use parwright::reports::if_converted::{Increment, diluted};
/// use rust_decimal::Decimal;
/// let [income, shares, six, thirty, ninety] = [1004, 1000, 6, 30, 90].map(Decimal::from);
/// let cheap = Increment { income: six, shares: thirty };
/// let dear = Increment { income: ninety, shares: thirty };
/// let (basic, steps) = diluted(income, shares, &[cheap, dear]).unwrap();
/// assert_eq!((basic, steps[0].per_share.round_dp(2)), (Decimal::new(1004, 3), Decimal::new(98, 2)));
/// assert_eq!((steps[0].is_dilutive, steps[1].is_dilutive), (true, false));
/// assert_eq!(steps[1].per_share, steps[0].per_share);
/// ```
///
/// # Errors
/// [`Refusal::Overflow`].
pub fn diluted(income: Decimal, shares: Decimal, increments: &[Increment]) -> Result<(Decimal, Vec<Step>), Refusal> {
    let divided = |income: Decimal, shares: Decimal| income.checked_div(shares).ok_or(Refusal::Overflow);
    let basic = divided(income, shares)?;
    let mut reached = Step { is_dilutive: true, income, shares, per_share: basic };
    let mut steps = Vec::new();
    for increment in increments {
        let is_dilutive = reached.is_dilutive && divided(increment.income, increment.shares)? < reached.per_share;
        reached = match is_dilutive {
            false => Step { is_dilutive, ..reached },
            true => {
                let income = reached.income.checked_add(increment.income).ok_or(Refusal::Overflow)?;
                let shares = reached.shares.checked_add(increment.shares).ok_or(Refusal::Overflow)?;
                Step { is_dilutive, income, shares, per_share: divided(income, shares)? }
            }
        };
        steps.push(reached);
    }
    Ok((basic, steps))
}
