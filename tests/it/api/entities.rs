//! Entities.

use serde_json::{Value, json};

use crate::support::client::{ENTITIES, Service, assert_fields, change, items, on_both_engines, text};

on_both_engines! {
    an_entity_is_kept_as_it_was_given
    an_entity_is_created_once
    what_is_no_entity_is_refused
    an_ifrs_entity_refuses_an_option_that_is_no_equity
}

fn entity(changes: Value) -> Value {
    let mut entity = json!({"code": "ACME", "name": "Acme Ferries, Inc.", "functional_currency": "USD",
        "framework": "us_gaap", "fiscal_year_end": "12-31"});
    change(&mut entity, changes);
    entity
}

async fn an_entity_is_kept_as_it_was_given(service: Service) {
    let given = entity(json!({"fiscal_year_end": "06-30", "lei": "00PW00INVENTED000131"}));
    let answer = service.post(ENTITIES, &given).await.created();
    assert_eq!(answer, given);
    assert_eq!(service.read("/v1/entities/ACME").await, given);
    // US GAAP is the default, for it is named first.
    let bare = entity(json!({"code": "BARE", "framework": null}));
    let answer = service.post_with(ENTITIES, &bare, &[]).await.created();
    assert_eq!(answer["framework"], json!("us_gaap"));
    assert_fields(&answer, "code name functional_currency framework fiscal_year_end");
    let codes: Vec<_> = items(&service.read(ENTITIES).await).iter().map(|entity| entity["code"].clone()).collect();
    assert_eq!(codes, ["ACME", "BARE"]);
}

async fn an_entity_is_created_once(service: Service) {
    service.post(ENTITIES, &entity(json!({}))).await.created();
    let again = service.post(ENTITIES, &entity(json!({"name": "Another"}))).await;
    assert!(again.conflict("entity_exists").contains("ACME"));
    assert_eq!(service.read("/v1/entities/ACME").await["name"], json!("Acme Ferries, Inc."));
}

async fn what_is_no_entity_is_refused(service: Service) {
    for (changes, pointer) in [
        (json!({"code": "acme"}), "/code"),
        (json!({"code": "A"}), "/code"),
        (json!({"code": "ABCDEFGHIJKLM"}), "/code"),
        (json!({"code": null}), "/code"),
        (json!({"name": " "}), "/name"),
        (json!({"functional_currency": "XYZ"}), "/functional_currency"),
        (json!({"functional_currency": "usd"}), "/functional_currency"),
        (json!({"framework": "local"}), "/framework"),
        (json!({"fiscal_year_end": "12-30"}), "/fiscal_year_end"),
        (json!({"fiscal_year_end": "31-12"}), "/fiscal_year_end"),
        (json!({"lei": "00PW00INVENTED000132"}), "/lei"),
        (json!({"country": "US"}), "/country"),
        (json!({"fiscal_calendar": {"weeks": "4-5-5", "weekday": "friday"}}), "/fiscal_calendar/weeks"),
        (json!({"fiscal_calendar": {"weeks": "4-4-5", "weekday": "freya"}}), "/fiscal_calendar/weekday"),
        (json!({"fiscal_calendar": {"weeks": "4-4-5"}}), "/fiscal_calendar/weekday"),
    ] {
        let answer = service.post(ENTITIES, &entity(changes.clone())).await;
        let detail = answer.refused_at("invalid_field", pointer);
        assert!(!detail.is_empty(), "{changes}");
    }
    assert_eq!(items(&service.read(ENTITIES).await), Vec::<Value>::new());
    for path in ["/v1/entities/ACME", "/v1/entities/acme", "/v1/entities/A", "/v1/entities/ACME/releases"] {
        let problem = service.get(path).await.problem(404, "not_found");
        assert!(text(&problem["detail"]).contains("not"), "{problem}");
    }
}

/// IAS 32.26: an option that may be settled in cash, or in another currency than the functional, is a derivative.
async fn an_ifrs_entity_refuses_an_option_that_is_no_equity(service: Service) {
    service.post(ENTITIES, &entity(json!({"framework": "ifrs"}))).await.created();
    let cash = json!({"shares_per_denomination": "20", "share_par_value": "0.01", "settlement": "cash"});
    for terms in [json!({"conversion": cash}), json!({"currency": "EUR"})] {
        let answer = service.post("/v1/bond-issues", &crate::support::client::terms(terms)).await;
        answer.problem(422, "not_supported");
    }
}
