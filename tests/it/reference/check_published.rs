//! Published figures; the names are those of the list of check cases.

use super::day_count::days;
use super::sample::{bond, carrying, cents, close, curve, day, decimal};
use super::schedule::ratio;
use super::{Curve, DayCount, Terms, Within};
use num_rational::BigRational;
use num_traits::{One, Zero};

fn stated(proceeds: &str, coupon: &str, rate: &str, frequency: u32) -> Terms {
    Terms {
        principal_minor: cents("100000"),
        coupon_rate: decimal(coupon),
        frequency,
        dated: day("2020-01-01"),
        settlement: day("2020-01-01"),
        maturity: day("2025-01-01"),
        proceeds_minor: cents(proceeds),
        stated_rate: Some(decimal(rate)),
        ..bond()
    }
}

#[test]
fn am_02_a_discount_at_the_stated_seven_percent() {
    let curve = curve(&stated("91800", "0.05", "0.07", 1));
    // Unrounded 96,384.447400 and 98,131.358718; the last year takes up 0.553828.
    let expected = ["93226.00", "94751.82", "96384.45", "98131.36", "100000.00"];
    for (year, expected) in (2021..).zip(expected) {
        assert_eq!(carrying(&curve, &format!("{year}-01-01")), cents(expected));
    }
    close(&(curve.last_period_difference() * decimal("100000")), "-0.553828", "0.000001");
}

#[test]
fn am_07_a_discount_at_the_stated_ten_percent_twice_a_year() {
    let curve = curve(&stated("92278", "0.08", "0.10", 2));
    let expected = [
        ("2020-07-01", "92891.90"),
        // 93,536.495: the discount is what is rounded away from zero, so the carrying amount goes down.
        ("2021-01-01", "93536.49"),
        ("2021-07-01", "94213.32"),
        ("2022-01-01", "94923.99"),
        ("2022-07-01", "95670.19"),
        ("2023-01-01", "96453.69"),
        ("2023-07-01", "97276.38"),
        ("2024-01-01", "98140.20"),
        ("2024-07-01", "99047.21"),
        ("2025-01-01", "100000.00"),
    ];
    for (date, expected) in expected {
        assert_eq!(carrying(&curve, date), cents(expected), "{date}");
    }
    close(&(curve.last_period_difference() * decimal("100000")), "0.431772", "0.000001");
}

#[test]
fn ifrs_03_a_liability_net_of_costs() {
    let terms = Terms {
        principal_minor: cents("2000000"),
        frequency: 1,
        dated: day("2020-01-01"),
        settlement: day("2020-01-01"),
        maturity: day("2023-01-01"),
        proceeds_minor: cents("1848122.32"),
        issue_costs_minor: cents("92406.12"),
        ..bond()
    };
    let curve = curve(&terms);
    close(&curve.net_rate(), "0.1099803531", "0.000000001");
    close(&curve.gross_rate(), "0.09", "0.000000001");
    for (date, expected) in [("2021-01-01", "1828810.49"), ("2022-01-01", "1909943.72")] {
        let difference = carrying(&curve, date) - cents(expected);
        assert!(difference.abs() <= 1, "{date}: {difference}");
    }
    assert_eq!(carrying(&curve, "2023-01-01"), cents("2000000"));
}

#[test]
fn ip_04_ratable_by_actual_days() {
    let terms = Terms {
        principal_minor: cents("100000"),
        coupon_rate: decimal("0.10"),
        day_count: DayCount::ActActIcma,
        dated: day("2001-05-01"),
        settlement: day("2001-05-01"),
        maturity: day("2016-05-01"),
        proceeds_minor: cents("86235.17"),
        ..bond()
    };
    let curve = curve(&terms);
    close(&(curve.gross_rate() * decimal("2")), "0.12", "0.00000001");
    assert_eq!(carrying(&curve, "2001-11-01"), cents("86409.28"));
    assert_eq!(carrying(&curve, "2002-05-01"), cents("86593.84"));
    // 61 days of 1.01967.
    assert_eq!(carrying(&curve, "2002-01-01") - carrying(&curve, "2001-11-01"), cents("62.20"));
    assert_eq!(cents("100000") - carrying(&curve, "2001-05-01"), cents("13764.83"));
}

/// The fraction of a year that the period ending on a coupon date counts for.
fn icma_fraction(dated: &str, first: &str, maturity: &str, frequency: u32) -> BigRational {
    let terms = Terms {
        principal_minor: 10i128.pow(20),
        proceeds_minor: 10i128.pow(20),
        coupon_rate: BigRational::one(),
        frequency,
        day_count: DayCount::ActActIcma,
        dated: day(dated),
        settlement: day(dated),
        first_coupon: Some(day(first)),
        maturity: day(maturity),
        ..bond()
    };
    let coupon = curve(&terms).coupon(10i128.pow(20), day(first));
    BigRational::new(coupon.into(), 10i128.pow(20).into())
}

#[test]
fn dc_01_actual_actual_icma() {
    let rows = [
        ("2003-11-01", "2004-05-01", 2, "0.500000000000"),
        ("1999-02-01", "1999-07-01", 1, "0.410958904110"),
        ("1999-07-01", "2000-07-01", 1, "1.000000000000"),
        ("2002-08-15", "2003-07-15", 2, "0.915760869565"),
        ("2003-07-15", "2004-01-15", 2, "0.500000000000"),
        ("1999-07-30", "2000-01-30", 2, "0.500000000000"),
    ];
    for (dated, first, frequency, expected) in rows {
        let fraction = icma_fraction(dated, first, first, frequency);
        close(&fraction, expected, "0.0000000000005");
    }
}

#[test]
fn dc_02_the_thirty_day_counts() {
    let rows = [
        ("2006-08-20", "2007-02-20", [180, 180, 180, 180]),
        ("2006-02-28", "2006-08-31", [183, 180, 182, 180]),
        ("2006-08-31", "2007-02-28", [178, 178, 178, 180]),
        ("2007-02-28", "2007-08-31", [183, 180, 182, 180]),
        ("2007-08-31", "2008-02-29", [179, 179, 179, 180]),
        ("2008-02-29", "2008-08-31", [182, 180, 181, 180]),
        ("2006-01-31", "2006-02-28", [28, 28, 28, 30]),
        ("2006-02-28", "2006-03-03", [5, 3, 5, 3]),
        ("2006-02-14", "2006-02-28", [14, 14, 14, 16]),
        ("2007-02-28", "2008-02-29", [361, 360, 361, 360]),
    ];
    let counts = [DayCount::Thirty360, DayCount::Thirty360U, DayCount::ThirtyE360];
    for (from, to, expected) in rows {
        for (count, expected_days) in counts.into_iter().zip(expected) {
            assert_eq!(days(count, false, day(from), day(to)), expected_days, "{from} {to} {count:?}");
            // Every month's last day is the 30th: the fourth column, that of a date before maturity.
            assert_eq!(days(count, true, day(from), day(to)), expected[3], "{from} {to}");
        }
    }
}

fn treasury(rate: &str, dated: &str, settlement: &str, first: Option<&str>, maturity: &str) -> Curve {
    curve(&Terms {
        principal_minor: 10i128.pow(20),
        proceeds_minor: 10i128.pow(20),
        coupon_rate: decimal(rate),
        day_count: DayCount::ActActIcma,
        dated: day(dated),
        settlement: day(settlement),
        first_coupon: first.map(day),
        maturity: day(maturity),
        ..bond()
    })
}

/// The regulation's price per 100, simple interest in the broken period, from the coupons, the accrued interest and
/// the time to the first coupon as computed here.
fn regulation_price(curve: &Curve, yearly_yield: &str) -> BigRational {
    let terms = curve.terms();
    let unit = |minor: i128| BigRational::new(minor.into(), terms.principal_minor.into());
    let half = decimal(yearly_yield) / decimal("2");
    let back = BigRational::one() / (BigRational::one() + &half);
    let time = curve.first_time();
    let whole = (time.ceil() - BigRational::one()).to_integer();
    let broken = &time - BigRational::from(whole.clone());
    let mut worth = BigRational::zero();
    for date in curve.coupon_dates().iter().copied().rev().filter(|date| *date > terms.settlement) {
        worth = &worth * &back + unit(curve.coupon(terms.principal_minor, date));
        if date == terms.maturity {
            worth += BigRational::one();
        }
    }
    let wholes = (0..i32::try_from(whole).expect("few periods")).fold(BigRational::one(), |v, _| v * &back);
    let accrued = unit(curve.balance(terms.principal_minor, terms.settlement).accrued);
    (worth * wholes / (BigRational::one() + broken * half) - accrued) * decimal("100")
}

#[test]
fn tsy_a_to_d_prices_from_our_coupons_and_times() {
    let regular = treasury("0.0875", "1990-05-15", "1990-05-15", None, "2020-05-15");
    assert_eq!(regular.first_time(), BigRational::one());
    close(&regulation_price(&regular, "0.0884"), "99.057893", "0.0000005");

    let short = treasury("0.085", "1990-04-02", "1990-04-02", None, "1992-03-31");
    assert_eq!(short.first_time(), ratio(181, 183));
    close(&regulation_price(&short, "0.0859"), "99.838183", "0.0000005");

    let long = treasury("0.085", "1990-03-01", "1990-03-01", Some("1990-11-15"), "1995-05-15");
    assert_eq!(long.first_time(), BigRational::one() + ratio(75, 181));
    close(&regulation_price(&long, "0.0853"), "99.805118", "0.0000005");

    let inside = treasury("0.095", "1985-11-15", "1985-11-29", None, "1995-11-15");
    assert_eq!(inside.first_time(), ratio(167, 181));
    close(&regulation_price(&inside, "0.0954"), "99.730918", "0.0000005");
    let accrued = inside.balance(10i128.pow(20), day("1985-11-29")).accrued;
    close(&BigRational::new(accrued.into(), 10i128.pow(18).into()), "0.367403", "0.0000005");
}

#[test]
fn tsy_a_the_price_gives_the_yield_back() {
    let terms = Terms {
        coupon_rate: decimal("0.0875"),
        day_count: DayCount::ActActIcma,
        dated: day("1990-05-15"),
        settlement: day("1990-05-15"),
        maturity: day("2020-05-15"),
        proceeds_minor: cents("990578.93"),
        within: Within::Compound,
        ..bond()
    };
    close(&(curve(&terms).gross_rate() * decimal("2")), "0.0884", "0.00000001");
}

#[test]
fn tsy_h_and_i_broken_first_payments() {
    let short = treasury("0.08375", "1990-07-02", "1990-07-02", None, "1991-12-31");
    assert_eq!(short.coupon(cents("20000"), day("1990-12-31")), cents("828.40"));
    let long = treasury("0.07875", "1990-12-03", "1990-12-03", Some("1991-08-15"), "1995-08-15");
    assert_eq!(long.coupon(cents("7000"), day("1991-08-15")), cents("386.47"));
}

#[test]
fn tsy_j_and_k_accrued_interest() {
    // Half a half-year of 184 days.
    let half = treasury("0.0675", "2019-05-15", "2019-05-15", None, "2021-11-15");
    assert_eq!(half.balance(cents("150000"), day("2019-08-15")).accrued, cents("2531.25"));
    // 44 days of a half-year of 181, then 81 of one of 184.
    let two = treasury("0.1075", "1985-07-02", "1985-07-02", Some("1986-02-15"), "1995-08-15");
    assert_eq!(two.balance(cents("11000"), day("1985-11-04")).accrued, cents("404.01"));
}
