//! Representations other than JSON: pure functions of documents.

pub mod csv;
pub mod icalendar;
pub mod layout;
pub mod page;
pub mod svg;
pub mod xbrl_gl;
pub mod xlsx;
