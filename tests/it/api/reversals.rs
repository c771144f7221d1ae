//! Reversals: the inverse of what was posted, then what follows from the event not having happened.

use serde_json::{Value, json};

use super::conversions::last_batch;
use super::inducements::all_met;
use crate::support::client::{
    ISSUES, Service, all_accounts, array, assert_fields, assert_figures, items, mapping_path, on, on_both_engines,
    terms, text,
};
use crate::support::ledger::{lines, lines_of};

on_both_engines! {
    a_conversion_is_taken_back_with_what_its_bonds_would_have_cost_since
    batches_and_events_are_linked_both_ways
    an_event_is_reversed_once_and_accruals_and_reversals_never
    a_coupon_that_was_paid_without_the_bonds_comes_first
    a_coupon_payment_is_taken_back_and_paid_again
    a_receivable_goes_with_the_conversion_that_brought_it
    an_issuance_is_voided_after_everything_that_rests_on_it
    an_acceptance_waits_for_the_reversal_of_its_settlement
    on_a_posting_date_everything_is_posted_then
    the_rollforward_shows_what_was_reversed_of_which_movement
    a_reversal_is_released_after_its_original
    a_preview_is_what_is_posted_and_a_repetition_is_answered_alike
    a_rate_may_change_again_when_no_conversion_rests_on_it
    an_offer_accepted_before_its_bonds_convert_is_reversed_as_one
    a_close_between_the_30th_and_the_31st_ties_after_a_late_reversal
}

fn reversal(batch: &Value) -> String {
    format!("/v1/journal-batches/{}/reversal", text(&batch["id"]))
}

async fn reverse(service: &Service, batch: &Value, body: Value) -> Value {
    service.post(&reversal(batch), &body).await.created()
}

fn because() -> Value {
    json!({"reason": "Recorded for the wrong holder"})
}

fn conversion(date: &str) -> Value {
    json!({"effective_date": date, "principal": "100000.00", "reference": "CONV-1"})
}

/// 35 days of 6% on 100,000, 583.33, were forfeited on 20 February; to the close of February it is 46 days and 766.67, to that of
/// March 76 and 1,266.67.
async fn a_conversion_is_taken_back_with_what_its_bonds_would_have_cost_since(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let converted = service.record(&issue, "conversions", conversion("2025-02-20")).await;
    service.record(&issue, "accruals", json!({"through": "2025-03-31"})).await;
    let answer = reverse(&service, last_batch(&converted), because()).await;
    assert_fields(&answer, "event position_before position_after reversal journal_batches");
    assert_figures(&answer["event"], json!({"kind": "reversal", "effective_date": "2025-02-20"}));
    assert_eq!(
        answer["reversal"],
        json!({"reversed_event": converted["event"]["id"], "reversed_kind": "conversion",
            "reason": "Recorded for the wrong holder"})
    );
    assert_figures(&answer["position_before"], json!({"principal": "900000.00", "interest_accrued": "5250.00"}));
    assert_figures(&answer["position_after"], json!({"principal": "1000000.00", "interest_accrued": "5833.33"}));
    let batches = array(&answer["journal_batches"]);
    let dates: Vec<&str> = batches.iter().map(|batch| text(&batch["posting_date"])).collect();
    assert_eq!(dates, ["2025-02-20", "2025-02-28", "2025-03-31"]);
    let mut expected: Vec<_> = lines_of(last_batch(&converted), "conversion")
        .into_iter()
        .map(|(role, side, amount)| (role, if side == "debit" { "credit" } else { "debit" }, amount))
        .collect();
    let mut found = lines(&batches[0]);
    expected.sort_unstable();
    found.sort_unstable();
    assert_eq!(found, expected);
    for (batch, amount) in [(&batches[1], "183.34"), (&batches[2], "500.00")] {
        let expected = [("interest_expense", "debit", amount), ("interest_payable", "credit", amount)];
        assert_eq!(lines_of(batch, "catch_up"), expected);
    }
    for as_of in ["2025-02-19", "2025-02-20", "2025-02-28", "2025-03-31", "2025-07-15"] {
        let value = service.carrying_value(&issue, as_of).await;
        assert_figures(&value, json!({"principal": "1000000.00", "status": "tied", "reconciling_items": []}));
    }
    let balance = service.read("/v1/entities/ACME/trial-balance?as_of=2025-03-31").await;
    let of = |role: &str| array(&balance["rows"]).iter().find(|row| row["account_role"] == json!(role)).cloned();
    for (role, amount) in
        [("common_stock", "0.00"), ("additional_paid_in_capital", "0.00"), ("interest_expense", "12666.67")]
    {
        assert_eq!(of(role).expect("a row")["balance"], json!(amount), "{role}");
    }
    // Its reference is free again, and the same conversion may be recorded on another date.
    service.record(&issue, "conversions", conversion("2025-04-15")).await;
}

async fn batches_and_events_are_linked_both_ways(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let converted = service.record(&issue, "conversions", conversion("2025-02-20")).await;
    let original = last_batch(&converted);
    let answer = reverse(&service, original, because()).await;
    let by = &answer["journal_batches"][0];
    assert_eq!(by["reverses"], original["id"]);
    let get = async |batch: &Value| service.read(&format!("/v1/journal-batches/{}", text(&batch["id"]))).await;
    assert_eq!(get(original).await["reversed_by"], by["id"]);
    assert_eq!(get(by).await, *by);
    // The batch of January held its accrual alone, which stays.
    let january = &converted["journal_batches"][0];
    assert_eq!(get(january).await["reversed_by"], Value::Null);
    assert!(service.batches().await.iter().any(|batch| batch["reversed_by"] == by["id"]));
    let events = items(&service.read(&on(&issue, "events")).await);
    assert_eq!(events[1]["reversed_by"], answer["event"]["id"]);
    assert_eq!(events[2]["detail"]["reversal"]["reversed_event"], converted["event"]["id"]);
    assert_eq!(events[2]["detail"]["request"], because());
    // As it was known before, it was not reversed.
    let then = text(&converted["event"]["recorded_at"]);
    let events = items(&service.read(&format!("{}?known_at={then}", on(&issue, "events"))).await);
    assert_eq!((events.len(), events[1].get("reversed_by")), (2, None));
    service.verify().await;
}

async fn an_event_is_reversed_once_and_accruals_and_reversals_never(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let accrued = service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    let converted = service.record(&issue, "conversions", conversion("2025-03-20")).await;
    let before = service.batches().await;
    for (body, pointer) in [
        (json!({"reason": " "}), "/reason"),
        (json!({}), "/reason"),
        (json!({"reason": "x", "posting_date": "2025-03-19"}), "/posting_date"),
        (json!({"reason": "x", "effective_date": "2025-03-20"}), "/effective_date"),
    ] {
        service.post(&reversal(last_batch(&converted)), &body).await.refused_at("invalid_field", pointer);
    }
    // Batches of accruals alone: one by itself, and one that the conversion brought with it.
    for batch in [last_batch(&accrued), &converted["journal_batches"][0]] {
        service.post(&reversal(batch), &because()).await.problem(422, "not_reversible");
    }
    let nothing = json!({"id": "ACME.0199a3f2-7c00-7000-8000-000000000001"});
    service.post(&reversal(&nothing), &because()).await.problem(404, "not_found");
    assert_eq!(service.batches().await, before);

    let answer = reverse(&service, last_batch(&converted), because()).await;
    let after = service.batches().await;
    let detail = service.post(&reversal(last_batch(&converted)), &because()).await.conflict("already_reversed");
    assert!(detail.contains(text(&answer["event"]["id"])), "{detail}");
    service.post(&reversal(&answer["journal_batches"][0]), &because()).await.problem(422, "not_reversible");
    assert_eq!(service.batches().await, after);
}

/// On 900,000 a coupon of 27,000 was paid; with the bonds back it would have been 30,000.
async fn a_coupon_that_was_paid_without_the_bonds_comes_first(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let converted = service.record(&issue, "conversions", conversion("2025-02-20")).await;
    let paid = service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    let before = service.batches().await;
    let detail = service.post(&reversal(last_batch(&converted)), &because()).await.conflict("later_event_in_the_way");
    assert!(detail.contains("coupon_payment of 2025-07-15"), "{detail}");
    assert_eq!(service.batches().await, before);
    reverse(&service, last_batch(&paid), because()).await;
    reverse(&service, last_batch(&converted), because()).await;
    let again = service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    assert_eq!(again["coupon_payment"]["amount"], json!("30000.00"));
    let value = service.carrying_value(&issue, "2025-07-15").await;
    assert_figures(&value, json!({"interest_payable": "0.00", "interest_receivable": "0.00", "status": "tied"}));
}

async fn a_coupon_payment_is_taken_back_and_paid_again(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let pay = json!({"coupon_date": "2025-07-15", "paid_on": "2025-07-17", "reference": "COUPON-1"});
    let paid = service.record(&issue, "coupon-payments", pay.clone()).await;
    service.post(&on(&issue, "coupon-payments"), &pay).await.conflict("coupon_already_paid");
    let answer = reverse(&service, last_batch(&paid), because()).await;
    let expected = [("cash", "debit", "30000.00"), ("interest_payable", "credit", "30000.00")];
    assert_eq!(lines(&answer["journal_batches"][0]), expected);
    let value = service.carrying_value(&issue, "2025-07-31").await;
    assert_figures(&value, json!({"interest_due": "30000.00", "status": "tied", "overdue": true}));
    service.record(&issue, "coupon-payments", pay).await;
    let value = service.carrying_value(&issue, "2025-07-31").await;
    assert_figures(&value, json!({"interest_due": "0.00", "status": "tied", "overdue": null}));
}

/// The coupon was paid on all bonds before some turned out to have converted: 3,000 were receivable, and are not any more.
async fn a_receivable_goes_with_the_conversion_that_brought_it(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-07-15"})).await;
    let converted = service.record(&issue, "conversions", conversion("2025-04-15")).await;
    let value = service.carrying_value(&issue, "2025-07-15").await;
    assert_figures(&value, json!({"interest_receivable": "3000.00", "status": "tied"}));
    reverse(&service, &converted["journal_batches"][0], because()).await;
    for as_of in ["2025-04-15", "2025-04-30", "2025-07-15", "2025-12-31"] {
        let value = service.carrying_value(&issue, as_of).await;
        assert_figures(&value, json!({"principal": "1000000.00", "interest_receivable": "0.00", "status": "tied"}));
    }
}

/// Issued at 1,020,000 with 5,000 received for interest where 5,000.00 was not what had accrued (7 days: 1,166.67).
async fn an_issuance_is_voided_after_everything_that_rests_on_it(service: Service) {
    service.mapped_entity("ACME").await;
    let changes = json!({"settlement_date": "2025-01-22", "proceeds": "1020000.00", "issue_costs": "9000.00",
        "accrued_interest_received": "5000.00"});
    let body = terms(changes);
    let issued = service.post(ISSUES, &body).await.created();
    let issue = text(&issued["id"]).to_owned();
    let converted = service.record(&issue, "conversions", conversion("2025-02-20")).await;
    service.record(&issue, "accruals", json!({"through": "2025-04-30"})).await;
    let batch = last_batch(&issued);
    let detail = service.post(&reversal(batch), &because()).await.conflict("later_event_in_the_way");
    assert!(detail.contains("conversion of 2025-02-20"), "{detail}");
    reverse(&service, last_batch(&converted), because()).await;
    // An adjustment of the rate has no batch, and is no hindrance.
    let split = json!({"effective_date": "2025-03-01", "reason": "split", "shares_before": "1", "shares_after": "2"});
    service.record(&issue, "rate-adjustments", split).await;

    let answer = reverse(&service, batch, because()).await;
    assert_figures(&answer["position_after"], json!({"carrying_amount": "0.00", "interest_payable": "0.00"}));
    for as_of in ["2025-01-22", "2025-01-31", "2025-02-20", "2025-04-30", "2026-01-15"] {
        let value = service.carrying_value(&issue, as_of).await;
        assert_figures(&value, json!({"carrying_amount": "0.00", "interest_payable": "0.00", "status": "tied"}));
        // Interest is taken back at closes: on 20 February that of February is still booked, and a reconciling item.
        if as_of != "2025-02-20" {
            assert_figures(&value["booked"], json!({"carrying_amount": "0.00", "interest_payable": "0.00"}));
        }
    }
    let balance = service.read("/v1/entities/ACME/trial-balance?as_of=2030-12-31").await;
    assert!(array(&balance["rows"]).iter().all(|row| row["balance"] == json!("0.00")), "{balance}");
    assert_eq!(service.read(&format!("{ISSUES}/{issue}")).await["voided_by"], answer["event"]["id"]);
    let listed = items(&service.read(&format!("{ISSUES}?entity=ACME")).await);
    assert_eq!(listed[0]["voided_by"], answer["event"]["id"]);
    // Nothing is left to do on it, and its reference is free.
    let accrual = service.post(&on(&issue, "accruals"), &json!({"through": "2025-12-31"})).await.done();
    assert_eq!(accrual["journal_batches"], json!([]));
    service.post(&on(&issue, "conversions"), &conversion("2025-06-20")).await.conflict("exceeds_outstanding");
    service.post(&on(&issue, "coupon-payments"), &json!({"coupon_date": "2025-07-15"})).await.conflict("nothing_due");
    service.post(ISSUES, &body).await.created();
}

async fn an_acceptance_waits_for_the_reversal_of_its_settlement(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let body = json!({"acceptance_date": "2025-02-10", "principal": "1000000.00", "cash": "2500.00",
        "criteria": all_met(), "reference": "OFFER-1"});
    let accepted = service.record(&issue, "inducements", body.clone()).await;
    let settle = json!({"acceptance": accepted["event"]["id"], "effective_date": "2025-04-15"});
    let settled = service.record(&issue, "inducements", settle.clone()).await;
    let detail = service.post(&reversal(last_batch(&accepted)), &because()).await.conflict("later_event_in_the_way");
    assert!(detail.contains("inducement of 2025-04-15"), "{detail}");
    reverse(&service, last_batch(&settled), because()).await;
    // The acceptance stands, and may be settled again, or be reversed itself.
    let again = service.record(&issue, "inducements", settle.clone()).await;
    reverse(&service, last_batch(&again), because()).await;
    let answer = reverse(&service, last_batch(&accepted), because()).await;
    let expected = [("accrued_inducement", "debit", "2500.00"), ("debt_conversion_expense", "credit", "2500.00")];
    assert_eq!(lines(&answer["journal_batches"][0]), expected);
    service.post(&on(&issue, "inducements"), &settle).await.conflict("already_reversed");
    // All bonds are free to be accepted anew, under the same reference.
    service.record(&issue, "inducements", body).await;
    let value = service.carrying_value(&issue, "2025-12-31").await;
    assert_figures(&value, json!({"principal": "1000000.00", "status": "tied"}));
}

/// Reversed on 10 April what was converted on 20 February: until then the books do not show it, and the carrying value says so.
async fn on_a_posting_date_everything_is_posted_then(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let converted = service.record(&issue, "conversions", conversion("2025-02-20")).await;
    service.record(&issue, "accruals", json!({"through": "2025-04-30"})).await;
    let body = json!({"reason": "Found at the close", "posting_date": "2025-04-10"});
    let answer = reverse(&service, last_batch(&converted), body).await;
    let batches = array(&answer["journal_batches"]);
    let dates: Vec<&str> = batches.iter().map(|batch| text(&batch["posting_date"])).collect();
    assert_eq!(dates, ["2025-04-10", "2025-04-10", "2025-04-30"]);
    assert_eq!(lines_of(&batches[1], "catch_up").len(), 4);
    let value = service.carrying_value(&issue, "2025-03-31").await;
    assert_figures(&value, json!({"principal": "1000000.00", "status": "tied"}));
    assert_eq!(value["booked"]["principal"], json!("900000.00"));
    assert!(!array(&value["reconciling_items"]).is_empty(), "{value}");
    let value = service.carrying_value(&issue, "2025-04-30").await;
    assert_figures(&value, json!({"principal": "1000000.00", "status": "tied", "reconciling_items": []}));
    assert_eq!(value["booked"]["principal"], json!("1000000.00"));
}

async fn the_rollforward_shows_what_was_reversed_of_which_movement(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let converted = service.record(&issue, "conversions", conversion("2025-02-20")).await;
    let answer = reverse(&service, last_batch(&converted), because()).await;
    let path = "/v1/entities/ACME/rollforward?from=2025-01-01&to=2025-12-31";
    let report = service.read(path).await;
    let total = array(&report["total"]);
    let line = |movement: &str| total.iter().find(|line| line["movement"] == json!(movement)).expect("a line");
    let reversed = line("reversal");
    assert_figures(reversed, json!({"reverses_movement": "conversion", "principal": "100000.00", "shares": "-2000"}));
    assert_eq!(reversed["batches"], json!([answer["journal_batches"][0]["number"]]));
    assert_figures(line("conversion"), json!({"principal": "-100000.00", "shares": "2000"}));
    assert_eq!(line("conversion").get("reverses_movement"), None);
    assert_eq!(line("closing")["principal"], json!("1000000.00"));
    assert!(array(&report["tie_out"]).iter().all(|check| check["passed"] == json!(true)), "{report}");
    let table = service.get(&format!("{path}&format=csv")).await;
    let table = String::from_utf8(table.bytes).expect("UTF-8");
    assert!(table.contains(",reversal,conversion,conversion,100000.00,"), "{table}");
}

/// The conversion waits for an account that its reversal does not need, on the date that it is given.
async fn a_reversal_is_released_after_its_original(service: Service) {
    service.entity("ACME").await;
    let mut accounts = all_accounts();
    accounts["accounts"].as_object_mut().expect("accounts").remove("additional_paid_in_capital");
    service.put(&mapping_path("ACME", "2025-01-01"), &accounts).await.done();
    service.put(&mapping_path("ACME", "2025-03-01"), &all_accounts()).await.done();
    let issue = service.issue(json!({})).await;
    let converted = service.record(&issue, "conversions", conversion("2025-02-20")).await;
    assert_eq!(last_batch(&converted)["status"], json!("ready"));
    let body = json!({"reason": "Withdrawn", "posting_date": "2025-03-10"});
    let answer = reverse(&service, last_batch(&converted), body).await;
    assert_eq!(answer["journal_batches"][0]["status"], json!("ready"));
    service.put(&mapping_path("ACME", "2025-03-02"), &all_accounts()).await.done();
    assert!(service.releases().await.iter().all(|release| release["batch"] != answer["journal_batches"][0]["id"]));
    service.put(&mapping_path("ACME", "2025-01-01"), &all_accounts()).await.done();
    let releases = service.releases().await;
    let place = |batch: &Value| releases.iter().position(|release| release["batch"] == batch["id"]).expect("released");
    assert!(place(last_batch(&converted)) < place(&answer["journal_batches"][0]));
}

async fn a_preview_is_what_is_posted_and_a_repetition_is_answered_alike(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let converted = service.record(&issue, "conversions", conversion("2025-02-20")).await;
    service.record(&issue, "accruals", json!({"through": "2025-03-31"})).await;
    let path = reversal(last_batch(&converted));
    let body = json!({"reason": "Recorded twice", "reference": "REV-1"});
    let preview = service.preview(&path, &body).await.done();
    let hash = text(&preview["preview_sha256"]);
    let headers = [("idempotency-key", "take-back"), ("if-preview-match", hash)];
    let answer = service.post_with(&path, &body, &headers).await.created();
    for (found, seen) in array(&answer["journal_batches"]).iter().zip(array(&preview["journal_batches"])) {
        assert_eq!((lines(found), &found["reverses"]), (lines(seen), &seen["reverses"]));
    }
    let again = service.post_with(&path, &body, &headers).await;
    assert_eq!((again.header("idempotent-replayed"), again.created()), ("true", answer));
}

async fn a_rate_may_change_again_when_no_conversion_rests_on_it(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let converted = service.record(&issue, "conversions", conversion("2025-02-20")).await;
    let split = json!({"effective_date": "2025-02-01", "reason": "split", "shares_before": "1", "shares_after": "2"});
    service.post(&on(&issue, "rate-adjustments"), &split).await.conflict("later_event_in_the_way");
    reverse(&service, last_batch(&converted), because()).await;
    service.record(&issue, "rate-adjustments", split).await;
    let again = service.record(&issue, "conversions", conversion("2025-02-20")).await;
    assert_eq!(again["conversion"]["shares_issued"], json!("4000"));
}

/// The expense was posted on the date of the acceptance, before the event's own.
async fn an_offer_accepted_before_its_bonds_convert_is_reversed_as_one(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let offer = json!({"principal": "5000.00", "acceptance_date": "2025-03-10", "effective_date": "2025-04-20",
        "acceptance_share_price": "55", "new_shares_per_denomination": "22", "cash": "100.00", "criteria": all_met()});
    for through in [None, Some("2025-03-12"), Some("2025-03-31"), Some("2025-05-31")] {
        if let Some(through) = through {
            service.post(&on(&issue, "accruals"), &json!({"through": through})).await;
        }
        let induced = service.record(&issue, "inducements", offer.clone()).await;
        reverse(&service, last_batch(&induced), because()).await;
        for as_of in ["2025-03-10", "2025-03-31", "2025-04-20", "2025-05-31"] {
            let value = service.carrying_value(&issue, as_of).await;
            assert_figures(&value, json!({"principal": "1000000.00", "status": "tied"}));
        }
    }
    let balance = service.read("/v1/entities/ACME/trial-balance?as_of=2025-12-31").await;
    for row in array(&balance["rows"]).iter().filter(|row| row["account_role"] != json!("interest_expense")) {
        let is_debt = ["cash", "bonds_payable", "interest_payable"].contains(&text(&row["account_role"]));
        assert!(is_debt || row["balance"] == json!("0.00"), "{row}");
    }
}

/// 30/360 sees no day between 30 and 31 March: the part of the accrual that ends there posts nothing, and is a close all the same.
async fn a_close_between_the_30th_and_the_31st_ties_after_a_late_reversal(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service
        .issue(json!({"dated_date": "2026-01-31", "settlement_date": "2026-01-31", "maturity_date": "2029-01-31",
            "proceeds": "950000.00"}))
        .await;
    for through in ["2026-03-30", "2026-06-30"] {
        service.record(&issue, "accruals", json!({"through": through})).await;
    }
    let bought = json!({"effective_date": "2026-03-10", "principal": "100000.00", "price_percent": "100"});
    let bought = service.record(&issue, "repurchases", bought).await;
    let late = json!({"reason": "x", "posting_date": "2026-12-12"});
    let path = reversal(&bought["journal_batches"][0]);
    for (posting_date, is_allowed) in [("2030-02-01", false), ("9999-12-31", false)] {
        let answer = service.post(&path, &json!({"reason": "x", "posting_date": posting_date})).await;
        assert_eq!(answer.status == 201, is_allowed);
        answer.refused_at("invalid_field", "/posting_date");
    }
    service.post(&path, &late).await.created();
    for as_of in ["2026-03-10", "2026-03-30", "2026-03-31", "2026-04-15", "2026-04-30", "2026-12-11", "2026-12-12"] {
        assert_eq!(service.carrying_value(&issue, as_of).await["status"], json!("tied"), "{as_of}");
    }
}
