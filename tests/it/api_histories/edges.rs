//! Lives of issues at the edges of what can be recorded: currencies of each number of decimals, one coupon a year to twelve, one year
//! to a hundred, one bond to 10^15 minor units, negative yields.

use std::cell::RefCell;

use jiff::civil::date;

use super::dice::{Account, Dice};
use super::life::{Framework, Life, Outcome};
use super::reports;
use super::terms::{self, Currency, Kind};
use crate::support::client::{Service, on, on_both_engines, text};

on_both_engines! {
    issues_at_the_edges_agree_with_the_reference
}

const EVENTS: usize = 12;

const fn currency(code: &'static str, decimals: u32) -> Currency {
    Currency { code, decimals }
}

const CURRENCIES: [Currency; 7] = [CLF, UYW, BHD, KWD, USD, JPY, EUR];
const CLF: Currency = currency("CLF", 4);
const UYW: Currency = currency("UYW", 4);
const BHD: Currency = currency("BHD", 3);
const KWD: Currency = currency("KWD", 3);
const USD: Currency = currency("USD", 2);
const EUR: Currency = currency("EUR", 2);
const JPY: Currency = currency("JPY", 0);

/// Coupons a year, and periods; denomination, and bonds; rate and price in hundredths of a percent.
const fn kind(
    currency: Currency,
    [frequency, periods]: [i32; 2],
    [denomination, bonds]: [i64; 2],
    [rate, price]: [i64; 2],
) -> Kind {
    Kind { currency, frequency, periods, denomination, bonds, rate, price, in_capital: false }
}

const KINDS: [Kind; 6] = [
    kind(CLF, [4, 12], [1_000_000, 40], [312, 9_870]),
    kind(UYW, [2, 6], [10_000, 1], [275, 9_905]),
    kind(BHD, [12, 1_200], [1_000_000, 40], [450, 9_850]),
    kind(KWD, [1, 1], [1_000_000, 25], [500, 10_150]),
    kind(USD, [2, 10], [100_000, 10_000_000_000], [425, 9_775]),
    kind(JPY, [12, 36], [1_000_000_000_000_000, 1], [150, 9_990]),
];
const AT_NEGATIVE_YIELDS: [Kind; 3] = [
    kind(EUR, [1, 5], [100_000, 5_000], [5, 10_600]),
    kind(JPY, [0, 8], [1_000_000, 300], [0, 10_250]),
    kind(CLF, [1, 100], [10_000_000, 60], [25, 12_900]),
];

async fn issues_at_the_edges_agree_with_the_reference(service: Service) {
    service.mapped_entity("ACME").await;
    let seed = super::number("PARWRIGHT_API_SEED", super::SEED);
    let account = Account { seed, doing: RefCell::new("opening".to_owned()) };
    let mut dice = Dice::new(seed);
    let mut lives = Vec::new();
    for (at, kind) in KINDS.into_iter().chain(AT_NEGATIVE_YIELDS).enumerate() {
        *account.doing.borrow_mut() = format!("{kind:?}");
        let drawn = terms::draw_of(&mut dice, &format!("EDGE-{at}"), kind);
        let life = Life::recorded(&service, &mut dice, drawn, Framework::UsGaap).await;
        let issue = service.read(&format!("/v1/bond-issues/{}", life.id)).await;
        let yields = text(&issue["effective_rate"]["gross_nominal_annual"]);
        assert_eq!(yields.starts_with('-'), at >= KINDS.len(), "{issue}");
        let schedule = service.read(&on(&life.id, "schedule")).await;
        let last = schedule["rows"].as_array().and_then(|rows| rows.last()).expect("a period").clone();
        assert_eq!(last["issue_costs"], life.currency.written(0), "{last}");
        lives.push(life);
    }
    let mut recorded = 0;
    for life in &mut lives {
        for _ in 0..EVENTS {
            let event = life.propose(&mut dice);
            *account.doing.borrow_mut() = format!("{} {event:?} after {:#?}", life.id, life.history.events());
            let outcome = life.step(&service, &mut dice, event).await;
            recorded += u32::from(!matches!(
                outcome,
                Outcome::Nothing | Outcome::Refused | Outcome::Unrevised | Outcome::Apart
            ));
        }
    }
    assert!(recorded > 45, "only {recorded} events were recorded");
    *account.doing.borrow_mut() = "accruing all".to_owned();
    super::accrue_all(&service, &mut lives).await;
    *account.doing.borrow_mut() = "reports".to_owned();
    for currency in CURRENCIES {
        reports::rollforward(&service, date(2000, 1, 1), date(2139, 12, 31), currency).await;
    }
    let report = parwright::audit::verify::verify(&service.store).await.expect("the books can be read");
    assert!(report.is_sound() && report.issues == lives.len(), "{report}");
}
