//! The journal: account roles, lines with their derivation, entries that cannot be unbalanced, and what they do to the
//! statements.

mod account_role;
mod derivation;
mod entry;
mod statement_effects;

pub use account_role::{AccountRole, Element};
pub use derivation::Derivation;
pub use entry::{
    Entry, EntryKind, Line, LineDraft, Movement, MovementKind, Posting, REVERSAL_OF, Side, credit, debit, signed,
};
pub use statement_effects::StatementEffects;
