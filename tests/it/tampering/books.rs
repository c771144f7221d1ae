//! Books with rows in every table.

use serde_json::{Value, json};

use crate::delivery::Desk;
use crate::delivery::receiver::Receiver;
use crate::support::client::{Service, all_accounts, mapping_path, text};

/// An issue to which everything has happened that has a table of its own, beside one that was only accrued.
pub async fn recorded(service: Service) -> Service {
    let mut desk = Desk::open(service).await;
    let service = &desk.service;
    service.post("/v1/entities/ACME/periods/2025-01/close", &json!({})).await.done();
    let issue = service
        .issue(json!({"reference": "CB-2", "isin": "XS000PARWR19", "series": "NOTES", "dated_date": "2025-02-15",
            "settlement_date": "2025-02-15", "maturity_date": "2030-02-15"}))
        .await;
    let bought = json!({"effective_date": "2025-05-20", "principal": "50000.00", "price_percent": "90"});
    service.record(&issue, "repurchases", bought).await;
    let converted =
        |reference: &str, date: &str| json!({"reference": reference, "effective_date": date, "principal": "10000.00"});
    service.record(&issue, "conversions", converted("C-1", "2025-06-10")).await;
    let mistaken = service.record(&issue, "conversions", converted("C-2", "2025-06-20")).await;
    reverse(service, &mistaken).await;
    service.record(&issue, "coupon-payments", json!({"coupon_date": "2025-08-15"})).await;
    let split =
        json!({"effective_date": "2025-09-01", "reason": "split", "shares_before": "1000", "shares_after": "2000"});
    service.record(&issue, "rate-adjustments", split).await;
    let extended = json!({"effective_date": "2025-09-30", "maturity_date": "2030-08-15",
        "conversion_option": {"fair_value_before": "1000.00", "fair_value_after": "1000.00"}});
    service.record(&issue, "modifications", extended).await;
    let surrender = json!({"conversion_date": "2025-10-05", "principal": "5000.00", "reference": "S-1"});
    let surrendered = service.record(&issue, "conversions", surrender).await;
    let settled =
        json!({"surrender": surrendered["event"]["id"], "effective_date": "2025-10-20", "share_price": "51.00"});
    service.record(&issue, "conversions", settled).await;
    let all = json!({"through": "2025-10-31", "reference": "OCTOBER"});
    service.post("/v1/entities/ACME/accruals", &all).await.created();
    // What is moved between accounts is of no event.
    let mut accounts = all_accounts();
    accounts["accounts"]["bonds_payable"]["account"] = json!("2500");
    service.put(&mapping_path("ACME", "2025-11-01"), &accounts).await.done();
    let columns = json!({"columns": [{"field": "number"}, {"field": "debit"}, {"field": "credit"}]});
    service.put("/v1/entities/ACME/layouts/ledger", &columns).await.done();
    let batch = service.batches().await.swap_remove(1);
    let answer = json!({"revision": 1, "status": "acknowledged", "document_number": "17"});
    service.post(&format!("/v1/journal-batches/{}/acknowledgement", text(&batch["id"])), &answer).await.done();
    let mut receiver = Receiver::start().await;
    desk.destination("ledger", &receiver.address).await;
    desk.start();
    receiver.hear_until(newest_release(&desk.service).await).await;
    desk.stop().await;
    desk.service
}

async fn reverse(service: &Service, recorded: &Value) {
    let path = format!("/v1/journal-batches/{}/reversal", text(&recorded["journal_batches"][0]["id"]));
    service.post(&path, &json!({"reason": "the notice was withdrawn"})).await.created();
}

async fn newest_release(service: &Service) -> i64 {
    let mut reading = service.store.reading().await.expect("reads");
    reading.reader().entity_head("ACME").await.expect("reads").expect("a head").release
}
