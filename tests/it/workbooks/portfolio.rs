//! Issues of many terms with the same life in every entity: premiums and discounts, with and without costs, every day count, odd first
//! periods, and whatever bonds leave by.

use serde_json::{Value, json};

use crate::api::inducements::all_met;
use crate::support::client::{ISSUES, Service, change, on, terms, text};

/// What is another in another life of the issues.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Other {
    CouponRate,
    Proceeds,
    IssueCosts,
    RedemptionPrice,
    /// With the proceeds that it explains.
    StatedRate,
}

impl Other {
    pub const ALL: [Other; 5] =
        [Other::CouponRate, Other::Proceeds, Other::IssueCosts, Other::RedemptionPrice, Other::StatedRate];
}

/// An issue by its reference, its terms, and those that it has in other lives.
pub struct Planned {
    pub reference: &'static str,
    terms: Value,
    others: Vec<(Other, Value)>,
}

impl Planned {
    /// The terms that are others in a life, if it is another for this issue. It is not where that would be refused, give it a premium or
    /// discount where it has none, or turn an amortization around, as of a small premium in a short month: the accounts of lines are those
    /// that were posted.
    pub fn other(&self, other: Other) -> Option<&Value> {
        self.others.iter().find(|(known, _)| *known == other).map(|(_, terms)| terms)
    }
}

/// Other values of the first four of [`Other::ALL`], each of them if there is one.
fn plan(reference: &'static str, others: [&str; 4], changes: Value) -> Planned {
    let fields = ["coupon_rate", "proceeds", "issue_costs", "redemption_price"];
    let given = Other::ALL.into_iter().zip(fields).zip(others).filter(|(_, value)| !value.is_empty());
    let others = given.map(|((other, field), value)| (other, json!({field: value}))).collect();
    Planned { reference, terms: changes, others }
}

/// An issue at a stated rate, and at another one.
fn at_stated_rate(reference: &'static str, proceeds: &str, changes: Value) -> Planned {
    let mut terms =
        json!({"coupon_rate": "0.05", "coupon_frequency": 1, "stated_effective_rate": "0.06", "conversion": null});
    change(&mut terms, changes);
    let other = json!({"stated_effective_rate": "0.065", "proceeds": proceeds});
    Planned { reference, terms, others: vec![(Other::StatedRate, other)] }
}

/// The issues.
pub fn planned() -> Vec<Planned> {
    let conversion = |interest: &str| json!({"shares_per_denomination": "23.4567", "share_par_value": "0.01", "accrued_interest": interest});
    vec![
        plan(
            "PREMIUM",
            ["0.0665", "1051500.00", "19000.00", "101"],
            json!({"coupon_rate": "0.0625", "proceeds": "1043000.00", "issue_costs": "17250.00",
                "premium_treatment": "liability", "conversion": conversion("forfeited"), "record_days": 15}),
        ),
        plan(
            "DISCOUNT",
            ["0.0375", "958000.00", "11000.05", "102"],
            json!({"coupon_rate": "0.0425", "coupon_frequency": 4, "proceeds": "961250.00", "issue_costs": "12345.67",
                "day_count": "ACT/365F", "within_period": "compound", "conversion": conversion("paid")}),
        ),
        plan(
            "ODD",
            ["0.0555", "981234.56", "9500.00", "100.5"],
            json!({"coupon_rate": "0.05125", "dated_date": "2025-02-10", "settlement_date": "2025-03-03",
                "first_coupon_date": "2025-10-15", "maturity_date": "2031-10-15", "day_count": "ACT/ACT-ICMA",
                "proceeds": "987654.32", "issue_costs": "9000.00", "conversion": conversion("payable")}),
        ),
        plan(
            "PUT",
            ["0.0295", "935000.00", "8800.00", "101.25"],
            json!({"coupon_rate": "0.0325", "coupon_frequency": 1, "proceeds": "940000.00", "issue_costs": "8000.00",
                "maturity_date": "2032-01-15", "amortization_end": "2029-01-15", "day_count": "30E/360", "conversion": null}),
        ),
        plan(
            "MONTHLY",
            ["0.071", "1006500.00", "", ""],
            json!({"coupon_rate": "0.0675", "coupon_frequency": 12, "dated_date": "2025-01-31",
                "settlement_date": "2025-01-31", "maturity_date": "2028-01-31", "proceeds": "1004000.00",
                "day_count": "ACT/360", "conversion": null}),
        ),
        plan(
            "STRAIGHT",
            ["0.0475", "971000.00", "5600.00", "101"],
            json!({"coupon_rate": "0.045", "proceeds": "975000.00", "issue_costs": "5000.00",
                "amortization_method": "straight_line", "day_count": "30U/360", "accrual_cutoff": "to_date", "conversion": null}),
        ),
        plan(
            "SHORT",
            ["0.062", "1012000.00", "", "103"],
            json!({"coupon_rate": "0.0575", "maturity_date": "2026-01-15", "redemption_price": "102.5",
                "proceeds": "1010000.00", "conversion": null}),
        ),
        plan(
            "OFFER",
            ["0.034", "", "21000.00", ""],
            json!({"coupon_rate": "0.03", "proceeds": "1000000.00", "issue_costs": "20000.00",
                "conversion": conversion("forfeited")}),
        ),
        at_stated_rate("STATED", "937664.81", json!({"proceeds": "957876.00"})),
        at_stated_rate("COSTED", "947664.81", json!({"proceeds": "967876.00", "issue_costs": "10000.00"})),
    ]
}

/// One more that pays no coupon, and one that was taken over.
pub async fn further(service: &Service, entity: &str) {
    for changes in [
        json!({"reference": "ZERO", "coupon_rate": "0", "coupon_frequency": 0, "proceeds": "780000.00",
            "issue_costs": "6000.00", "conversion": null}),
        json!({"reference": "TAKEN", "coupon_rate": "0.06", "proceeds": null, "dated_date": "2022-01-15",
            "settlement_date": "2022-01-15", "conversion": null, "opening_balance": {"date": "2024-12-31",
            "principal": "600000.00", "premium_discount": "-14400.00", "issue_costs": "-7200.00",
            "interest_payable": "16600.00"}}),
    ] {
        let mut body = terms(changes);
        body["entity"] = json!(entity);
        service.post(ISSUES, &body).await.created();
    }
}

/// Records the issues, with the terms of one life or of another.
pub async fn issued(service: &Service, entity: &str, other: Option<Other>) -> Vec<(&'static str, String)> {
    let mut ids = Vec::new();
    for issue in planned() {
        let mut body = terms(issue.terms.clone());
        change(&mut body, json!({"entity": entity, "reference": issue.reference}));
        if let Some(other) = other.and_then(|other| issue.other(other)) {
            change(&mut body, other.clone());
        }
        ids.push((issue.reference, text(&service.post(ISSUES, &body).await.created()["id"]).to_owned()));
    }
    ids
}

/// Lives through what happens to them, month by month.
pub async fn live(service: &Service, entity: &str, issues: &[(&'static str, String)]) {
    let mut offer = String::new();
    for (reference, kind, body) in life() {
        let Some(reference) = reference else {
            service.post(&format!("/v1/entities/{entity}/accruals"), &body).await.created();
            continue;
        };
        let (_, id) = issues.iter().find(|(known, _)| *known == reference).expect("an issue");
        let mut body = body;
        if !body["acceptance"].is_null() {
            body["acceptance"] = json!(offer);
        }
        let answer = service.post(&on(id, kind), &body).await.created();
        if !body["acceptance_date"].is_null() {
            offer = text(&answer["event"]["id"]).to_owned();
        }
    }
}

type Step = (Option<&'static str>, &'static str, Value);

fn life() -> Vec<Step> {
    let accrue = |through: &str| (None, "", json!({"through": through}));
    let convert = |of, date: &str, principal: &str, price: Option<&str>| {
        (Some(of), "conversions", json!({"effective_date": date, "principal": principal, "share_price": price}))
    };
    let pay = |of, date: &str| (Some(of), "coupon-payments", json!({"coupon_date": date}));
    let mut steps = vec![accrue("2025-01-31"), accrue("2025-02-28")];
    steps.push(convert("PREMIUM", "2025-03-10", "150000.00", Some("47.25")));
    for date in ["2025-02-28", "2025-03-31"] {
        steps.push(pay("MONTHLY", date));
    }
    steps.extend([accrue("2025-03-31"), pay("DISCOUNT", "2025-04-15")]);
    steps.push(convert("DISCOUNT", "2025-05-05", "100000.00", Some("44.10")));
    steps.push(accrue("2025-05-31"));
    steps.push(convert("ODD", "2025-06-20", "200000.00", Some("41")));
    // After the record date: the holder hands the coupon over.
    steps.push(convert("PREMIUM", "2025-07-08", "75000.00", Some("46.5")));
    let settled = json!({"effective_date": "2025-07-21", "principal": "50000.00", "share_price": "46.5",
        "settlement": {"type": "combination", "cash": "20000.00"}});
    for of in ["PREMIUM", "STRAIGHT", "SHORT", "OFFER"] {
        steps.push(pay(of, "2025-07-15"));
    }
    steps.extend([pay("DISCOUNT", "2025-07-15"), (Some("PREMIUM"), "conversions", settled), accrue("2025-07-31")]);
    let repurchase = json!({"effective_date": "2025-08-12", "principal": "120000.00", "price_percent": "98.75",
        "costs": "1500.00"});
    steps.push((Some("DISCOUNT"), "repurchases", repurchase));
    let accepted = json!({"acceptance_date": "2025-09-10", "principal": "250000.00", "cash": "6250.00",
        "new_shares_per_denomination": "25", "acceptance_share_price": "45.20", "criteria": all_met()});
    steps.push((Some("OFFER"), "inducements", accepted));
    steps.push(accrue("2025-09-30"));
    let completed = json!({"acceptance": "", "effective_date": "2025-10-03", "share_price": "45.80"});
    steps.push((Some("OFFER"), "inducements", completed));
    steps.extend([pay("DISCOUNT", "2025-10-15"), pay("ODD", "2025-10-15")]);
    let call =
        json!({"effective_date": "2025-11-03", "principal": "100000.00", "kind": "call", "price_percent": "101"});
    steps.push((Some("STRAIGHT"), "redemptions", call));
    // At the redemption price of the terms.
    for (of, date, kind) in [("STRAIGHT", "2025-11-17", "call"), ("PUT", "2025-12-03", "put")] {
        let redeemed = json!({"effective_date": date, "principal": "60000.00", "kind": kind});
        steps.push((Some(of), "redemptions", redeemed));
    }
    steps.extend([accrue("2025-12-31"), pay("PUT", "2026-01-15")]);
    for of in ["PREMIUM", "STRAIGHT", "SHORT", "OFFER", "DISCOUNT"] {
        steps.push(pay(of, "2026-01-15"));
    }
    let matured = json!({"effective_date": "2026-01-15", "principal": "1000000.00", "kind": "maturity"});
    steps.push((Some("SHORT"), "redemptions", matured));
    steps.push(convert("PREMIUM", "2026-02-02", "725000.00", Some("50.05")));
    steps.push(accrue("2026-03-31"));
    steps
}
