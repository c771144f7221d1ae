//! Reports: pure functions over stored events and entries.

pub mod carrying_value;
pub mod rollforward;
