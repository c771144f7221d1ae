//! Conversions under the original terms: what such a command carries.

use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::amount;
use super::bond_issue::SettlementName;
use super::wire::{DateString, DecimalString};
use crate::accounting::transaction::conversion::{Conversion, MakeWholeEvent, Method};
use crate::accounting::transaction::{DailyPrice, FractionalShares, Settlement, ShareSource};
use crate::accounting::{Amount, Currency, Refusal};

/// What becomes of a fraction of a share.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FractionalSharesName {
    #[default]
    Cash,
    RoundDown,
}

/// How a conversion is accounted for.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum ConversionMethodName {
    #[default]
    BookValue,
    MarketValue,
}

/// Where the shares come from that holders get.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum SettledWithName {
    #[default]
    NewShares,
    TreasuryShares,
}

/// How one conversion is settled, where it is not as the terms say or needs figures of its own.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct SettlementDocument {
    #[serde(rename = "type")]
    pub kind: SettlementName,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cash: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shares: Option<DecimalString>,
}

impl SettlementDocument {
    pub(super) fn settlement(&self, currency: Currency) -> Result<Settlement, Refusal> {
        if let Some(shares) = self.shares.filter(|shares| shares.0.is_sign_negative()) {
            return Err(Refusal::invalid("settlement/shares", shares, "it cannot be negative"));
        }
        let cash = self.cash.map(|cash| amount("settlement/cash", cash, currency)).transpose()?;
        Ok(Settlement { kind: self.kind.into(), cash, shares: self.shares.map(|shares| shares.0) })
    }
}

/// The price of a share on a day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct DailyPriceDocument {
    pub date: DateString,
    pub price: DecimalString,
}

/// Convert bonds under their original terms: at once (`effective_date`); surrendered on a `conversion_date` and settled on a later
/// `effective_date`; surrendered alone (`conversion_date` without `effective_date`); or settled that were surrendered before
/// (`surrender` and `effective_date`).
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ConversionRequest {
    /// When cash and shares are delivered; without it the bonds are surrendered alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub effective_date: Option<DateString>,
    /// When the bonds are surrendered, if before `effective_date`. From it on they bear no interest and are not amortised, and until they
    /// are settled they stand in the debt as they are on it. The rate in force, a make-whole event and record dates go by it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub conversion_date: Option<DateString>,
    /// The event id of a surrender that is settled now, with all of its principal; then `conversion_date` and `principal` are left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub surrender: Option<String>,
    #[schema(example = "1000000.00")]
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub principal: Option<DecimalString>,
    /// Needed when a fraction of a share is paid in cash.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub share_price: Option<DecimalString>,
    /// `market_value` measures shares at `share_price` and has a gain or loss. It is no US GAAP for original terms (ASC
    /// 470-20-40-4), so it needs `policy_basis`.
    #[serde(default)]
    pub method: ConversionMethodName,
    /// On what stated policy the market value method rests.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub policy_basis: Option<String>,
    #[serde(default)]
    pub settled_with: SettledWithName,
    /// What the treasury shares given cost, each.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub treasury_cost_per_share: Option<DecimalString>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub settlement: Option<SettlementDocument>,
    /// The price of a share on each day of the observation period, for a settlement in cash or in combination. Each day settles one
    /// nth; in a combination `settlement/cash` is the specified amount for all of these bonds.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub daily_prices: Vec<DailyPriceDocument>,
    /// The event in connection with which the table of the terms gives additional shares.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub make_whole: Option<MakeWholeEventDocument>,
    #[serde(default)]
    pub fractional_shares: FractionalSharesName,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

/// Conversion notices of one issue that are recorded together, in this order: all of them, or none.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct ConversionNoticesRequest {
    /// 1 to 1,000.
    #[schema(min_items = 1, max_items = 1000)]
    pub conversions: Vec<ConversionRequest>,
}

/// A make-whole event: its effective date, and the share price by which the table is read.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct MakeWholeEventDocument {
    pub effective_date: DateString,
    pub share_price: DecimalString,
}

impl ConversionRequest {
    /// The first day on which something happens by it.
    pub fn first_date(&self) -> Option<Date> {
        self.conversion_date.into_iter().chain(self.effective_date).map(|date| date.0).min()
    }

    /// When the bonds convert.
    ///
    /// # Errors
    /// [`Refusal::MissingField`].
    pub fn effective_date(&self) -> Result<Date, Refusal> {
        self.effective_date.map(|date| date.0).ok_or_else(ConversionRequest::without_date)
    }

    /// The refusal of a request without any date on which bonds convert.
    pub fn without_date() -> Refusal {
        Refusal::missing(
            "effective_date",
            "bonds convert on it; to record that they are surrendered and not settled yet, give conversion_date alone",
        )
    }

    /// The principal that is converted or surrendered.
    ///
    /// # Errors
    /// Without one, or for an amount that cannot be.
    pub fn principal(&self, currency: Currency) -> Result<Amount, Refusal> {
        let because = "say how much converts; only the settlement of a surrender takes it from there";
        amount("principal", self.principal.ok_or_else(|| Refusal::missing("principal", because))?, currency)
    }

    /// A settlement takes the bonds from their surrender: what that states is not stated again.
    ///
    /// # Errors
    /// Names what is.
    pub fn check_settles_only(&self) -> Result<(), Refusal> {
        let stated = [("conversion_date", self.conversion_date.is_some()), ("principal", self.principal.is_some())];
        leave_out(&stated, "is taken from the surrender that is settled")
    }

    /// A surrender says which bonds and when: what is given for them is the settlement's to say.
    ///
    /// # Errors
    /// Names what is stated too early.
    pub fn check_surrenders_only(&self) -> Result<(), Refusal> {
        let stated = [
            ("share_price", self.share_price.is_some()),
            ("method", self.method != ConversionMethodName::default()),
            ("policy_basis", self.policy_basis.is_some()),
            ("settled_with", self.settled_with != SettledWithName::default()),
            ("treasury_cost_per_share", self.treasury_cost_per_share.is_some()),
            ("settlement", self.settlement.is_some()),
            ("daily_prices", !self.daily_prices.is_empty()),
            ("make_whole", self.make_whole.is_some()),
            ("fractional_shares", self.fractional_shares != FractionalSharesName::default()),
        ];
        leave_out(&stated, "is stated when the surrendered bonds are settled")
    }

    /// The core's command, in an issue's currency.
    ///
    /// # Errors
    /// A [`Refusal`] for amounts that cannot be, the market value method without a policy, or treasury shares without a cost.
    pub fn conversion(
        &self,
        effective_date: Date,
        principal: Amount,
        currency: Currency,
    ) -> Result<Conversion, Refusal> {
        Ok(Conversion {
            method: self.method()?,
            source: self.source()?,
            daily_prices: self
                .daily_prices
                .iter()
                .map(|day| DailyPrice { date: day.date.0, price: day.price.0 })
                .collect(),
            make_whole: self.make_whole.map(|event| MakeWholeEvent {
                effective_date: event.effective_date.0,
                share_price: event.share_price.0,
            }),
            effective_date,
            principal,
            share_price: self.share_price.map(|price| price.0),
            settlement: self.settlement.as_ref().map(|settlement| settlement.settlement(currency)).transpose()?,
            fractional_shares: self.fractional_shares.into(),
        })
    }

    fn method(&self) -> Result<Method, Refusal> {
        match (self.method, &self.policy_basis) {
            (ConversionMethodName::BookValue, None) => Ok(Method::BookValue),
            (ConversionMethodName::BookValue, Some(_)) => Err(Refusal::contradiction(
                "policy_basis",
                "the book value method follows ASC 470-20-40-4 and needs no other basis; leave policy_basis out",
            )),
            (ConversionMethodName::MarketValue, basis) => {
                Ok(Method::MarketValue { policy_basis: basis.clone().unwrap_or_default() })
            }
        }
    }

    fn source(&self) -> Result<ShareSource, Refusal> {
        match (self.settled_with, self.treasury_cost_per_share) {
            (SettledWithName::NewShares, None) => Ok(ShareSource::NewShares),
            (SettledWithName::TreasuryShares, Some(cost)) => Ok(ShareSource::TreasuryShares(cost.0)),
            (SettledWithName::NewShares, Some(_)) => Err(Refusal::contradiction(
                "treasury_cost_per_share",
                "new shares are issued at par; leave it out, or settle with treasury_shares",
            )),
            (SettledWithName::TreasuryShares, None) => Err(Refusal::missing(
                "treasury_cost_per_share",
                "treasury stock is credited with the cost of the shares given",
            )),
        }
    }
}

fn leave_out(stated: &[(&'static str, bool)], because: &str) -> Result<(), Refusal> {
    match stated.iter().find(|(_, is_stated)| *is_stated) {
        Some((field, _)) => Err(Refusal::contradiction(field, format!("{field} {because}; leave it out"))),
        None => Ok(()),
    }
}

impl From<FractionalSharesName> for FractionalShares {
    fn from(name: FractionalSharesName) -> FractionalShares {
        match name {
            FractionalSharesName::Cash => FractionalShares::Cash,
            FractionalSharesName::RoundDown => FractionalShares::RoundDown,
        }
    }
}
