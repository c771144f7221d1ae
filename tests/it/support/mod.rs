//! What tests stand on: databases, and the program as a process.

pub mod client;
pub mod laid_out;
pub mod ledger;
pub mod office;
pub mod pdf;
pub mod postgres;
pub mod process;
pub mod python;
