//! Random histories through the interface, on both engines: every figure is that of the reference.
//!
//! The core is compared with the reference in `histories`, on far stranger terms. Here the same figures come back from stored rows, at
//! random dates and known-at times, with the reports that are made of them, and many issues share the books of one entity.
//!
//! `PARWRIGHT_API_HISTORIES` is the number of issues; a failure prints the seed of its run, which `PARWRIGHT_API_SEED` repeats.

pub(crate) mod dice;
mod edges;
mod found;
mod life;
mod reclassification;
mod reports;
mod reversal;
mod revisions;
mod surrender;
mod terms;
mod workbooks;

use std::cell::RefCell;
use std::collections::BTreeMap;

use crate::reference::Event;
use crate::support::client::{Service, array, on_both_engines, text};
use dice::{Account, Dice};
use life::{Framework, Life, Outcome};
use reports::Snapshots;

/// Issues of a run that is not told a number: less than twenty seconds in a debug build.
const ISSUES: u64 = 24;
const MOST_EVENTS: i64 = 30;
const SEED: u64 = 20_261_125;

pub(crate) fn number(variable: &str, default: u64) -> u64 {
    let text = std::env::var(variable);
    text.map_or(default, |text| text.parse().unwrap_or_else(|_| panic!("{variable} is {text}, which is no number")))
}

on_both_engines! {
    histories_through_the_interface_agree_with_the_reference
    histories_of_compound_issues_agree_with_the_reference_of_their_liability
}

async fn histories_through_the_interface_agree_with_the_reference(service: Service) {
    service.mapped_entity("ACME").await;
    live(service, Framework::UsGaap).await;
}

async fn histories_of_compound_issues_agree_with_the_reference_of_their_liability(service: Service) {
    service.ifrs_entity("ACME").await;
    live(service, Framework::Ifrs).await;
}

async fn live(service: Service, framework: Framework) {
    let (seed, issues) = (number("PARWRIGHT_API_SEED", SEED), number("PARWRIGHT_API_HISTORIES", ISSUES));
    let account = Account { seed, doing: RefCell::new("opening".to_owned()) };
    let mut dice = Dice::new(seed);
    let (mut lives, mut left) = (Vec::new(), Vec::new());
    for at in 0..issues {
        *account.doing.borrow_mut() = format!("issue {at}");
        lives.push(Life::issue(&service, &mut dice, &format!("CB-{at}"), framework).await);
        left.push(dice.between(3, MOST_EVENTS));
    }
    let (mut outcomes, mut snapshots) = (BTreeMap::new(), Snapshots::default());
    // The events of the issues come in a random order, so that what is known of one changes while others go on.
    loop {
        let open: Vec<usize> = (0..lives.len()).filter(|at| left[*at] > 0).collect();
        if open.is_empty() {
            break;
        }
        let at = dice.pick(&open);
        left[at] -= 1;
        let life: &mut Life = &mut lives[at];
        let event = life.propose(&mut dice);
        *account.doing.borrow_mut() = format!("{} {event:?} after {:#?}", life.id, life.history.events());
        *outcomes.entry(life.step(&service, &mut dice, event).await).or_insert(0) += 1;
        if dice.chance(15) {
            *account.doing.borrow_mut() = format!("{} reclassifying after {:#?}", life.id, life.history.events());
            *outcomes.entry(life.reclassify(&service, &mut dice).await).or_insert(0) += 1;
        }
        if dice.chance(25) {
            snapshots.take(&service, &mut dice, &lives).await;
        }
    }
    *account.doing.borrow_mut() = "accruing all".to_owned();
    accrue_all(&service, &mut lives).await;
    *account.doing.borrow_mut() = "looking back".to_owned();
    snapshots.check(&service, &lives).await;
    reports::check(&service, &mut dice, &lives).await;
    *account.doing.borrow_mut() = "closing all".to_owned();
    reports::close(&service, &mut dice, &lives).await;
    let report = parwright::audit::verify::verify(&service.store).await.expect("the books can be read");
    assert!(report.is_sound() && report.issues == lives.len(), "{report}");
    println!("{outcomes:?}, {} snapshots", snapshots.len());
    if issues >= ISSUES {
        let happened = |outcome| outcomes.get(&outcome).copied().unwrap_or(0);
        for outcome in [
            Outcome::Accrued,
            Outcome::Paid,
            Outcome::Converted,
            Outcome::Surrendered,
            Outcome::Settled,
            Outcome::Backdated,
            Outcome::Reversed,
            Outcome::Reclassified,
            Outcome::Refused,
            Outcome::Revised,
        ] {
            assert!(happened(outcome) >= 10, "a run that hardly has {outcome:?} shows little: {outcomes:?}");
        }
    }
}

/// Accrues the whole entity through the end of its last issue, in one command.
pub async fn accrue_all(service: &Service, lives: &mut [Life]) {
    let end = lives.iter().map(Life::maturity).max().expect("there are issues").last_of_month();
    let path = "/v1/entities/ACME/accruals";
    let answer = service.post(path, &serde_json::json!({"through": end.to_string()})).await.created();
    let skipped: Vec<&str> = array(&answer["skipped"]).iter().map(|skipped| text(&skipped["bond_issue"])).collect();
    for life in lives {
        // An issue accrued to its last boundary as of the day before is skipped: its last coupon is accrued and not due yet.
        let is_skipped = skipped.contains(&life.id.as_str());
        if !is_skipped {
            life.record(Event::Accrual { through: end });
        }
        life.check_books(service).await;
        life.check_position(service, end).await;
        // What is surrendered stays in the debt, whatever the date, until it is settled.
        for surrender in life.open.clone() {
            life.settle(service, surrender, dice::later(life.maturity(), 30)).await;
            life.check_books(service).await;
        }
        let booked = life.history.booked();
        assert_eq!(booked.issue_costs, 0, "nothing is left to accrue at the end");
        assert!(is_skipped || booked.interest_accrued == 0, "the last coupon is due: {booked:?}");
    }
}
