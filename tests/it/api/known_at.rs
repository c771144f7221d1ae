//! What was known at a time: the same question about it has the same answer for ever.

use serde_json::{Value, json};

use crate::support::client::{Service, array, on, on_both_engines, text};

on_both_engines! {
    the_echoed_pair_of_dates_gives_the_same_bytes_after_later_events
    every_time_between_two_records_stands_for_the_first
    a_time_to_come_is_refused
    nothing_was_there_before_it_was_recorded
}

async fn known_now(service: &Service) -> String {
    text(&service.read("/v1/entities/ACME/trial-balance?as_of=2025-12-31").await["known_at"]).to_owned()
}

async fn the_echoed_pair_of_dates_gives_the_same_bytes_after_later_events(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({"proceeds": "970000.00"})).await;
    service.record(&issue, "accruals", json!({"through": "2025-06-30"})).await;
    let known_at = known_now(&service).await;
    let addresses = [
        format!("{}?as_of=2025-05-31", on(&issue, "carrying-value")),
        format!("{}?as_of=2025-05-31&basis=posted", on(&issue, "carrying-value")),
        "/v1/entities/ACME/carrying-values?as_of=2025-05-31".to_owned(),
        "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-12-31".to_owned(),
        "/v1/entities/ACME/trial-balance?as_of=2025-12-31".to_owned(),
        format!("{}?", on(&issue, "events")),
        "/v1/bond-issues?entity=ACME".to_owned(),
    ];
    let mut before = Vec::new();
    for address in &addresses {
        before.push(service.get(&format!("{address}&known_at={known_at}")).await);
    }
    // A backdated event, a later one, another issue, and another mapping.
    let body = json!({"effective_date": "2025-03-10", "principal": "250000.00"});
    service.record(&issue, "conversions", body).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    service.issue(json!({"reference": "CB-2"})).await;
    let other = json!({"accounts": {"cash": {"account": "9999"}}});
    service.put(&crate::support::client::mapping_path("ACME", "2025-01-01"), &other).await.done();
    for (address, before) in addresses.iter().zip(before) {
        let again = service.get(&format!("{address}&known_at={known_at}")).await;
        assert_eq!(before.status, 200, "{address}");
        assert!(again.bytes == before.bytes, "{address}: {} and {}", before.json(), again.json());
        assert_eq!(again.header("etag"), before.header("etag"));
        let now = service.get(address.trim_end_matches('?')).await;
        assert!(now.bytes != before.bytes, "{address} shows what was recorded since");
    }
}

async fn every_time_between_two_records_stands_for_the_first(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let first = known_now(&service).await;
    let body = json!({"effective_date": "2025-01-15", "principal": "100000.00"});
    let converted = service.record(&issue, "conversions", body).await;
    let second = text(&converted["event"]["recorded_at"]).to_owned();
    let just_before = {
        let time: jiff::Timestamp = second.parse().expect("a timestamp");
        let time = jiff::Timestamp::from_microsecond(time.as_microsecond() - 1).expect("a timestamp");
        format!("{time:.6}")
    };
    let path = format!("{}?as_of=2025-02-28&known_at=", on(&issue, "carrying-value"));
    for (asked, echoed, principal) in
        [(&first, &first, "1000000.00"), (&just_before, &first, "1000000.00"), (&second, &second, "900000.00")]
    {
        let value = service.read(&format!("{path}{asked}")).await;
        assert_eq!((&value["known_at"], &value["principal"]), (&json!(echoed), &json!(principal)), "{asked}");
    }
}

async fn a_time_to_come_is_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    for path in [
        format!("{}?as_of=2025-02-28", on(&issue, "carrying-value")),
        "/v1/entities/ACME/carrying-values?as_of=2025-02-28".to_owned(),
        "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-02-28".to_owned(),
        "/v1/entities/ACME/trial-balance?as_of=2025-02-28".to_owned(),
        format!("{}?limit=5", on(&issue, "events")),
        "/v1/bond-issues?entity=ACME".to_owned(),
    ] {
        let answer = service.get(&format!("{path}&known_at=2999-01-01T00:00:00Z")).await;
        let problem = answer.problem(400, "malformed_query");
        assert!(text(&problem["detail"]).contains("known_at"), "{problem}");
        service.get(&format!("{path}&known_at=yesterday")).await.problem(400, "malformed_query");
    }
}

async fn nothing_was_there_before_it_was_recorded(service: Service) {
    service.mapped_entity("ACME").await;
    let before = known_now(&service).await;
    let issue = service.issue(json!({})).await;
    let carrying = format!("{}?as_of=2025-02-28", on(&issue, "carrying-value"));
    service.get(&format!("{carrying}&known_at={before}")).await.problem(404, "not_found");
    service.get(&format!("{carrying}&known_at=2001-01-01T00:00:00Z")).await.problem(404, "not_found");
    let values = service.read(&format!("/v1/entities/ACME/carrying-values?as_of=2025-02-28&known_at={before}")).await;
    assert_eq!(array(&values["items"]), &Vec::<Value>::new());
    let list = service.read(&format!("/v1/bond-issues?entity=ACME&known_at={before}")).await;
    assert_eq!(array(&list["items"]), &Vec::<Value>::new());
}
