//! Terms and commands at the ends of what can be written down: the core refuses or computes, and never panics.

use std::sync::Arc;

use jiff::ToSpan;
use jiff::civil::{Date, date};
use parwright::accounting::fiscal_calendar::FiscalCalendar;
use parwright::accounting::instrument::{Instrument, Moment, SettlementType, ShareCapital, Terms};
use parwright::accounting::position::History;
use parwright::accounting::transaction::accrual::Accrual;
use parwright::accounting::transaction::conversion::{Conversion, Method};
use parwright::accounting::transaction::coupon_payment::CouponPayment;
use parwright::accounting::transaction::{Books, FractionalShares, Settlement, ShareSource, issuance};
use parwright::accounting::{Amount, Refusal};
use rust_decimal::Decimal;

use super::dice::Dice;
use super::issue;

/// In a run that is not told a number of histories; in one that is, as many.
const DRAWS: u64 = 200;

#[test]
fn nothing_at_the_edge_makes_the_core_panic() {
    let mut accepted = 0;
    let draws = super::number("PARWRIGHT_HISTORIES").unwrap_or(DRAWS);
    for seed in 0..draws {
        let mut dice = Dice::new(seed);
        let terms = draw(&mut dice);
        let shown = Shown { seed, terms: terms.clone() };
        if let Ok(instrument) = Instrument::new(terms) {
            accepted += 1;
            live(&mut dice, instrument);
        }
        drop(shown);
    }
    assert!(accepted > draws / 10, "only {accepted} of {draws} were possible");
}

/// Says what was being computed when something panics.
struct Shown {
    seed: u64,
    terms: Terms,
}

impl Drop for Shown {
    fn drop(&mut self) {
        if std::thread::panicking() {
            println!("seed {}: {:#?}", self.seed, self.terms);
        }
    }
}

/// Everyday terms of which a few figures are at an edge.
fn draw(dice: &mut Dice) -> Terms {
    let mut terms = issue::draw(dice);
    let amounts = [1, 2, 999_999_999_999_999, 1_000_000_000_000_000, i64::MAX, i64::MIN, 0, -1];
    for _ in 0..dice.between(1, 3) {
        match dice.between(1, 13) {
            1 => terms.principal = Amount::from_minor(dice.pick(&amounts)),
            2 => terms.denomination = Amount::from_minor(dice.pick(&[1, 1, terms.principal.minor(), i64::MAX, 0])),
            3 => terms.proceeds = Amount::from_minor(dice.pick(&amounts)),
            4 => {
                terms.issue_costs =
                    Amount::from_minor(dice.pick(&[1, terms.proceeds.minor().saturating_sub(1), i64::MAX, -1]))
            }
            5 => {
                terms.coupon_rate = dice.pick(&[
                    Decimal::ONE,
                    Decimal::new(999_999_999_999, 12),
                    Decimal::new(1, 12),
                    Decimal::MAX,
                    -Decimal::ONE,
                ])
            }
            6 => {
                terms.redemption_price =
                    dice.pick(&[Decimal::TEN, Decimal::new(1, 12), Decimal::MAX, Decimal::ZERO, Decimal::MIN])
            }
            7 => {
                terms.stated_effective_rate = Some(dice.pick(&[
                    Decimal::from(3),
                    Decimal::new(-49, 2),
                    Decimal::ZERO,
                    Decimal::MAX,
                    Decimal::MIN,
                ]))
            }
            8 => {
                terms.maturity_date =
                    dice.pick(&[date(2300, 12, 31), date(2000, 2, 29), date(2100, 1, 31), Date::MAX, Date::MIN])
            }
            9 => {
                let years = dice.pick(&[1, 100, 101]);
                terms.dated_date = terms.maturity_date.checked_sub(years.years()).unwrap_or(Date::MIN);
                terms.settlement_date = terms.dated_date;
            }
            10 => terms.first_coupon_date = Some(terms.maturity_date),
            11 => terms.settlement_date = terms.maturity_date.yesterday().unwrap_or(Date::MIN),
            12 => terms.record_days = Some(dice.pick(&[0, 27, 335, u16::MAX])),
            _ => {
                if let Some(conversion) = &mut terms.conversion {
                    conversion.shares_per_denomination =
                        dice.pick(&[Decimal::new(1, 10), Decimal::from(1_000_000_000), Decimal::MAX]);
                    conversion.share_capital =
                        ShareCapital::ParValue(dice.pick(&[Decimal::from(1_000_000_000), Decimal::new(1, 10)]));
                }
            }
        }
    }
    terms
}

/// Look-ups and commands at any date; what is refused is refused.
fn live(dice: &mut Dice, instrument: Instrument) {
    let instrument = Arc::new(instrument);
    let terms = instrument.terms().clone();
    let closed = dice.pick(&[None, None, Some(terms.maturity_date), Some(Date::MAX)]);
    let calendar = FiscalCalendar::new("12-31", closed).expect("a month's last day");
    let schedule = instrument.schedule(terms.principal).expect("a schedule of accepted terms");
    assert!(!schedule.is_empty());
    let _ =
        (instrument.effective_annual_rate(), instrument.nominal_annual_rate(), instrument.gross_nominal_annual_rate());
    let issued = issuance::decide(&instrument, calendar).expect("an issuance of accepted terms");
    let nothing = Books {
        instrument: Arc::clone(&instrument),
        calendar,
        history: History::new(Vec::new(), Vec::new()),
        booked: Vec::new(),
        rates: Vec::new(),
    };
    let mut books = nothing.after(&issued);
    for _ in 0..8 {
        let date = match dice.between(1, 8) {
            1 => dice.pick(&[Date::MIN, Date::MAX, date(1900, 1, 1)]),
            2 => terms.maturity_date,
            3 => terms.settlement_date,
            4 => dice.pick(instrument.dates().grid()),
            _ => dice.date(terms.settlement_date, terms.maturity_date),
        };
        let position = books.history.position(instrument.close_of(date), &instrument);
        assert!(position.is_ok(), "an accepted issue has a position on {date}: {position:?}");
        let _ = books.history.position(Moment::of_movement(date), &instrument);
        let principal = dice.pick(&[
            terms.denomination,
            terms.principal,
            Amount::from_minor(i64::MAX),
            Amount::from_minor(i64::MIN),
        ]);
        let price = dice.pick(&[
            None,
            Some(Decimal::from(1_000_000_000)),
            Some(Decimal::new(1, 10)),
            Some(Decimal::MAX),
            Some(Decimal::ZERO),
        ]);
        let kind = dice.pick(&[SettlementType::Cash, SettlementType::Physical, SettlementType::Combination]);
        let cash = dice.pick(&[
            None,
            Some(Amount::from_minor(i64::MAX)),
            Some(Amount::from_minor(i64::MIN)),
            Some(Amount::from_minor(1)),
        ]);
        let shares = dice.pick(&[None, None, Some(Decimal::MAX), Some(Decimal::MIN), Some(Decimal::new(15, 1))]);
        let settlement = dice.chance(50).then_some(Settlement { kind, cash, shares });
        let conversion = Conversion {
            make_whole: None,
            method: Method::BookValue,
            source: ShareSource::NewShares,
            daily_prices: Vec::new(),
            effective_date: date,
            principal,
            share_price: price,
            settlement,
            fractional_shares: FractionalShares::Cash,
        };
        match dice.between(1, 3) {
            1 => {
                let decided = Accrual { through: date }.decide(&books);
                match decided {
                    Ok(Some(decision)) => books = books.after(&decision),
                    Ok(None) => {}
                    Err(refusal) => assert!(matches!(refusal, Refusal::BeforeSettlement { .. }), "{refusal:?}"),
                }
            }
            2 => {
                let paid_on = dice.pick(&[None, Some(Date::MAX), Some(Date::MIN)]);
                let paid = books.history.paid().iter().any(|paid| paid.coupon_date == date);
                if let Ok(decision) = (CouponPayment { coupon_date: date, paid_on }).decide(&books, paid) {
                    books = books.after(&decision);
                }
            }
            _ => {
                if let Ok(decision) = conversion.decide(&books) {
                    assert!(decision.outcome.shares_issued >= Decimal::ZERO && !decision.outcome.cash.is_negative());
                    books = books.after(&decision);
                }
            }
        }
    }
}
