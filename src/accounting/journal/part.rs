//! What a line is of its entry, where its role alone does not tell.

macro_rules! parts {
    ($($part:ident $memo:literal,)*) => {
        /// A part of an entry that has a line of its own beside others of the same role. Its name is the line's memo, by which it is known
        /// again where lines are read.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
        pub enum LinePart { $($part,)* }

        impl LinePart {
            /// The memo of its lines.
            pub const fn memo(self) -> &'static str {
                match self { $(LinePart::$part => $memo,)* }
            }

            /// The part whose lines have a memo.
            pub fn of_memo(memo: &str) -> Option<LinePart> {
                [$(LinePart::$part,)*].into_iter().find(|part| part.memo() == memo)
            }
        }
    };
}

parts! {
    CouponInterest "Coupon interest",
    AmortizedSpread "Amortization of premium or discount",
    AmortizedIssueCosts "Amortization of issue costs",
    AccruedInterestPaid "Accrued interest paid",
    AccruedInterestForfeited "Accrued interest forfeited",
    CouponHandedOver "Coupon handed over",
    CashSettlement "Cash settlement",
    CashForFractions "Cash for fractional shares",
    InducementPaid "Inducement paid",
    OtherConsiderationGiven "Other consideration given",
    BondsPaidFor "Bonds paid for",
    CostsOfReacquisition "Costs of reacquisition",
    InterestBeyondAccrued "Interest paid beyond what has accrued",
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_part_is_known_again_by_its_memo_alone() {
        assert_eq!(LinePart::of_memo(LinePart::CouponHandedOver.memo()), Some(LinePart::CouponHandedOver));
        assert_eq!(LinePart::of_memo("Premium on issue"), None);
    }
}
