//! The fields of a journal line that a column may carry.

/// What a field holds, and so how it is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FieldKind {
    Text,
    Count,
    Date,
    Amount,
}

macro_rules! fields {
    ($($variant:ident $name:literal $kind:ident;)*) => {
        /// A field of a journal line.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Field { $($variant,)* }

        impl Field {
            /// Every field, in the order in which a file without a layout has them; `amount` is not among those.
            pub const ALL: &'static [Field] = &[$(Field::$variant,)*];

            /// The name on the interface.
            pub fn name(self) -> &'static str {
                match self { $(Field::$variant => $name,)* }
            }

            /// What it holds.
            pub fn kind(self) -> FieldKind {
                match self { $(Field::$variant => FieldKind::$kind,)* }
            }
        }
    };
}

fields! {
    Number "number" Text;
    Revision "revision" Count;
    Release "release" Count;
    Entity "entity" Text;
    PostingDate "posting_date" Date;
    EffectiveDate "effective_date" Date;
    Currency "currency" Text;
    Entry "entry" Count;
    Kind "kind" Text;
    Line "line" Count;
    Account "account" Text;
    AccountName "account_name" Text;
    AccountRole "account_role" Text;
    Debit "debit" Amount;
    Credit "credit" Amount;
    Amount "amount" Amount;
    BondIssue "bond_issue" Text;
    Reference "reference" Text;
    Isin "isin" Text;
    Event "event" Text;
    Memo "memo" Text;
    ContentSha256 "content_sha256" Text;
}
