//! The inputs of diluted earnings per share.

use std::collections::BTreeSet;

use jiff::civil::Date;
use rust_decimal::Decimal;
use serde::Serialize;
use utoipa::ToSchema;

use super::induced::induced;
use super::outstanding::{Outstanding, OutstandingPages, by_issue, of};
use super::{Known, Library, ReadError, rollforward};
use crate::accounting::Currency;
use crate::accounting::framework::Framework;
use crate::accounting::money::{Amount, round_per_share, round_shares};
use crate::accounting::refusal::Refusal;
use crate::document::money;
use crate::posting;
use crate::reports::if_converted::{self as report, Asked, Increment, Issue, Line, Method, Part, diluted, lines};
use crate::reports::interest::Interest;

/// What is asked for of the if-converted inputs.
#[derive(Clone, Copy, Debug)]
pub struct IfConvertedAsked {
    pub from: Date,
    pub to: Date,
    pub known: Known,
    pub currency: Option<Currency>,
    pub tax_rate: Decimal,
    pub average_share_price: Option<Decimal>,
    /// Income available to holders of common stock, and their weighted average shares, where earnings per share are wanted.
    pub basic: Option<(Decimal, Decimal)>,
}

/// What convertible issues bring to diluted earnings per share of a period, from the most to the least dilutive (ASC 260-10-45-18, 45-40; IAS
/// 33.44, 33.49).
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct IfConvertedDocument {
    pub entity: String,
    pub from: String,
    pub to: String,
    pub days: i32,
    pub currency: String,
    /// Currencies of issues that are left out; ask for them with `currency`.
    pub other_currencies: Vec<String>,
    pub known_at: String,
    /// Shares are restated for splits and stock dividends effective by this date (ASC 260-10-55-12, IAS 33.64).
    pub restated_through: String,
    pub tax_rate: String,
    pub average_share_price: Option<String>,
    pub items: Vec<IfConvertedItem>,
    /// Null unless `income` and `weighted_average_shares` are given, or where something is missing.
    pub earnings_per_share: Option<EarningsPerShareDocument>,
    /// Query parameters without which the answer is not complete.
    #[schema(example = json!(["average_share_price"]))]
    pub missing: Vec<String>,
    pub caution: String,
}

/// The bonds of one issue, or those of them that were induced to convert.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct IfConvertedItem {
    pub bond_issue: String,
    pub reference: String,
    /// `existing`, or `induced`: bonds that an offer induced to convert in the period. They are tested apart, with the expense of the offer
    /// added back and the shares of the existing terms.
    pub bonds: String,
    /// `if_converted`, `conversion_spread` (the principal is paid in cash: no interest, and shares beyond it at the average share price) or
    /// `no_shares` (a conversion is paid in cash alone).
    pub method: String,
    /// All interest expense posted in the period, amortization included.
    pub interest_expense: String,
    /// Debt conversion expense; under IFRS the loss on amended conversion terms.
    pub inducement_expense: String,
    pub add_back_before_tax: String,
    pub add_back_after_tax: String,
    /// Days on which the same principal was outstanding at the same rate.
    pub spans: Vec<SpanDocument>,
    /// Weighted by days; null where the average share price is missing.
    pub incremental_shares: Option<String>,
    /// What is added back for each share, after tax; null without shares.
    pub per_incremental_share: Option<String>,
    /// What the preparer should know: `contingent_conversion_counted` (whatever the share price is: ASC 260-10-45-44),
    /// `contingent_conversion_to_be_judged` (counted here; under IFRS only if its condition is met at the end of the period: IAS 33.56-57),
    /// `not_accrued_through_period` (interest of the period is yet to be posted).
    pub flags: Vec<String>,
}

/// Days on which the same principal was outstanding at the same rate.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct SpanDocument {
    pub from: String,
    pub to: String,
    pub days: i32,
    pub principal: String,
    /// Restated for later splits and stock dividends.
    pub shares_per_denomination: String,
    /// Not weighted; null where the average share price is missing.
    pub shares: Option<String>,
}

/// Earnings per share for the income and the shares given.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct EarningsPerShareDocument {
    pub income: String,
    pub weighted_average_shares: String,
    pub basic: String,
    pub diluted: String,
    /// One item after the other, until one does not lessen earnings per share.
    pub sequence: Vec<DilutionStep>,
}

/// Earnings per share with one more item.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct DilutionStep {
    pub bond_issue: String,
    pub bonds: String,
    pub per_incremental_share: String,
    /// If not, it stays out.
    pub dilutive: bool,
    /// With this and the dilutive items before it.
    pub income: String,
    pub shares: String,
    pub earnings_per_share: String,
}

/// A line with what it is ordered by.
struct Ranked {
    item: IfConvertedItem,
    increment: Option<Increment>,
    per_share: Option<Decimal>,
}

impl Library {
    /// The if-converted inputs of an entity's issues in a currency, the functional one if none is named.
    ///
    /// # Errors
    /// [`RecordError::NotFound`](crate::posting::RecordError::NotFound) when the entity was not known.
    pub async fn if_converted(&self, entity: &str, asked: IfConvertedAsked) -> Result<IfConvertedDocument, ReadError> {
        let IfConvertedAsked { from, to, known, .. } = asked;
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let (row, currency) = super::entity_in(&mut reader, entity, asked.currency).await?;
        let framework = posting::framework(&row)?;
        let calendar = posting::calendar(&row, None)?;
        let (first, last) = (from.to_string(), to.to_string());
        let restated_through = report::restated_through(to, known.date());
        let asked_of = Asked { from, to, tax_rate: asked.tax_rate, average_share_price: asked.average_share_price };
        let posted = reader.movements(entity, (&first, &last), known.sequence, currency.code()).await?;
        let posted = rollforward::by_issue(posted)?;
        let mut pages = OutstandingPages::begin(entity, (from, to), known, currency, &mut reader).await?;
        let mut found = Vec::new();
        while let Some(page) = pages.next(&mut reader).await? {
            let rates = pages.rates(&mut reader).await?;
            let events = reader.inducements(entity, pages.ids(), &last, known.sequence).await?;
            let events = by_issue(events, |row| &row.bond_issue);
            for issue in page {
                let rates = of(&rates, &issue.id);
                let (books, restated_on) = issue.books_with_rates(calendar, rates, restated_through)?;
                let induced = induced(of(&events, &issue.id), (from, to), currency)?;
                let interest = Interest::of(posted.get(&issue.id).map_or(&[] as &[_], Vec::as_slice))?;
                let of_issue = Issue { books: &books, restated_on: &restated_on, interest, induced: &induced };
                for line in lines(&of_issue, &asked_of)? {
                    let per_share = line.per_share(&books)?;
                    found.push(ranked(&issue, &line, per_share, (framework, currency), to)?);
                }
            }
        }
        found.sort_by(|one, other| {
            let order = |ranked: &Ranked| (ranked.per_share.is_none(), ranked.per_share, ranked.item.reference.clone());
            order(one).cmp(&order(other))
        });
        let is_missing = found.iter().any(|ranked| ranked.item.incremental_shares.is_none());
        Ok(IfConvertedDocument {
            entity: entity.to_owned(),
            from: first,
            to: last,
            days: report::days(from, to),
            currency: currency.code().to_owned(),
            other_currencies: super::other_currencies(&mut reader, entity, known, currency).await?,
            known_at: known.text(),
            restated_through: restated_through.to_string(),
            tax_rate: asked.tax_rate.to_string(),
            average_share_price: asked.average_share_price.map(|price| price.to_string()),
            earnings_per_share: match asked.basic {
                Some(basic) if !is_missing => Some(earnings_per_share(basic, &found, currency)?),
                _ => None,
            },
            items: found.into_iter().map(|ranked| ranked.item).collect(),
            missing: is_missing.then(|| "average_share_price".to_owned()).into_iter().collect(),
            caution: super::CAUTION.to_owned(),
        })
    }
}

fn ranked(
    issue: &Outstanding,
    line: &Line,
    per_share: Option<Decimal>,
    (framework, currency): (Framework, Currency),
    to: Date,
) -> Result<Ranked, Refusal> {
    let is_held = line.spans.last().is_some_and(|span| span.last == to);
    let is_accrued = issue.accrued_through.is_some_and(|through| through >= to);
    let mut flags = BTreeSet::new();
    if line.is_contingent {
        flags.insert(match framework.counts_contingent_conversion() {
            true => "contingent_conversion_counted",
            false => "contingent_conversion_to_be_judged",
        });
    }
    if is_held && !is_accrued {
        flags.insert("not_accrued_through_period");
    }
    let figure = |amount: Amount| money(amount, currency);
    let shares = |shares: Decimal| round_shares(shares).to_string();
    let spans = line.spans.iter().map(|span| SpanDocument {
        from: span.first.to_string(),
        to: span.last.to_string(),
        days: span.days,
        principal: figure(span.principal),
        shares_per_denomination: span.shares_per_denomination.to_string(),
        shares: span.shares.map(shares),
    });
    let item = IfConvertedItem {
        bond_issue: issue.id.clone(),
        reference: issue.reference.clone(),
        bonds: bonds(line.part).to_owned(),
        method: line.method.name().to_owned(),
        interest_expense: figure(line.interest_expense),
        inducement_expense: figure(line.inducement_expense),
        add_back_before_tax: figure(line.add_back),
        add_back_after_tax: figure(line.add_back_after_tax),
        spans: spans.collect(),
        incremental_shares: line.incremental_shares.map(shares),
        per_incremental_share: per_share.map(|figure| round_per_share(figure).to_string()),
        flags: flags.into_iter().map(str::to_owned).collect(),
    };
    let income = line.add_back_after_tax.to_major(currency);
    let shares = line.incremental_shares.filter(|shares| !shares.is_zero() && line.method != Method::NoShares);
    Ok(Ranked { item, per_share, increment: shares.map(|shares| Increment { income, shares }) })
}

fn bonds(part: Part) -> &'static str {
    match part {
        Part::Existing => "existing",
        Part::Induced => "induced",
    }
}

fn earnings_per_share(
    (income, shares): (Decimal, Decimal),
    found: &[Ranked],
    currency: Currency,
) -> Result<EarningsPerShareDocument, Refusal> {
    let counted: Vec<(&Ranked, Increment)> =
        found.iter().filter_map(|ranked| ranked.increment.map(|increment| (ranked, increment))).collect();
    let increments: Vec<Increment> = counted.iter().map(|(_, increment)| *increment).collect();
    let (basic, steps) = diluted(income, shares, &increments)?;
    let major = |income: Decimal| match Amount::from_major(income, currency) {
        Ok(amount) => Ok(money(amount, currency)),
        Err(refusal) => Err(refusal.of_field("income")),
    };
    let sequence = counted.iter().zip(&steps).map(|((ranked, _), step)| {
        Ok(DilutionStep {
            bond_issue: ranked.item.bond_issue.clone(),
            bonds: ranked.item.bonds.clone(),
            per_incremental_share: ranked.item.per_incremental_share.clone().unwrap_or_default(),
            dilutive: step.is_dilutive,
            income: major(step.income)?,
            shares: round_shares(step.shares).to_string(),
            earnings_per_share: round_per_share(step.per_share).to_string(),
        })
    });
    Ok(EarningsPerShareDocument {
        income: major(income)?,
        weighted_average_shares: shares.normalize().to_string(),
        basic: round_per_share(basic).to_string(),
        diluted: round_per_share(steps.last().map_or(basic, |step| step.per_share)).to_string(),
        sequence: sequence.collect::<Result<_, Refusal>>()?,
    })
}
