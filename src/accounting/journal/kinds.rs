//! What entries are about, and where they stand in a rollforward.

/// What an entry is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum EntryKind {
    Issuance,
    /// An issue taken over in mid-life.
    OpeningBalance,
    Accrual,
    /// An accrual or take-back for a past stretch of time, posted because of an event recorded after it.
    CatchUp,
    CouponPayment,
    Conversion,
    /// Bonds surrendered for conversion, to be settled later.
    Surrender,
    Inducement,
    /// Bonds bought back by agreement.
    Repurchase,
    /// Bonds repaid at maturity, or before it at the call of the issuer or at the option of holders.
    Redemption,
    /// Terms modified, or payments estimated anew.
    Modification,
    /// What is a current liability moved to an account of its own, and back.
    Reclassification,
    /// Income and expense of a year closed to retained earnings.
    Closing,
    /// The inverse of an entry that was posted.
    Reversal,
}

impl EntryKind {
    /// Every kind.
    pub const ALL: [EntryKind; 14] = [
        EntryKind::Issuance,
        EntryKind::OpeningBalance,
        EntryKind::Accrual,
        EntryKind::CatchUp,
        EntryKind::CouponPayment,
        EntryKind::Conversion,
        EntryKind::Surrender,
        EntryKind::Inducement,
        EntryKind::Repurchase,
        EntryKind::Redemption,
        EntryKind::Modification,
        EntryKind::Reclassification,
        EntryKind::Closing,
        EntryKind::Reversal,
    ];

    /// The name on the interface.
    pub fn name(self) -> &'static str {
        match self {
            EntryKind::Issuance => "issuance",
            EntryKind::OpeningBalance => "opening_balance",
            EntryKind::Accrual => "accrual",
            EntryKind::CatchUp => "catch_up",
            EntryKind::CouponPayment => "coupon_payment",
            EntryKind::Conversion => "conversion",
            EntryKind::Surrender => "surrender",
            EntryKind::Inducement => "inducement",
            EntryKind::Repurchase => "repurchase",
            EntryKind::Redemption => "redemption",
            EntryKind::Modification => "modification",
            EntryKind::Reclassification => "reclassification",
            EntryKind::Closing => "closing",
            EntryKind::Reversal => "reversal",
        }
    }
}

/// The line of the rollforward that an entry belongs to. An accrual's interest part is shown as `coupon_accrued`, the rest as
/// `amortization`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum MovementKind {
    Issuance,
    OpeningBalance,
    Accrual,
    PriorPeriodCatchUp,
    CouponPaid,
    Conversion,
    InducedConversion,
    /// Bonds reacquired before maturity by agreement, for whatever consideration.
    Repurchase,
    /// Redeemed by the issuer's right to.
    Call,
    /// Repurchased at the holders' option, after a fundamental change too.
    Put,
    Maturity,
    /// The debt carried at another amount: its terms modified, or its payments estimated anew.
    Modification,
    /// Between non-current and current debt: no component moves.
    Reclassification,
    /// From income and expense to retained earnings: no component moves, and the expense of the year is what it was.
    YearEndClosing,
}

impl MovementKind {
    /// Every kind, in the order in which a rollforward shows them.
    pub const ALL: [MovementKind; 14] = [
        MovementKind::Issuance,
        MovementKind::OpeningBalance,
        MovementKind::Accrual,
        MovementKind::CouponPaid,
        MovementKind::PriorPeriodCatchUp,
        MovementKind::Conversion,
        MovementKind::InducedConversion,
        MovementKind::Repurchase,
        MovementKind::Call,
        MovementKind::Put,
        MovementKind::Maturity,
        MovementKind::Modification,
        MovementKind::Reclassification,
        MovementKind::YearEndClosing,
    ];

    /// The kind that is stored under a name.
    pub fn from_name(name: &str) -> Option<MovementKind> {
        MovementKind::ALL.into_iter().find(|kind| kind.name() == name)
    }

    /// The name under which it is stored.
    pub fn name(self) -> &'static str {
        match self {
            MovementKind::Issuance => "issuance",
            MovementKind::OpeningBalance => "opening_balance",
            MovementKind::Accrual => "accrual",
            MovementKind::PriorPeriodCatchUp => "prior_period_catch_up",
            MovementKind::CouponPaid => "coupon_paid",
            MovementKind::Conversion => "conversion",
            MovementKind::InducedConversion => "induced_conversion",
            MovementKind::Repurchase => "repurchase",
            MovementKind::Call => "call",
            MovementKind::Put => "put",
            MovementKind::Maturity => "maturity",
            MovementKind::Modification => "modification",
            MovementKind::Reclassification => "reclassification",
            MovementKind::YearEndClosing => "year_end_closing",
        }
    }
}
