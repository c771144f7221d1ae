//! Tokens.

use axum::body::Body;
use axum::http::Method;
use parwright::auth::{Role, StoredTokens, TokenHash, TokenRecord, TokenStore};
use serde_json::json;

use crate::support::client::{
    Answer, ENTITIES, ISSUES, Service, all_accounts, items, mapping_path, on, on_both_engines, terms, text,
};

on_both_engines! {
    without_a_token_nothing_is_answered_but_how_to_send_one
    a_token_bound_to_an_entity_sees_nothing_of_another
    a_token_for_all_sees_all
}

/// Keeps a token as `parwright token create` does.
pub async fn token(service: &Service, token: &str, entity: Option<&str>) {
    let record = TokenRecord { name: token.to_owned(), role: Role::Operator, entity: entity.map(str::to_owned) };
    StoredTokens(service.store.clone()).insert(TokenHash::of(token), &record).await.expect("a token is kept");
}

#[track_caller]
fn assert_challenged(answer: &Answer, challenge: &str) {
    answer.problem(401, "unauthorized");
    assert_eq!(answer.header("www-authenticate"), challenge);
}

async fn without_a_token_nothing_is_answered_but_how_to_send_one(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let mut service = service.guarded();
    let paths = [
        ENTITIES.to_owned(),
        format!("{ISSUES}/{issue}"),
        format!("{}?as_of=2025-01-31", on(&issue, "carrying-value")),
        "/v1/entities/ACME/releases".to_owned(),
    ];
    for path in &paths {
        assert_challenged(&service.get(path).await, r#"Bearer realm="parwright""#);
    }
    let body = json!({"through": "2025-01-31"});
    assert_challenged(&service.post(&on(&issue, "accruals"), &body).await, r#"Bearer realm="parwright""#);
    let put = service.put(&mapping_path("ACME", "2025-01-01"), &all_accounts()).await;
    assert_challenged(&put, r#"Bearer realm="parwright""#);

    service.with_token(Some("pw_wrong"));
    let invalid = r#"Bearer realm="parwright", error="invalid_token""#;
    for path in &paths {
        assert_challenged(&service.get(path).await, invalid);
    }
    assert_challenged(&service.post(&on(&issue, "accruals"), &body).await, invalid);
    // Another scheme is no token at all (RFC 6750 section 3.1).
    service.with_token(None);
    let basic = [("authorization", "Basic cHc6cHc=")];
    let answer = service.send(Method::GET, ENTITIES, &basic, Body::empty()).await;
    assert_challenged(&answer, r#"Bearer realm="parwright""#);
    for open in ["/livez", "/readyz", "/metrics", "/openapi.json", "/docs/"] {
        assert_eq!(service.get(open).await.status, 200, "{open}");
    }
}

async fn a_token_bound_to_an_entity_sees_nothing_of_another(service: Service) {
    service.mapped_entity("ACME").await;
    service.mapped_entity("OTHER").await;
    let issue = service.issue(json!({})).await;
    let mine = service.issue(json!({"entity": "OTHER"})).await;
    let batch = text(&service.batches().await[0]["id"]).to_owned();
    token(&service, "pw_other", Some("OTHER")).await;
    let mut service = service.guarded();
    service.with_token(Some("pw_other"));
    for path in [
        format!("{ISSUES}/{issue}"),
        on(&issue, "schedule"),
        on(&issue, "events"),
        format!("{}?as_of=2025-01-31", on(&issue, "carrying-value")),
        format!("/v1/journal-batches/{batch}"),
        "/v1/journal-batches?entity=ACME".to_owned(),
        format!("{ISSUES}?entity=ACME"),
        "/v1/entities/ACME".to_owned(),
        "/v1/entities/ACME/releases".to_owned(),
        "/v1/entities/ACME/journal-lines?from=2025-01-01&to=2025-12-31".to_owned(),
        "/v1/entities/ACME/layouts".to_owned(),
        "/v1/entities/ACME/layouts/ledger".to_owned(),
        "/v1/entities/ACME/sample-batches".to_owned(),
        "/v1/entities/ACME/account-mapping?as_of=2025-01-31".to_owned(),
        "/v1/entities/ACME/carrying-values?as_of=2025-01-31".to_owned(),
        "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-01-31".to_owned(),
        "/v1/entities/ACME/trial-balance?as_of=2025-01-31".to_owned(),
    ] {
        service.get(&path).await.problem(404, "not_found");
    }
    for (path, body) in [
        (on(&issue, "accruals"), json!({"through": "2025-01-31"})),
        (on(&issue, "coupon-payments"), json!({"coupon_date": "2025-07-15"})),
        (on(&issue, "conversions"), json!({"effective_date": "2025-01-15", "principal": "1000.00"})),
        (on(&issue, "inducements"), json!({"acceptance_date": "2025-01-15"})),
        ("/v1/entities/ACME/accruals".to_owned(), json!({"through": "2025-01-31"})),
        (ISSUES.to_owned(), terms(json!({"reference": "CB-9"}))),
    ] {
        service.post(&path, &body).await.problem(404, "not_found");
    }
    service.put(&mapping_path("ACME", "2025-01-01"), &all_accounts()).await.problem(404, "not_found");

    let entities = items(&service.read(ENTITIES).await);
    assert_eq!(entities.iter().map(|entity| text(&entity["code"])).collect::<Vec<_>>(), ["OTHER"]);
    let issues = items(&service.read(ISSUES).await);
    assert_eq!(issues.iter().map(|issue| text(&issue["id"])).collect::<Vec<_>>(), [mine.as_str()]);
    service.record(&mine, "accruals", json!({"through": "2025-01-31"})).await;
    // An issue of another cannot get a mapping through one's own entity.
    let path = format!("{}&bond_issue={issue}", mapping_path("OTHER", "2025-01-01"));
    service.put(&path, &all_accounts()).await.problem(404, "not_found");
}

async fn a_token_for_all_sees_all(service: Service) {
    service.mapped_entity("ACME").await;
    service.mapped_entity("OTHER").await;
    token(&service, "pw_all", None).await;
    let mut service = service.guarded();
    service.with_token(Some("pw_all"));
    let entities = items(&service.read(ENTITIES).await);
    assert_eq!(entities.iter().map(|entity| text(&entity["code"])).collect::<Vec<_>>(), ["ACME", "OTHER"]);
    let issue = service.issue(json!({})).await;
    service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
}
