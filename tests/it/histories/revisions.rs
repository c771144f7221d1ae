//! Revisions in random histories: terms modified, payments estimated anew, issue costs corrected.

use std::sync::Arc;

use jiff::ToSpan;
use jiff::civil::Date;
use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::{Signed, Zero};
use parwright::accounting::framework::Framework;
use parwright::accounting::instrument::effective_rate::RATE_BOUNDS;
use parwright::accounting::instrument::{ConversionTerms, ExpectedRedemption, Instrument, InterestOnConversion, Terms};
use parwright::accounting::journal::{AccountRole, EntryKind, Posting, Side};
use parwright::accounting::transaction::estimate::Estimate;
use parwright::accounting::transaction::issue_cost_adjustment::IssueCostAdjustment;
use parwright::accounting::transaction::modification::{self, Because, Modification, OptionValues};
use parwright::accounting::transaction::ten_percent::CallableAt;
use parwright::accounting::transaction::{Decision, modification::OptionChange};
use parwright::accounting::{Amount, Refusal};
use rust_decimal::Decimal;

use super::dice::Dice;
use super::invariants;
use super::issue::rational;
use super::life::{Checked, Life, refused, same};
use crate::reference::{self, Event, Revised, Revision, Trillionths};

/// A revision that may be possible, mostly on the date of a coupon and after all that happened.
pub fn draw(dice: &mut Dice, life: &Life, date: Date) -> Revision {
    let terms = life.books.instrument.terms();
    let latest = life.latest_change().min(terms.maturity_date.yesterday().expect("a day"));
    let from = if dice.chance(90) { date.max(latest) } else { date };
    let next = life.books.instrument.dates().next_coupon_date(from.yesterday().expect("a day"));
    let date = match dice.between(1, 10) {
        1..=6 => next.unwrap_or(from),
        7 => latest,
        8 => terms.maturity_date.yesterday().expect("a day"),
        _ => from,
    };
    match (life.framework, dice.between(1, 100)) {
        (_, 1..=22) => issue_costs(dice, life, date),
        (Framework::Ifrs, 23..=50) => estimate(dice, life, date),
        _ => Revision::Modification(modification(dice, life, date)),
    }
}

fn issue_costs(dice: &mut Dice, life: &Life, date: Date) -> Revision {
    let terms = life.books.instrument.terms();
    let left = life.books.history.last().map_or(0, |row| row.principal.minor());
    let change = if dice.chance(70) { dice.between(0, 1 + left / 40) } else { -dice.between(0, 1 + left / 200) };
    let settlement = terms.settlement_date;
    let is_open = life.books.calendar.posting_date(settlement) == settlement;
    Revision::IssueCosts { date, change: change.into(), is_open_since_settlement: is_open }
}

fn estimate(dice: &mut Dice, life: &Life, date: Date) -> Revision {
    let ends: Vec<Date> = life.books.instrument.dates().grid().iter().copied().filter(|end| *end > date).collect();
    if ends.is_empty() || dice.chance(25) {
        return Revision::Estimate { date, expected: None };
    }
    let end = if dice.chance(95) { dice.pick(&ends) } else { date.checked_add(40.days()).expect("a date") };
    Revision::Estimate { date, expected: Some((end, price(dice))) }
}

fn price(dice: &mut Dice) -> Trillionths {
    Trillionths(if dice.chance(40) { 10_000 } else { dice.between(9_500, 11_500) } * 100_000_000)
}

fn modification(dice: &mut Dice, life: &Life, date: Date) -> reference::Modification {
    let instrument = &life.books.instrument;
    let terms = instrument.terms();
    let principal = life.books.history.last().map_or(0, |row| row.principal.minor()).max(1);
    let is_us = life.framework == Framework::UsGaap;
    let is_begin = instrument.dates().is_coupon_date(date) || dice.chance(5);
    let rate = (!terms.is_zero_coupon() && is_begin && dice.chance(60)).then(|| {
        let now = i64::try_from((terms.coupon_rate * Decimal::from(10_000)).trunc()).expect("a few percent");
        let moved = now + if dice.chance(75) { dice.between(-120, 120) } else { dice.between(-600, 600) };
        Trillionths(moved.clamp(0, 10_000) * 100_000_000)
    });
    let maturity = dice.chance(45).then(|| new_maturity(dice, instrument, date));
    let until = maturity.unwrap_or(terms.maturity_date);
    let amortization_end = dice.chance(15).then(|| {
        let ends: Vec<Date> = instrument.dates().grid().iter().copied().filter(|end| *end <= until).collect();
        if ends.is_empty() || dice.chance(10) { until } else { dice.pick(&ends) }
    });
    let convertible = terms.conversion.is_some();
    let value = |dice: &mut Dice| i128::from(dice.between(0, 1 + principal / 7));
    let option = match dice.between(1, 100) {
        1..=6 if is_us => reference::OptionChange::Eliminated,
        7..=14 if is_us && !convertible => reference::OptionChange::Added(reference::OnConversion::Payable),
        7..=8 => reference::OptionChange::Added(reference::OnConversion::Paid),
        _ => reference::OptionChange::None,
    };
    let is_measured = if is_us && convertible { dice.chance(96) } else { dice.chance(3) };
    let option_values = is_measured.then(|| {
        let before = value(dice);
        let after = if dice.chance(60) { before } else { value(dice) };
        (before, if dice.chance(30) { before + (after - before) / 3 } else { after })
    });
    let fees = match dice.between(1, 100) {
        1..=50 => 0,
        51..=80 => dice.between(0, principal / 40 + 1),
        81..=90 => -dice.between(0, principal / 60 + 1),
        _ => dice.between(0, principal / 8 + 1),
    };
    let costs = if dice.chance(60) { 0 } else { dice.between(0, principal / 80 + 1) };
    let worth = principal / 1_000 * dice.between(850, 1_150) + dice.between(1, 999);
    let callable = |dice: &mut Dice| dice.chance(12).then(|| price(dice));
    reference::Modification {
        date,
        framework: if is_us { reference::Framework::UsGaap } else { reference::Framework::Ifrs },
        coupon_rate: rate,
        maturity,
        redemption: dice.chance(20).then(|| price(dice)),
        amortization_end,
        option,
        option_values,
        fees: fees.into(),
        costs: costs.into(),
        fair_value: dice.chance(92).then(|| worth.into()),
        callable_before: callable(dice),
        callable_after: callable(dice),
    }
}

/// Some periods more or fewer, on the same day of the month or another.
fn new_maturity(dice: &mut Dice, instrument: &Instrument, date: Date) -> Date {
    let terms = instrument.terms();
    let months = 12 / i32::from(periods_a_year(terms));
    let periods = i32::try_from(dice.between(-8, 16)).expect("few");
    let moved = terms.maturity_date.checked_add((periods * months).months()).expect("within the calendar");
    let moved = if instrument.dates().is_month_end() { moved.last_of_month() } else { moved };
    let moved = match dice.between(1, 10) {
        1..=7 => moved,
        8 => moved.last_of_month(),
        9 => moved.checked_add(dice.between(-3, 3).days()).expect("within the calendar"),
        _ => dice.date(date, moved.max(date).checked_add(900.days()).expect("within the calendar")),
    };
    let highest = terms.dated_date.checked_add(95.years()).expect("within the calendar");
    if moved > highest { terms.maturity_date } else { moved }
}

fn periods_a_year(terms: &Terms) -> u8 {
    if terms.is_zero_coupon() { terms.compounding_frequency } else { terms.coupon_frequency }
}

fn amount(minor: i128) -> Amount {
    Amount::from_minor(i64::try_from(minor).expect("an amount of 64 bits"))
}

fn fraction(of: Trillionths) -> Decimal {
    Decimal::new(of.0, 12).normalize()
}

fn in_core(of: &reference::Modification, conversion: &ConversionTerms) -> Modification {
    Modification {
        effective_date: of.date,
        coupon_rate: of.coupon_rate.map(fraction),
        maturity_date: of.maturity,
        redemption_price: of.redemption.map(fraction),
        amortization_end: of.amortization_end,
        option_change: match of.option {
            reference::OptionChange::None => OptionChange::None,
            reference::OptionChange::Eliminated => OptionChange::Eliminated,
            reference::OptionChange::Added(interest) => OptionChange::Added(Box::new(ConversionTerms {
                accrued_interest: match interest {
                    reference::OnConversion::Forfeited => InterestOnConversion::Forfeited,
                    reference::OnConversion::Paid => InterestOnConversion::Paid,
                    reference::OnConversion::Payable => InterestOnConversion::Payable,
                },
                ..conversion.clone()
            })),
        },
        option_values: of
            .option_values
            .map(|(before, after)| OptionValues { before: amount(before), after: amount(after) }),
        fees: amount(of.fees),
        costs: amount(of.costs),
        fair_value: of.fair_value.map(amount),
        callable_at: CallableAt { before: of.callable_before.map(fraction), after: of.callable_after.map(fraction) },
    }
}

/// What both say of a revision beside its entry.
#[derive(Debug, PartialEq, Eq)]
struct Figures {
    carrying_before: i128,
    carrying_after: i128,
    gain_loss: i128,
}

impl Life {
    /// The date of the last event that counts.
    pub fn latest_change(&self) -> Date {
        self.moved.iter().map(|moved| moved.reversed.effective_date).max().unwrap_or(self.settlement())
    }

    pub fn revise(&mut self, revision: &Revision) -> Checked<bool> {
        let carrying = |outcome: &modification::Outcome| {
            (outcome.carrying_amount_before, outcome.carrying_amount_after, outcome.gain_loss)
        };
        match *revision {
            Revision::Modification(to) => {
                let command = in_core(&to, &self.conversion);
                let decided = command.decide(&self.books, self.framework);
                self.revised(revision, "modification", decided, carrying, |outcome, revised| {
                    check_test(outcome, revised)
                })
            }
            Revision::Estimate { date, expected } => {
                let expected = expected.map(|(date, price)| ExpectedRedemption { date, price: fraction(price) });
                let decided = Estimate { effective_date: date, expected }.decide(&self.books, self.framework);
                let figures = |outcome: &parwright::accounting::transaction::estimate::Outcome| {
                    (outcome.carrying_amount_before, outcome.carrying_amount_after, outcome.gain_loss)
                };
                self.revised(revision, "estimate", decided, figures, |_, _| Ok(()))
            }
            Revision::IssueCosts { date, change, .. } => {
                let decided = IssueCostAdjustment { effective_date: date, change: amount(change) }.decide(&self.books);
                let figures = |outcome: &parwright::accounting::transaction::issue_cost_adjustment::Outcome| {
                    let change = outcome.issue_costs_after.minor() - outcome.issue_costs_before.minor();
                    (Amount::ZERO, Amount::from_minor(-change), Amount::ZERO)
                };
                self.revised(revision, "issue_cost_adjustment", decided, figures, |_, _| Ok(()))
            }
        }
    }

    fn revised<O>(
        &mut self,
        revision: &Revision,
        kind: &str,
        decided: Result<Decision<O>, Refusal>,
        figures: impl Fn(&O) -> (Amount, Amount, Amount),
        compare: impl Fn(&O, &Revised) -> Checked,
    ) -> Checked<bool> {
        let event = Event::Revision(*revision);
        let decision = match decided {
            Ok(decision) => decision,
            Err(refusal) => return self.revision_refused(event, &refusal),
        };
        let date = decision.effective_date;
        let before = self.reference.position_at(date, date.min(self.maturity()));
        self.reference.record(event)?;
        let revised = self.reference.revision(self.reference.events().len() - 1).ok_or("no revision")?.clone();
        let (carried, carries, gain_loss) = figures(&decision.outcome);
        let figures = |before: i128, after: i128, gain_loss: i128| match revision {
            Revision::IssueCosts { .. } => Figures { carrying_before: 0, carrying_after: after - before, gain_loss },
            _ => Figures { carrying_before: before, carrying_after: after, gain_loss },
        };
        same(
            "figures of the revision",
            figures(carried.minor().into(), carries.minor().into(), gain_loss.minor().into()),
            figures(revised.carrying_before, revised.carrying_after, revised.gain_loss),
        )?;
        compare(&decision.outcome, &revised)?;
        let instrument = decision.revised.as_ref().ok_or("a revision without an issue that it revises to")?;
        same("boundary of a revision", instrument.revised_on(), Some(revised.date))?;
        check_rates(instrument, &revised)?;
        check_entry(&decision.postings, &revised)?;
        self.ever_revised = true;
        self.keep_for_reversal(kind, &decision, None)?;
        self.compare_event(date, before, &decision)?;
        self.recorded(&decision)?;
        self.compare_revised_schedule()?;
        Ok(true)
    }

    fn revision_refused(&mut self, event: Event, refusal: &Refusal) -> Checked<bool> {
        let mut tried = self.reference.events().to_vec();
        tried.push(event);
        let Ok(found) = reference::History::of(Arc::clone(&self.curve), &tried) else { return Ok(false) };
        if let (Refusal::NoRateExplains { .. }, Some(revised)) = (refusal, found.revision(tried.len() - 1)) {
            let terms = self.books.instrument.terms();
            let periods = BigInt::from(periods_a_year(terms));
            let bounds = rational(RATE_BOUNDS.0)..=rational(RATE_BOUNDS.1);
            let curve = &revised.part.curve;
            let rates = [curve.gross_rate(), curve.net_rate(), curve.gross_same_horizon_rate()];
            if rates.iter().any(|rate| !bounds.contains(&(rate * &periods))) {
                return Ok(false);
            }
        }
        Err(format!("only the core refuses: {refusal:?}"))
    }

    /// Each row ends at the balance of the terms that were in force until then.
    fn compare_revised_schedule(&self) -> Checked {
        let instrument = &self.books.instrument;
        let principal = instrument.carried().ok_or("it was revised")?.principal;
        let rows = instrument.schedule(principal).map_err(|refusal| refused("schedule", &refusal))?;
        for row in &rows {
            let before_end = row.end.yesterday().map_err(|error| error.to_string())?;
            let balance = self.reference.chain().balance(principal.minor().into(), before_end, row.end);
            let core: (i128, i128) = (row.premium_discount.minor().into(), row.issue_costs.minor().into());
            same(&format!("schedule row to {}", row.end), core, (balance.premium_discount, balance.issue_costs))?;
        }
        same("end of the schedule", rows.last().map(|row| row.end), Some(self.maturity()))
    }
}

fn check_test(outcome: &modification::Outcome, revised: &Revised) -> Checked {
    let (tested, because) = revised.tested.as_ref().ok_or("no test")?;
    let found = match outcome.because {
        Because::CashFlows => reference::Because::CashFlows,
        Because::OptionValue => reference::Because::OptionValue,
        Because::OptionAdded => reference::Because::OptionAdded,
        Because::OptionEliminated => reference::Because::OptionEliminated,
        Because::Neither => reference::Because::Neither,
    };
    same("why terms differ", found, *because)?;
    let values = |before: i128, after: i128| (before, after);
    same(
        "present values",
        values(outcome.test.before.minor().into(), outcome.test.after.minor().into()),
        values(tested.before, tested.after),
    )?;
    // In percent to six decimals.
    let percent = rational(outcome.test.change_percent) - &tested.change * BigInt::from(100);
    if percent.abs() > BigRational::new(500_001.into(), BigInt::from(10).pow(12)) {
        return Err(format!("change of {}%, the reference has {}", outcome.test.change_percent, tested.change));
    }
    same("principal", i128::from(outcome.principal.minor()), revised.principal)
}

fn check_rates(instrument: &Instrument, revised: &Revised) -> Checked {
    let (rates, curve) = (instrument.rates(), &revised.part.curve);
    let power = |exponent| BigRational::new(1.into(), BigInt::from(10).pow(exponent));
    // What is worth nothing has a rate that was kept: none is solved from it.
    let price = Some(BigRational::new(revised.carrying_after.into(), revised.principal.into()));
    let per_price = price.filter(|price| !price.is_zero()).map_or_else(BigRational::zero, |price| power(28) / price);
    // The reference draws one line without costs; the core's three rates are then one.
    for (what, core, reference) in [
        ("gross rate", rates.gross, curve.gross_rate()),
        ("net rate", rates.net, curve.net_rate()),
        ("gross rate over the costs' horizon", rates.gross_same_horizon, curve.gross_same_horizon_rate()),
    ] {
        if (rational(core) - &reference).abs() > power(22) + &per_price {
            return Err(format!("{what} of a revision: the core has {core}, the reference {reference:?}"));
        }
    }
    Ok(())
}

/// What the entry of a revision does to each account, and that there is one.
fn check_entry(postings: &[Posting], revised: &Revised) -> Checked {
    let own: Vec<&Posting> = postings
        .iter()
        .filter(|posting| matches!(posting.entry.kind(), EntryKind::Modification | EntryKind::Issuance))
        .collect();
    same("entries of a revision", own.len(), 1)?;
    let credited = |roles: &[AccountRole]| -> i128 {
        let lines = own[0].entry.lines().iter().filter(|line| roles.contains(&line.role));
        let signed = |side: Side, amount: Amount| {
            if side == Side::Credit { i128::from(amount.minor()) } else { -i128::from(amount.minor()) }
        };
        lines.map(|line| signed(line.side, line.amount)).sum()
    };
    use AccountRole as Role;
    for (what, roles, expected) in [
        (
            "premium or discount",
            &[Role::PremiumOnBondsPayable, Role::DiscountOnBondsPayable][..],
            revised.premium_discount,
        ),
        ("issue costs", &[Role::DebtIssueCosts], revised.issue_costs),
        ("cash", &[Role::Cash], -revised.cash),
        ("interest expense", &[Role::InterestExpense], -revised.expense),
        ("gain or loss", &[Role::GainOnExtinguishment, Role::LossOnExtinguishment], revised.extinguishment_gain),
        ("capital", &[Role::AdditionalPaidInCapital], revised.capital),
        ("principal", &[Role::BondsPayable], 0),
        ("interest", &[Role::InterestPayable, Role::InterestReceivable], 0),
    ] {
        same(what, credited(roles), expected)?;
    }
    invariants::only_these(own[0])
}

impl Life {
    /// What a revision that was recorded last was, for the tally.
    pub fn revision_kind(&self, revision: &Revision) -> &'static str {
        let found = self.reference.revision(self.reference.events().len() - 1);
        let is_backdated = found.is_some_and(|revised| revised.date < self.books.accrued().boundary);
        let because = found.and_then(|revised| revised.tested.as_ref()).map(|(_, because)| *because);
        let framework = self.framework;
        match (revision, because, framework) {
            (Revision::Estimate { .. }, ..) if is_backdated => "estimate, backdated",
            (Revision::Estimate { .. }, ..) => "estimate",
            (Revision::IssueCosts { date, .. }, ..) if found.is_some_and(|revised| revised.date < *date) => {
                "issue costs from settlement"
            }
            (Revision::IssueCosts { .. }, ..) if is_backdated => "issue costs from their date, backdated",
            (Revision::IssueCosts { .. }, ..) => "issue costs from their date",
            (_, Some(reference::Because::Neither), Framework::UsGaap) if is_backdated => "debt goes on, backdated",
            (_, Some(reference::Because::Neither), Framework::UsGaap) => "debt goes on",
            (_, Some(reference::Because::Neither), Framework::Ifrs) if is_backdated => "debt revalued, backdated",
            (_, Some(reference::Because::Neither), Framework::Ifrs) => "debt revalued",
            (_, Some(reference::Because::OptionAdded), _) => "new debt: option added",
            (_, Some(reference::Because::OptionEliminated), _) => "new debt: option eliminated",
            (_, Some(reference::Because::OptionValue), _) => "new debt: option's value",
            (_, Some(reference::Because::CashFlows), Framework::UsGaap) => "new debt: cash flows, US GAAP",
            (_, Some(reference::Because::CashFlows), Framework::Ifrs) => "new debt: cash flows, IFRS",
            (_, None, _) => "revision without a test",
        }
    }
}
