//! Money: currencies, amounts in minor units, and the only rounding in the crate.

mod amount;
mod currency;
mod rounding;

pub use amount::Amount;
pub use currency::Currency;
pub use rounding::{pro_rata, round_per_share, round_shares, round_to_minor_unit, round_years, units_of, worth_of};
