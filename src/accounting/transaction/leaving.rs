//! What leaves the debt with bonds that convert or are extinguished: their share of every component.

use jiff::civil::Date;

use super::booking::premium_discount_lines;
use super::{Books, moved};
use crate::accounting::instrument::{InterestOnConversion, Moment, Terms};
use crate::accounting::journal::{AccountRole, Derivation, LineDraft, LinePart, credit, debit, signed};
use crate::accounting::money::Amount;
use crate::accounting::position::{Components, RowChange};
use crate::accounting::refusal::Refusal;

/// How lines call what becomes of the bonds, and the paragraph that has them leave pro rata.
#[derive(Clone, Copy, Debug)]
pub(super) struct Words {
    rule: &'static str,
    paragraph: &'static str,
    principal: &'static str,
    premium_discount: (&'static str, &'static str),
    issue_costs: &'static str,
    interest_paid: &'static str,
}

/// Bonds that convert.
const CONVERTED: Words = Words {
    rule: "balance before less balance after, at the event's date",
    paragraph: "ASC 470-20-40-4",
    principal: "Principal converted",
    premium_discount: ("Premium converted", "Discount converted"),
    issue_costs: "Issue costs converted",
    interest_paid: "interest accrued to the conversion date, paid",
};

/// Bonds that are bought back or repaid.
const EXTINGUISHED: Words = Words {
    rule: "balance before less balance after, at the event's date",
    paragraph: "ASC 470-50-40-2",
    principal: "Principal extinguished",
    premium_discount: ("Premium extinguished", "Discount extinguished"),
    issue_costs: "Issue costs extinguished",
    interest_paid: "interest accrued to the date, paid",
};

/// Bonds that were surrendered before.
const SETTLED: Words =
    Words { rule: "balance before less balance after, at the conversion date, kept since", ..CONVERTED };

/// Where bonds come from that leave.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Source {
    Outstanding,
    Surrendered,
}

/// The part of the debt that leaves with bonds, balance before less balance after.
#[derive(Clone, Copy, Debug)]
pub(super) struct Leaving {
    pub principal: Amount,
    pub premium_discount: Amount,
    pub issue_costs: Amount,
    pub accrued: Amount,
    /// Part of `accrued` that leaves the liability: all of it, unless it stays payable.
    pub interest: Amount,
    pub handed_over: Amount,
    /// The equity component that goes with the bonds.
    pub equity_component: Amount,
    pub treatment: InterestOnConversion,
    words: Words,
    source: Source,
}

/// A principal is a number of bonds.
///
/// # Errors
/// Of nothing, or of a part of a bond.
pub(super) fn check_bonds(principal: Amount, terms: &Terms) -> Result<(), Refusal> {
    let major = |amount: Amount| amount.to_major(terms.currency);
    if !principal.is_positive() {
        return Err(Refusal::invalid("principal", major(principal), "it must be more than zero"));
    }
    if principal.minor() % terms.denomination.minor() != 0 {
        let (principal, denomination) = (major(principal), major(terms.denomination));
        return Err(Refusal::PrincipalNotMultiple { principal, denomination });
    }
    Ok(())
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
        books.check_date("effective_date", date)?;
        Leaving::pro_rata(books, date, principal, treatment, CONVERTED)
    }

    /// What leaves when `principal` is extinguished on `date`, which may be a business day after maturity. Holders are paid the
    /// interest accrued, as for a conversion under terms that pay it.
    ///
    /// # Errors
    /// When the principal cannot be, or more is extinguished than is outstanding.
    pub fn extinguished(books: &Books, date: Date, principal: Amount) -> Result<Leaving, Refusal> {
        Leaving::pro_rata(books, date, principal, InterestOnConversion::Paid, EXTINGUISHED)
    }

    /// What leaves when surrendered bonds are settled: their balances as they were kept. Interest among them was forfeited.
    pub fn settled(surrendered: &Components) -> Leaving {
        Leaving {
            principal: surrendered.principal,
            premium_discount: surrendered.premium_discount,
            issue_costs: surrendered.issue_costs,
            accrued: surrendered.interest_payable,
            interest: surrendered.interest_payable,
            handed_over: Amount::ZERO,
            equity_component: surrendered.equity_component,
            treatment: InterestOnConversion::Forfeited,
            words: SETTLED,
            source: Source::Surrendered,
        }
    }

    fn pro_rata(
        books: &Books,
        date: Date,
        principal: Amount,
        treatment: InterestOnConversion,
        words: Words,
    ) -> Result<Leaving, Refusal> {
        let instrument = &books.instrument;
        let terms = instrument.terms();
        let major = |amount: Amount| amount.to_major(terms.currency);
        if let Some(revised_on) = instrument.revised_on().filter(|revised_on| date < *revised_on) {
            return Err(Refusal::LaterEventDepends { what: "principal outstanding", on: date, date: revised_on });
        }
        check_bonds(principal, terms)?;
        let moment = Moment::of_movement(date);
        let whole = books.history.position(moment, instrument)?;
        let before = whole.outstanding()?;
        let rest = before.principal.minus(principal)?;
        if rest.is_negative() {
            return Err(Refusal::ExceedsOutstanding {
                principal: major(principal),
                outstanding: major(whole.principal),
                surrendered: major(whole.surrendered.principal),
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
            premium_discount: moved(before.premium_discount, instrument.premium_discount(rest, moment)?)?,
            issue_costs: moved(before.issue_costs, instrument.issue_costs(rest, moment)?)?,
            accrued,
            interest: if treatment == InterestOnConversion::Payable { Amount::ZERO } else { accrued },
            handed_over,
            equity_component: moved(before.equity_component, instrument.equity_component(rest)?)?,
            treatment,
            words,
            source: Source::Outstanding,
        })
    }

    pub fn carrying_amount(&self) -> Result<Amount, Refusal> {
        Amount::total([self.principal, self.premium_discount, self.issue_costs])
    }

    /// What it changes in the rows of what is outstanding.
    pub fn change(&self) -> Result<RowChange, Refusal> {
        let left_payable = self.accrued.minus(self.interest)?;
        let with_next_coupon = left_payable.plus(self.handed_over)?;
        let (principal, surrendered) = match self.source {
            Source::Outstanding => (self.principal.negated()?, Components::default()),
            Source::Surrendered => (Amount::ZERO, Components::default().minus(&self.kept())?),
        };
        Ok(RowChange {
            principal,
            with_next_coupon,
            coupon: None,
            surrendered,
            moved: Components {
                principal: self.principal.negated()?,
                premium_discount: self.premium_discount.negated()?,
                issue_costs: self.issue_costs.negated()?,
                interest_payable: self.handed_over.minus(self.interest)?,
                interest_receivable: Amount::ZERO,
                equity_component: self.equity_component.negated()?,
            },
        })
    }

    /// What stands in the debt of the bonds once they are surrendered. Interest that is forfeited is satisfied by the settlement, and
    /// stands until then; what is paid or left payable with the next coupon is no part of it.
    pub fn kept(&self) -> Components {
        let is_forfeited = self.treatment == InterestOnConversion::Forfeited;
        Components {
            principal: self.principal,
            premium_discount: self.premium_discount,
            issue_costs: self.issue_costs,
            interest_payable: if is_forfeited { self.interest } else { Amount::ZERO },
            interest_receivable: Amount::ZERO,
            equity_component: self.equity_component,
        }
    }

    /// What it changes in the rows when the bonds are surrendered: they bear no interest any more, and nothing leaves but what is paid
    /// or handed over for interest.
    pub fn change_by_surrender(&self) -> Result<RowChange, Refusal> {
        let (change, surrendered) = (self.change()?, self.kept());
        Ok(RowChange { moved: change.moved.plus(&surrendered)?, surrendered, ..change })
    }

    /// The lines that take it out of the liability, with interest paid or handed over.
    pub fn lines(&self, books: &Books, booked: &Components) -> Result<Vec<LineDraft>, Refusal> {
        let currency = books.instrument.terms().currency;
        let figure = |amount: Amount| amount.to_major(currency);
        let pro_rata = |component: &'static str, amount: Amount| {
            Derivation::new(self.words.rule, self.words.paragraph)
                .with("component", component)
                .with("principal_leaving", figure(self.principal))
                .with("amount", figure(amount))
        };
        let premium_rule = pro_rata("premium_discount", self.premium_discount);
        let mut lines = vec![debit(
            AccountRole::BondsPayable,
            self.principal,
            self.words.principal,
            pro_rata("principal", self.principal),
        )];
        let memo = self.words.premium_discount;
        lines.extend(premium_discount_lines(
            booked.premium_discount,
            self.premium_discount.negated()?,
            Amount::ZERO,
            memo,
            &premium_rule,
        )?);
        lines.push(signed(
            AccountRole::DebtIssueCosts,
            self.issue_costs,
            self.words.issue_costs,
            pro_rata("issue_costs", self.issue_costs),
        ));
        let rule = Derivation::new("the bonds' part of the equity component, moved within equity", "IAS 32.AG32")
            .with("principal_leaving", figure(self.principal))
            .with("equity_component", figure(self.equity_component));
        lines.push(debit(AccountRole::EquityComponent, self.equity_component, "Equity component", rule));
        if self.treatment == InterestOnConversion::Forfeited {
            let rule = Derivation::new(
                "interest accrued to the conversion date, forfeited and credited to capital",
                "ASC 470-20-40-11",
            )
            .with("accrued_interest", figure(self.accrued));
            lines.push(debit(
                AccountRole::InterestPayable,
                self.interest,
                LinePart::AccruedInterestForfeited.memo(),
                rule,
            ));
        }
        lines.extend(self.interest_lines(books)?);
        Ok(lines)
    }

    /// The lines of interest that is paid in cash, to holders or by them.
    pub fn interest_lines(&self, books: &Books) -> Result<Vec<LineDraft>, Refusal> {
        let currency = books.instrument.terms().currency;
        let figure = |amount: Amount| amount.to_major(currency);
        let mut lines = Vec::new();
        if self.treatment == InterestOnConversion::Paid {
            let rule = Derivation::new(self.words.interest_paid, "terms of the issue")
                .with("accrued_interest", figure(self.accrued));
            lines.push(debit(
                AccountRole::InterestPayable,
                self.interest,
                LinePart::AccruedInterestPaid.memo(),
                rule.clone(),
            ));
            lines.push(credit(AccountRole::Cash, self.interest, LinePart::AccruedInterestPaid.memo(), rule)?);
        }
        let rule =
            Derivation::new("coupon handed over by a holder who converts after the record date", "terms of the issue")
                .with("coupon", figure(self.handed_over));
        lines.push(debit(AccountRole::Cash, self.handed_over, LinePart::CouponHandedOver.memo(), rule.clone()));
        lines.push(credit(AccountRole::InterestPayable, self.handed_over, LinePart::CouponHandedOver.memo(), rule)?);
        Ok(lines)
    }
}

/// Whether a conversion on `date` comes after the record date of the coupon of `coupon_date`, whose holder then gets it.
fn after_record_date(date: Date, coupon_date: Date, record_days: Option<u16>) -> bool {
    use jiff::ToSpan;
    let record_date = record_days.and_then(|days| coupon_date.checked_sub(i32::from(days).days()).ok());
    record_date.is_some_and(|record_date| record_date < date && date < coupon_date)
}
