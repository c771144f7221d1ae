//! Transactions that cannot be, or not now, and what they leave: nothing.

use parwright::reading::Library;
use serde_json::{Value, json};

use crate::support::client::{ENTITIES, Service, change, on, on_both_engines};

on_both_engines! {
    a_conversion_that_cannot_be_is_refused
    a_coupon_payment_or_accrual_that_cannot_be_is_refused
    an_issue_without_conversion_terms_cannot_be_converted
    amounts_have_the_decimals_of_their_currency
}

/// All that can be read of `ACME`, and its last sequence.
pub struct Untouched {
    sequence: i64,
    read: Vec<Vec<u8>>,
}

impl Untouched {
    pub async fn of(service: &Service) -> Untouched {
        let library = Library::start(service.store.clone());
        let sequence = library.known("ACME", None).await.expect("the entity is there").sequence;
        let mut read = Vec::new();
        for path in [
            ENTITIES,
            "/v1/bond-issues?limit=500",
            "/v1/journal-batches?entity=ACME&limit=500",
            "/v1/entities/ACME/releases?limit=500",
            "/v1/entities/ACME/account-mapping?as_of=2025-12-31",
            "/v1/entities/ACME/carrying-values?as_of=2025-12-31",
            "/v1/entities/ACME/trial-balance?as_of=2099-12-31",
        ] {
            read.push(service.get(path).await.bytes);
        }
        Untouched { sequence, read }
    }

    /// Asserts that nothing has changed since: known_at, which names the last record, stands in the answers too.
    #[track_caller]
    pub fn check(self, service: &Service) -> impl Future<Output = ()> {
        let place = std::panic::Location::caller();
        async move {
            let now = Untouched::of(service).await;
            assert_eq!(now.sequence, self.sequence, "something was recorded before {place}");
            assert!(now.read == self.read, "something has changed before {place}");
        }
    }
}

async fn a_conversion_that_cannot_be_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    service
        .record(
            &issue,
            "conversions",
            json!({"effective_date": "2025-02-10", "principal": "300000.00", "reference": "N-1"}),
        )
        .await;
    let untouched = Untouched::of(&service).await;
    let path = on(&issue, "conversions");
    let body = |changes: Value| {
        let mut body = json!({"effective_date": "2025-03-10", "principal": "1000.00"});
        change(&mut body, changes);
        body
    };
    for (changes, status, code, pointer, hint) in [
        (json!({"principal": 1000}), 422, "invalid_field", "/principal", "in a string"),
        (json!({"principal": "1000.001"}), 422, "too_many_decimals", "/principal", "USD"),
        (json!({"principal": "-1000.00"}), 422, "invalid_field", "/principal", "more than zero"),
        (json!({"principal": "0"}), 422, "invalid_field", "/principal", "more than zero"),
        (json!({"principal": "1500.00"}), 422, "principal_not_multiple_of_denomination", "/principal", "1000.00"),
        (json!({"principal": null}), 422, "invalid_field", "/principal", "missing"),
        (json!({"principal": "701000.00"}), 409, "exceeds_outstanding", "", "700000.00"),
        (json!({"effective_date": "2025-01-14"}), 422, "before_settlement", "/effective_date", "2025-01-15"),
        (json!({"effective_date": "2030-01-16"}), 422, "after_maturity", "/effective_date", "2030-01-15"),
        (json!({"effective_date": null}), 422, "invalid_field", "/effective_date", "missing"),
        (json!({"effective_date": "soon"}), 422, "invalid_field", "/effective_date", "2026-06-30"),
        (json!({"effective_date": "2025-02-30"}), 422, "invalid_field", "/effective_date", "calendar"),
        (json!({"share_price": "0"}), 422, "invalid_field", "/share_price", "more than zero"),
        (json!({"share_price": "1.12345678901"}), 422, "invalid_field", "/share_price", "10 decimals"),
        (json!({"fractional_shares": "up"}), 422, "invalid_field", "/fractional_shares", "round_down"),
        (json!({"settlement": {"type": "gift"}}), 422, "invalid_field", "/settlement/type", "physical"),
        (json!({"settlement": {}}), 422, "invalid_field", "/settlement/type", "missing"),
        (json!({"holder": "x"}), 422, "invalid_field", "/holder", ""),
        (json!({"reference": "N-1"}), 409, "reference_in_use", "", "N-1"),
        (json!({"reference": "a\u{0}b"}), 422, "invalid_field", "/reference", ""),
    ] {
        let answer = service.post(&path, &body(changes.clone())).await;
        let detail = if status == 422 { answer.refused_at(code, pointer) } else { answer.conflict(code) };
        assert!(detail.contains(hint), "{changes}: {detail}");
    }
    untouched.check(&service).await;
}

async fn a_coupon_payment_or_accrual_that_cannot_be_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    let untouched = Untouched::of(&service).await;
    for (kind, body, status, code, pointer) in [
        ("coupon-payments", json!({"coupon_date": "2025-07-15"}), 409, "coupon_already_paid", ""),
        ("coupon-payments", json!({"coupon_date": "2025-07-16"}), 422, "not_a_coupon_date", "/coupon_date"),
        ("coupon-payments", json!({"coupon_date": "2025-01-15"}), 422, "not_a_coupon_date", "/coupon_date"),
        ("coupon-payments", json!({"coupon_date": "2024-07-15"}), 422, "before_settlement", "/coupon_date"),
        ("coupon-payments", json!({"coupon_date": "2030-07-15"}), 422, "after_maturity", "/coupon_date"),
        ("coupon-payments", json!({}), 422, "invalid_field", "/coupon_date"),
        ("coupon-payments", json!({"coupon_date": 20260115}), 422, "invalid_field", "/coupon_date"),
        ("accruals", json!({}), 422, "invalid_field", "/through"),
        ("accruals", json!({"through": "2025-13-01"}), 422, "invalid_field", "/through"),
        ("accruals", json!({"through": "2025-01-14"}), 422, "before_settlement", "/through"),
        ("accruals", json!({"through": "2025-12-31", "to": "x"}), 422, "invalid_field", "/to"),
    ] {
        let answer = service.post(&on(&issue, kind), &body).await;
        if status == 422 {
            answer.refused_at(code, pointer)
        } else {
            answer.conflict(code)
        };
    }
    untouched.check(&service).await;
}

async fn an_issue_without_conversion_terms_cannot_be_converted(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"conversion": null})).await;
    let untouched = Untouched::of(&service).await;
    let body = json!({"effective_date": "2025-03-10", "principal": "1000.00"});
    let problem = service.post(&on(&issue, "conversions"), &body).await.problem(422, "no_conversion_terms");
    assert!(problem["detail"].as_str().is_some_and(|detail| detail.contains("conversion")), "{problem}");
    let body = json!({"acceptance_date": "2025-03-10", "principal": "1000.00", "cash": "1.00",
        "criteria": super::inducements::all_met()});
    service.post(&on(&issue, "inducements"), &body).await.problem(422, "no_conversion_terms");
    untouched.check(&service).await;
}

/// Every amount of a request: the pointer names the one that is too fine.
async fn amounts_have_the_decimals_of_their_currency(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let untouched = Untouched::of(&service).await;
    let inducement = |changes: Value| {
        let mut body = json!({"acceptance_date": "2025-03-10", "principal": "1000.00", "cash": "1.00",
            "criteria": super::inducements::all_met()});
        change(&mut body, changes);
        body
    };
    let converted =
        |settlement: Value| json!({"effective_date": "2025-03-10", "principal": "1000.00", "settlement": settlement});
    for (kind, body, pointer) in [
        ("conversions", converted(json!({"type": "cash", "cash": "1.005"})), "/settlement/cash"),
        ("inducements", inducement(json!({"cash": "1.005"})), "/cash"),
        ("inducements", inducement(json!({"principal": "1000.005"})), "/principal"),
        (
            "inducements",
            inducement(json!({"other_consideration": {"description": "x", "fair_value": "1.005"}})),
            "/other_consideration/fair_value",
        ),
    ] {
        service.post(&on(&issue, kind), &body).await.refused_at("too_many_decimals", pointer);
    }
    untouched.check(&service).await;
}
