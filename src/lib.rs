//! parwright
pub mod accounting;
