//! What tests stand on: databases, and the program as a process.

pub mod postgres;
pub mod process;
