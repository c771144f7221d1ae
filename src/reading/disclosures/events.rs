//! Events as notes tell of them.

use jiff::civil::Date;
use rust_decimal::Decimal;
use serde::Serialize;
use serde_json::Value;
use utoipa::ToSchema;

use crate::accounting::money::{Amount, Currency};
use crate::accounting::position::Components;
use crate::accounting::refusal::Refusal;
use crate::posting::RecordError;
use crate::reading::ReadError;
use crate::store::EventRow;

/// An event that stands. Figures are those of its answer; absent where it has none.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct NotedEvent {
    pub event: String,
    #[schema(example = "conversion")]
    pub kind: String,
    pub bond_issue: String,
    pub reference: String,
    pub effective_date: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub principal: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub carrying_amount: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shares_issued: Option<String>,
    /// Paid for bonds; at a conversion in settlement.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub consideration: Option<String>,
    /// Debt conversion expense; under IFRS the loss on amended conversion terms.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inducement_expense: Option<String>,
    /// A gain is positive.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gain_loss: Option<String>,
    #[serde(skip)]
    detail: Value,
}

impl NotedEvent {
    pub(super) fn read(event: &EventRow, reference: &str) -> Result<NotedEvent, ReadError> {
        let detail: Value =
            serde_json::from_str(&event.detail).map_err(|error| RecordError::corrupt("event", error))?;
        let first = |pointers: &[&str]| {
            let mut found = pointers.iter().filter_map(|pointer| detail.pointer(pointer)?.as_str());
            found.next().map(str::to_owned)
        };
        Ok(NotedEvent {
            event: event.id.clone(),
            kind: event.kind.clone(),
            bond_issue: event.bond_issue.clone(),
            reference: reference.to_owned(),
            effective_date: event.effective_date.clone(),
            principal: first(&[
                "/conversion/principal",
                "/surrender/principal",
                "/repurchase/principal",
                "/redemption/principal",
                "/modification/principal",
                "/request/principal",
            ]),
            carrying_amount: first(&[
                "/conversion/carrying_amount",
                "/surrender/carrying_amount",
                "/repurchase/carrying_amount",
                "/redemption/carrying_amount",
                "/modification/carrying_amount_before",
            ]),
            shares_issued: first(&["/conversion/shares_issued"]),
            consideration: first(&["/repurchase/consideration", "/redemption/consideration", "/conversion/cash"]),
            inducement_expense: first(&["/inducement/expense"])
                .filter(|_| detail.pointer("/inducement/accounting") != Some(&Value::from("extinguishment"))),
            gain_loss: first(&[
                "/conversion/gain_loss",
                "/repurchase/gain_loss",
                "/redemption/gain_loss",
                "/modification/gain_loss",
            ]),
            detail,
        })
    }

    pub(super) fn is_effective_by(&self, date: &str) -> bool {
        self.effective_date.as_str() <= date
    }

    /// Whether the notes of a period tell of it: coupons and a current portion have lines of their own.
    pub(super) fn is_told_of_the_period(&self) -> bool {
        !matches!(self.kind.as_str(), "coupon_payment" | "reclassification" | "reversal")
    }

    pub(super) fn extinguishment_costs(&self, currency: Currency) -> Result<Amount, Refusal> {
        let costs = ["/repurchase/costs", "/redemption/costs"].map(|pointer| self.amount(pointer, currency));
        costs.into_iter().flatten().next().unwrap_or(Ok(Amount::ZERO))
    }

    /// The two parts of a reclassification recorded for a date.
    pub(super) fn reclassified(
        &self,
        date: Date,
        currency: Currency,
    ) -> Option<Result<(Components, Components), Refusal>> {
        let is_of_date = self.kind == "reclassification" && self.effective_date == date.to_string();
        let part = |name: &str| {
            let amount = |figure| self.amount(&format!("/reclassification/{name}/{figure}"), currency);
            let (principal, premium_discount, issue_costs) =
                (amount("principal")?, amount("premium_discount")?, amount("issue_costs")?);
            Some(principal.and_then(|principal| {
                Ok(Components {
                    principal,
                    premium_discount: premium_discount?,
                    issue_costs: issue_costs?,
                    ..Components::default()
                })
            }))
        };
        let parts = is_of_date.then(|| part("current").zip(part("non_current"))).flatten()?;
        Some(parts.0.and_then(|current| Ok((current, parts.1?))))
    }

    fn amount(&self, pointer: &str, currency: Currency) -> Option<Result<Amount, Refusal>> {
        let figure: Decimal = self.detail.pointer(pointer)?.as_str()?.parse().ok()?;
        Some(Amount::from_major(figure, currency))
    }
}
