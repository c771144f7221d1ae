//! Disclosures as of a date: what an issue is, what falls due, and what a period brought.

mod document;
mod events;
mod late;
mod notices;

use std::collections::HashMap;

use jiff::civil::Date;
use rust_decimal::Decimal;

use super::outstanding::{Outstanding, OutstandingPages, by_issue, of};
use super::{Known, Library, ReadError, rollforward};
use crate::accounting::Currency;
use crate::accounting::classification::{Facts, Verdict, classify};
use crate::accounting::fiscal_calendar::FiscalCalendar;
use crate::accounting::framework::Framework;
use crate::accounting::journal::MovementKind;
use crate::accounting::money::{Amount, round_years};
use crate::accounting::position::Components;
use crate::accounting::refusal::Refusal;
use crate::accounting::transaction::Books;
use crate::document::EffectiveRateDocument;
use crate::posting::{self, RecordError};
use crate::reports::disclosures::{AsOf, BANDS, CashFlows, ConversionFigures, Converted, Maturities, Payments, YEARS};
use crate::reports::interest::Interest;
use crate::reports::rollforward::Sums;
use crate::store::EventRow;

use document::{BandDocument, ClassifiedDocument, ConversionFeatureDocument, FairValueDocument};
pub use document::{ConvertedDocument, DisclosureFigures, DisclosuresDocument, IssueDisclosure};
pub use events::NotedEvent;
pub use late::PriorPeriodEntry;

/// The fair value of an issue, as the caller measured it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FairValue {
    pub bond_issue: String,
    /// Of the fair value hierarchy, 1 to 3 (ASC 820-10-35-37, IFRS 13.72).
    pub level: u8,
    pub amount: Decimal,
}

/// What is asked for of disclosures.
#[derive(Clone, Copy, Debug)]
pub struct DisclosuresAsked<'a> {
    pub period_from: Date,
    pub as_of: Date,
    pub known: Known,
    pub currency: Option<Currency>,
    pub share_price: Option<Decimal>,
    pub fair_values: &'a [FairValue],
}

/// What is added up over issues.
#[derive(Clone, Debug)]
struct Figures {
    debt: Components,
    surrendered: Components,
    interest: Interest,
    maturities: Maturities,
    payments: [Payments; BANDS.len()],
    contractual: Converted,
    induced: Converted,
    cash_flows: CashFlows,
    extinguishment_costs: Amount,
    /// Current and non-current; none where an issue is not determined.
    parts: Option<(Components, Components)>,
}

impl Figures {
    fn none() -> Figures {
        Figures {
            debt: Components::default(),
            surrendered: Components::default(),
            interest: Interest::default(),
            maturities: [Amount::ZERO; YEARS + 1],
            payments: [Payments::default(); BANDS.len()],
            contractual: Converted::default(),
            induced: Converted::default(),
            cash_flows: CashFlows { accreted_interest_repaid: Some(Amount::ZERO), ..CashFlows::default() },
            extinguishment_costs: Amount::ZERO,
            parts: Some((Components::default(), Components::default())),
        }
    }

    fn plus(&self, other: &Figures) -> Result<Figures, Refusal> {
        let mut sum = Figures {
            debt: self.debt.plus(&other.debt)?,
            surrendered: self.surrendered.plus(&other.surrendered)?,
            interest: self.interest.plus(&other.interest)?,
            contractual: self.contractual.plus(&other.contractual)?,
            induced: self.induced.plus(&other.induced)?,
            cash_flows: self.cash_flows.plus(&other.cash_flows)?,
            extinguishment_costs: self.extinguishment_costs.plus(other.extinguishment_costs)?,
            parts: match (&self.parts, &other.parts) {
                (Some((current, rest)), Some((other, others))) => Some((current.plus(other)?, rest.plus(others)?)),
                _ => None,
            },
            ..self.clone()
        };
        for (year, other) in sum.maturities.iter_mut().zip(other.maturities) {
            *year = year.plus(other)?;
        }
        for (band, other) in sum.payments.iter_mut().zip(other.payments) {
            *band = Payments {
                interest: band.interest.plus(other.interest)?,
                principal: band.principal.plus(other.principal)?,
            };
        }
        Ok(sum)
    }
}

/// What holds for all issues of an answer.
struct Scope<'a> {
    asked: &'a DisclosuresAsked<'a>,
    currency: Currency,
    framework: Framework,
    calendar: FiscalCalendar,
    fair_values: HashMap<&'a str, &'a FairValue>,
}

impl Library {
    /// The disclosures of an entity's issues in a currency, the functional one if none is named.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] when the entity was not known, or a fair value names no issue of it in the currency.
    pub async fn disclosures(
        &self,
        entity: &str,
        asked: DisclosuresAsked<'_>,
    ) -> Result<DisclosuresDocument, ReadError> {
        let DisclosuresAsked { period_from: from, as_of: to, known, .. } = asked;
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let (row, currency) = super::entity_in(&mut reader, entity, asked.currency).await?;
        let mut scope = Scope {
            asked: &asked,
            currency,
            framework: posting::framework(&row)?,
            calendar: posting::calendar(&row, None)?,
            fair_values: asked.fair_values.iter().map(|value| (value.bond_issue.as_str(), value)).collect(),
        };
        let (first, last) = (from.to_string(), to.to_string());
        let posted = reader.movements(entity, (&first, &last), known.sequence, currency.code()).await?;
        let posted = rollforward::by_issue(posted)?;
        let mut pages = OutstandingPages::begin(entity, (from, to), known, currency, &mut reader).await?;
        let (mut total, mut items) = (Figures::none(), Vec::new());
        let (mut in_period, mut later, mut unsettled) = (Vec::new(), Vec::new(), Vec::new());
        while let Some(page) = pages.next(&mut reader).await? {
            let rates = pages.rates(&mut reader).await?;
            let events = reader.events_from(entity, pages.ids(), &first, known.sequence).await?;
            let events = by_issue(events, |row: &EventRow| &row.bond_issue);
            for issue in page {
                let (books, _) = issue.books_with_rates(scope.calendar, of(&rates, &issue.id), to)?;
                let noted = of(&events, &issue.id).iter().map(|event| NotedEvent::read(event, &issue.reference));
                let noted = noted.collect::<Result<Vec<_>, _>>()?;
                let movements = posted.get(&issue.id).map_or(&[] as &[_], Vec::as_slice);
                let (figures, item) = scope.issue(&issue, &books, movements, &noted)?;
                total = total.plus(&figures)?;
                if figures.surrendered.principal.is_positive() {
                    let known = known.sequence;
                    unsettled.extend(notices::unsettled(entity, &issue, &last, known, &mut reader).await?);
                }
                items.push(item);
                let (now, then): (Vec<_>, Vec<_>) = noted.into_iter().partition(|event| event.is_effective_by(&last));
                in_period.extend(now.into_iter().filter(NotedEvent::is_told_of_the_period));
                later.extend(then);
            }
        }
        if let Some(id) = scope.fair_values.keys().min() {
            let code = currency.code();
            return Err(RecordError::NotFound(format!("the bond issue {id}, in {code} and settled by {to},")));
        }
        let late = reader.posted_late(entity, (&first, &last), known.sequence, currency.code()).await?;
        let prior_period_entries = late::entries(late, &items, currency)?;
        Ok(DisclosuresDocument {
            entity: entity.to_owned(),
            period_from: first,
            as_of: last,
            currency: currency.code().to_owned(),
            other_currencies: super::other_currencies(&mut reader, entity, known, currency).await?,
            known_at: known.text(),
            share_price: asked.share_price.map(|price| price.to_string()),
            payment_bands: BandDocument::all(to),
            items,
            total: DisclosureFigures::of(&total, to, currency)?,
            events_of_period: in_period,
            subsequent_events: later,
            notices_not_settled: unsettled,
            prior_period_entries,
            caution: super::CAUTION.to_owned(),
        })
    }
}

impl<'a> Scope<'a> {
    fn issue(
        &mut self,
        issue: &Outstanding,
        books: &Books,
        movements: &[(String, Sums)],
        noted: &[NotedEvent],
    ) -> Result<(Figures, IssueDisclosure), ReadError> {
        let (as_of, currency) = (self.asked.as_of, self.currency);
        let instrument = &books.instrument;
        let then = AsOf::new(as_of, instrument, &books.history);
        let position = books.history.position(instrument.close_of(as_of), instrument)?;
        let terms = instrument.on(as_of).terms();
        let found = classify(self.framework, terms, position.principal, as_of, &Facts::default())?;
        let by_terms = match found.verdict {
            Verdict::NotDetermined => None,
            _ => Some(found.parts(&position, instrument)?),
        };
        let by_terms = by_terms.map(|parts| (parts.current, parts.non_current));
        let stated = noted.iter().find_map(|event| event.reclassified(as_of, currency)).transpose()?;
        let is_stated = stated.is_some();
        let mut costs = Amount::ZERO;
        for event in noted.iter().filter(|event| event.is_effective_by(&as_of.to_string())) {
            costs = costs.plus(event.extinguishment_costs(currency)?)?;
        }
        let figures = Figures {
            debt: position.components()?,
            surrendered: position.surrendered,
            interest: Interest::of(movements)?,
            maturities: then.maturities()?,
            payments: then.payments()?,
            contractual: Converted::of(movements, MovementKind::Conversion)?,
            induced: Converted::of(movements, MovementKind::InducedConversion)?,
            cash_flows: CashFlows::of(instrument, movements)?,
            extinguishment_costs: costs,
            parts: stated.or(by_terms),
        };
        let conversion = self.conversion(&then, books, position.surrendered.principal)?;
        let amortized_through = then.amortized_through();
        let days = Decimal::from((amortized_through - as_of).get_days().max(0));
        let item = IssueDisclosure {
            bond_issue: issue.id.clone(),
            reference: issue.reference.clone(),
            maturity_date: terms.maturity_date.to_string(),
            coupon_rate: terms.coupon_rate.normalize().to_string(),
            effective_rate: EffectiveRateDocument::of(instrument.on(as_of)),
            amortized_through: amortized_through.to_string(),
            remaining_years: round_years(days / Decimal::new(36525, 2)).to_string(),
            conversion: conversion.map(|figures| ConversionFeatureDocument::of(&figures, terms)),
            fair_value: match self.fair_values.remove(issue.id.as_str()) {
                Some(value) => Some(FairValueDocument::of(value, currency)?),
                None => None,
            },
            classification: ClassifiedDocument::of(&found, is_stated),
            figures: DisclosureFigures::of(&figures, as_of, currency)?,
        };
        Ok((figures, item))
    }

    fn conversion(
        &self,
        then: &AsOf<'_>,
        books: &Books,
        surrendered: Amount,
    ) -> Result<Option<ConversionFigures>, Refusal> {
        match books.conversion_at(self.asked.as_of) {
            Ok(terms) => then.conversion(terms.shares_per_denomination, surrendered, self.asked.share_price),
            Err(Refusal::NoConversionTerms) => Ok(None),
            Err(other) => Err(other),
        }
    }
}
