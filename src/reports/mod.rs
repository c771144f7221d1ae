//! Reports: pure functions over stored events and entries.

pub mod calendar;
pub mod carrying_value;
pub mod disclosures;
pub mod forecast;
pub mod if_converted;
pub mod interest;
pub mod life;
pub mod reasonableness;
pub mod rollforward;
pub mod ties;
