//! What leads to the figures of an entry: formulas by the rules of its kind, each with what the core makes of the same rule.

use rust_decimal::Decimal;

use super::columns::{Event, Input, Sched};
use super::events::Entries;
use super::figures::{Figure, rounded};
use super::moved::{MOVED, Moved};
use crate::accounting::instrument::{InterestOnConversion, Moment, ShareCapital};
use crate::accounting::journal::{AccountRole, LinePart, MovementKind};
use crate::accounting::money::{Amount, round_to_minor_unit};
use crate::accounting::refusal::Refusal;
use crate::export::xlsx::cell::Column;
use crate::reading::{EntryBooks, LineBooks};

/// What may lead to the figures of an entry.
#[derive(Default)]
pub(super) struct Candidates {
    /// By column: a formula and what it comes to.
    found: Vec<(Event, String, Amount)>,
    /// Columns that have a formula in entries of this kind.
    led: Vec<Event>,
    /// Figures that others come from.
    pub beside: Vec<(Event, Figure)>,
    pub shares: Option<(String, Decimal)>,
    /// What is due after the entry.
    pub due: Option<(Option<String>, Amount)>,
}

impl Candidates {
    pub fn of(&self, column: Event) -> Option<(&str, Amount)> {
        let found = self.found.iter().find(|(known, ..)| *known == column);
        found.map(|(_, formula, result)| (formula.as_str(), *result))
    }

    /// Whether a figure of this column without a formula is an exception.
    pub fn leads(&self, column: Event) -> bool {
        self.led.contains(&column)
    }

    fn lead(&mut self, column: Event, found: Option<(String, Amount)>) {
        self.led.push(column);
        if let Some((formula, result)) = found {
            self.found.push((column, formula, result));
        }
    }

    /// What balances the entry: debits less the other credits.
    fn balance(&mut self, column: Event, moved: &Moved, at: u32) -> Result<(), Refusal> {
        let (mut formula, mut result) = (String::new(), Amount::ZERO);
        for other in MOVED.into_iter().filter(|other| *other != column) {
            let amount = moved.amount(other);
            if amount.is_zero() && self.of(other).is_none() {
                continue;
            }
            let is_debit = matches!(
                other,
                Event::InterestReceivable
                    | Event::Coupon
                    | Event::Amortization
                    | Event::ConversionExpense
                    | Event::AmendmentLoss
                    | Event::Cash
            );
            let sign = if is_debit { "+" } else { "-" };
            formula = format!("{formula}{sign}{}", other.at(at));
            result = if is_debit { result.plus(amount)? } else { result.minus(amount)? };
        }
        self.lead(column, Some((formula.trim_start_matches('+').to_owned(), result)));
        Ok(())
    }
}

/// The cash of an entry's lines that are one of these parts, paid positive.
fn paid(entry: &EntryBooks, parts: &[LinePart]) -> Result<Amount, Refusal> {
    let cash = AccountRole::Cash.name();
    let is_one = |line: &&LineBooks| line.role == cash && line.part.is_some_and(|part| parts.contains(&part));
    let lines = entry.lines.iter().filter(is_one);
    Amount::total(lines.map(|line| line.amount))?.negated()
}

/// What leads to the figures of an entry that runs to a moment.
pub(super) fn leading(
    entries: &Entries<'_>,
    entry: &EntryBooks,
    moved: &Moved,
    moment: Option<Moment>,
    at: u32,
) -> Result<Candidates, Refusal> {
    let mut candidates = Candidates::default();
    match (entry.row.kind.as_str(), moment) {
        ("issuance", _) => issuance(entries, moved, at, &mut candidates)?,
        ("opening_balance", _) => taken_over(entries, moved, at, &mut candidates)?,
        ("inducement", _) => acceptance(entry, moved, at, &mut candidates)?,
        (_, Some(moment)) => running(entries, entry, moved, moment, at, &mut candidates)?,
        (_, None) => {}
    }
    Ok(candidates)
}

fn start(entries: &Entries<'_>, candidates: &mut Candidates) -> Result<(), Refusal> {
    let start = entries.instrument().start();
    let [principal, proceeds, costs] =
        [Input::Principal, Input::Proceeds, Input::Costs].map(|column| column.of(entries.input));
    candidates.lead(Event::Principal, Some((principal.clone(), start.principal)));
    let premium = start.clean.minus(start.principal)?;
    candidates.lead(Event::PremiumDiscount, Some((format!("{proceeds}-{principal}"), premium)));
    if entries.schedule.has_costs() {
        candidates.lead(Event::IssueCosts, Some((format!("-{costs}"), start.issue_costs.negated()?)));
    }
    Ok(())
}

fn issuance(entries: &Entries<'_>, moved: &Moved, at: u32, candidates: &mut Candidates) -> Result<(), Refusal> {
    let instrument = entries.instrument();
    let start_of = instrument.start();
    start(entries, candidates)?;
    let received = match instrument.terms().accrued_interest_received {
        Some(received) => Some((Input::Received.of(entries.input), received)),
        None => entries.balance(Sched::Interest, (start_of.principal, &Event::Principal.at(at)), start_of.moment)?,
    };
    let received =
        received.filter(|(_, received)| !received.is_zero() || !moved.amount(Event::InterestPayable).is_zero());
    let (mut formula, mut cash) = (Input::Proceeds.of(entries.input), start_of.clean);
    if let Some((of_interest, interest)) = received {
        candidates.lead(Event::InterestPayable, Some((of_interest, interest)));
        formula = format!("{formula}+{}", Event::InterestPayable.at(at));
        cash = cash.plus(interest)?;
    }
    if entries.schedule.has_costs() {
        formula = format!("{formula}-{}", Input::Costs.of(entries.input));
        cash = cash.minus(start_of.issue_costs)?;
    }
    candidates.lead(Event::Cash, Some((formula, cash)));
    candidates.due = Some((None, Amount::ZERO));
    Ok(())
}

fn taken_over(entries: &Entries<'_>, moved: &Moved, at: u32, candidates: &mut Candidates) -> Result<(), Refusal> {
    start(entries, candidates)?;
    candidates.balance(Event::Other, moved, at)?;
    let due = entries.instrument().opening_coupon().map_or(Amount::ZERO, |(_, due)| due);
    candidates.due = Some((None, due));
    Ok(())
}

/// Dr debt conversion expense, or under IFRS a loss: the fair value of all that is given less that of what the existing terms give.
fn acceptance(entry: &EntryBooks, moved: &Moved, at: u32, candidates: &mut Candidates) -> Result<(), Refusal> {
    let figure = |name: &str| {
        let found = entry.lines.iter().find_map(|line| line.derivation.figures.get(name))?;
        let figure: Decimal = found.parse().ok()?;
        // Figures of lines have all decimals of the currency.
        i64::try_from(figure.mantissa()).ok().map(Amount::from_minor)
    };
    let is_amendment = !moved.amount(Event::AmendmentLoss).is_zero();
    let column = if is_amendment { Event::AmendmentLoss } else { Event::ConversionExpense };
    let expense = moved.amount(column);
    let (given, less) = match (figure("fair_value_transferred"), figure("fair_value_existing_terms")) {
        (Some(given), Some(less)) => (given, less),
        _ => (expense, Amount::ZERO),
    };
    candidates.beside.push((Event::Given, Figure::stated(given)));
    candidates.beside.push((Event::Less, Figure::stated(less)));
    let formula = format!("{}-{}", Event::Given.at(at), Event::Less.at(at));
    candidates.lead(column, Some((formula, given.minus(less)?)));
    if !moved.amount(Event::PaidIn).is_zero() {
        candidates.balance(Event::PaidIn, moved, at)?;
    }
    Ok(())
}

/// An entry at which balances become what the schedule gives at its moment.
fn running(
    entries: &Entries<'_>,
    entry: &EntryBooks,
    moved: &Moved,
    moment: Moment,
    at: u32,
    candidates: &mut Candidates,
) -> Result<(), Refusal> {
    let (before, booked) = (at - 1, entries.booked);
    let after = booked.principal.plus(moved.amount(Event::Principal))?;
    let cells = (Event::PrincipalAfter.at(before), Event::PrincipalAfter.at(at));
    let Some((falling, coupons)) = entries.falling_due(before, moment.date)? else { return Ok(()) };
    let mut due = (format!("{}{falling}", Event::DueAfter.at(before)), booked.due.plus(coupons)?);
    let kind = entry.row.kind.as_str();
    if kind == "coupon_payment" {
        candidates.lead(Event::InterestPayable, Some((format!("-({})", due.0), due.1.negated()?)));
        let interest = moved.amount(Event::InterestPayable);
        candidates.lead(Event::Cash, Some((Event::InterestPayable.at(at), interest)));
        candidates.due = Some((Some(format!("{}+{}", due.0, Event::InterestPayable.at(at))), due.1.plus(interest)?));
        return Ok(());
    }
    let target = |column, booked_in: Event, booked: Amount| -> Result<Option<(String, Amount)>, Refusal> {
        let Some((formula, result)) = entries.balance(column, (after, &cells.1), moment)? else { return Ok(None) };
        Ok(Some((format!("{formula}-{}", booked_in.at(before)), result.minus(booked)?)))
    };
    let premium = target(Sched::Gross, Event::PremiumDiscountAfter, booked.premium_discount)?;
    candidates.lead(Event::PremiumDiscount, premium);
    if entries.schedule.has_costs() {
        let costs = target(Sched::CostsUnit, Event::IssueCostsAfter, booked.issue_costs)?;
        candidates.lead(Event::IssueCosts, costs);
    }
    let leaving = match kind {
        "accrual" => None,
        "conversion" => entries.instrument().terms().conversion.as_ref().map(|terms| terms.accrued_interest),
        _ => Some(InterestOnConversion::Paid),
    };
    if let Some(treatment) = leaving {
        left(entries, entry, (booked.principal, after, &cells), moment, candidates)?;
        for (column, is_added) in
            [(Event::Accrued, treatment == InterestOnConversion::Payable), (Event::HandedOver, true)]
        {
            let beside = candidates.beside.iter().find(|(known, _)| *known == column);
            if let Some((_, figure)) = beside.filter(|_| is_added) {
                due = (format!("{}+{}", due.0, column.at(at)), due.1.plus(figure.value)?);
            }
        }
    }
    let accrued = match entries.accrues_at(moment) {
        true => entries
            .balance(Sched::Interest, (after, &cells.1), moment)?
            .map(|(formula, accrued)| (format!("+{formula}"), accrued)),
        false => Some((String::new(), Amount::ZERO)),
    };
    let interest = match accrued {
        Some((formula, accrued)) => {
            let formula = format!("{}{formula}-{}", Event::DueAfter.at(at), Event::InterestPayableAfter.at(before));
            Some((formula, due.1.plus(accrued)?.minus(booked.interest_payable)?))
        }
        None => None,
    };
    let posted = moved.amount(Event::InterestPayable);
    candidates.due = interest.as_ref().filter(|(_, result)| *result == posted).map(|_| (Some(due.0), due.1));
    candidates.lead(Event::InterestPayable, interest);
    match (kind, leaving) {
        ("accrual", _) => accrual(moved, at, candidates)?,
        ("conversion", Some(treatment)) => conversion(entries, entry, moved, treatment, at, candidates)?,
        (_, Some(_)) => extinguishment(entries, entry, moved, (booked.principal, after, &cells), at, candidates)?,
        (_, None) => {}
    }
    Ok(())
}

/// Dr interest expense: the coupon and the amortization.
fn accrual(moved: &Moved, at: u32, candidates: &mut Candidates) -> Result<(), Refusal> {
    let [payable, receivable] = [Event::InterestPayable, Event::InterestReceivable].map(|column| moved.amount(column));
    let mut coupon = Event::InterestPayable.at(at);
    if !receivable.is_zero() {
        coupon = format!("{coupon}-{}", Event::InterestReceivable.at(at));
    }
    candidates.lead(Event::Coupon, Some((coupon, payable.minus(receivable)?)));
    let spread = moved.amount(Event::PremiumDiscount).plus(moved.amount(Event::IssueCosts))?;
    let formula = format!("{}+{}", Event::PremiumDiscount.at(at), Event::IssueCosts.at(at));
    candidates.lead(Event::Amortization, Some((formula, spread)));
    Ok(())
}

/// The interest that had accrued on what leaves, and the coupon that is handed over.
fn left(
    entries: &Entries<'_>,
    entry: &EntryBooks,
    (before, after, cells): (Amount, Amount, &(String, String)),
    moment: Moment,
    candidates: &mut Candidates,
) -> Result<(), Refusal> {
    if entries.accrues_at(moment) {
        let was = entries.balance(Sched::Interest, (before, &cells.0), moment)?;
        let is = entries.balance(Sched::Interest, (after, &cells.1), moment)?;
        if let (Some((was, before)), Some((is, after))) = (was, is) {
            let figure = Figure { value: before.minus(after)?, formula: Some(format!("{was}-{is}")) };
            candidates.beside.push((Event::Accrued, figure));
        }
    }
    let handed_over = paid(entry, &[LinePart::CouponHandedOver])?.negated()?;
    let instrument = entries.instrument();
    let coupon_date = instrument.dates().next_coupon_date(moment.date).filter(|_| !handed_over.is_zero());
    if let Some((date, row)) = coupon_date.and_then(|date| Some((date, entries.schedule.coupon_row(date)?))) {
        let coupon = |cell: &str| rounded(&format!("{cell}*{}", Sched::Interest.of(row)), entries.decimals);
        let result = instrument.coupon(before, date)?.minus(instrument.coupon(after, date)?)?;
        let figure = Figure::of(handed_over, format!("{}-{}", coupon(&cells.0), coupon(&cells.1)), result);
        candidates.beside.push((Event::HandedOver, figure));
    }
    Ok(())
}

fn conversion(
    entries: &Entries<'_>,
    entry: &EntryBooks,
    moved: &Moved,
    treatment: InterestOnConversion,
    at: u32,
    candidates: &mut Candidates,
) -> Result<(), Refusal> {
    let terms = entries.instrument().terms();
    let given = paid(entry, &[LinePart::CashSettlement, LinePart::InducementPaid, LinePart::OtherConsiderationGiven])?;
    let in_lieu = paid(entry, &[LinePart::CashForFractions])?;
    candidates.beside.push((Event::Given, Figure::stated(given)));
    candidates.beside.push((Event::BesideCash, Figure::stated(in_lieu)));
    let pays = treatment == InterestOnConversion::Paid;
    let signs = [
        (Event::Accrued, pays, "-"),
        (Event::HandedOver, true, "+"),
        (Event::Given, true, "-"),
        (Event::BesideCash, true, "-"),
    ];
    cash(&signs, at, candidates)?;
    let Some(conversion) = &terms.conversion else { return Ok(()) };
    let bonds = moved.amount(Event::Principal).minor().saturating_neg() / terms.denomination.minor();
    let rate = conversion.shares_per_denomination;
    let whole = Decimal::from(bonds).checked_mul(rate).ok_or(Refusal::Overflow)?.floor().normalize();
    let [principal, denomination, rate] =
        [Event::Principal.at(at), Input::Denomination.of(entries.input), Input::Shares.of(entries.input)];
    candidates.shares = Some((format!("INT(ROUND(-{principal}/{denomination}*{rate},6))"), whole));
    let is_no_par = conversion.share_capital == ShareCapital::NoPar;
    if let ShareCapital::ParValue(par) = conversion.share_capital
        && !moved.amount(Event::CommonStock).is_zero()
    {
        let minor = Decimal::from(10_i64.pow(entries.decimals));
        let value =
            moved.shares.checked_mul(par).and_then(|value| value.checked_mul(minor)).ok_or(Refusal::Overflow)?;
        let formula = format!("{}*{}", Event::Shares.at(at), Input::Par.of(entries.input));
        let result = round_to_minor_unit(value)?;
        candidates.lead(Event::CommonStock, Some((rounded(&formula, entries.decimals), result)));
    }
    let balancing = match () {
        () if !moved.amount(Event::GainLoss).is_zero() => Event::GainLoss,
        () if is_no_par && moved.amount(Event::PaidIn).is_zero() => Event::CommonStock,
        () => Event::PaidIn,
    };
    candidates.balance(balancing, moved, at)
}

/// The cash of an entry, of figures beside it.
fn cash(signs: &[(Event, bool, &str)], at: u32, candidates: &mut Candidates) -> Result<(), Refusal> {
    let (mut formula, mut result) = (String::new(), Amount::ZERO);
    for (column, is_cash, sign) in signs {
        let beside = candidates.beside.iter().find(|(known, _)| known == column);
        let Some((_, figure)) =
            beside.filter(|(_, figure)| *is_cash && (figure.formula.is_some() || !figure.value.is_zero()))
        else {
            continue;
        };
        formula = format!("{formula}{sign}{}", column.at(at));
        result = if *sign == "+" { result.plus(figure.value)? } else { result.minus(figure.value)? };
    }
    if !formula.is_empty() {
        candidates.lead(Event::Cash, Some((formula.trim_start_matches('+').to_owned(), result)));
    }
    Ok(())
}

fn extinguishment(
    entries: &Entries<'_>,
    entry: &EntryBooks,
    moved: &Moved,
    (before, after, cells): (Amount, Amount, &(String, String)),
    at: u32,
    candidates: &mut Candidates,
) -> Result<(), Refusal> {
    let price = paid(entry, &[LinePart::BondsPaidFor])?;
    let by_terms = entry.lines.iter().any(|line| line.derivation.figures.contains_key("redemption_price"));
    let given = if by_terms || entry.row.movement == MovementKind::Maturity.name() {
        let premium = entries.instrument().terms().redemption_price - Decimal::ONE;
        let of = |principal: Amount| {
            let premium = Decimal::from(principal.minor()).checked_mul(premium).ok_or(Refusal::Overflow)?;
            round_to_minor_unit(premium)
        };
        let result = before.minus(after)?.plus(of(before)?)?.minus(of(after)?)?;
        let price_of =
            |cell: &str| rounded(&format!("{cell}*({}-1)", Input::Redemption.of(entries.input)), entries.decimals);
        let formula = format!("-{}+{}-{}", Event::Principal.at(at), price_of(&cells.0), price_of(&cells.1));
        Figure::of(price, formula, result)
    } else {
        Figure::stated(price)
    };
    candidates.beside.push((Event::Given, given));
    candidates.beside.push((Event::Less, Figure::stated(paid(entry, &[LinePart::CostsOfReacquisition])?)));
    let beyond = paid(entry, &[LinePart::InterestBeyondAccrued])?;
    candidates.beside.push((Event::BesideCash, Figure::stated(beyond)));
    let all = [Event::Given, Event::Less, Event::Accrued, Event::BesideCash].map(|column| (column, true, "-"));
    cash(&all, at, candidates)?;
    candidates.balance(Event::GainLoss, moved, at)
}
