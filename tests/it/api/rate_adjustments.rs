//! Adjustments of the conversion rate: no entry, and other shares from their date on.

use serde_json::json;

use super::conversions::last_batch;
use crate::support::client::{Service, assert_fields, assert_figures, change, on, on_both_engines};
use crate::support::ledger::lines;

on_both_engines! {
    a_split_changes_rate_and_par_value_from_its_date_on
    adjustments_follow_one_another
    a_stated_rate_and_an_inducement_use_the_rate_in_force
    figures_that_contradict_the_reason_are_refused
    a_rate_that_conversions_rest_on_stays
    a_rate_that_an_acceptance_was_measured_at_stays
}

/// 20 shares of par 0.01 a bond of 1,000 become 40 of par 0.005 on 2025-07-01.
async fn a_split_changes_rate_and_par_value_from_its_date_on(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let before = service.batches().await.len();
    let split = json!({"effective_date": "2025-07-01", "reason": "split", "shares_before": "10000000",
        "shares_after": "20000000", "share_par_value": "0.005", "reference": "SPLIT-1"});
    let preview = service.preview(&on(&issue, "rate-adjustments"), &split).await.done();
    let answer = service.record(&issue, "rate-adjustments", split.clone()).await;
    assert_fields(&answer, "event position_before position_after rate_adjustment journal_batches");
    assert_eq!(answer["journal_batches"], json!([]));
    assert_eq!(preview["rate_adjustment"], answer["rate_adjustment"]);
    assert_eq!(
        answer["rate_adjustment"],
        json!({"reason": "split", "shares_per_denomination_before": "20", "shares_per_denomination": "40",
            "share_par_value": "0.005"})
    );
    assert_eq!(service.batches().await.len(), before);
    service.post(&on(&issue, "rate-adjustments"), &split).await.conflict("reference_in_use");

    let convert = |date: &str| json!({"effective_date": date, "principal": "100000.00"});
    let old = service.record(&issue, "conversions", convert("2025-06-30")).await;
    assert_figures(&old["conversion"], json!({"shares_issued": "2000", "common_stock": "20.00"}));
    let new = service.record(&issue, "conversions", convert("2025-07-01")).await;
    assert_figures(&new["conversion"], json!({"shares_issued": "4000", "common_stock": "20.00"}));
    assert!(lines(last_batch(&new)).contains(&("common_stock", "credit", "20.00")));
    assert_eq!(service.carrying_value(&issue, "2025-07-01").await["status"], json!("tied"));
}

/// 20 x 2 = 40; then 40 x 24 / (24 - 0.40) = 40.678 rounded to four decimals: 40.6780.
async fn adjustments_follow_one_another(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let split = json!({"effective_date": "2025-07-01", "reason": "split", "shares_before": "1", "shares_after": "2"});
    service.record(&issue, "rate-adjustments", split).await;
    let dividend = json!({"effective_date": "2025-07-01", "reason": "cash_dividend", "market_price": "24",
        "dividend_per_share": "0.40"});
    let answer = service.record(&issue, "rate-adjustments", dividend).await;
    assert_figures(
        &answer["rate_adjustment"],
        json!({"shares_per_denomination_before": "40", "shares_per_denomination": "40.678", "share_par_value": "0.01"}),
    );
    let body = json!({"effective_date": "2025-08-01", "principal": "500000.00"});
    let answer = service.record(&issue, "conversions", body).await;
    assert_figures(&answer["conversion"], json!({"shares_issued": "20339", "common_stock": "203.39"}));
}

/// What existing terms give is 25 shares a bond: the offer of 26 at 50.00 costs one share a bond, 50.00 for each of 100.
async fn a_stated_rate_and_an_inducement_use_the_rate_in_force(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let stated = json!({"effective_date": "2025-03-01", "reason": "other", "shares_per_denomination": "25"});
    service.record(&issue, "rate-adjustments", stated).await;
    let offer = json!({"acceptance_date": "2025-04-01", "effective_date": "2025-04-01", "principal": "100000.00",
        "acceptance_share_price": "50.00", "new_shares_per_denomination": "26",
        "criteria": {"limited_time": true, "preserves_form_and_amount": true, "substantive_at_issuance": true,
            "substantive_at_acceptance": true}});
    let answer = service.record(&issue, "inducements", offer).await;
    assert_figures(
        &answer["inducement"],
        json!({"expense": "5000.00", "fair_value_transferred": "130000.00", "fair_value_existing_terms": "125000.00"}),
    );
}

async fn figures_that_contradict_the_reason_are_refused(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let split = json!({"effective_date": "2025-07-01", "reason": "split", "shares_before": "1", "shares_after": "2"});
    for (changes, code, pointer) in [
        (json!({"shares_after": "0.5"}), "invalid_field", "/reason"),
        (json!({"reason": "reverse_split"}), "invalid_field", "/reason"),
        (json!({"shares_after": null}), "invalid_field", "/shares_after"),
        (json!({"shares_before": "0"}), "invalid_field", "/shares_before"),
        (json!({"market_price": "3"}), "invalid_field", "/market_price"),
        (json!({"shares_per_denomination": "40"}), "invalid_field", "/shares_before"),
        (json!({"reason": "other"}), "invalid_field", "/shares_per_denomination"),
        (json!({"share_par_value": "-1"}), "invalid_field", "/share_par_value"),
        (json!({"effective_date": "2025-01-14"}), "before_settlement", "/effective_date"),
        (
            json!({"reason": "distribution", "shares_before": null, "shares_after": null, "market_price": "2",
                "fair_value_per_share": "2"}),
            "invalid_field",
            "/market_price",
        ),
    ] {
        let mut body = split.clone();
        change(&mut body, changes);
        let detail = service.post(&on(&issue, "rate-adjustments"), &body).await.refused_at(code, pointer);
        assert!(detail.len() > 25, "{detail}");
    }
    let straight = service.issue(json!({"reference": "SN", "conversion": null})).await;
    service.post(&on(&straight, "rate-adjustments"), &split).await.problem(422, "no_conversion_terms");
    let answer =
        service.record(&issue, "conversions", json!({"effective_date": "2025-07-01", "principal": "1000.00"})).await;
    assert_figures(&answer["conversion"], json!({"shares_issued": "20"}));
}

async fn a_rate_that_conversions_rest_on_stays(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    service.record(&issue, "conversions", json!({"effective_date": "2025-08-01", "principal": "1000.00"})).await;
    let split =
        |date: &str| json!({"effective_date": date, "reason": "split", "shares_before": "1", "shares_after": "2"});
    let path = on(&issue, "rate-adjustments");
    for date in ["2025-07-01", "2025-08-01"] {
        let detail = service.post(&path, &split(date)).await.conflict("later_event_in_the_way");
        assert!(detail.contains("2025-08-01"), "{detail}");
    }
    service.record(&issue, "rate-adjustments", split("2025-08-02")).await;
    let detail = service.post(&path, &split("2025-08-01")).await.conflict("later_event_in_the_way");
    assert!(detail.contains("2025-08-01"), "{detail}");
}

/// The expense of an acceptance that waits for its settlement was measured at the rate in force on its date.
async fn a_rate_that_an_acceptance_was_measured_at_stays(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let accepted = json!({"acceptance_date": "2025-04-01", "principal": "100000.00", "acceptance_share_price": "50.00",
        "new_shares_per_denomination": "26",
        "criteria": {"limited_time": true, "preserves_form_and_amount": true, "substantive_at_issuance": true,
            "substantive_at_acceptance": true}});
    service.record(&issue, "inducements", accepted).await;
    let stated = |date: &str| json!({"effective_date": date, "reason": "other", "shares_per_denomination": "25"});
    let detail = service.post(&on(&issue, "rate-adjustments"), &stated("2025-03-01")).await;
    let detail = detail.conflict("later_event_in_the_way");
    assert!(detail.contains("2025-04-01"), "{detail}");
    service.record(&issue, "rate-adjustments", stated("2025-04-02")).await;
}
