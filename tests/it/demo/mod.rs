//! The demonstration's portfolio ties at every month end, on both engines, and the program shows it and leaves nothing behind.

use std::collections::BTreeMap;

use parwright::accounting::Currency;
use parwright::audit::verify::verify;
use parwright::demo::portfolio::{self, Portfolio};
use parwright::document::PeriodStatus;
use parwright::http::resource::App;
use parwright::reading::{Basis, DisclosuresAsked, RollforwardAsked};
use parwright::service;

use crate::store::on_both;
use crate::support::process::Process;

const CURRENCIES: [&str; 2] = ["USD", "EUR"];

/// What is booked equals what is computed, on both bases and in both currencies, with nothing left to accrue.
async fn check_every_month_end(app: &App, portfolio: &Portfolio) {
    let known = app.library.known(&portfolio.entity, None).await.expect("the entity is there");
    let mut last: BTreeMap<String, String> = BTreeMap::new();
    for month_end in &portfolio.closes {
        for code in CURRENCIES {
            let currency = Currency::from_code(code);
            for basis in [Basis::Effective, Basis::Posted] {
                let page = ("", 500);
                let values =
                    app.library.carrying_values(&portfolio.entity, *month_end, known, basis, currency, page).await;
                let (values, next) = values.expect("carrying values can be read");
                assert_eq!(next, None);
                for value in values.items {
                    let place = format!("{} {month_end} {basis:?}: {value:?}", value.reference);
                    assert_eq!(value.status, "tied", "{place}");
                    assert_eq!(value.unaccrued.carrying_amount, "0.00", "{place}");
                    if value.position.principal != "0.00" {
                        last.insert(value.reference, value.position.principal);
                    }
                }
            }
        }
    }
    // What is outstanding in the end: the principal issued less what was converted, exchanged and bought back.
    let expected = [
        ("CB-2029", "19783000.00"),
        ("EC-2028", "6000000.00"),
        ("EN-2031", "20000000.00"),
        ("SN-2030", "22000000.00"),
        ("ZN-2028", "15000000.00"),
    ];
    let expected = expected.map(|(reference, principal)| (reference.to_owned(), principal.to_owned()));
    assert_eq!(last, BTreeMap::from(expected));
}

/// Each fiscal year's rollforward ties, opens where the one before closed, and closes with the debt that disclosures tell.
async fn check_every_fiscal_year(app: &App, portfolio: &Portfolio) {
    for code in CURRENCIES {
        let mut closing_before = None;
        for year in 2022..=2026 {
            let date = |text: &str| format!("{year}-{text}").parse().expect("a date");
            let period = (date("01-01"), date("12-31"));
            let asked = RollforwardAsked { currency: Currency::from_code(code), ..RollforwardAsked::default() };
            let report = app.library.rollforward(&portfolio.entity, period, None, asked).await;
            let report = report.expect("a rollforward can be read");
            for check in &report.tie_out {
                assert!(check.passed, "{code} {year}: {check:?}");
            }
            let (opening, closing) =
                (report.total.first().expect("an opening line"), report.total.last().expect("a closing line"));
            let (period_from, as_of) = period;
            let known = app.library.known(&portfolio.entity, None).await.expect("it is known");
            let asked = DisclosuresAsked {
                period_from,
                as_of,
                known,
                currency: Currency::from_code(code),
                share_price: None,
                fair_values: &[],
            };
            let told = app.library.disclosures(&portfolio.entity, asked).await.expect("disclosures can be read");
            if portfolio.closes.contains(&as_of) {
                assert_eq!(told.total.debt.carrying_amount, closing.carrying_amount, "{code} {year}");
                assert_eq!(told.total.debt.interest_payable, closing.interest_payable, "{code} {year}");
            }
            if let Some(closing_before) = closing_before.replace(closing.carrying_amount.clone()) {
                assert_eq!(opening.carrying_amount, closing_before, "{code} {year}");
            }
        }
    }
}

/// Years are closed, the others are open, and the first of those could be closed as it stands.
async fn check_the_periods(app: &App, portfolio: &Portfolio) {
    let periods = app.library.periods(&portfolio.entity).await.expect("periods can be read");
    assert_eq!(periods.closed_through.as_deref(), Some("2024-12-31"));
    let open: Vec<_> = periods.items.iter().filter(|item| item.status == PeriodStatus::Open).collect();
    assert_eq!((periods.items.len() - open.len(), open[0].period.as_str()), (27, "2025-01"));
    assert_eq!(open[0].in_the_way.as_deref(), Some(&[][..]));
    // The acceptance of May 2026 waits for an account, and the last coupon is not due yet.
    let may = app.library.period(&portfolio.entity, "2026-05").await.expect("a period can be read");
    let codes: Vec<_> = may.in_the_way.iter().flatten().map(|item| item.code).collect();
    assert_eq!(codes, ["unmapped_role", "put_expected"]);
}

on_both! {
    async fn the_portfolio_ties_at_every_month_end_and_verifies(books: Books) {
        let app = service::app(&books.store);
        let portfolio = portfolio::record(&app.recorder).await.expect("the portfolio is recorded");
        assert_eq!(portfolio.closes.len(), 49);
        check_every_month_end(&app, &portfolio).await;
        check_every_fiscal_year(&app, &portfolio).await;
        check_the_periods(&app, &portfolio).await;
        let report = verify(&books.store).await.expect("the books can be verified");
        assert!(report.is_sound(), "{report}");
        assert_eq!(report.issues, 5);
    }
}

#[test]
fn the_program_prints_its_address_then_what_to_open_and_paste() {
    let mut process = match Process::start(["demo", "--listen", "127.0.0.1:0"]) {
        Ok(process) => process,
        Err(exited) => panic!("the demonstration ended with {}: {}", exited.status, exited.stderr),
    };
    let address = process.address().to_owned();
    let (status, lines) = process.terminate();
    assert!(status.success(), "{status}");
    let commands: Vec<&String> = lines.iter().filter(|line| line.trim_start().starts_with("curl ")).collect();
    assert!(commands.len() >= 5, "{lines:#?}");
    for command in commands {
        assert!(command.contains(&address), "{command}");
    }
    // No name of the guide is left unfilled.
    for name in ["{base}", "{entity}", "{name}", "{issues}", "{first}", "{last}", "{closed}", "{CB-2029}"] {
        assert!(!lines.iter().any(|line| line.contains(name)), "{name}: {lines:#?}");
    }
    assert!(lines.iter().any(|line| line.contains(&format!("{address}/docs/"))), "{lines:#?}");
    assert!(lines.iter().any(|line| line.contains("review by qualified accountants")), "{lines:#?}");
}
