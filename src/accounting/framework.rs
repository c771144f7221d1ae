//! Where US GAAP and IFRS differ, and nowhere else.

use super::instrument::Terms;
use super::refusal::Refusal;

/// The reporting framework of an entity.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Framework {
    UsGaap,
    Ifrs,
}

impl Framework {
    /// Whether an issue of these terms can be accounted for.
    ///
    /// # Errors
    /// Under IFRS a convertible issue is a liability and an equity component (IAS 32.28-32), which is not computed yet.
    pub fn accepts(self, terms: &Terms) -> Result<(), Refusal> {
        match (self, &terms.conversion) {
            (Framework::Ifrs, Some(_)) => Err(Refusal::not_supported(
                "conversion",
                "under IFRS the conversion option is a component of equity (IAS 32.28-32), which this service does not split off yet; record \
                 the issue for a US GAAP entity, or without conversion terms",
            )),
            _ => Ok(()),
        }
    }
}
