//! Workbooks of random histories, computed anew: whatever issues live through, each cell is what the service said.
//!
//! `PARWRIGHT_WORKBOOK_HISTORIES` is the number of issues; `PARWRIGHT_API_SEED` repeats a run.

use std::cell::RefCell;

use jiff::civil::Date;

use super::dice::{Account, Dice, later};
use super::life::{Framework, Life};
use super::terms::CURRENCIES;
use super::{SEED, number};
use crate::support::client::Service;
use crate::support::office::is_there;
use crate::workbooks::check_recalculated;

const ISSUES: u64 = 12;
const EVENTS: i64 = 10;

#[tokio::test]
async fn workbooks_of_random_histories_are_computed_anew_as_the_service_said() {
    lived(Framework::UsGaap).await;
}

#[tokio::test]
async fn workbooks_of_random_compound_issues_are_computed_anew_as_the_service_said() {
    lived(Framework::Ifrs).await;
}

async fn lived(framework: Framework) {
    if !is_there() {
        return;
    }
    let (seed, issues) = (number("PARWRIGHT_API_SEED", SEED), number("PARWRIGHT_WORKBOOK_HISTORIES", ISSUES));
    let account = Account { seed, doing: RefCell::new("workbooks".to_owned()) };
    let service = Service::sqlite().await;
    match framework {
        Framework::UsGaap => service.mapped_entity("ACME").await,
        Framework::Ifrs => service.ifrs_entity("ACME").await,
    }
    let mut dice = Dice::new(seed);
    let mut lives = Vec::new();
    for at in 0..issues {
        let mut life = Life::issue(&service, &mut dice, &format!("CB-{at}"), framework).await;
        for _ in 0..dice.between(2, EVENTS) {
            let event = life.propose(&mut dice);
            *account.doing.borrow_mut() = format!("{} {event:?} after {:#?}", life.id, life.history.events());
            life.step(&service, &mut dice, event).await;
        }
        lives.push(life);
    }
    *account.doing.borrow_mut() = "accruing all".to_owned();
    super::accrue_all(&service, &mut lives).await;
    *account.doing.borrow_mut() = "workbooks".to_owned();
    let first = lives.iter().map(Life::settlement).min().expect("there are issues");
    let last = lives.iter().map(Life::maturity).max().expect("there are issues");
    let mut workbooks = Vec::new();
    for currency in CURRENCIES {
        let middle = dice.date(first, last);
        for (from, to) in [(first, later(last, 400)), (middle, later(middle, 364))] {
            workbooks.push((of(&service, (from, to), currency.code).await, currency.decimals.cast_signed()));
        }
    }
    check_recalculated(&workbooks);
}

async fn of(service: &Service, (from, to): (Date, Date), currency: &str) -> Vec<u8> {
    let days = (from.to_string(), to.to_string());
    crate::workbooks::workbook(service, "ACME", (&days.0, &days.1), currency).await
}
