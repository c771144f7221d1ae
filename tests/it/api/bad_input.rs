//! What a request cannot be gets a problem that tells what to change, and leaves everything as it was.

use axum::body::Body;
use axum::http::Method;
use serde_json::{Value, json};

use super::bad_transactions::Untouched;
use crate::support::client::{ISSUES, Service, on, on_both_engines, terms, text};

on_both_engines! {
    terms_that_cannot_be_are_refused_where_they_are_wrong
    proceeds_that_no_rate_explains_are_refused_with_the_figures
    a_body_that_is_not_json_in_utf_8_is_refused
    a_body_of_50_megabytes_is_refused
    an_address_or_a_method_that_is_not_there_is_refused
    what_is_of_another_kind_is_a_field_that_is_not_valid
}

async fn terms_that_cannot_be_are_refused_where_they_are_wrong(service: Service) {
    service.mapped_entity("ACME").await;
    let untouched = Untouched::of(&service).await;
    let conversion = |changes: Value| {
        let mut conversion = json!({"shares_per_denomination": "20", "share_par_value": "0.01"});
        crate::support::client::change(&mut conversion, changes);
        json!({"conversion": conversion})
    };
    for (changes, code, pointer, hint) in [
        (json!({"principal": 1000000}), "invalid_field", "/principal", "in a string"),
        (json!({"proceeds": 1000000.5}), "invalid_field", "/proceeds", "in a string"),
        (json!({"coupon_rate": 0.06}), "invalid_field", "/coupon_rate", "in a string"),
        (json!({"coupon_frequency": "2"}), "invalid_field", "/coupon_frequency", ""),
        (json!({"principal": "1,000,000.00"}), "invalid_field", "/principal", "1024.42"),
        (json!({"principal": "1e6"}), "invalid_field", "/principal", "1024.42"),
        (json!({"principal": "1000000.001"}), "too_many_decimals", "/principal", "USD"),
        (json!({"proceeds": "999999.999"}), "too_many_decimals", "/proceeds", "USD"),
        (json!({"issue_costs": "0.001"}), "too_many_decimals", "/issue_costs", "USD"),
        (json!({"principal": "-1000.00"}), "invalid_field", "/principal", "more than zero"),
        (json!({"principal": "0.00"}), "invalid_field", "/principal", "more than zero"),
        (json!({"denomination": "0.00"}), "invalid_field", "/denomination", "more than zero"),
        (json!({"principal": "1000500.00"}), "principal_not_multiple_of_denomination", "/principal", "1000.00"),
        (json!({"principal": "99999999999999000.00"}), "invalid_field", "/principal", "at most"),
        (json!({"proceeds": "0.00"}), "invalid_field", "/proceeds", "more than zero"),
        (json!({"issue_costs": "1000000.00"}), "invalid_field", "/issue_costs", "1000000.00"),
        (json!({"currency": "XYZ"}), "invalid_field", "/currency", "ISO 4217"),
        (json!({"currency": "usd"}), "invalid_field", "/currency", "ISO 4217"),
        (json!({"isin": "XS000PARWR18"}), "invalid_field", "/isin", "check digit"),
        (json!({"isin": "PARWR"}), "invalid_field", "/isin", "ISO 6166"),
        (json!({"day_count": "31/360"}), "invalid_field", "/day_count", "30/360"),
        (json!({"coupon_frequency": 3}), "invalid_field", "/coupon_frequency", "1, 2, 4 or 12"),
        (json!({"coupon_rate": "-0.01"}), "invalid_field", "/coupon_rate", "fraction"),
        (json!({"coupon_rate": "6"}), "invalid_field", "/coupon_rate", "fraction"),
        (json!({"maturity_date": null}), "invalid_field", "/maturity_date", "missing"),
        (json!({"maturity_date": "2030-02-30"}), "invalid_field", "/maturity_date", "calendar"),
        (json!({"maturity_date": "15.01.2030"}), "invalid_field", "/maturity_date", "2026-06-30"),
        (json!({"maturity_date": "2024-01-15"}), "invalid_field", "/maturity_date", "2025-01-15"),
        (json!({"dated_date": "2025-02-15"}), "invalid_field", "/dated_date", "2025-01-15"),
        (json!({"first_coupon_date": "2031-01-15"}), "after_maturity", "/first_coupon_date", "2030-01-15"),
        (json!({"first_coupon_date": "2025-01-15"}), "invalid_field", "/first_coupon_date", "2025-01-15"),
        (json!({"settlement_date": "2025-07-15"}), "invalid_field", "/settlement_date", "dated_date"),
        (json!({"amortization_end": "2027-01-16"}), "not_a_coupon_date", "/amortization_end", "2027-01-15"),
        (json!({"redemption_price": "0"}), "invalid_field", "/redemption_price", "percent"),
        (json!({"accrued_interest_received": "-1.00"}), "invalid_field", "/accrued_interest_received", "negative"),
        (json!({"colour": "red"}), "invalid_field", "/colour", ""),
        (json!({"entity": null}), "invalid_field", "/entity", "missing"),
        (conversion(json!({"share_par_value": null})), "invalid_field", "/conversion/share_par_value", "no_par"),
        (conversion(json!({"no_par": true})), "invalid_field", "/conversion/no_par", "not both"),
        (
            conversion(json!({"shares_per_denomination": "0"})),
            "invalid_field",
            "/conversion/shares_per_denomination",
            "zero",
        ),
        (
            conversion(json!({"shares_per_denomination": "20.12345678901"})),
            "invalid_field",
            "/conversion/shares_per_denomination",
            "10 decimals",
        ),
        (
            conversion(json!({"shares_per_denomination": 20})),
            "invalid_field",
            "/conversion/shares_per_denomination",
            "in a string",
        ),
        (conversion(json!({"ratio": "20"})), "invalid_field", "/conversion/ratio", ""),
    ] {
        let answer = service.post(ISSUES, &terms(changes.clone())).await;
        let detail = answer.refused_at(code, pointer);
        assert!(detail.contains(hint), "{changes}: {detail}");
    }
    service.post(ISSUES, &terms(json!({"entity": "NOBODY"}))).await.problem(404, "not_found");
    untouched.check(&service).await;
}

/// 10,000,000 for payments of 1,300,000 would be a rate below -50% a year; 1.00 for them one beyond any reason.
async fn proceeds_that_no_rate_explains_are_refused_with_the_figures(service: Service) {
    service.mapped_entity("ACME").await;
    let untouched = Untouched::of(&service).await;
    for proceeds in ["100000000.00", "1.00"] {
        let answer = service.post(ISSUES, &terms(json!({"proceeds": proceeds}))).await;
        let detail = answer.refused_at("no_rate_explains_proceeds", "/proceeds");
        assert!(detail.contains(proceeds) && detail.contains("1300000"), "{detail}");
    }
    untouched.check(&service).await;
}

async fn a_body_that_is_not_json_in_utf_8_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let untouched = Untouched::of(&service).await;
    let key = [("idempotency-key", "bad")];
    for path in [
        ISSUES.to_owned(),
        on(&issue, "conversions"),
        on(&issue, "accruals"),
        on(&issue, "inducements"),
        on(&issue, "coupon-payments"),
        "/v1/entities/ACME/accruals".to_owned(),
        "/v1/entities".to_owned(),
    ] {
        for (body, status, code) in [
            (&b""[..], 400, "malformed_json"),
            (b"{", 400, "malformed_json"),
            (b"{\"a\":1,}", 400, "malformed_json"),
            (b"{} {}", 400, "malformed_json"),
            (b"principal=1000", 400, "malformed_json"),
            (b"{\"reference\": \"\xff\xfe\"}", 400, "not_utf8"),
            (b"[]", 422, "invalid_field"),
            (b"null", 422, "invalid_field"),
            (b"\"text\"", 422, "invalid_field"),
        ] {
            let problem = service.post_bytes(&path, body, &key).await.problem(status, code);
            assert!(!text(&problem["detail"]).is_empty());
        }
        let headers = [("content-type", "text/plain"), key[0]];
        let answer = service.send(Method::POST, &path, &headers, Body::from("{}")).await;
        answer.problem(415, "unsupported_media_type");
    }
    untouched.check(&service).await;
}

async fn a_body_of_50_megabytes_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let untouched = Untouched::of(&service).await;
    for path in [ISSUES.to_owned(), on(&issue, "conversions"), "/v1/entities".to_owned()] {
        let mut body = br#"{"reference": ""#.to_vec();
        body.resize(50 << 20, b'x');
        let problem =
            service.post_bytes(&path, body, &[("idempotency-key", "long")]).await.problem(413, "body_too_large");
        assert!(text(&problem["detail"]).contains("bytes"), "{problem}");
        // Announced, it is not even read.
        let headers = [("idempotency-key", "long"), ("content-length", "52428800")];
        service.post_bytes(&path, "{}", &headers).await.problem(413, "body_too_large");
    }
    untouched.check(&service).await;
}

async fn an_address_or_a_method_that_is_not_there_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let untouched = Untouched::of(&service).await;
    for path in ["/v2/entities", "/v1/bonds", "/v1", "/v1/entities/ACME/accrual", "/nothing", "/v1/bond-issues/"] {
        let problem = service.get(path).await.problem(404, "not_found");
        assert!(text(&problem["detail"]).contains(path) || text(&problem["detail"]).contains("/docs/"), "{problem}");
    }
    for (method, path, allowed) in [
        (Method::DELETE, format!("{ISSUES}/{issue}"), "GET,HEAD"),
        (Method::PUT, format!("{ISSUES}/{issue}"), "GET,HEAD"),
        (Method::GET, on(&issue, "conversions"), "POST"),
        (Method::PATCH, "/v1/entities".to_owned(), "GET,HEAD,POST"),
        (Method::POST, "/v1/journal-batches".to_owned(), "GET,HEAD"),
        (Method::POST, "/v1/entities/ACME/account-mapping".to_owned(), "GET,HEAD,PUT"),
    ] {
        let answer = service.send(method.clone(), &path, &[], Body::empty()).await;
        answer.problem(405, "method_not_allowed");
        let mut found: Vec<_> = answer.header("allow").split(',').map(str::trim).collect();
        found.sort_unstable();
        assert_eq!(found.join(","), allowed, "{method} {path}");
    }
    untouched.check(&service).await;
}

/// JSON of another kind than the field's is no malformed JSON, and an array is no object whose fields stand in order.
async fn what_is_of_another_kind_is_a_field_that_is_not_valid(service: Service) {
    service.mapped_entity("ACME").await;
    for (changes, pointer) in [
        (json!({"day_count": null}), "/day_count"),
        (json!({"day_count": 5}), "/day_count"),
        (json!({"within_period": []}), "/within_period"),
        (json!({"conversion": ["25", "0.01"]}), "/conversion"),
        (
            json!({"proceeds": "1.00", "opening_balance": ["2027-03-31", "1.00", "0.00", "0.00", "0.00"]}),
            "/opening_balance",
        ),
    ] {
        let mut body = crate::support::client::terms(json!({}));
        for (name, value) in changes.as_object().expect("an object") {
            body[name] = value.clone();
        }
        service.post("/v1/bond-issues", &body).await.refused_at("invalid_field", pointer);
    }
}
