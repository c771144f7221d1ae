//! CSV layouts as they are stored: versions, names, and what is wrong with one.

use parwright::audit::verify::verify;
use serde_json::{Value, json};

use crate::support::client::{Service, assert_fields, assert_figures, change, items, on_both_engines, text};

on_both_engines! {
    a_layout_that_changes_becomes_the_next_version_and_an_earlier_one_stays
    what_is_not_stated_is_answered_with_its_default
    layouts_are_listed_by_name_in_their_newest_versions
    a_layout_is_recorded_in_the_chain
    a_layout_belongs_to_its_entity
    a_wrong_layout_says_where_and_what_to_change
    a_delimiter_that_is_the_decimal_mark_needs_quotes
}

const LAYOUTS: &str = "/v1/entities/ACME/layouts";

fn path(name: &str) -> String {
    format!("{LAYOUTS}/{name}")
}

fn layout(changes: Value) -> Value {
    let mut layout =
        json!({"columns": [{"header": "No.", "field": "number"}, {"field": "debit"}, {"field": "credit"}]});
    change(&mut layout, changes);
    layout
}

async fn sequence(service: &Service) -> i64 {
    let mut reading = service.store.reading().await.expect("reads");
    reading.reader().entity_head("ACME").await.expect("reads").expect("a head").sequence
}

async fn a_layout_that_changes_becomes_the_next_version_and_an_earlier_one_stays(service: Service) {
    service.entity("ACME").await;
    let first = service.put(&path("ledger"), &layout(json!({}))).await.done();
    assert_fields(&first, "name version recorded_at layout");
    assert_figures(&first, json!({"name": "ledger", "version": 1}));
    let before = sequence(&service).await;
    // The same again, and what it was answered with.
    for same in [layout(json!({})), layout(json!({"header": true, "decimal_mark": "."})), first["layout"].clone()] {
        assert_eq!(service.put(&path("ledger"), &same).await.done(), first);
    }
    assert_eq!(sequence(&service).await, before, "nothing was recorded");
    let second = service.put(&path("ledger"), &layout(json!({"delimiter": "tab"}))).await.done();
    assert_figures(&second, json!({"version": 2}));
    // An earlier layout stored again is the newest then.
    let third = service.put(&path("ledger"), &layout(json!({}))).await.done();
    assert_figures(&third, json!({"version": 3, "layout": first["layout"].clone()}));
    assert_eq!(service.read(&path("ledger")).await, third);
    for (version, stored) in [(1, &first), (2, &second), (3, &third)] {
        assert_eq!(service.read(&format!("{}?version={version}", path("ledger"))).await, *stored);
    }
    service.get(&format!("{}?version=4", path("ledger"))).await.problem(404, "not_found");
    service.get(&format!("{}?version=0", path("ledger"))).await.problem(404, "not_found");
    service.get(&format!("{}?version=-1", path("ledger"))).await.problem(400, "malformed_query");
    service.get(&path("other")).await.problem(404, "not_found");
}

async fn what_is_not_stated_is_answered_with_its_default(service: Service) {
    service.entity("ACME").await;
    let stored = service.put(&path("ledger"), &layout(json!({}))).await.done();
    let mut expected = layout(json!({}));
    change(
        &mut expected,
        json!({"decimal_mark": ".", "date_pattern": "YYYY-MM-DD", "delimiter": "comma", "quoting": "where_needed", "header": true,
            "line_end": "crlf", "encoding": "utf-8", "byte_order_mark": false, "formula_text": "apostrophe"}),
    );
    assert_eq!(stored["layout"], expected);
}

async fn layouts_are_listed_by_name_in_their_newest_versions(service: Service) {
    service.entity("ACME").await;
    assert_eq!(items(&service.read(LAYOUTS).await), [Value::Null; 0]);
    for name in ["b", "a-2", "c_3", "a"] {
        service.put(&path(name), &layout(json!({}))).await.done();
    }
    service.put(&path("b"), &layout(json!({"header": false}))).await.done();
    let names = |page: &Value| items(page).iter().map(|item| text(&item["name"]).to_owned()).collect::<Vec<_>>();
    let all = service.read(LAYOUTS).await;
    assert_eq!(names(&all), ["a", "a-2", "b", "c_3"]);
    assert_eq!(items(&all)[2], service.read(&path("b")).await);
    // What is stored later is not on the pages of a list that was begun before.
    let first = service.read(&format!("{LAYOUTS}?limit=2")).await;
    service.put(&path("b"), &layout(json!({"delimiter": "tab"}))).await.done();
    service.put(&path("b-2"), &layout(json!({}))).await.done();
    let rest = service.read(&format!("{LAYOUTS}?limit=2&cursor={}", text(&first["next_cursor"]))).await;
    assert_eq!([items(&first), items(&rest)].concat(), items(&all));
    assert!(rest["next_cursor"].is_null());
    service.get(&format!("{LAYOUTS}?cursor=zzz")).await.problem(400, "malformed_query");
    service.get("/v1/entities/NOBODY/layouts").await.problem(404, "not_found");
}

async fn a_layout_is_recorded_in_the_chain(service: Service) {
    service.entity("ACME").await;
    let before = sequence(&service).await;
    service.put(&path("ledger"), &layout(json!({}))).await.done();
    let mut reading = service.store.reading().await.expect("reads");
    let records = reading.reader().records("ACME", before, 10).await.expect("reads");
    drop(reading);
    let [record] = records.as_slice() else { panic!("one record: {records:?}") };
    assert_eq!((record.kind.as_str(), record.subject.as_str(), record.sequence), ("layout", "ledger", before + 1));
    assert!(verify(&service.store).await.expect("reads").is_sound());
}

async fn a_layout_belongs_to_its_entity(service: Service) {
    service.entity("ACME").await;
    service.entity("BETA").await;
    service.put(&path("ledger"), &layout(json!({}))).await.done();
    service.get("/v1/entities/BETA/layouts/ledger").await.problem(404, "not_found");
    assert_eq!(items(&service.read("/v1/entities/BETA/layouts").await), [Value::Null; 0]);
    let own = service.put("/v1/entities/BETA/layouts/ledger", &layout(json!({"header": false}))).await.done();
    assert_figures(&own, json!({"version": 1}));
    assert_eq!(service.read(&path("ledger")).await["layout"]["header"], json!(true));
    service.put("/v1/entities/NOBODY/layouts/ledger", &layout(json!({}))).await.problem(404, "not_found");
    for name in ["Ledger", "a.b", "%20", "l%C3%A9dger", &"a".repeat(41)] {
        let detail = service.put(&path(name), &layout(json!({}))).await.refused_at("invalid_field", "/name");
        assert!(detail.contains("1 to 40 of a-z"), "{detail}");
    }
}

async fn a_wrong_layout_says_where_and_what_to_change(service: Service) {
    service.entity("ACME").await;
    let amount = json!({"field": "amount"});
    let columns = |more: Value| json!({"columns": [{"field": "debit"}, {"field": "credit"}, more]});
    for (changes, pointer, hint) in [
        (json!({"columns": null}), "/columns", "required and missing"),
        (json!({"columns": []}), "/columns", "at least one"),
        (json!({"columns": vec![amount.clone(); 201]}), "/columns", "at most 200"),
        (json!({"columns": [["number"]]}), "/columns/0", "expected an object"),
        (columns(json!({"header": "x"})), "/columns/2", "give a field or a constant"),
        (columns(json!({"field": "number", "constant": "x"})), "/columns/2", "remove one of them"),
        (columns(json!({"field": "ammount"})), "/columns/2/field", "expected number, revision, release"),
        (columns(json!({"field": "dimension:"})), "/columns/2/field", "after \"dimension:\""),
        (columns(json!({"field": "dimension:a\u{1}"})), "/columns/2/field", "control characters"),
        (columns(json!({"field": "debit"})), "/columns/2/header", "give this one another"),
        (columns(json!({"constant": "two\nlines"})), "/columns/2/constant", "control characters"),
        (columns(json!({"constant": "x".repeat(201)})), "/columns/2/constant", "shorten it"),
        (columns(json!({"fields": "number"})), "/columns/2/fields", "there is no field"),
        (columns(amount.clone()), "/columns", "keep the signed amount, or debit and credit"),
        (json!({"columns": [{"field": "number"}]}), "/columns", "add debit and credit, or one signed amount"),
        (json!({"columns": [{"field": "debit"}]}), "/columns", "credits would be lost"),
        (json!({"columns": [{"field": "credit"}]}), "/columns", "debits would be lost"),
        (json!({"amount_sign": "debit_positive"}), "/amount_sign", "remove it"),
        (
            json!({"amount_sign": "positive", "columns": [amount.clone()]}),
            "/amount_sign",
            "expected \"debit_positive\" or",
        ),
        (json!({"decimal_mark": ","}), "/decimal_mark", "set quoting to \"always\""),
        (json!({"decimal_mark": "'"}), "/decimal_mark", "expected \".\" or \",\""),
        (json!({"date_pattern": "DD.MM"}), "/date_pattern", "once each"),
        (json!({"date_pattern": "DD MMM YYYY"}), "/date_pattern", "write year (YYYY or YY)"),
        (json!({"date_pattern": "YYYY-MM-DDTHH"}), "/date_pattern", "write year (YYYY or YY)"),
        (json!({"delimiter": ";"}), "/delimiter", "expected \"comma\" or \"semicolon\" or \"tab\" or \"pipe\""),
        (json!({"quoting": true}), "/quoting", "expected"),
        (json!({"line_end": "cr"}), "/line_end", "expected \"crlf\" or \"lf\""),
        (json!({"encoding": "latin1"}), "/encoding", "expected \"utf-8\" or \"iso-8859-1\""),
        (json!({"encoding": "iso-8859-1", "byte_order_mark": true}), "/byte_order_mark", "set it to false"),
        (json!({"replacement": "?"}), "/replacement", "remove it"),
        (json!({"encoding": "iso-8859-1", "replacement": "??"}), "/replacement", "one character"),
        (json!({"encoding": "iso-8859-1", "replacement": "€"}), "/replacement", "of ISO 8859-1"),
        (json!({"encoding": "iso-8859-1", "replacement": "="}), "/replacement", "none of ="),
        (json!({"formula_text": "kept"}), "/formula_text", "expected \"apostrophe\" or \"raw\""),
        (json!({"sheet": "1"}), "/sheet", "there is no field"),
    ] {
        let detail = service.put(&path("ledger"), &layout(changes.clone())).await.refused_at("invalid_field", pointer);
        assert!(detail.contains(hint), "{changes}: {detail}");
    }
    let mut euro = columns(json!({"header": "€", "constant": "x"}));
    euro["encoding"] = json!("iso-8859-1");
    let detail =
        service.put(&path("ledger"), &layout(euro.clone())).await.refused_at("invalid_field", "/columns/2/header");
    assert!(detail.contains("'€'"), "{detail}");
    service.get(&path("ledger")).await.problem(404, "not_found");
    euro["replacement"] = json!("?");
    service.put(&path("ledger"), &layout(euro)).await.done();
}

async fn a_delimiter_that_is_the_decimal_mark_needs_quotes(service: Service) {
    service.entity("ACME").await;
    service.put(&path("a"), &layout(json!({"decimal_mark": ",", "quoting": "always"}))).await.done();
    service.put(&path("b"), &layout(json!({"decimal_mark": ",", "delimiter": "semicolon"}))).await.done();
    // Everything that is wrong is said at once.
    let twice = json!({"decimal_mark": ",", "replacement": "?", "date_pattern": ""});
    let problem = service.put(&path("c"), &layout(twice)).await.problem(422, "invalid_field");
    let pointers: Vec<&str> =
        problem["errors"].as_array().expect("errors").iter().map(|one| text(&one["pointer"])).collect();
    assert_eq!(pointers, ["/decimal_mark", "/date_pattern", "/replacement"]);
}
