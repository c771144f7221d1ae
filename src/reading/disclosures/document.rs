//! The document of disclosures.

use jiff::civil::Date;
use serde::Serialize;
use utoipa::ToSchema;

use super::events::NotedEvent;
use super::late::PriorPeriodEntry;
use super::notices::UnsettledNotice;
use super::{FairValue, Figures};
use crate::accounting::classification::{Classification, months_after};
use crate::accounting::instrument::Terms;
use crate::accounting::money::{Amount, Currency, round_per_share, round_shares};
use crate::accounting::refusal::Refusal;
use crate::document::{ComponentsDocument, DebtDocument, EffectiveRateDocument, SurrenderedDocument, money};
use crate::reports::disclosures::{BANDS, ConversionFigures, Converted, years_after};

/// Figures for the notes of an entity's issues in one currency: balances at close of business on `as_of` by effective date, and movements
/// posted from `period_from` to it.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct DisclosuresDocument {
    pub entity: String,
    pub period_from: String,
    pub as_of: String,
    pub currency: String,
    /// Currencies of issues that are left out; ask for them with `currency`.
    pub other_currencies: Vec<String>,
    pub known_at: String,
    pub share_price: Option<String>,
    /// The limits of the bands of payments.
    pub payment_bands: Vec<BandDocument>,
    pub items: Vec<IssueDisclosure>,
    pub total: DisclosureFigures,
    /// Effective in the period and standing: conversions, inducements, extinguishments and whatever else changed the issues.
    pub events_of_period: Vec<NotedEvent>,
    /// Effective after `as_of` and recorded by `known_at` (ASC 855-10-50-2, IAS 10.21).
    pub subsequent_events: Vec<NotedEvent>,
    /// Received by the date and not settled on it: the notices that `surrendered` is made of.
    pub notices_not_settled: Vec<UnsettledNotice>,
    /// Posted in the period and effective before it, because the days before were closed or the event was recorded late.
    pub prior_period_entries: Vec<PriorPeriodEntry>,
    pub caution: String,
}

/// A band of time to payment.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct BandDocument {
    pub band: String,
    /// Null of the last one.
    pub through: Option<String>,
}

impl BandDocument {
    pub(super) fn all(as_of: Date) -> Vec<BandDocument> {
        let through = |months: i32| months_after(as_of, months).to_string();
        let band =
            |(name, months): (&str, Option<i32>)| BandDocument { band: name.to_owned(), through: months.map(through) };
        BANDS.into_iter().map(band).collect()
    }
}

/// One issue.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct IssueDisclosure {
    pub bond_issue: String,
    pub reference: String,
    pub maturity_date: String,
    pub coupon_rate: String,
    pub effective_rate: EffectiveRateDocument,
    /// Until when discount and issue costs are amortised.
    pub amortized_through: String,
    /// Until then, in years of 365.25 days.
    pub remaining_years: String,
    /// Null of an issue that cannot be converted.
    pub conversion: Option<ConversionFeatureDocument>,
    /// As `fair_values` gives it; it is not measured here.
    pub fair_value: Option<FairValueDocument>,
    pub classification: ClassifiedDocument,
    #[serde(flatten)]
    pub figures: DisclosureFigures,
}

/// What a conversion would give (ASC 470-20-50-1B, 50-5).
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ConversionFeatureDocument {
    /// In force on the date.
    pub shares_per_denomination: String,
    pub conversion_price: String,
    pub shares_issuable: String,
    /// With the most that a make-whole event can add, and for bonds surrendered and not settled.
    pub shares_to_reserve: String,
    /// Of the shares issuable at the share price given; null without one.
    pub if_converted_value: Option<String>,
    pub excess_over_principal: Option<String>,
}

impl ConversionFeatureDocument {
    pub(super) fn of(figures: &ConversionFigures, terms: &Terms) -> ConversionFeatureDocument {
        let figure = |amount: Option<Amount>| amount.map(|amount| money(amount, terms.currency));
        ConversionFeatureDocument {
            shares_per_denomination: figures.rate.normalize().to_string(),
            conversion_price: round_per_share(figures.price).to_string(),
            shares_issuable: round_shares(figures.shares).to_string(),
            shares_to_reserve: round_shares(figures.reserved).to_string(),
            if_converted_value: figure(figures.worth),
            excess_over_principal: figure(figures.excess),
        }
    }
}

/// A fair value as it was entered (ASC 470-20-50-1D, IFRS 7.25).
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct FairValueDocument {
    pub level: u8,
    pub amount: String,
}

impl FairValueDocument {
    pub(super) fn of(value: &FairValue, currency: Currency) -> Result<FairValueDocument, Refusal> {
        let amount = Amount::from_major(value.amount, currency).map_err(|refusal| refusal.of_field("fair_values"))?;
        Ok(FairValueDocument { level: value.level, amount: money(amount, currency) })
    }
}

/// Whether the debt is current.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ClassifiedDocument {
    /// By the terms alone: `current`, `non_current` or `not_determined`.
    pub by_terms: String,
    /// Whether `current` and `non_current` are those of a reclassification recorded for the date, with the facts stated then.
    pub as_reclassified: bool,
}

impl ClassifiedDocument {
    pub(super) fn of(found: &Classification, as_reclassified: bool) -> ClassifiedDocument {
        ClassifiedDocument { by_terms: found.verdict.name().to_owned(), as_reclassified }
    }
}

/// What is added up over issues.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct DisclosureFigures {
    /// At the date.
    pub debt: ComponentsDocument,
    /// The part of it that is surrendered for conversion and not settled; null where none is.
    pub surrendered: Option<SurrenderedDocument>,
    /// Null where it is not determined.
    pub current: Option<DebtDocument>,
    pub non_current: Option<DebtDocument>,
    pub interest: InterestDocument,
    /// Repaid in each of the five years after the date, and thereafter; what is overdue is in the first (ASC 470-10-50-1).
    pub maturities: Vec<MaturityDocument>,
    /// Undiscounted, by band; at the first date on which holders may demand payment (IFRS 7.39, B11).
    pub payments: Vec<PaymentDocument>,
    pub contractual_conversions: ConvertedDocument,
    pub induced_conversions: ConvertedDocument,
    pub cash_flows: CashFlowsDocument,
}

/// Interest expense posted in the period (ASC 470-20-50-1E).
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct InterestDocument {
    pub contractual: String,
    pub amortization_of_premium_discount: String,
    pub amortization_of_issue_costs: String,
    /// Of modifications and estimates.
    pub other: String,
    pub interest_expense: String,
    /// Debt conversion expense, which is no interest; under IFRS the loss on amended conversion terms.
    pub inducement_expense: String,
}

/// What is repaid in a year.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct MaturityDocument {
    /// The last day of the year; null thereafter.
    pub through: Option<String>,
    pub amount: String,
}

/// Payments of a band.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct PaymentDocument {
    pub band: String,
    pub interest: String,
    pub principal: String,
    pub total: String,
}

/// Bonds that left by conversion, as posted in the period; what was taken back counts against it.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct ConvertedDocument {
    pub principal: String,
    pub carrying_amount: String,
    pub shares: String,
    pub credited_to_capital: String,
    /// For fractions, as settlement, and as interest where the terms pay it.
    pub cash_paid: String,
}

impl ConvertedDocument {
    fn of(converted: &Converted, currency: Currency) -> ConvertedDocument {
        ConvertedDocument {
            principal: money(converted.principal, currency),
            carrying_amount: money(converted.carrying_amount, currency),
            shares: converted.shares.normalize().to_string(),
            credited_to_capital: money(converted.credited_to_capital, currency),
            cash_paid: money(converted.cash_paid, currency),
        }
    }
}

/// Lines of the statement of cash flows, as posted in the period (ASC 230-10-45, 230-10-50).
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct CashFlowsDocument {
    pub proceeds: String,
    /// With coupons, and on bonds repaid or bought back. Interest paid at conversions is in their `cash_paid`.
    pub interest_paid: String,
    /// For bonds repaid or bought back, with the costs, without interest.
    pub paid_for_bonds: String,
    /// What of that is accreted interest of zero-coupon issues, an operating payment; null where it is not known (an issue taken over, or
    /// split under IFRS).
    pub accreted_interest_repaid: Option<String>,
    /// What of it are costs, of redemptions and repurchases effective in the period.
    pub extinguishment_costs_paid: String,
    pub cash_paid_at_conversions: String,
    /// Added back to income: amortization of premium or discount and of issue costs.
    pub noncash_amortization: String,
    /// Added back as far as it was not paid in cash.
    pub inducement_expense: String,
    /// A gain is positive and deducted from income.
    pub gain_loss_on_extinguishment: String,
    /// Debt that became capital without cash, contractual and induced (230-10-50-3, 50-4).
    pub noncash_conversions: String,
}

impl DisclosureFigures {
    pub(super) fn of(figures: &Figures, as_of: Date, currency: Currency) -> Result<DisclosureFigures, Refusal> {
        let figure = |amount: Amount| money(amount, currency);
        let (interest, flows) = (&figures.interest, &figures.cash_flows);
        let (contractual, induced) = (&figures.contractual, &figures.induced);
        let ends = years_after(as_of).map(Some).into_iter().chain([None]);
        let years = ends
            .zip(figures.maturities)
            .map(|(end, amount)| MaturityDocument { through: end.map(|end| end.to_string()), amount: figure(amount) });
        let bands = BANDS.iter().zip(figures.payments).map(|((band, _), payments)| {
            Ok(PaymentDocument {
                band: (*band).to_owned(),
                interest: figure(payments.interest),
                principal: figure(payments.principal),
                total: figure(payments.interest.plus(payments.principal)?),
            })
        });
        let part = |part| DebtDocument::of(part, currency);
        let parts = figures.parts.as_ref();
        Ok(DisclosureFigures {
            debt: ComponentsDocument::of(&figures.debt, currency)?,
            surrendered: SurrenderedDocument::of(&figures.surrendered, currency)?,
            current: parts.map(|(current, _)| part(current)).transpose()?,
            non_current: parts.map(|(_, non_current)| part(non_current)).transpose()?,
            interest: InterestDocument {
                contractual: figure(interest.contractual),
                amortization_of_premium_discount: figure(interest.premium_discount),
                amortization_of_issue_costs: figure(interest.issue_costs),
                other: figure(interest.other),
                interest_expense: figure(interest.expense()?),
                inducement_expense: figure(interest.inducement_expense),
            },
            maturities: years.collect(),
            payments: bands.collect::<Result<_, Refusal>>()?,
            contractual_conversions: ConvertedDocument::of(contractual, currency),
            induced_conversions: ConvertedDocument::of(induced, currency),
            cash_flows: CashFlowsDocument {
                proceeds: figure(flows.proceeds),
                interest_paid: figure(flows.interest_paid),
                paid_for_bonds: figure(flows.paid_for_bonds),
                accreted_interest_repaid: flows.accreted_interest_repaid.map(figure),
                extinguishment_costs_paid: figure(figures.extinguishment_costs),
                cash_paid_at_conversions: figure(contractual.cash_paid.plus(induced.cash_paid)?),
                noncash_amortization: figure(interest.premium_discount.plus(interest.issue_costs)?),
                inducement_expense: figure(interest.inducement_expense),
                gain_loss_on_extinguishment: figure(flows.gain_loss),
                noncash_conversions: figure(contractual.credited_to_capital.plus(induced.credited_to_capital)?),
            },
        })
    }
}
