//! Cases small enough to be worked on paper, and the laws a curve obeys.

use super::chain::Chain;
use super::number::{FRACTION_BITS, Num, exp, ln, to_fixed};
use super::sample::{bond, carrying, cents, close, curve, day, decimal};
use super::schedule::{Schedule, ratio};
use super::{Curve, Cutoff, DayCount, Method, Terms, Within};
use jiff::civil::Date;
use num_bigint::BigInt;
use num_rational::BigRational;
use num_traits::{One, Zero};
use std::sync::Arc;

#[test]
fn powers_and_logarithms() {
    let fixed = |text: &str| to_fixed(&decimal(text));
    let same = |a: &BigInt, b: &BigInt| assert!((a - b).magnitude().bits() < 40, "{}", a - b);
    let e = Num::Fixed(exp(&fixed("1"))).rational();
    close(
        &e,
        "2.71828182845904523536028747135266249775724709369995957496696763",
        "0.0000000000000000000000000000000000000000000000000000000001",
    );
    for text in ["0.0001", "0.5", "0.75", "0.9999999", "1", "1.0000001", "1.5", "2", "123456.789"] {
        same(&exp(&ln(&fixed(text))), &fixed(text));
    }
    same(&ln(&fixed("6")), &(ln(&fixed("2")) + ln(&fixed("3"))));
    let root = Num::Exact(decimal("1.07")).pow(&ratio(1, 3));
    same(&root.mul(&root).mul(&root).fixed(), &fixed("1.07"));
    let exact = Num::Exact(decimal("1.331")).pow(&ratio(-2, 3));
    assert!(matches!(exact, Num::Exact(value) if value == BigRational::one() / decimal("1.21")));
}

#[test]
fn rounding_is_half_away_from_zero() {
    for (text, expected) in [("2.5", 3), ("-2.5", -3), ("2.4999", 2), ("-2.4999", -2), ("-0.5", -1), ("0", 0)] {
        assert_eq!(Num::Exact(decimal(text)).round_times(1), expected, "{text}");
        let shifted = decimal(text) + decimal("0.00001");
        let fixed = Num::Fixed(to_fixed(&shifted)).round_times(1);
        assert_eq!(fixed, Num::Exact(shifted).round_times(1), "{text}");
    }
}

/// 0.5 less 2^-640 is a half; less 2^-90 it is not.
#[test]
fn a_present_value_next_to_a_tie_is_one() {
    let half = Num::Fixed((BigInt::one() << (FRACTION_BITS - 1)) - 1);
    let below = Num::Fixed((BigInt::one() << (FRACTION_BITS - 1)) - (BigInt::one() << (FRACTION_BITS - 90)));
    for (worth, principal, expected) in [(&half, 1, 1), (&half, 3, 2), (&half, -1, -1), (&half, 2, 1), (&below, 1, 0)] {
        assert_eq!(worth.worth_times(principal), expected, "{principal} times {worth:?}");
    }
}

#[test]
#[should_panic(expected = "lies at a tie")]
fn an_inexact_tie_is_noticed() {
    Num::Fixed(BigInt::one() << (FRACTION_BITS - 1)).round_times(3);
}

#[test]
fn at_par_the_rate_is_the_coupon_exactly() {
    let curve = curve(&bond());
    assert_eq!(curve.gross_rate(), decimal("0.03"));
    assert_eq!(curve.coupon_dates().len(), 10);
    assert_eq!(curve.coupon(cents("1000000"), day("2021-09-15")), cents("30000"));
    for date in ["2020-03-15", "2020-04-01", "2023-12-31", "2025-03-15"] {
        assert_eq!(carrying(&curve, date), cents("1000000"));
    }
    // 15 March to 1 January: to 15 September it is the coupon, then 106 of 180 days.
    assert_eq!(curve.balance(cents("1000000"), day("2021-01-01")).accrued, 1_766_667);
}

fn boundary(curve: &Arc<Curve>, as_of: &str) -> Date {
    Chain::new(curve).boundary(day(as_of))
}

#[test]
fn a_month_end_issue_accrues_a_twelfth_a_month() {
    let terms =
        Terms { dated: day("2019-12-31"), settlement: day("2019-12-31"), maturity: day("2024-12-31"), ..bond() };
    let curve = Arc::new(curve(&terms));
    let month_ends = ["2020-01-31", "2020-02-29", "2020-03-31", "2020-04-30", "2020-05-31"];
    for (months, date) in (1..).zip(month_ends) {
        assert_eq!(boundary(&curve, date), day(date));
        let accrued = curve.balance(cents("1000000"), day(date)).accrued;
        assert_eq!(accrued, cents("5000") * months);
    }
    assert_eq!(curve.coupon_dates()[0], day("2020-06-30"));
}

#[test]
fn boundaries() {
    let through = Arc::new(curve(&bond()));
    let to = Arc::new(curve(&Terms { cutoff: Cutoff::ToDate, ..bond() }));
    for (as_of, after, own) in [
        ("2020-01-01", "2020-03-15", "2020-03-15"),
        ("2020-03-15", "2020-03-15", "2020-03-15"),
        ("2020-03-16", "2020-03-17", "2020-03-16"),
        ("2020-12-31", "2021-01-01", "2020-12-31"),
        ("2020-09-14", "2020-09-15", "2020-09-14"),
        ("2020-09-15", "2020-09-15", "2020-09-15"),
        ("2025-03-14", "2025-03-15", "2025-03-14"),
        ("2025-03-15", "2025-03-15", "2025-03-15"),
        ("2026-01-01", "2025-03-15", "2025-03-15"),
    ] {
        assert_eq!(boundary(&through, as_of), day(after), "{as_of}");
        assert_eq!(boundary(&to, as_of), day(own), "{as_of}");
    }
    let zero = Arc::new(curve(&Terms { frequency: 0, proceeds_minor: cents("800000"), ..bond() }));
    assert_eq!(boundary(&zero, "2020-09-15"), day("2020-09-16"));
}

/// Two years without coupons, compounded twice a year: 0.64 grows to 1 in four periods.
fn zero_coupon() -> Terms {
    Terms { frequency: 0, maturity: day("2022-03-15"), proceeds_minor: cents("640000"), ..bond() }
}

#[test]
fn a_zero_coupon_issue_grows_by_roots() {
    let ratable = curve(&zero_coupon());
    // Half of the growth in half of the time: 0.8 exactly; a quarter: 0.64 x 1.25^(1/2).
    assert_eq!(carrying(&ratable, "2021-03-15"), cents("800000"));
    assert_eq!(carrying(&ratable, "2020-09-15"), 71_554_175);
    // Half way between the two, and 0.64 x 1.25^(1/4).
    assert_eq!(carrying(&ratable, "2020-06-15"), 67_777_088);
    let compound = curve(&Terms { within: Within::Compound, ..zero_coupon() });
    assert_eq!(carrying(&compound, "2020-06-15"), 67_671_761);
    let straight = curve(&Terms { method: Method::StraightLine, ..zero_coupon() });
    assert_eq!(carrying(&straight, "2020-06-15"), cents("685000"));
    close(
        &ratable.gross_rate(),
        "0.118033988749894848204586834365638117720309",
        "0.0000000000000000000000000000000000000001",
    );
    assert!(ratable.coupon_dates().is_empty());
}

#[test]
fn a_zero_coupon_issue_at_par_earns_nothing_and_above_par_less() {
    let par = curve(&Terms { proceeds_minor: cents("1000000"), ..zero_coupon() });
    assert!(par.gross_rate().is_zero());
    // 1 / 1.21 is no decimal, 1.21 is: minus 9.09 percent a year.
    let above = Terms { proceeds_minor: cents("1210000"), compounding_frequency: 1, ..zero_coupon() };
    let above = curve(&above);
    assert_eq!(above.gross_rate(), BigRational::one() / decimal("1.1") - BigRational::one());
    assert_eq!(carrying(&above, "2021-03-15"), cents("1100000"));
}

/// One unit at 10 percent a year bought at 0.95 with 0.01 of costs, put at par after a year.
fn put_after_a_year(proceeds: &str) -> Terms {
    Terms {
        coupon_rate: decimal("0.10"),
        frequency: 1,
        proceeds_minor: cents(proceeds),
        issue_costs_minor: cents("10000"),
        amortization_end: Some(day("2021-03-15")),
        ..bond()
    }
}

#[test]
fn discounts_and_costs_run_to_the_put_and_premiums_to_maturity() {
    let discount = curve(&put_after_a_year("950000"));
    assert_eq!(discount.gross_rate(), decimal("1.1") / decimal("0.95") - decimal("1"));
    assert_eq!(discount.net_rate(), decimal("1.1") / decimal("0.94") - decimal("1"));
    let half = discount.balance(cents("1000000"), day("2020-09-15"));
    assert_eq!((half.premium_discount, half.issue_costs), (cents("-25000"), cents("-5000")));
    let end = discount.balance(cents("1000000"), day("2021-03-15"));
    assert_eq!((end.premium_discount, end.issue_costs), (0, 0));

    let premium = curve(&put_after_a_year("1050000"));
    assert_eq!(premium.gross_same_horizon_rate(), decimal("1.1") / decimal("1.05") - decimal("1"));
    let end = premium.balance(cents("1000000"), day("2021-03-15"));
    assert!(end.premium_discount > cents("40000") && end.issue_costs == 0);
    assert_eq!(premium.balance(cents("1000000"), day("2025-03-15")).premium_discount, 0);
}

#[test]
fn the_curve_ends_at_the_redemption_price() {
    let curve = curve(&Terms { redemption: decimal("1.10"), ..bond() });
    assert_eq!(carrying(&curve, "2025-03-15"), cents("1100000"));
    assert_eq!(carrying(&curve, "2030-03-15"), cents("1100000"));
}

#[test]
fn interest_accrued_to_settlement_counts_in_the_rate() {
    // Settled two months into a period of six, one period before maturity: 101 + 1 buys 103 four months later.
    let terms =
        Terms { settlement: day("2024-11-15"), proceeds_minor: cents("1010000"), within: Within::Compound, ..bond() };
    let curve = curve(&terms);
    assert_eq!(curve.balance(cents("1000000"), day("2024-11-15")).accrued, cents("10000"));
    assert_eq!(curve.first_time(), ratio(2, 3));
    let growth = curve.gross_rate() + BigRational::one();
    let expected = (decimal("1.03") / decimal("1.02")).pow(3);
    close(&(&growth * &growth - expected), "0", "0.00000000000000000000000000000000000000000001");
    // Half of that time: the dirty value is 1.02 x (1.03/1.02)^(1/2), the interest half way from 0.01 to 0.03.
    assert_eq!(carrying(&curve, "2025-01-15"), 100_498_780);
}

#[test]
fn actual_over_365_pays_by_the_day() {
    let curve = curve(&Terms { day_count: DayCount::Act365F, ..bond() });
    // 184 and 181 days at 6 percent.
    assert_eq!(curve.coupon(cents("1000000"), day("2020-09-15")), 3_024_658);
    assert_eq!(curve.coupon(cents("1000000"), day("2021-03-15")), 2_975_342);
}

#[test]
fn coupon_dates_keep_to_the_month_end() {
    let terms =
        Terms { dated: day("2023-01-10"), settlement: day("2023-01-10"), maturity: day("2025-02-28"), ..bond() };
    let dates: Vec<String> = curve(&terms).coupon_dates().iter().map(ToString::to_string).collect();
    assert_eq!(dates, ["2023-02-28", "2023-08-31", "2024-02-29", "2024-08-31", "2025-02-28"]);
    let schedule = Schedule::new(&Terms { first_coupon: Some(day("2023-08-31")), ..terms.clone() });
    let schedule = schedule.expect("a long first period");
    // A month's last day is the 30th: 20 + 30 days of a half-year, then a whole one.
    assert_eq!(schedule.quasi_periods(day("2023-01-10"), day("2023-08-31")), ratio(50, 180) + BigRational::one());
    let off_grid = Curve::new(&Terms { first_coupon: Some(day("2023-08-30")), ..terms });
    assert!(off_grid.is_err());
}

/// The flows discounted at the solved rate are worth the price, to forty digits and more.
#[test]
fn the_rate_solves_its_equation() {
    let tolerance = "0.0000000000000000000000000000000000000000000000000001";
    for (proceeds, settlement) in [("870000", "2020-03-15"), ("1300000", "2020-03-15"), ("930000", "2020-09-15")] {
        let terms = Terms { settlement: day(settlement), proceeds_minor: cents(proceeds), ..bond() };
        let curve = curve(&terms);
        let back = BigRational::one() / (BigRational::one() + curve.gross_rate());
        let count = curve.coupon_dates().iter().filter(|date| **date > terms.settlement).count();
        let worth = (0..count).fold(BigRational::one(), |worth, _| (worth + decimal("0.03")) * &back);
        close(&(worth * decimal("1000000")), proceeds, tolerance);
    }
}

/// At one percent a year an issue of 6 percent bought for a tenth is worth less than nothing before long.
#[test]
fn a_stated_rate_that_leaves_nothing_is_refused() {
    let terms = Terms { proceeds_minor: cents("100000"), stated_rate: Some(decimal("0.01")), ..bond() };
    let refusal = Curve::new(&terms).err();
    assert_eq!(refusal.as_deref(), Some("at the stated rate nothing is left on 2022-03-15"));
}
