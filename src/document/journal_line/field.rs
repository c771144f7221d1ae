//! The fields of a journal line that a column may carry.

/// What a field of a line holds, so that each representation writes it in its own way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Value<'a> {
    Empty,
    Text(&'a str),
    /// `YYYY-MM-DD`.
    Date(&'a str),
    /// A decimal with all decimals of its currency.
    Amount(&'a str),
    Count(i64),
}

impl<'a> Value<'a> {
    pub fn text(text: Option<&'a str>) -> Value<'a> {
        text.map_or(Value::Empty, Value::Text)
    }

    pub fn amount(amount: Option<&'a str>) -> Value<'a> {
        amount.map_or(Value::Empty, Value::Amount)
    }

    pub fn count(count: Option<i64>) -> Value<'a> {
        count.map_or(Value::Empty, Value::Count)
    }
}

macro_rules! fields {
    ($($variant:ident $name:literal;)*) => {
        /// A field of a journal line.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Field { $($variant,)* }

        impl Field {
            /// Every field.
            pub const ALL: &'static [Field] = &[$(Field::$variant,)*];

            /// The name on the interface.
            pub fn name(self) -> &'static str {
                match self { $(Field::$variant => $name,)* }
            }
        }
    };
}

fields! {
    Number "number";
    Revision "revision";
    Release "release";
    Entity "entity";
    PostingDate "posting_date";
    EffectiveDate "effective_date";
    Currency "currency";
    Entry "entry";
    Kind "kind";
    Line "line";
    Account "account";
    AccountName "account_name";
    AccountRole "account_role";
    Debit "debit";
    Credit "credit";
    Amount "amount";
    BondIssue "bond_issue";
    Reference "reference";
    Isin "isin";
    Event "event";
    Memo "memo";
    ContentSha256 "content_sha256";
}

impl Field {
    /// What a table has that states no columns of its own, in order: every field but the signed `amount`. Dimensions follow.
    pub fn plain() -> impl Iterator<Item = Field> {
        Field::ALL.iter().copied().filter(|field| *field != Field::Amount)
    }
}
