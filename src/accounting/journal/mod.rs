//! The journal: account roles, lines with their derivation, entries that cannot be unbalanced, and what they do to the
//! statements.

mod account_role;
mod derivation;
mod entry;
mod kinds;
mod part;
mod statement_effects;

pub use account_role::{AccountRole, Element};
pub use derivation::Derivation;
pub use entry::{Entry, Line, LineDraft, Movement, Posting, REVERSAL_OF, Side, credit, debit, signed};
pub use kinds::{EntryKind, MovementKind};
pub use part::LinePart;
pub use statement_effects::StatementEffects;
