//! Where US GAAP and IFRS differ, and nowhere else.

use rust_decimal::Decimal;

use super::classification::RefinancingBasis;
use super::instrument::{SettlementType, Terms};
use super::money::Currency;
use super::refusal::Refusal;

/// The reporting framework of an entity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Framework {
    UsGaap,
    Ifrs,
}

impl Framework {
    /// Whether an issue of these terms can be accounted for. Under IFRS a convertible issue is a liability and an equity component
    /// (IAS 32.28-32), which needs the rate of straight debt; under US GAAP none goes to the option (ASC 470-20-25-12).
    ///
    /// # Errors
    /// An option that is no equity, as it is not the exchange of a fixed number of shares for a fixed amount of the functional
    /// currency (IAS 32.16, 26), or a rate that is missing or has no use.
    pub fn accepts(self, terms: &Terms, functional: Currency) -> Result<(), Refusal> {
        match (self, &terms.conversion, terms.straight_debt_rate) {
            (Framework::UsGaap, _, Some(_)) | (_, None, Some(_)) => Err(Refusal::contradiction(
                "straight_debt_rate",
                "only a convertible issue of an IFRS entity is split into liability and equity; leave it out",
            )),
            (Framework::Ifrs, Some(conversion), _) if conversion.settlement != SettlementType::Physical => {
                Err(Refusal::not_supported(
                    "conversion/settlement",
                    "an option that may be settled in cash is a derivative and no equity (IAS 32.26), which this service does not account for",
                ))
            }
            (Framework::Ifrs, Some(_), _) if terms.currency != functional => Err(Refusal::not_supported(
                "currency",
                format!(
                    "shares for an amount of {} are not for a fixed amount of the functional currency {functional}: the option is a derivative and \
                     no equity (IAS 32.16, 26), which this service does not account for",
                    terms.currency
                ),
            )),
            (Framework::Ifrs, Some(_), None) => Err(Refusal::missing(
                "straight_debt_rate",
                "under IFRS the liability of a convertible issue is what its payments are worth at the rate of debt without the option (IAS \
                 32.31-32); state that rate, nominal annual at the coupon frequency",
            )),
            _ => Ok(()),
        }
    }

    /// A convertible issue at a substantial premium says what becomes of it (ASC 470-20-25-13). The paragraph gives no number; a tenth is
    /// what practice takes, and a lesser premium may be treated so too. Under IFRS the premium is part of the split.
    ///
    /// # Errors
    /// A treatment that is missing or has no use.
    pub fn accepts_premium(self, terms: &Terms) -> Result<(), Refusal> {
        match (self, terms.premium_treatment) {
            (Framework::Ifrs, Some(_)) => Err(Refusal::contradiction(
                "premium_treatment",
                "under IFRS a convertible issue is split into liability and equity whatever it was issued at (IAS 32.28-32); leave it out",
            )),
            (Framework::UsGaap, None) if terms.conversion.is_some() && terms.opening.is_none() => {
                let repaid = terms.repaid_at_maturity()?;
                let substantial = Decimal::from(repaid.minor()) * Decimal::new(11, 1);
                if Decimal::from(terms.proceeds.minor()) < substantial {
                    return Ok(());
                }
                Err(Refusal::missing(
                    "premium_treatment",
                    format!(
                        "proceeds {} are a tenth or more above the {} that is repaid at maturity; such a premium on a convertible issue is \
                         presumed to be paid-in capital (ASC 470-20-25-13): give \"paid_in_capital\", or \"liability\" if the substance is another",
                        terms.proceeds.to_major(terms.currency),
                        repaid.to_major(terms.currency)
                    ),
                ))
            }
            _ => Ok(()),
        }
    }

    /// Whether a refinancing keeps debt that falls due within a year from being current: under US GAAP one that is done or agreed before
    /// the statements are issued too (ASC 470-10-45-14), under IFRS only a right that existed at the end of the period (IAS 1.72, 73, 76).
    pub fn counts_refinancing(self, basis: RefinancingBasis) -> bool {
        self == Framework::UsGaap || basis == RefinancingBasis::RightAtBalanceSheetDate
    }

    /// Whether shares that holders can only have after a condition on the share price is met count in diluted earnings per share while it is
    /// not: under US GAAP they do (ASC 260-10-45-44), under IFRS only if it is met at the end of the period (IAS 33.56-57).
    pub fn counts_contingent_conversion(self) -> bool {
        self == Framework::UsGaap
    }

    /// The paragraph by which an entity of this framework does what a paragraph of US GAAP says, where both say the same; others stay.
    pub fn paragraph(self, us_gaap: &'static str) -> &'static str {
        match (self, us_gaap) {
            (Framework::Ifrs, "ASC 835-30-35-2") => "IFRS 9.5.4.1",
            (Framework::Ifrs, "ASC 835-30-45-1A") => "IFRS 9.5.1.1",
            (Framework::Ifrs, "ASC 470-50-40-2") => "IFRS 9.3.3.3",
            (Framework::Ifrs, "ASC 405-20-40-1") => "IFRS 9.3.3.1",
            (Framework::Ifrs, "ASC 470-20-25-12") => "IFRS 9.5.1.1",
            (Framework::Ifrs, "ASC 470-20-40-4" | "ASC 470-20-40-11" | "ASC 470-20-40-16") => "IAS 32.AG32",
            (Framework::Ifrs, "ASC 210-10-45-9") => "IAS 1.69",
            (Framework::Ifrs, "ASC 470-10-45-10") => "IAS 1.69(d)",
            (Framework::Ifrs, "ASC 470-10-45-11") => "IAS 1.72B, 74",
            (Framework::Ifrs, "ASC 470-10-45-14") => "IAS 1.73",
            (Framework::Ifrs, "ASC 470-20-45-1B") => "IAS 1.76B",
            (Framework::Ifrs, "ASC 505-10" | "ASC 505-30") => "IAS 32.33-35",
            (_, same) => same,
        }
    }
}
