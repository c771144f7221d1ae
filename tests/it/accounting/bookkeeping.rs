//! What must hold after every posting.

use std::sync::Arc;

use parwright::accounting::Amount;
use parwright::accounting::instrument::{
    Instrument, PremiumTreatment, RevisedTerms, Revision, SalePriceCondition, SettlementType, Terms,
};
use parwright::accounting::transaction::accrual::Accrual;
use parwright::accounting::transaction::conversion::{Conversion, Method};
use parwright::accounting::transaction::coupon_payment::CouponPayment;
use parwright::accounting::transaction::{Books, FractionalShares, ShareSource};

use super::{books, day, decimal, terms, usd};

#[test]
fn a_discount_bond_follows_its_effective_rate_to_par() {
    let instrument = books(terms()).instrument;
    let rows = instrument.schedule(usd("100000")).expect("a schedule");
    for row in &rows {
        println!("{row:?}");
    }
    println!("{} {}", instrument.nominal_annual_rate(), instrument.effective_annual_rate());
    assert_eq!(rows.last().expect("a row").carrying_amount, usd("100000"));
}

fn tied(books: &Books) {
    let computed =
        books.history.position(books.accrued(), &books.instrument).expect("a position").components().expect("fits");
    assert_eq!(computed, books.booked_total());
}

#[test]
fn booked_is_computed_after_a_backdated_conversion_across_a_paid_coupon() {
    let mut books = books(terms());
    let accrual = Accrual { through: day("2025-06-30") }.decide(&books).expect("accrues").expect("posts");
    assert_eq!(accrual.postings.len(), 6);
    books = books.after(&accrual);
    tied(&books);
    let coupon = CouponPayment { coupon_date: day("2025-07-15"), paid_on: None }.decide(&books, false).expect("pays");
    books = books.after(&coupon);
    tied(&books);
    books = books.after(&Accrual { through: day("2025-08-31") }.decide(&books).expect("accrues").expect("posts"));
    let conversion = Conversion {
        make_whole: None,
        method: Method::BookValue,
        source: ShareSource::NewShares,
        daily_prices: Vec::new(),
        effective_date: day("2025-05-10"),
        principal: usd("30000"),
        share_price: None,
        settlement: None,
        fractional_shares: FractionalShares::Cash,
    };
    let decision = conversion.decide(&books).expect("converts");
    for posting in &decision.postings {
        println!("{} {:?} {:?}", posting.posting_date, posting.movement_kind, posting.entry.description());
        for line in posting.entry.lines() {
            println!("    {:?} {:?} {:?} {}", line.side, line.role, line.amount, line.memo);
        }
    }
    books = books.after(&decision);
    tied(&books);
    assert_eq!(books.booked_total().interest_receivable, usd("1200"));
}

/// What was received at settlement plays no part from a revision on, and a put that has passed is none any more.
#[test]
fn an_issue_with_its_premium_in_capital_and_a_put_that_has_passed_can_be_revised() {
    let mut terms = Terms {
        proceeds: usd("120000"),
        premium_treatment: Some(PremiumTreatment::PaidInCapital),
        put_dates: vec![day("2026-01-15"), day("2029-01-15")],
        ..terms()
    };
    if let Some(conversion) = &mut terms.conversion {
        conversion.settlement = SettlementType::Cash;
        conversion.sale_price_condition = Some(SalePriceCondition {
            threshold: decimal("1.3"),
            days: 20,
            of_days: 30,
            convertible_from: Some(day("2026-06-15")),
        });
    }
    let issued = Arc::new(Instrument::new(terms).expect("terms that can be issued"));
    assert_eq!(issued.premium_discount(usd("100000"), issued.start().moment), Ok(Amount::ZERO));
    let revised = RevisedTerms { coupon_rate: decimal("0.06"), ..RevisedTerms::of(issued.terms()) };
    let revision = Revision::new(&issued, day("2027-01-15"), revised, None).expect("terms that can be revised");
    assert_eq!(revision.terms().put_dates, [day("2029-01-15")]);
}
