//! One issue lived in both calculations: each event is recorded in the core and in the reference and everything is compared.

use std::sync::Arc;

use jiff::ToSpan;
use jiff::civil::Date;
use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::Signed;
use parwright::accounting::fiscal_calendar::FiscalCalendar;
use parwright::accounting::framework::Framework;
use parwright::accounting::instrument::{ConversionTerms, Instrument, Moment, Terms};
use parwright::accounting::journal::Posting;
use parwright::accounting::position::{Components, History, Position};
use parwright::accounting::transaction::accrual::Accrual;
use parwright::accounting::transaction::conversion::{self, Conversion};
use parwright::accounting::transaction::coupon_payment::CouponPayment;
use parwright::accounting::transaction::extinguishment::{self, Extinguishment, Occasion, Price};
use parwright::accounting::transaction::{Books, Decision, FractionalShares, ShareSource, issuance};
use parwright::accounting::{Amount, Refusal};
use rust_decimal::Decimal;

use super::events::Proposal;
use super::reversal::Moved;
use super::surrender::Open;
use super::{invariants, issue};
use crate::reference::{self, Curve, Event};

/// What went wrong, in words.
pub type Checked<T = ()> = Result<T, String>;

/// Two figures that must be the same.
pub fn same<T: PartialEq + std::fmt::Debug>(what: &str, core: T, reference: T) -> Checked {
    if core == reference { Ok(()) } else { Err(format!("{what}: the core has {core:?}, the reference {reference:?}")) }
}

pub struct Life {
    pub books: Books,
    pub reference: reference::History,
    pub postings: Vec<Posting>,
    pub paid: Vec<Date>,
    /// What can be reversed.
    pub moved: Vec<Moved>,
    /// What is surrendered and not settled.
    pub open: Vec<Open>,
    /// Whether something may be posted later than it is effective.
    pub ever_late: bool,
    pub framework: Framework,
    /// Whether it was revised once, though that may be reversed.
    pub ever_revised: bool,
    /// Whether its terms change often.
    pub revises: bool,
    /// Terms of conversion as issued: those of an option that is added.
    pub conversion: ConversionTerms,
    pub(super) curve: Arc<Curve>,
}

/// A conversion into new shares, whose fractions are paid where a price is known.
pub fn conversion_of(effective_date: Date, principal: Amount, share_price: Option<Decimal>) -> Conversion {
    Conversion {
        make_whole: None,
        effective_date,
        principal,
        share_price,
        settlement: None,
        fractional_shares: if share_price.is_some() { FractionalShares::Cash } else { FractionalShares::RoundDown },
        method: conversion::Method::BookValue,
        source: ShareSource::NewShares,
        daily_prices: Vec::new(),
    }
}

impl Life {
    /// The books of an issue and its reference right after issuance.
    pub fn issued(instrument: Instrument, curve: Curve, calendar: FiscalCalendar) -> Checked<Life> {
        let conversion = instrument.terms().conversion.clone().ok_or("drawn with conversion terms")?;
        let (instrument, curve) = (Arc::new(instrument), Arc::new(curve));
        let decision = issuance::decide(&instrument, calendar).map_err(|refusal| refused("issuance", &refusal))?;
        let books = Books {
            instrument,
            calendar,
            history: History::new(Vec::new(), Vec::new()),
            booked: Vec::new(),
            rates: Vec::new(),
        }
        .after(&decision);
        let reference = reference::History::new(Arc::clone(&curve));
        let mut life = Life {
            books,
            reference,
            postings: Vec::new(),
            paid: Vec::new(),
            moved: Vec::new(),
            open: Vec::new(),
            ever_late: false,
            framework: Framework::UsGaap,
            ever_revised: false,
            revises: false,
            conversion,
            curve,
        };
        life.posted(&decision.postings)?;
        life.compare_rates()?;
        life.compare_schedule()?;
        life.compare_books()?;
        Ok(life)
    }

    pub fn settlement(&self) -> Date {
        self.books.instrument.terms().settlement_date
    }

    fn redemption(&self) -> Decimal {
        self.books.instrument.terms().redemption_price
    }

    pub fn maturity(&self) -> Date {
        self.books.instrument.terms().maturity_date
    }

    /// Records what is proposed in both; a refusal by one must be a refusal by both.
    pub fn record(&mut self, proposal: &Proposal) -> Checked<bool> {
        match *proposal {
            Proposal::Accrual { through } => self.accrue(through),
            Proposal::Coupon { date, paid_on } => self.pay(date, paid_on),
            Proposal::Conversion { date, principal, share_price } => self.convert(date, principal, share_price),
            Proposal::Surrender { date, principal } => self.surrender(date, principal),
            Proposal::Settlement { surrender, date, share_price } => self.settle(surrender, date, share_price),
            Proposal::SettledLater { conversion_date, date, principal, share_price } => {
                self.settle_later(conversion_date, date, principal, share_price)
            }
            Proposal::Revision(revision) => self.revise(&revision),
            Proposal::Reversal { moved, posting_date } => self.reverse(moved, posting_date),
            Proposal::Extinguishment { occasion, date, paid_on, principal, percent } => {
                let price = if occasion == Occasion::Maturity { Price::Redemption } else { Price::Percent(percent) };
                self.extinguish(&Extinguishment {
                    occasion,
                    effective_date: date,
                    paid_on,
                    principal,
                    price,
                    accrued_interest: None,
                    straight_debt_rate: None,
                    costs: Amount::ZERO,
                })
            }
        }
    }

    fn extinguish(&mut self, command: &Extinguishment) -> Checked<bool> {
        let date = command.date();
        let event = Event::Extinguishment { date, principal_minor: command.principal.minor().into() };
        let before = self.reference.position_at(date, date.min(self.maturity()));
        match command.decide(&self.books) {
            Ok(decision) => {
                self.reference.record(event)?;
                let moved = self.reference.conversion_result(self.reference.events().len() - 1);
                same("what was extinguished", Some(extinguished(&decision.outcome)), moved)?;
                let otherwise = self.books.instrument.expected().is_some_and(|end| end.price != self.redemption());
                invariants::extinguishment_foots(&decision, command, otherwise)?;
                self.keep_for_reversal("extinguishment", &decision, None)?;
                self.compare_event(date, before, &decision)?;
                self.recorded(&decision)?;
                Ok(true)
            }
            Err(
                Refusal::ExceedsOutstanding { .. }
                | Refusal::LaterEventInTheWay { .. }
                | Refusal::LaterEventDepends { .. },
            ) => {
                if self.reference.record(event).is_ok() {
                    Err("only the core refuses so large an extinguishment".into())
                } else {
                    Ok(false)
                }
            }
            // All is converted or bought back already.
            Err(Refusal::InvalidField { .. }) if !command.principal.is_positive() => Ok(false),
            Err(refusal) => Err(refused("extinguishment", &refusal)),
        }
    }

    fn accrue(&mut self, through: Date) -> Checked<bool> {
        let reached = self.books.accrued();
        let decided = Accrual { through }.decide(&self.books).map_err(|refusal| refused("accrual", &refusal))?;
        let Some(decision) = decided else {
            // Nothing to post does not move the boundary last accrued, so the reference is not told of it. Where it would be new to
            // the reference, the balances must be those that are booked.
            let close = self.books.instrument.close_of(through.min(self.maturity()));
            if (close.boundary, close.date) >= (reached.boundary, reached.date) {
                same("nothing to accrue", self.books.booked_total(), in_core(self.reference.position(close.date)))?;
            }
            return Ok(false);
        };
        if decision.after.moment.boundary < reached.boundary {
            return Err(format!(
                "an accrual through {through} posted something, though {} was reached",
                reached.boundary
            ));
        }
        self.reference.record(Event::Accrual { through })?;
        same(
            "position after the accrual",
            position(&decision.after),
            self.reference.position(through.min(self.maturity())),
        )?;
        self.recorded(&decision)?;
        // The same again, and anything before it, posts nothing.
        for past in [
            through,
            self.settlement(),
            self.settlement().max(through.checked_sub(40.days()).map_err(|e| e.to_string())?),
        ] {
            let again = Accrual { through: past };
            if again.decide(&self.books).map_err(|refusal| refused("accrual", &refusal))?.is_some() {
                return Err(format!("after an accrual through {through} one through {past} posted something"));
            }
        }
        Ok(true)
    }

    fn pay(&mut self, coupon_date: Date, paid_on: Option<Date>) -> Checked<bool> {
        let command = CouponPayment { coupon_date, paid_on };
        let event = Event::Coupon { date: coupon_date, paid_on };
        let date = paid_on.unwrap_or(coupon_date);
        match command.decide(&self.books, self.paid.contains(&coupon_date)) {
            Ok(decision) => {
                let before = self.reference.position_at(date, date.min(self.maturity()));
                self.reference.record(event)?;
                let paid = self.reference.payment(self.reference.events().len() - 1);
                same("coupon paid", Some(i128::from(decision.outcome.amount.minor())), paid)?;
                self.paid.push(coupon_date);
                self.keep_for_reversal("coupon_payment", &decision, Some(coupon_date))?;
                self.compare_event(date, before, &decision)?;
                self.recorded(&decision)?;
                Ok(true)
            }
            Err(Refusal::CouponAlreadyPaid { .. }) => {
                if self.reference.record(event).is_ok() {
                    Err("only the core refuses a second payment".into())
                } else {
                    Ok(false)
                }
            }
            Err(Refusal::NothingDue { .. }) => {
                let mut events = self.reference.events().to_vec();
                events.push(event);
                let tried = reference::History::of(Arc::clone(&self.curve), &events)?;
                same("nothing due", Some(0), tried.payment(events.len() - 1))?;
                Ok(false)
            }
            Err(refusal) => Err(refused("coupon payment", &refusal)),
        }
    }

    fn convert(&mut self, date: Date, principal: Amount, share_price: Option<Decimal>) -> Checked<bool> {
        let command = conversion_of(date, principal, share_price);
        let event = Event::Conversion { date, principal_minor: principal.minor().into() };
        let before = self.reference.position_at(date, date);
        match command.decide(&self.books) {
            Ok(decision) if self.is_apart_by_choice(date, principal)? => self.only_in_core(&decision),
            Ok(decision) => {
                self.reference.record(event)?;
                let moved = self.reference.conversion_result(self.reference.events().len() - 1);
                let interest = self.reference.chain().terms().on_conversion;
                same("what was converted", Some(moved_by(&decision.outcome, interest)), moved)?;
                invariants::conversion_foots(&decision)?;
                self.keep_for_reversal("conversion", &decision, None)?;
                self.compare_event(date, before, &decision)?;
                self.recorded(&decision)?;
                Ok(true)
            }
            Err(
                Refusal::ExceedsOutstanding { .. }
                | Refusal::LaterEventInTheWay { .. }
                | Refusal::LaterEventDepends { .. }
                | Refusal::NoConversionTerms,
            ) => {
                if self.reference.record(event).is_ok() {
                    Err("only the core refuses so large a conversion".into())
                } else {
                    Ok(false)
                }
            }
            Err(refusal) => Err(refused("conversion", &refusal)),
        }
    }

    /// Whether core and reference treat a rounding unit of a backdated conversion differently, both for a reason.
    ///
    /// The coupon that is handed over is one that the core takes as it was paid, on the principal before the coupon date, so that
    /// it equals what holders got; the reference takes it on the principal at the conversion. And where interest left payable,
    /// rounded, is a unit more than the rounded coupon that its holders have had already, the core regards them as settled, while
    /// the reference pays the unit with the next coupon, which there may not be.
    pub fn is_apart_by_choice(&self, date: Date, principal: Amount) -> Checked<bool> {
        let instrument = &self.books.instrument;
        let Some(coupon_date) = instrument.dates().next_coupon_date(date) else { return Ok(false) };
        let refused = |refusal: Refusal| refused("coupon", &refusal);
        let held = self.books.history.due_with(coupon_date, instrument).map_err(refused)?.principal;
        let now = self.books.history.at(date, instrument).map_err(refused)?.principal;
        let share = |of: Amount, figure: &dyn Fn(Amount) -> Result<Amount, Refusal>| -> Checked<i64> {
            let rest = Amount::from_minor(of.minor() - principal.minor());
            Ok(figure(of).map_err(refused)?.minor() - figure(rest).map_err(refused)?.minor())
        };
        let coupon = |of: Amount| instrument.coupon(of, coupon_date);
        let accrued = |of: Amount| instrument.accrued(of, Moment::of_movement(date));
        let as_paid = share(held, &coupon)?;
        Ok(as_paid != share(now, &coupon)? || self.paid.contains(&coupon_date) && share(now, &accrued)? > as_paid)
    }

    /// What is not compared must still be sound, and bring what is booked to what is computed. It is not recorded.
    pub fn only_in_core<O>(&self, decision: &Decision<O>) -> Checked<bool> {
        for posting in &decision.postings {
            invariants::posting_is_sound(posting, &self.books.calendar, false)?;
        }
        let books = self.books.after(decision);
        let computed =
            books.history.position(books.accrued(), &books.instrument).and_then(|position| position.components());
        same("booked against computed", Ok(books.booked_total()), computed)?;
        Ok(false)
    }

    /// Closes periods through a month's end; what belongs to them is posted on the day after.
    pub fn close(&mut self, through: Date) {
        let fiscal_year_end = "12-31";
        self.books.calendar =
            FiscalCalendar::new(fiscal_year_end, Some(through.last_of_month())).expect("a month's last day");
        self.ever_late = true;
    }

    pub fn compare_event<O>(&self, date: Date, before: reference::Components, decision: &Decision<O>) -> Checked {
        let boundary = date.min(self.maturity());
        same("position before the event", position(&decision.before), before)?;
        same("position after the event", position(&decision.after), self.reference.position_at(date, boundary))
    }

    pub fn recorded<O>(&mut self, decision: &Decision<O>) -> Checked {
        self.books = self.books.after(decision);
        self.posted(&decision.postings)?;
        self.compare_books()
    }

    fn posted(&mut self, postings: &[Posting]) -> Checked {
        for posting in postings {
            invariants::posting_is_sound(posting, &self.books.calendar, self.ever_late)?;
        }
        self.postings.extend(postings.iter().cloned());
        invariants::accounts_hold_their_share(&self.postings, &self.books)?;
        invariants::postings_add_up(&self.postings, &self.books)
    }

    /// What is booked, in both; against what is computed; and all interest expense.
    fn compare_books(&self) -> Checked {
        let booked = self.books.booked_total();
        // The core's boundary of a payment after maturity is the day of the payment, the reference's is maturity: no balance differs.
        let boundary = self.books.accrued().boundary.min(self.maturity());
        same("boundary last accrued", boundary, self.reference.accrued_boundary())?;
        same("booked", booked, in_core(self.reference.booked()))?;
        if self.reference.events().is_empty() {
            return Ok(());
        }
        let computed = self
            .books
            .history
            .position(self.books.accrued(), &self.books.instrument)
            .and_then(|position| position.components());
        same("booked against computed", Ok(booked), computed)?;
        let (coupon, amortization) = invariants::expense(&self.postings);
        same("interest expense", reference::Expense { coupon, amortization }, self.reference.interest_expense_total())
    }

    /// The position at close of business on a date, before and after settlement and maturity too.
    pub fn compare_position(&self, date: Date) -> Checked {
        let moment = self.books.instrument.close_of(date);
        let found = self
            .books
            .history
            .position(moment, &self.books.instrument)
            .map_err(|refusal| refused("position", &refusal))?;
        same(&format!("position on {date}"), position(&found), self.reference.position(date))?;
        let moment = Moment::of_movement(date);
        if (self.settlement()..=self.maturity()).contains(&date) {
            let found = self
                .books
                .history
                .position(moment, &self.books.instrument)
                .map_err(|refusal| refused("position", &refusal))?;
            same(&format!("position at boundary {date}"), position(&found), self.reference.position_at(date, date))?;
        }
        Ok(())
    }

    /// Rates must agree to far more digits than the twelve decimals that are reported: of 28 decimals the last few are lost over many
    /// periods.
    fn compare_rates(&self) -> Checked {
        let (rates, terms) = (self.books.instrument.rates(), self.books.instrument.terms());
        let gross = ("gross rate", rates.gross, self.curve.gross_rate());
        let same_horizon =
            ("gross rate over the costs' horizon", rates.gross_same_horizon, self.curve.gross_same_horizon_rate());
        // Without costs there is one curve, to the horizon of the premium or discount; the reference also draws one to that of the
        // costs that there are not, of which nothing is computed. At a stated rate the core keeps the gross rate that it solved.
        let compared = match (terms.issue_costs.is_zero(), terms.stated_effective_rate.is_some()) {
            (true, false) => vec![gross, ("net rate", rates.net, self.curve.gross_rate())],
            (true, true) => vec![("net rate", rates.net, self.curve.gross_rate())],
            (false, _) => vec![gross, ("net rate", rates.net, self.curve.net_rate()), same_horizon],
        };
        for (what, core, reference) in compared {
            if !near(issue::rational(core), &reference, terms) {
                return Err(format!("{what}: the core has {core}, the reference {reference:?}"));
            }
        }
        // The reference's is that of the net curve, which without costs is not always the one that is used.
        let is_reported = !terms.issue_costs.is_zero() || terms.amortization_end.is_none();
        if let Some(difference) = self.books.instrument.stated_rate_difference().filter(|_| is_reported) {
            let principal = BigInt::from(self.books.instrument.terms().principal.minor());
            let expected = self.curve.last_period_difference() * principal;
            same("difference of the stated rate", BigInt::from(difference.minor()), expected.round().to_integer())?;
        }
        Ok(())
    }

    /// The schedule of the whole issue against balances at its dates.
    fn compare_schedule(&self) -> Checked {
        let principal = self.books.instrument.terms().principal;
        let rows = self.books.instrument.schedule(principal).map_err(|refusal| refused("schedule", &refusal))?;
        for row in &rows {
            let balance = self.curve.balance(principal.minor().into(), row.end);
            let core =
                (row.premium_discount.minor().into(), row.issue_costs.minor().into(), i128::from(row.coupon.minor()));
            let coupon = self.curve.coupon(principal.minor().into(), row.end);
            same("schedule row", core, (balance.premium_discount, balance.issue_costs, coupon))?;
        }
        invariants::schedule_adds_up(&rows, &self.books.instrument)
    }
}

/// Within ten to the minus 22, and what the last digit of the price of one unit, which has 28 decimals however small it is, can
/// change in the rate.
fn near(found: BigRational, expected: &BigRational, terms: &Terms) -> bool {
    let power = |exponent| BigRational::new(1.into(), BigInt::from(10).pow(exponent));
    let price =
        BigRational::new((terms.proceeds.minor() - terms.issue_costs.minor()).into(), terms.principal.minor().into());
    (found - expected).abs() <= power(22) + power(28) / price
}

pub fn refused(what: &str, refusal: &Refusal) -> String {
    format!("the core refuses: {what}: {refusal:?}")
}

/// A position as the reference writes it.
fn position(core: &Position) -> reference::Components {
    reference::Components {
        principal: core.principal.minor().into(),
        premium_discount: core.premium_discount.minor().into(),
        issue_costs: core.issue_costs.minor().into(),
        interest_due: core.interest_due.minor().into(),
        interest_accrued: core.interest_accrued.minor().into(),
        interest_receivable: core.interest_receivable.minor().into(),
        surrendered: core.surrendered.principal.minor().into(),
    }
}

/// Components as the core books them, interest due and accrued together.
fn in_core(of: reference::Components) -> Components {
    let amount = |minor: i128| Amount::from_minor(i64::try_from(minor).expect("an amount of 64 bits"));
    Components {
        equity_component: Amount::ZERO,
        principal: amount(of.principal),
        premium_discount: amount(of.premium_discount),
        issue_costs: amount(of.issue_costs),
        interest_payable: amount(of.interest_payable()),
        interest_receivable: amount(of.interest_receivable),
    }
}

fn extinguished(outcome: &extinguishment::Outcome) -> reference::Moved {
    reference::Moved {
        principal: outcome.principal.minor().into(),
        premium_discount: outcome.premium_discount.minor().into(),
        issue_costs: outcome.issue_costs.minor().into(),
        accrued_interest: outcome.accrued_interest.minor().into(),
        handed_over: 0,
        interest: reference::OnConversion::Paid,
    }
}

fn moved_by(outcome: &conversion::Outcome, interest: reference::OnConversion) -> reference::Moved {
    reference::Moved {
        principal: outcome.principal.minor().into(),
        premium_discount: outcome.premium_discount.minor().into(),
        issue_costs: outcome.issue_costs.minor().into(),
        accrued_interest: outcome.accrued_interest.minor().into(),
        handed_over: outcome.coupon_handed_over.minor().into(),
        interest,
    }
}
