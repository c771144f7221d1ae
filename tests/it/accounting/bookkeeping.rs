//! What must hold after every posting.

use parwright::accounting::transaction::accrual::Accrual;
use parwright::accounting::transaction::conversion::{Conversion, Method};
use parwright::accounting::transaction::coupon_payment::CouponPayment;
use parwright::accounting::transaction::{Books, FractionalShares, ShareSource};

use super::{books, day, terms, usd};

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
