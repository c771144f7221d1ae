//! Books with every kind of entry that is posted, and every status of a batch: two frameworks, with and without an LEI, currencies of
//! 0 to 4 decimals.

use serde_json::{Value, json};

use crate::api::conversions::textbook;
use crate::api::inducements::all_met;
use crate::support::client::{
    ENTITIES, ISSUES, ROLES, Service, all_accounts, array, change, items, mapping_path, terms, text,
};

pub const LEI: &str = "PARW00ACMEFERRIES085";

/// All that an entity has posted.
pub struct Book {
    pub entity: Value,
    pub batches: Vec<Value>,
}

/// Records the books of a US GAAP entity, of an IFRS entity, and of one without accounts.
pub async fn kept(service: &Service) -> Vec<Book> {
    entity(service, json!({"code": "ACME", "name": "Acme Ferries & Sons, Inc.", "framework": "us_gaap", "lei": LEI}))
        .await;
    entity(service, json!({"code": "BETA", "name": "Beta Harbours plc", "framework": "ifrs"})).await;
    for code in ["ACME", "BETA"] {
        service.put(&mapping_path(code, "2000-01-01"), &accounts()).await.done();
    }
    convertible(service).await;
    surrendered(service).await;
    modified(service).await;
    taken_over(service).await;
    under_ifrs(service).await;
    in_other_currencies(service).await;
    answered(service).await;
    entity(service, json!({"code": "GAMMA", "name": "Gamma Cables", "framework": "us_gaap"})).await;
    let issue = issue(service, json!({"entity": "GAMMA", "dimensions": {"desk": "treasury"}})).await;
    record(service, &issue, [("accruals", json!({"through": "2025-01-31"}))]).await;
    vec![book(service, "ACME").await, book(service, "BETA").await, book(service, "GAMMA").await]
}

async fn entity(service: &Service, changes: Value) {
    let mut body = json!({"functional_currency": "USD", "fiscal_year_end": "12-31"});
    change(&mut body, changes);
    service.post(ENTITIES, &body).await.created();
}

/// Accounts with leading zeros, two of them with dimensions; one account has no name.
pub fn accounts() -> Value {
    let mut mapping = all_accounts();
    for (role, number) in ROLES.iter().zip(7..) {
        mapping["accounts"][role]["account"] = json!(format!("00{number:04}"));
    }
    change(&mut mapping["accounts"]["interest_expense"], json!({"name": null, "dimensions": {"cost center": "4711"}}));
    mapping["accounts"]["cash"]["dimensions"] = json!({"bank": "First", "desk": "unset"});
    mapping
}

async fn book(service: &Service, code: &str) -> Book {
    let entity = service.read(&format!("{ENTITIES}/{code}")).await;
    let page = service.read(&format!("/v1/journal-batches?entity={code}&limit=500")).await;
    assert_eq!(page["next_cursor"], Value::Null);
    Book { entity, batches: items(&page) }
}

async fn issue(service: &Service, changes: Value) -> String {
    text(&service.post(ISSUES, &terms(changes)).await.created()["id"]).to_owned()
}

/// Records one after the other.
async fn record<const N: usize>(service: &Service, issue: &str, steps: [(&str, Value); N]) -> Vec<Value> {
    let mut answers = Vec::new();
    for (kind, body) in steps {
        answers.push(service.record(issue, kind, body).await);
    }
    answers
}

/// Reverses the event of an answer.
async fn reverse(service: &Service, answer: &Value) {
    let batch = array(&answer["journal_batches"]).last().expect("a batch");
    let path = format!("/v1/journal-batches/{}/reversal", text(&batch["id"]));
    service.post(&path, &json!({"reason": "Recorded for the wrong holder"})).await.created();
}

/// From issue to maturity, with a conversion that is recorded late, one that is taken back, and an offer.
async fn convertible(service: &Service) {
    let other = issue(service, json!({"reference": "CB-0", "proceeds": "990000.00"})).await;
    let issue = issue(
        service,
        json!({"proceeds": "970000.00", "issue_costs": "10000.00", "isin": "XS000PARWR19",
            "dimensions": {"desk": "treasury", "programme": "2025-A"}}),
    )
    .await;
    let close = json!({"through": "2025-03-31"});
    service.post("/v1/entities/ACME/accruals", &close).await.created();
    let answers = record(
        service,
        &issue,
        [
            ("conversions", json!({"effective_date": "2025-04-10", "principal": "100000.00"})),
            ("conversions", json!({"effective_date": "2025-02-20", "principal": "50000.00"})),
            ("coupon-payments", json!({"coupon_date": "2025-07-15"})),
            ("repurchases", json!({"effective_date": "2025-08-01", "principal": "100000.00", "price_percent": "97.5"})),
            (
                "inducements",
                json!({"acceptance_date": "2025-09-10", "principal": "100000.00", "cash": "2500.00", "criteria": all_met()}),
            ),
            ("accruals", json!({"through": "2025-10-31"})),
        ],
    )
    .await;
    let acceptance = json!({"acceptance": answers[4]["event"]["id"], "effective_date": "2025-11-03"});
    let late = json!({"effective_date": "2025-10-02", "principal": "30000.00"});
    let answers = record(service, &issue, [("inducements", acceptance), ("conversions", late)]).await;
    reverse(service, &answers[1]).await;
    let call =
        json!({"effective_date": "2026-01-15", "principal": "120000.00", "kind": "call", "price_percent": "101"});
    record(service, &issue, [("coupon-payments", json!({"coupon_date": "2026-01-15"})), ("redemptions", call)]).await;
    let put = json!({"effective_date": "2026-02-01", "principal": "990000.00", "kind": "put"});
    record(service, &other, [("redemptions", put)]).await;
}

/// Bonds that are surrendered and settled in cash and shares; then what is left is current.
async fn surrendered(service: &Service) {
    let issue = issue(
        service,
        json!({"reference": "CB-2", "maturity_date": "2026-01-15",
        "conversion": {"shares_per_denomination": "20", "share_par_value": "0.01", "settlement": "combination"}}),
    )
    .await;
    let surrender = json!({"conversion_date": "2025-04-15", "principal": "400000.00"});
    let answers = record(service, &issue, [("conversions", surrender)]).await;
    let settlement = json!({"surrender": answers[0]["event"]["id"], "effective_date": "2025-06-16",
        "settlement": {"type": "combination", "cash": "400000.00"},
        "daily_prices": [{"date": "2025-06-11", "price": "60"}, {"date": "2025-06-12", "price": "62.50"}]});
    let balance_sheet = json!({"balance_sheet_date": "2025-06-30"});
    record(service, &issue, [("conversions", settlement), ("reclassifications", balance_sheet)]).await;
}

async fn modified(service: &Service) {
    let mut straight = textbook(json!({"reference": "SN-1"}));
    straight["conversion"] = Value::Null;
    let issue = issue(service, straight).await;
    let coupons = ["2026-01-01", "2027-01-01"].map(|date| ("coupon-payments", json!({"coupon_date": date})));
    record(service, &issue, coupons).await;
    let terms = json!({"effective_date": "2027-01-01", "coupon_rate": "0.09", "fees": "5000.00", "costs": "2000.00"});
    record(service, &issue, [("modifications", terms)]).await;
}

async fn taken_over(service: &Service) {
    let balance = json!({"date": "2026-12-31", "principal": "600000.00", "premium_discount": "-14400.00",
        "issue_costs": "-7200.00", "interest_payable": "48000.00"});
    let mut terms =
        textbook(json!({"reference": "OLD-1", "amortization_method": "straight_line", "opening_balance": balance}));
    terms["proceeds"] = Value::Null;
    issue(service, terms).await;
}

/// A compound instrument, and payments that are estimated anew.
async fn under_ifrs(service: &Service) {
    let compound = issue(
        service,
        textbook(json!({"entity": "BETA", "reference": "CB-3", "straight_debt_rate": "0.09", "isin": "XS000PARWR19"})),
    )
    .await;
    record(
        service,
        &compound,
        [("conversions", json!({"effective_date": "2025-07-01", "principal": "250000.00", "share_price": "55"}))],
    )
    .await;
    let mut straight = textbook(json!({"entity": "BETA", "reference": "SN-2"}));
    straight["conversion"] = Value::Null;
    let estimated = issue(service, straight).await;
    let estimate = json!({"effective_date": "2027-01-01",
        "expected_redemption": {"date": "2028-01-01", "price_percent": "102"}});
    record(service, &estimated, [("estimates", estimate)]).await;
    let close = json!({"closing_entries": true});
    service.post("/v1/entities/BETA/periods/2025-12/close", &close).await.done();
}

/// No decimals, three and four: with more digits than most amounts have.
async fn in_other_currencies(service: &Service) {
    for (currency, principal, proceeds) in [
        ("JPY", "999999999999000", "987654321098765"),
        ("KWD", "999999999000.000", "987654321098.765"),
        ("CLF", "99999999000.0000", "98765432109.8765"),
    ] {
        let mut changes = json!({"reference": format!("N-{currency}"), "currency": currency, "principal": principal,
            "proceeds": proceeds, "denomination": "1000"});
        changes["conversion"] = Value::Null;
        let issue = issue(service, changes).await;
        record(service, &issue, [("accruals", json!({"through": "2025-02-28"}))]).await;
    }
}

/// The ledger posts one batch and rejects two, one of which is released again.
async fn answered(service: &Service) {
    let batches = book(service, "BETA").await.batches;
    let rejected = json!({"revision": 1, "status": "rejected", "reason": "The account is blocked"});
    let posted = json!({"revision": 1, "status": "acknowledged", "ledger_posting_date": "2025-01-02"});
    for (batch, answer) in batches.iter().zip([posted, rejected.clone(), rejected]) {
        service.post(&format!("{}/acknowledgement", address(batch)), &answer).await.done();
    }
    service.post(&format!("{}/release", address(&batches[2])), &json!({})).await.created();
}

/// The address of a batch.
pub fn address(batch: &Value) -> String {
    format!("/v1/journal-batches/{}", text(&batch["id"]))
}
