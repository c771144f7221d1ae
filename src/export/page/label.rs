//! What the names of the interface are called on pages: the one place where they become words.

use crate::accounting::journal::AccountRole;
use crate::document::FrameworkName;

/// A name of the interface in words. One that has no words of its own is spelt out.
pub fn words(name: &str) -> String {
    let known = match name {
        "opening" => "Opening balance",
        "closing" => "Closing balance",
        "issuance" => "Issuance",
        "opening_balance" => "Balance taken over",
        "amortization" => "Amortization",
        "coupon_accrued" => "Coupon accrued",
        "coupon_paid" => "Coupon paid",
        "prior_period_catch_up" => "Catch-up of prior periods",
        "conversion" => "Conversion under original terms",
        "induced_conversion" | "inducement" => "Induced conversion",
        "inducement_acceptance" => "Offer accepted",
        "surrender" => "Surrender for conversion",
        "repurchase" => "Repurchase",
        "redemption" => "Redemption",
        "call" => "Call by the issuer",
        "put" => "Put by holders",
        "maturity" => "Repayment at maturity",
        "modification" => "Modification of terms",
        "estimate" => "Payments estimated anew",
        "issue_cost_adjustment" => "Issue costs corrected",
        "reclassification" => "Reclassification",
        "year_end_closing" => "Year-end closing",
        "reversal" => "Reversal",
        "accrual" => "Accrual of interest",
        "catch_up" => "Catch-up of earlier interest",
        "coupon_payment" => "Coupon payment",
        "rate_adjustment" => "Conversion rate adjusted",
        "early_extinguishment" => "Early extinguishment",
        "ready" => "Waits for an account",
        "released" => "Released, not answered",
        "acknowledged" => "Posted by the ledger",
        "rejected" => "Rejected by the ledger",
        "as_closed" => "as it was closed",
        "current" => "as it is now",
        "tied" => "Tied",
        "break" => "Does not tie",
        "unmapped_role" => "A role has no account",
        "batch_not_released" => "A batch is not released",
        "carrying_value_does_not_tie" => "A carrying value does not tie",
        "accrual_does_not_tie" => "An accrual does not tie",
        "rollforward_does_not_tie" => "The rollforward does not tie",
        "coupon_payment_expected" => "A coupon payment is expected",
        "maturity_expected" => "A repayment at maturity is expected",
        "inducement_settlement_expected" | "inducement_settlement" => "The settlement of an accepted offer is expected",
        "put_expected" => "A put by holders is expected",
        name => return AccountRole::from_name(name).map_or_else(|| spelt_out(name), |role| role.label().to_owned()),
    };
    known.to_owned()
}

/// The kind of an entry in words: what closes a year is no balance.
pub fn entry_kind(name: &str) -> String {
    if name == "closing" { "Closing entry".to_owned() } else { words(name) }
}

/// A framework in words.
pub fn framework(name: FrameworkName) -> &'static str {
    match name {
        FrameworkName::UsGaap => "US GAAP",
        FrameworkName::Ifrs => "IFRS",
    }
}

/// `share_price` as `Share price`.
fn spelt_out(name: &str) -> String {
    let text = name.replace('_', " ");
    let mut characters = text.chars();
    match characters.next() {
        Some(first) => first.to_uppercase().chain(characters).collect(),
        None => text,
    }
}

/// A movement in words; of a reversal, what it takes back.
pub fn movement(name: &str, reverses: Option<&str>) -> String {
    match reverses {
        Some(reversed) => format!("{}: {}", words(name), words(reversed).to_lowercase()),
        None => words(name),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::accounting::journal::{EntryKind, MovementKind};

    #[test]
    fn every_movement_kind_and_role_has_words() {
        let names = MovementKind::ALL.map(MovementKind::name).into_iter().chain(EntryKind::ALL.map(EntryKind::name));
        for name in names.chain(AccountRole::ALL.iter().map(|role| role.name())) {
            let words = words(name);
            assert!(!words.contains('_') && words.starts_with(char::is_uppercase), "{name}: {words}");
        }
        assert_eq!(movement("reversal", Some("coupon_paid")), "Reversal: coupon paid");
        assert_eq!(words("share_price"), "Share price");
    }
}
