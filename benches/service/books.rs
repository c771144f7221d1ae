//! The books that are measured: invented entities, convertible issues and their conversions, recorded over HTTP as a
//! caller would.

use jiff::ToSpan;
use jiff::civil::{Date, date};
use parwright::accounting::journal::AccountRole;
use serde_json::{Value, json};

use crate::client::{Client, write};

/// How many conversions of an issue share a date.
pub const A_DATE: usize = 5;
/// The first day on which bonds convert.
const FIRST: Date = date(2020, 2, 3);
/// The last one.
const LAST: Date = date(2029, 12, 31);

pub fn entity_code(number: usize) -> String {
    format!("B{number:04}")
}

/// Creates an entity whose every account role has an account, so that each batch is released when it is posted.
pub async fn create_entity(client: &mut Client, code: &str) {
    let entity = json!({
        "code": code, "name": format!("Entity {code}, Inc."), "functional_currency": "USD", "framework": "us_gaap",
        "fiscal_year_end": "12-31",
    });
    client.post("/v1/entities", &format!("entity-{code}"), &entity).await.ok();
    let accounts: serde_json::Map<String, Value> = AccountRole::ALL
        .iter()
        .zip(1000..)
        .map(|(role, account)| (role.name().to_owned(), json!({"account": account.to_string(), "name": role.name()})))
        .collect();
    let path = format!("/v1/entities/{code}/account-mapping?effective_from=2000-01-01");
    client.put(&path, &json!({"accounts": accounts})).await.ok();
}

/// The request that records a ten-year convertible issue at a premium, of so much that it never runs out of bonds.
pub fn issue(entity: &str, number: usize) -> Vec<u8> {
    let reference = format!("CB-{number:05}");
    let body = json!({
        "entity": entity, "reference": reference, "currency": "USD",
        "principal": "10000000000.00", "denomination": "1000.00", "coupon_rate": "0.0425", "coupon_frequency": 2,
        "day_count": "30/360", "dated_date": "2020-01-15", "settlement_date": "2020-01-15", "maturity_date": "2030-01-15",
        "proceeds": format!("{}.00", 10_250_000_000_u64 + number as u64 * 1000), "issue_costs": "150000000.00",
        "conversion": {"shares_per_denomination": "32.3428", "share_par_value": "0.01"},
    });
    write("POST", "/v1/bond-issues", &format!("{entity}-{reference}"), &body.to_string())
}

/// Records an issue and returns its id.
pub async fn create_issue(client: &mut Client, entity: &str, number: usize) -> String {
    let answer = client.send(&issue(entity, number)).await.json();
    answer["id"].as_str().expect("an issue has an id").to_owned()
}

/// Conversions of one issue in order of date, some on each date, and each of one bond.
#[derive(Clone)]
pub struct Conversions {
    issue: String,
    done: usize,
}

impl Conversions {
    pub fn of(issue: &str) -> Conversions {
        Conversions { issue: issue.to_owned(), done: 0 }
    }

    /// The nth date, counted from 0; after the last day it stays there.
    pub fn date(nth: usize) -> Date {
        let days = i64::try_from(nth).expect("a bench is short").days();
        FIRST.checked_add(days).unwrap_or(LAST).min(LAST)
    }

    pub fn next(&mut self) -> Vec<u8> {
        let date = Conversions::date(self.done / A_DATE);
        self.on(date)
    }

    /// The next one on a date of the caller's choice.
    pub fn on(&mut self, date: Date) -> Vec<u8> {
        self.done += 1;
        let (key, reference) = (Self::key(&self.issue, self.done), Self::reference(&self.issue, self.done));
        let body = format!(
            r#"{{"effective_date":"{date}","principal":"1000.00","share_price":"31.25","reference":"{reference}"}}"#
        );
        write("POST", &format!("/v1/bond-issues/{}/conversions", self.issue), &key, &body)
    }

    /// The idempotency key of the nth one of an issue, as long as a UUID, which callers use.
    pub fn key(issue: &str, nth: usize) -> String {
        format!("{}-{nth:015}", suffix(issue))
    }

    /// Its reference.
    pub fn reference(issue: &str, nth: usize) -> String {
        format!("CV-{}-{nth:06}", suffix(issue))
    }
}

/// What tells the ids of two issues apart.
fn suffix(issue: &str) -> &str {
    &issue[issue.len() - 20..]
}

/// A deterministic stream of numbers (splitmix64): two runs ask for the same.
#[derive(Clone)]
pub struct Random(pub u64);

impl Random {
    pub fn below(&mut self, bound: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((u128::from(mixed ^ (mixed >> 31)) * bound as u128) >> 64) as usize
    }
}
