//! The checked-in document of the interface is the one that the service serves.

use parwright::service;
use serde_json::Value;

#[test]
fn the_checked_in_document_is_the_one_that_is_served() {
    let checked_in = include_str!("../../openapi/v1.json");
    let served = service::openapi().expect("a document");
    assert!(checked_in == served, "openapi/v1.json has drifted; write it anew: cargo run -- openapi > openapi/v1.json");
}

#[test]
fn every_operation_is_named_once_and_documents_its_problems() {
    let document: Value = serde_json::from_str(&service::openapi().expect("a document")).expect("JSON");
    let mut names = Vec::new();
    for (path, item) in document["paths"].as_object().expect("paths") {
        for (method, operation) in item.as_object().expect("operations") {
            let name =
                operation["operationId"].as_str().unwrap_or_else(|| panic!("{method} {path} has no operationId"));
            names.push(name.to_owned());
            if path.starts_with("/v1/") {
                let responses = operation["responses"].as_object().expect("responses");
                for status in ["400", "401", "404", "500"] {
                    assert!(
                        responses.contains_key(status) || !path.contains('{') && status == "404",
                        "{method} {path}: {status}"
                    );
                }
            }
        }
    }
    assert!(names.len() >= 19, "{names:?}");
    let mut once = names.clone();
    once.sort_unstable();
    once.dedup();
    assert_eq!(once.len(), names.len(), "an operationId is used twice: {names:?}");
}
