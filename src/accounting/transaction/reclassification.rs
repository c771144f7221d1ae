//! Reclassification: at a balance-sheet date what is current of the debt moves to an account of its own, and back when the next period
//! begins, so that everything between two balance sheets is booked as ever. The debt stays the same: none of its components moves.

use jiff::civil::Date;

use super::booking::{Journal, premium_discount_lines};
use super::observation::DailyPrice;
use super::{Books, Decision, sale_price};
use crate::accounting::classification::{Classification, Facts, Parts, Refinanced, Verdict, classify};
use crate::accounting::framework::Framework;
use crate::accounting::journal::{AccountRole, Derivation, Entry, EntryKind, LineDraft, MovementKind, credit, signed};
use crate::accounting::money::Amount;
use crate::accounting::position::{Components, Position};
use crate::accounting::refusal::Refusal;

/// What is known of the condition under which holders may convert.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum SalePrice {
    Stated(bool),
    /// The prices that the condition of the terms looks at.
    Prices(Vec<DailyPrice>),
}

/// Reclassify what is current at a balance-sheet date.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reclassification {
    pub balance_sheet_date: Date,
    pub sale_price: Option<SalePrice>,
    /// Why holders can demand repayment.
    pub repayable_on_demand: Option<String>,
    pub refinanced: Option<Refinanced>,
}

/// What was found at the date.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Outcome {
    pub balance_sheet_date: Date,
    pub classification: Classification,
    pub parts: Parts,
    /// When the current portion moves back.
    pub moves_back_on: Date,
    /// Of how many days the price was what the condition asks for, where prices were given.
    pub days_met: Option<usize>,
}

impl Reclassification {
    /// Accrues the issue through the date, moves what is current of it, and moves it back on the next day. Without anything current
    /// there are no postings.
    ///
    /// # Errors
    /// A [`Refusal`] when the date is no balance-sheet date of the issue, when it must be known whether holders may convert, or for facts
    /// that have no use.
    pub fn decide(&self, books: &Books, framework: Framework) -> Result<Decision<Outcome>, Refusal> {
        let date = self.balance_sheet_date;
        let moves_back_on = self.next_period(books)?;
        let instrument = &books.instrument;
        let position = books.history.position(instrument.close_of(date), instrument)?;
        let days_met = self.days_met(books)?;
        let facts = Facts {
            convertible: self.convertible(books, days_met)?,
            repayable_on_demand: self.repayable_on_demand.as_deref(),
            refinanced: self.refinanced.as_ref(),
        };
        let terms = instrument.on(date).terms();
        let classification = classify(framework, terms, position.principal, date, &facts)?;
        if classification.verdict == Verdict::NotDetermined {
            let because = classification.reasons.first().map(|reason| reason.detail.clone()).unwrap_or_default();
            return Err(Refusal::missing("sale_price_condition", because));
        }
        let parts = classification.parts(&position, instrument)?;
        let mut journal = Journal::new(books);
        if classification.current_principal.is_positive() {
            let last = instrument.close_of(date.min(terms.maturity_date));
            let reached = books.accrued();
            if (reached.boundary, reached.date) <= (last.boundary, last.date) {
                journal.accrue_to(last)?;
            }
            let entry = |back| moved(&position, &parts.current, &classification, books, back);
            journal.post_own(vec![
                (date, MovementKind::Reclassification, entry(None)?),
                (moves_back_on, MovementKind::Reclassification, entry(Some(date))?),
            ])?;
        }
        let outcome = Outcome { balance_sheet_date: date, classification, parts, moves_back_on, days_met };
        Ok(Decision::posted(date, (position, position), journal.finish()?, outcome))
    }

    /// The first day of the next period. A balance-sheet date is the last day of one that is open.
    fn next_period(&self, books: &Books) -> Result<Date, Refusal> {
        let (field, date, terms) = ("balance_sheet_date", self.balance_sheet_date, books.instrument.terms());
        if let Some(opening) = terms.opening.filter(|opening| date < opening.date) {
            return Err(Refusal::BeforeOpening { field, date, opening_date: opening.date });
        }
        if date < terms.settlement_date {
            return Err(Refusal::BeforeSettlement { field, date, settlement_date: terms.settlement_date });
        }
        if let Some(end) = books.calendar.period_ends_from(date).next().filter(|end| *end != date) {
            let rule = format!("a balance-sheet date is the last day of a fiscal period; the next one is {end}");
            return Err(Refusal::invalid(field, date, rule));
        }
        let open = books.calendar.posting_date(date);
        if open != date {
            let rule = format!("its fiscal period is closed; the first open day is {open}");
            return Err(Refusal::invalid(field, date, rule));
        }
        date.tomorrow().map_err(|_| Refusal::invalid(field, date, "there is no day after it"))
    }

    /// Whether holders may convert, where that is of any use.
    fn convertible(&self, books: &Books, days_met: Option<usize>) -> Result<Option<bool>, Refusal> {
        let Some(known) = &self.sale_price else { return Ok(None) };
        let conversion = books.instrument.on(self.balance_sheet_date).terms().conversion.as_ref();
        let conversion = conversion.filter(|conversion| conversion.principal_in_cash()).ok_or_else(|| {
            Refusal::contradiction(
                "sale_price_condition",
                "no conversion of this issue must pay the principal in cash, so that it does not matter whether holders may convert (ASC \
                 470-20-45-1B, IAS 1.76B); leave it out",
            )
        })?;
        Ok(match (known, conversion.sale_price_condition) {
            (SalePrice::Stated(met), _) => Some(*met),
            (SalePrice::Prices(_), Some(condition)) => days_met.map(|days| days >= usize::from(condition.days)),
            (SalePrice::Prices(_), None) => None,
        })
    }

    /// On how many of the days the price was at least so much of the conversion price that was in force.
    fn days_met(&self, books: &Books) -> Result<Option<usize>, Refusal> {
        let Some(SalePrice::Prices(prices)) = &self.sale_price else { return Ok(None) };
        let list = "sale_price_condition/daily_prices";
        let terms = books.instrument.on(self.balance_sheet_date).terms();
        let condition = terms.conversion.as_ref().and_then(|conversion| conversion.sale_price_condition);
        let condition = condition.ok_or_else(|| {
            Refusal::contradiction(list, "the terms of this issue state no sale-price condition; give met instead")
        })?;
        let quarter_end = sale_price::last_quarter_end(self.balance_sheet_date);
        Ok(Some(sale_price::count(books, condition, quarter_end, list, prices)?.days_met))
    }
}

/// The entry of the current portion: Dr bonds payable and premium, Cr discount and debt issue costs, Cr current portion; or the
/// opposite when it moves `back`.
fn moved(
    position: &Position,
    current: &Components,
    classification: &Classification,
    books: &Books,
    back: Option<Date>,
) -> Result<Option<Entry>, Refusal> {
    let terms = books.instrument.terms();
    let figure = |amount: Amount| amount.to_major(terms.currency);
    let paragraph = classification.reasons.first().map_or("ASC 210-10-45-9", |reason| reason.paragraph);
    let rule = match back {
        None => Derivation::new("carrying amount of what is current at the date", paragraph),
        Some(_) => Derivation::new("what was current at the balance-sheet date moves back", "common practice"),
    }
    .with("balance_sheet_date", position.moment.date)
    .with("current_within", classification.within)
    .with("outstanding", figure(position.principal))
    .with("current_principal", figure(current.principal))
    .with("premium_discount", figure(current.premium_discount))
    .with("issue_costs", figure(current.issue_costs));
    let rule = classification.reasons.iter().fold(rule, |rule, reason| rule.with(reason.code, &reason.detail));
    let (memo, description) = match back {
        None => ("Current portion", format!("Current portion on {}", position.moment.date)),
        Some(date) => ("Current portion moved back", format!("Current portion on {date} moved back")),
    };
    let lines = |part: &Components, before: Amount| -> Result<Vec<LineDraft>, Refusal> {
        let taken = part.premium_discount.negated()?;
        let mut lines = vec![
            signed(AccountRole::BondsPayable, part.principal, memo, rule.clone()),
            signed(AccountRole::DebtIssueCosts, part.issue_costs, memo, rule.clone()),
            credit(AccountRole::CurrentPortionOfBondsPayable, part.carrying_amount()?, memo, rule.clone())?,
        ];
        lines.extend(premium_discount_lines(before, taken, Amount::ZERO, (memo, memo), &rule)?);
        Ok(lines)
    };
    let lines = match back {
        None => lines(current, position.premium_discount)?,
        Some(_) => {
            let left = position.premium_discount.minus(current.premium_discount)?;
            lines(&Components::default().minus(current)?, left)?
        }
    };
    Entry::new(EntryKind::Reclassification, description, lines)
}
