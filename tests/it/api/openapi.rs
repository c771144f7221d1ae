//! The document of the interface.

use axum::body::Body;
use axum::http::Method;
use serde_json::{Value, json};

use crate::support::client::{Service, array, on_both_engines, text};

on_both_engines! {
    an_address_of_several_representations_says_in_each_that_it_depends_on_accept
}

const FILE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/openapi/v1.json");

fn document() -> Value {
    serde_json::from_str(&parwright::service::openapi().expect("a document")).expect("JSON")
}

/// Each operation with its method and path.
fn operations(document: &Value) -> Vec<(String, &Value)> {
    let paths = document["paths"].as_object().expect("paths");
    let mut found = Vec::new();
    for (path, item) in paths {
        for method in ["get", "put", "post", "delete", "patch"] {
            found.extend(item.get(method).map(|operation| (format!("{method} {path}"), operation)));
        }
    }
    found
}

#[test]
fn the_checked_in_document_is_the_one_of_the_routes() {
    let now = parwright::service::openapi().expect("a document");
    let kept = std::fs::read_to_string(FILE).unwrap_or_default();
    assert!(kept == now, "openapi/v1.json has drifted; rewrite it with: cargo run -- openapi > openapi/v1.json");
}

#[test]
fn every_route_of_the_contract_is_an_operation() {
    let document = document();
    let operations = operations(&document);
    let found: Vec<&str> = operations.iter().map(|(name, _)| name.as_str()).collect();
    for expected in [
        "post /v1/entities",
        "get /v1/entities",
        "get /v1/entities/{entity}",
        "put /v1/entities/{entity}/account-mapping",
        "get /v1/entities/{entity}/account-mapping",
        "post /v1/entities/{entity}/accruals",
        "get /v1/entities/{entity}/carrying-values",
        "get /v1/entities/{entity}/rollforward",
        "get /v1/entities/{entity}/trial-balance",
        "get /v1/entities/{entity}/releases",
        "get /v1/entities/{entity}/journal-lines",
        "get /v1/entities/{entity}/layouts",
        "get /v1/entities/{entity}/layouts/{name}",
        "put /v1/entities/{entity}/layouts/{name}",
        "get /v1/entities/{entity}/sample-batches",
        "post /v1/bond-issues",
        "post /v1/entities/{entity}/bond-issue-imports",
        "get /v1/bond-issues",
        "get /v1/bond-issues/{id}",
        "get /v1/bond-issues/{id}/schedule",
        "get /v1/bond-issues/{id}/carrying-value",
        "get /v1/bond-issues/{id}/classification",
        "get /v1/bond-issues/{id}/events",
        "post /v1/bond-issues/{id}/accruals",
        "post /v1/bond-issues/{id}/conversion-notices",
        "post /v1/bond-issues/{id}/coupon-payments",
        "post /v1/bond-issues/{id}/conversions",
        "post /v1/bond-issues/{id}/inducements",
        "post /v1/bond-issues/{id}/reclassifications",
        "post /v1/bond-issues/{id}/sale-price-condition",
        "get /v1/journal-batches",
        "get /v1/journal-batches/{id}",
        "get /livez",
        "get /readyz",
        "get /metrics",
    ] {
        assert!(found.contains(&expected), "{expected} is not among {found:?}");
    }
}

#[test]
fn every_operation_has_an_id_of_its_own_and_a_summary() {
    let document = document();
    let mut ids = Vec::new();
    for (name, operation) in operations(&document) {
        assert!(operation["summary"].as_str().is_some_and(|summary| !summary.is_empty()), "{name}");
        ids.push(operation["operationId"].as_str().unwrap_or_else(|| panic!("{name} has no operationId")));
    }
    let count = ids.len();
    ids.sort_unstable();
    ids.dedup();
    assert_eq!(ids.len(), count, "{ids:?}");
}

#[test]
fn every_operation_documents_its_refusals_as_problems() {
    let document = document();
    for (name, operation) in operations(&document).into_iter().filter(|(name, _)| name.contains(" /v1/")) {
        let mut expected = vec!["400", "401", "403"];
        let to_destination = name.contains("/destinations");
        // It asks, and records nothing.
        let asks = name.ends_with("/sale-price-condition");
        let records = name.starts_with("post") && name != "post /v1/entities" && !to_destination && !asks;
        if name.contains('{') {
            expected.push("404");
        }
        // A reference, an entity or a state can be in the way.
        if name.starts_with("post") && !asks {
            expected.push("409");
        }
        // An import is on no issue that could have changed.
        if records && !name.ends_with("-imports") {
            expected.push("412");
        }
        if !name.starts_with("get") && (!to_destination || operation.get("requestBody").is_some()) {
            expected.extend(["413", "415", "422"]);
        }
        let responses = operation["responses"].as_object().expect("responses");
        for status in expected {
            let response = responses.get(status).unwrap_or_else(|| panic!("{name} does not document {status}"));
            let response = match response["$ref"].as_str() {
                Some(reference) => document.pointer(&reference[1..]).expect("a response"),
                None => response,
            };
            assert!(response["content"].get("application/problem+json").is_some(), "{name} {status}: {response}");
        }
    }
}

/// An accrual that posts nothing is 200, and so is what `validate_only` answers; and an acknowledgement always is, as are what is told to a
/// destination and the closes of periods.
#[test]
fn every_recording_operation_documents_200_beside_201() {
    let document = document();
    let always_ok = ["/acknowledgement", "/destinations/", "/periods/", "/sale-price-condition"];
    for (name, operation) in operations(&document).into_iter().filter(|(name, _)| name.starts_with("post /v1/")) {
        let responses = operation["responses"].as_object().expect("responses");
        assert!(responses.contains_key("201") || always_ok.iter().any(|part| name.contains(part)), "{name}");
        let previewed =
            array(&operation["parameters"].as_array().map_or(Value::Array(vec![]), |all| all.clone().into()))
                .iter()
                .any(|parameter| parameter["name"] == "validate_only");
        assert!(!previewed || responses.contains_key("200"), "{name} does not document 200");
    }
}

#[tokio::test]
async fn the_served_document_is_the_checked_in_one_and_the_pages_need_nothing_else() {
    let service = Service::sqlite().await;
    let served = service.get("/openapi.json").await;
    let served: Value = served.done();
    assert_eq!(served, document());
    let page = service.get("/docs/").await;
    assert_eq!(page.status, 200);
    assert!(!String::from_utf8_lossy(&page.bytes).contains("://"), "the page asks the network");
    let problems = service.get("/docs/problems").await;
    let problems = String::from_utf8_lossy(&problems.bytes).into_owned();
    for code in ["reference_in_use", "exceeds_outstanding", "coupon_already_paid", "no_rate_explains_proceeds"] {
        assert!(problems.contains(&format!("id=\"{code}\"")), "{code}");
    }
    assert_eq!(text(&document()["openapi"]), "3.1.0");
}

/// Otherwise a cache gives one caller what another one asked for.
async fn an_address_of_several_representations_says_in_each_that_it_depends_on_accept(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let batch = service.batches().await.remove(0);
    let (document, mut tried) = (document(), 0);
    for (name, operation) in operations(&document) {
        let contents = operation["responses"]["200"]["content"].as_object().into_iter().flatten();
        let media: Vec<&String> = contents.map(|(media, _)| media).collect();
        if media.len() < 2 {
            continue;
        }
        let id = if name.contains("journal-batches") { text(&batch["id"]) } else { &issue };
        let path = name.trim_start_matches("get ").replace("{entity}", "ACME").replace("{id}", id);
        let query = |parameter: &Value| {
            let value = match text(&parameter["name"]) {
                "from" | "period_from" => "2025-01-01",
                "to" | "as_of" => "2025-12-31",
                "tax_rate" => "0.25",
                other => panic!("{name} needs {other}, which this test does not know"),
            };
            format!("{}={value}", text(&parameter["name"]))
        };
        // A rollforward takes a period instead of two days.
        let is_needed = |one: &&Value| {
            one["in"] == "query" && (one["required"] == true || ["from", "to"].contains(&text(&one["name"])))
        };
        let needed = array(&operation["parameters"]).iter().filter(is_needed);
        let path = format!("{path}?{}", needed.map(query).collect::<Vec<_>>().join("&"));
        for media in media {
            let answer = service.send(Method::GET, &path, &[("accept", media)], Body::empty()).await;
            let said =
                (answer.status, answer.header("content-type").starts_with(media.as_str()), answer.header("vary"));
            assert_eq!(said, (200, true, "accept"), "{path} as {media}");
            tried += 1;
        }
    }
    assert!(tried >= 27, "{tried} representations");
}

/// A reference to a schema that is not there stops a generator of clients.
#[test]
fn every_reference_leads_somewhere() {
    fn references<'a>(value: &'a Value, found: &mut Vec<&'a str>) {
        match value {
            Value::Object(fields) => {
                found.extend(fields.get("$ref").and_then(Value::as_str));
                fields.values().for_each(|value| references(value, found));
            }
            Value::Array(items) => items.iter().for_each(|value| references(value, found)),
            _ => {}
        }
    }
    let (document, mut found) = (document(), Vec::new());
    references(&document, &mut found);
    assert!(found.len() > 100);
    for reference in found {
        assert!(document.pointer(reference.trim_start_matches('#')).is_some(), "{reference}");
    }
}

/// What the schema lists is what is sent, not what the code calls it.
#[test]
fn names_are_listed_as_they_are_sent() {
    let document = document();
    let schemas = document["components"]["schemas"].as_object().expect("schemas");
    let days = ["30/360", "30U/360", "30E/360", "ACT/ACT-ICMA", "ACT/365F", "ACT/360"];
    assert_eq!(schemas["DayCountName"]["enum"], serde_json::json!(days));
    for (schema, values) in schemas.iter().filter_map(|(name, schema)| Some((name, schema["enum"].as_array()?))) {
        let is_a_variant = |value: &&Value| {
            value.as_str().is_some_and(|text| text.starts_with(char::is_uppercase) && text.contains(char::is_lowercase))
        };
        assert_eq!(values.iter().find(is_a_variant), None, "{schema}");
    }
}
