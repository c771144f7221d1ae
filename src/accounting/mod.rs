//! The accounting core. Pure: no async, no I/O, no clock, no randomness, no SQL, no HTTP; its only dependencies are decimal and
//! date arithmetic. It turns a position and a command into an event and balanced journal entries, or into a [`Refusal`].
//!
//! Read in this order: [`money`], [`instrument`] (what was issued and the curve that it follows), [`position`] (what is
//! outstanding), [`journal`] (what is posted), [`transaction`] (the rules that turn a command into postings).

pub mod account_change;
pub mod account_mapping;
pub mod classification;
pub mod fiscal_calendar;
pub mod framework;
pub mod identifier;
pub mod instrument;
pub mod journal;
pub mod money;
pub mod position;
pub mod refusal;
pub mod transaction;
pub mod year_end;

pub use money::{Amount, Currency};
pub use refusal::Refusal;
