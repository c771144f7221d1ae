//! Answers that are asked for again, and the reports of the whole entity.

use std::collections::BTreeMap;

use jiff::civil::{Date, date};
use rust_decimal::Decimal;
use serde_json::{Value, json};

use super::dice::Dice;
use super::life::Life;
use super::terms::{CURRENCIES, Currency};
use crate::support::client::{Service, array, on, text};

/// All issues lie between these days.
const FIRST: Date = date(2018, 1, 1);
const LAST: Date = date(2031, 12, 31);

struct Snapshot {
    /// With the known-at time that the answer echoed.
    path: String,
    bytes: Vec<u8>,
    /// Of a carrying value: the issue, its date, and how many events it had.
    of_issue: Option<(usize, Date, usize)>,
}

/// Answers given on the way.
#[derive(Default)]
pub struct Snapshots(Vec<Snapshot>);

impl Snapshots {
    pub fn len(&self) -> usize {
        self.0.len()
    }

    /// Asks for something as it is known now and keeps the answer.
    pub async fn take(&mut self, service: &Service, dice: &mut Dice, lives: &[Life]) {
        let at = dice.between(0, lives.len() as i64 - 1) as usize;
        let (life, day) = (&lives[at], lives[at].any_day(dice));
        let currency = life.currency.code;
        let (path, of_issue) = match dice.between(0, 12) {
            0 => (format!("/v1/entities/ACME/forecast?from={day}&to={LAST}&currency={currency}"), None),
            1 => (format!("/v1/entities/ACME/rollforward?from={FIRST}&to={day}&currency={currency}"), None),
            2 => (format!("/v1/entities/ACME/trial-balance?as_of={day}&currency={currency}"), None),
            3 => (format!("/v1/entities/ACME/carrying-values?as_of={day}&currency={currency}"), None),
            4 => (format!("{}?as_of={day}&basis=posted", on(&life.id, "carrying-value")), None),
            5 => (format!("/v1/entities/ACME/disclosures?period_from={FIRST}&as_of={day}&currency={currency}"), None),
            6 => (
                format!("/v1/entities/ACME/if-converted?from={FIRST}&to={day}&tax_rate=0.25&currency={currency}"),
                None,
            ),
            _ => {
                let of_issue = (at, day, life.history.events().len());
                (format!("{}?as_of={day}", on(&life.id, "carrying-value")), Some(of_issue))
            }
        };
        let answer = service.get(&path).await;
        let document = answer.done();
        self.0.push(Snapshot {
            path: format!("{path}&known_at={}", text(&document["known_at"])),
            bytes: answer.bytes,
            of_issue,
        });
    }

    /// Each is answered with the same bytes again, and was right for what was known.
    pub async fn check(&self, service: &Service, lives: &[Life]) {
        assert!(!self.0.is_empty(), "no answer was kept");
        for snapshot in &self.0 {
            let answer = service.get(&snapshot.path).await;
            let (now, then) = (String::from_utf8_lossy(&answer.bytes), String::from_utf8_lossy(&snapshot.bytes));
            assert_eq!(now, then, "{}", snapshot.path);
            if let Some((at, as_of, events)) = snapshot.of_issue {
                let (life, document) = (&lives[at], answer.done());
                life.check_figures(&document, life.as_of_event(events).position(as_of));
                life.check_tied(&document);
            }
        }
    }
}

/// Rollforwards tie and follow one another; the trial balance balances, and its balances are the issues'.
pub async fn check(service: &Service, dice: &mut Dice, lives: &[Life]) {
    for currency in used(lives) {
        check_rollforwards(service, currency).await;
        check_any_days(service, dice, currency).await;
        check_trial_balances(service, currency, lives).await;
        check_forecast(service, currency).await;
    }
}

fn used(lives: &[Life]) -> impl Iterator<Item = Currency> {
    CURRENCIES.into_iter().filter(|currency| lives.iter().any(|life| life.currency == *currency))
}

/// Everything is closed in one go, with closing entries, and what is expected and not recorded is waived. Then income and expense come to
/// nothing at the end of each year, and rollforwards tie as they did.
pub async fn close(service: &Service, dice: &mut Dice, lives: &[Life]) {
    let address = format!("/v1/entities/ACME/periods/{}-12/close", LAST.year());
    let refused = service.post(&address, &json!({"closing_entries": true})).await;
    let mut waivers = Vec::new();
    if refused.status == 409 {
        for item in array(&refused.problem(409, "period_not_ready")["figures"]["in_the_way"]) {
            assert!(item["expected"].is_string(), "it cannot be waived: {item}");
            waivers.push(json!({"bond_issue": item["bond_issue"], "expected": item["expected"], "date": item["date"],
                "reason": "the dice", "name": "A. Controller"}));
        }
    }
    service.post(&address, &json!({"closing_entries": true, "waivers": waivers})).await.done();
    for currency in used(lives) {
        for year in FIRST.year()..=LAST.year() {
            let path = format!("/v1/entities/ACME/trial-balance?as_of={year}-12-31&currency={}", currency.code);
            let document = service.read(&path).await;
            let is_result = |role: &str| ["expense", "extinguishment", "loss"].iter().any(|part| role.contains(part));
            for row in array(&document["rows"]).iter().filter(|row| is_result(text(&row["account_role"]))) {
                assert!(figure(&row["balance"]).is_zero(), "{path}: {row}");
            }
        }
        check_any_days(service, dice, currency).await;
    }
}

/// Rollforwards of any days tie, and so do those of the days beside them, which are just before them half of the time.
async fn check_any_days(service: &Service, dice: &mut Dice, currency: Currency) {
    for _ in 0..6 {
        let days = [dice.date(FIRST, LAST), dice.date(FIRST, LAST)];
        let (from, to) = (days[0].min(days[1]), days[0].max(days[1]));
        let document = rollforward(service, from, to, currency).await;
        check_part(&document["comparative"]);
        let path = format!(
            "/v1/entities/ACME/rollforward?from={from}&to={to}&currency={}&comparative=prior_period",
            currency.code
        );
        let before = &service.read(&path).await["comparative"];
        check_part(before);
        let opening = balances(line(&document, "opening"));
        assert_eq!(balances(line(before, "closing")), opening, "{path} does not open as the days before closed");
    }
}

fn figure(value: &Value) -> Decimal {
    text(value).parse().expect("a decimal")
}

fn line<'a>(document: &'a Value, movement: &str) -> &'a Value {
    let found = array(&document["total"]).iter().find(|line| line["movement"] == movement);
    found.unwrap_or_else(|| panic!("no {movement} in {document}"))
}

const BALANCES: [&str; 6] =
    ["principal", "premium_discount", "issue_costs", "carrying_amount", "interest_payable", "interest_receivable"];

fn balances(line: &Value) -> Vec<Decimal> {
    BALANCES.iter().map(|name| figure(&line[*name])).collect()
}

async fn check_rollforwards(service: &Service, currency: Currency) {
    let mut closing = vec![Decimal::ZERO; BALANCES.len()];
    for year in FIRST.year()..=LAST.year() {
        let document = rollforward(service, date(year, 1, 1), date(year, 12, 31), currency).await;
        assert_eq!(balances(line(&document, "opening")), closing, "{year} does not open as the year before closed");
        closing = balances(line(&document, "closing"));
    }
    let whole = rollforward(service, FIRST, LAST, currency).await;
    assert_eq!(balances(line(&whole, "closing")), closing, "the years do not add up to the whole");
}

/// What is forecast of the past is what was posted, year by year, of issues of which nothing was reversed: a reversal may be posted later
/// than what it reverses.
async fn check_forecast(service: &Service, currency: Currency) {
    let path = format!("/v1/entities/ACME/forecast?from={FIRST}&to={LAST}&limit=500&currency={}", currency.code);
    let document = service.read(&path).await;
    let told = |issue: &Value, year: i16| -> Decimal {
        let item = array(&document["items"]).iter().find(|item| item["bond_issue"] == *issue);
        let months = item.into_iter().flat_map(|item| array(&item["months"]));
        let of_year = months.filter(|month| text(&month["from"]).starts_with(&year.to_string()));
        of_year.map(|month| figure(&month["interest_expense"])).sum()
    };
    let whole = rollforward(service, FIRST, LAST, currency).await;
    let is_late = |line: &Value| ["reversal", "prior_period_catch_up"].contains(&text(&line["movement"]));
    let late = array(&whole["issues"]).iter().filter(|issue| array(&issue["lines"]).iter().any(is_late));
    let late: Vec<&Value> = late.map(|issue| &issue["bond_issue"]).collect();
    for year in FIRST.year()..=LAST.year() {
        let document = rollforward(service, date(year, 1, 1), date(year, 12, 31), currency).await;
        for issue in array(&document["issues"]).iter().filter(|issue| !late.contains(&&issue["bond_issue"])) {
            let accrued = ["amortization", "coupon_accrued"];
            let lines = array(&issue["lines"]).iter().filter(|line| accrued.contains(&text(&line["movement"])));
            let posted: Decimal = lines.map(|line| figure(&line["expense"])).sum();
            assert_eq!(told(&issue["bond_issue"], year), posted, "{year} of {path}: {issue}");
        }
    }
}

pub async fn rollforward(service: &Service, from: Date, to: Date, currency: Currency) -> Value {
    let path = format!("/v1/entities/ACME/rollforward?from={from}&to={to}&currency={}", currency.code);
    let document = service.read(&path).await;
    check_part(&document);
    document
}

/// The figures of a line, all of them.
const FIGURES: [&str; 17] = [
    "principal",
    "premium_discount",
    "issue_costs",
    "carrying_amount",
    "interest_payable",
    "interest_receivable",
    "equity_component",
    "gain_loss",
    "expense",
    "coupon_interest",
    "amortization",
    "debt_conversion_expense",
    "loss_on_amendment",
    "cash",
    "shares",
    "paid_in_capital",
    "common_stock",
];

/// All checks pass, each issue's lines add up across, and the lines of the total are those of the issues.
fn check_part(part: &Value) {
    let days = format!("{} to {}", part["from"], part["to"]);
    assert!(array(&part["tie_out"]).len() >= 16, "{days}: {}", part["tie_out"]);
    for check in array(&part["tie_out"]) {
        assert!(check["passed"] == true && check["left"] == check["right"], "{days}: {check}");
    }
    let movement = |line: &Value| format!("{} {}", line["movement"], line["reverses_movement"]);
    let of = |line: &Value, name: &str| if line[name].is_null() { Decimal::ZERO } else { figure(&line[name]) };
    let mut sums: BTreeMap<(String, &str), Decimal> = BTreeMap::new();
    for issue in array(&part["issues"]) {
        let mut across = vec![Decimal::ZERO; BALANCES.len()];
        for line in array(&issue["lines"]) {
            for name in FIGURES {
                *sums.entry((movement(line), name)).or_default() += of(line, name);
            }
            match text(&line["movement"]) {
                "closing" => assert_eq!(balances(line), across, "{days}: {issue}"),
                _ => across = across.iter().zip(balances(line)).map(|(sum, moved)| sum + moved).collect(),
            }
        }
    }
    for line in array(&part["total"]) {
        for name in FIGURES {
            let of_issues = sums.remove(&(movement(line), name)).unwrap_or_default();
            assert_eq!(of(line, name), of_issues, "{days}: {name} of {line}");
        }
    }
    assert!(sums.values().all(Decimal::is_zero), "{days}: movements of issues that are not in the total: {sums:?}");
}

async fn check_trial_balances(service: &Service, currency: Currency, lives: &[Life]) {
    for day in (FIRST.year()..=LAST.year()).flat_map(|year| [date(year, 5, 17), date(year, 12, 31)]) {
        let path = format!("/v1/entities/ACME/trial-balance?as_of={day}&currency={}", currency.code);
        let document = service.read(&path).await;
        assert_eq!(document["total_debit"], document["total_credit"], "{path}");
        for side in ["debit", "credit"] {
            let sum: Decimal = array(&document["rows"]).iter().map(|row| figure(&row[side])).sum();
            assert_eq!(sum, figure(&document[format!("total_{side}")]), "{path}: {side}");
        }
        if day != LAST {
            continue;
        }
        let balance = |role: &str| -> Decimal {
            let row = array(&document["rows"]).iter().find(|row| row["account_role"] == role);
            row.map_or(Decimal::ZERO, |row| figure(&row["balance"]))
        };
        let unit = |minor: i128| Decimal::from_i128_with_scale(minor, currency.decimals);
        let booked = lives.iter().filter(|life| life.currency == currency).map(|life| life.history.booked());
        let (mut carrying, mut payable, mut receivable) = (0, 0, 0);
        for booked in booked {
            carrying += booked.carrying_amount();
            payable += booked.interest_payable();
            receivable += booked.interest_receivable;
        }
        let roles = ["bonds_payable", "premium_on_bonds_payable", "discount_on_bonds_payable", "debt_issue_costs"];
        assert_eq!(-roles.iter().map(|role| balance(role)).sum::<Decimal>(), unit(carrying), "{path}");
        assert_eq!(-balance("interest_payable"), unit(payable), "{path}");
        assert_eq!(balance("interest_receivable"), unit(receivable), "{path}");
    }
}
