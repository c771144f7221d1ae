//! Representations other than JSON.

pub mod csv;
