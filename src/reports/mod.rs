//! Reports: pure functions over stored events and entries.

pub mod calendar;
pub mod carrying_value;
pub mod forecast;
pub mod rollforward;
