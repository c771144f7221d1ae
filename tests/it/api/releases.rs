//! The feed of releases: a batch with accounts as mapped at one moment.

use std::collections::BTreeMap;

use serde_json::{Map, Value, json};

use crate::support::client::{ROLES, Service, all_accounts, array, assert_fields, mapping_path, on_both_engines, text};
use crate::support::ledger::{canonical_hash, check_batch};

on_both_engines! {
    a_mapped_batch_is_released_when_it_is_posted
    a_batch_waits_for_the_mapping_that_completes_it
    roles_resolve_by_the_mapping_in_force_on_the_posting_date
    a_release_hash_recomputes_from_what_is_answered
    a_release_never_changes
}

async fn a_mapped_batch_is_released_when_it_is_posted(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let answer = service.record(&issue, "accruals", json!({"through": "2025-02-28"})).await;
    let releases = service.releases().await;
    assert_eq!(releases.len(), 3);
    for (release, number) in releases.iter().zip(1..) {
        assert_fields(release, "release batch number revision status released_at totals release_sha256 journal_batch");
        assert_eq!(
            (&release["release"], &release["revision"], &release["status"]),
            (&json!(number), &json!(1), &json!("released"))
        );
        let batch = &release["journal_batch"];
        check_batch(batch);
        for (name, of_batch) in [
            ("batch", "id"),
            ("number", "number"),
            ("totals", "totals"),
            ("release", "release"),
            ("released_at", "recorded_at"),
        ] {
            assert_eq!(release[name], batch[of_batch], "{name}");
        }
        assert_eq!(*batch, service.read(&format!("/v1/journal-batches/{}", text(&release["batch"]))).await);
    }
    assert_eq!(releases[1]["journal_batch"], answer["journal_batches"][0]);
    let line = &answer["journal_batches"][0]["entries"][0]["lines"][0];
    assert_eq!((&line["account"], &line["account_name"]), (&json!("1012"), &json!("interest expense")));
}

/// Without an account for additional paid-in capital the conversions wait, and nothing else does.
async fn a_batch_waits_for_the_mapping_that_completes_it(service: Service) {
    service.entity("ACME").await;
    let mut accounts = all_accounts();
    accounts["accounts"].as_object_mut().expect("accounts").remove("additional_paid_in_capital");
    service.put(&mapping_path("ACME", "2025-01-01"), &accounts).await.done();
    let issue = service.issue(json!({})).await;
    let mut waiting = Vec::new();
    for principal in ["1000.00", "2000.00", "3000.00"] {
        let body = json!({"effective_date": "2025-01-15", "principal": principal});
        let answer = service.record(&issue, "conversions", body).await;
        let batch = &answer["journal_batches"][0];
        assert_eq!(batch["status"], json!("ready"));
        assert!(batch.get("release").is_none() && batch["entries"][0]["lines"][0]["account"].is_null(), "{batch}");
        waiting.push(batch.clone());
    }
    service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    assert_eq!(service.releases().await.len(), 2, "the issuance and the accrual");

    // A mapping from a later date completes nothing; the one in force then does, in order of posting.
    service.put(&mapping_path("ACME", "2025-02-01"), &all_accounts()).await.done();
    assert_eq!(service.releases().await.len(), 2);
    service.put(&mapping_path("ACME", "2025-01-02"), &all_accounts()).await.done();
    let releases = service.releases().await;
    let numbers: Vec<_> = releases.iter().map(|release| release["release"].as_u64().expect("a number")).collect();
    assert_eq!(numbers, [1, 2, 3, 4, 5]);
    for (release, batch) in releases[2..].iter().zip(&waiting) {
        assert_eq!((&release["batch"], &release["revision"]), (&batch["id"], &json!(1)));
        assert_eq!(release["journal_batch"]["content_sha256"], batch["content_sha256"], "the batch itself is the same");
        assert_eq!(release["journal_batch"]["status"], json!("released"));
        check_batch(&release["journal_batch"]);
        assert_eq!(
            service.read(&format!("/v1/journal-batches/{}", text(&batch["id"]))).await,
            release["journal_batch"]
        );
    }
    let released_at: Vec<_> = releases[2..].iter().map(|release| text(&release["released_at"])).collect();
    assert!(released_at.iter().all(|time| *time > text(&waiting[2]["recorded_at"])), "{released_at:?}");
    let again = service.put(&mapping_path("ACME", "2025-01-03"), &all_accounts()).await;
    again.done();
    assert_eq!(service.releases().await.len(), 5, "a batch is released once");
}

async fn roles_resolve_by_the_mapping_in_force_on_the_posting_date(service: Service) {
    service.mapped_entity("ACME").await;
    let later = json!({"accounts": ROLES.iter().map(|role| ((*role).to_owned(), json!({"account": "NEW"}))).collect::<Map<_, _>>()});
    service.put(&mapping_path("ACME", "2025-02-01"), &later).await.done();
    let issue = service.issue(json!({})).await;
    let answer = service.record(&issue, "accruals", json!({"through": "2025-02-28"})).await;
    // Between the two the balances move.
    let accounts: Vec<_> = array(&answer["journal_batches"])
        .iter()
        .filter(|batch| batch["entries"][0]["kind"] != json!("reclassification"))
        .map(|batch| text(&batch["entries"][0]["lines"][0]["account"]).to_owned())
        .collect();
    assert_eq!(accounts, ["1012", "NEW"]);
}

/// The accounts of a release as its hash takes them: by role; those of an issue apart where it has its own.
fn accounts_of(batch: &Value, own: &[&str], dimensions: &Value) -> Value {
    let (mut default, mut mine) = (BTreeMap::new(), BTreeMap::new());
    let mut issue = "";
    for entry in array(&batch["entries"]) {
        issue = text(&entry["bond_issue"]);
        for line in array(&entry["lines"]) {
            let role = text(&line["account_role"]);
            let mut account = json!({"account": line["account"]});
            if !line["account_name"].is_null() {
                account["name"] = line["account_name"].clone();
            }
            if own.contains(&role) {
                mine.insert(role, account)
            } else {
                default.insert(role, account)
            };
        }
    }
    let mut accounts = json!({"default": default});
    let mut of_issue = Map::new();
    if !mine.is_empty() {
        of_issue.insert("accounts".into(), json!(mine));
    }
    if !dimensions.is_null() {
        of_issue.insert("dimensions".into(), dimensions.clone());
    }
    if !of_issue.is_empty() {
        accounts["issues"] = json!({issue: of_issue});
    }
    accounts
}

/// SHA-256 over the RFC 8785 canonical form of accounts, batch, content_sha256, number, release and revision.
fn release_hash(release: &Value, accounts: &Value) -> String {
    canonical_hash(&json!({"accounts": accounts, "batch": release["batch"],
        "content_sha256": release["journal_batch"]["content_sha256"], "number": release["number"],
        "release": release["release"], "revision": release["revision"]}))
}

async fn a_release_hash_recomputes_from_what_is_answered(service: Service) {
    service.mapped_entity("ACME").await;
    let plain = service.issue(json!({})).await;
    let dimensions = json!({"desk": "treasury"});
    let other = service.issue(json!({"reference": "CB-2", "dimensions": dimensions})).await;
    let own = json!({"accounts": {"interest_payable": {"account": "2999-1"}}});
    service.put(&format!("{}&bond_issue={other}", mapping_path("ACME", "2025-01-01")), &own).await.done();
    service.record(&plain, "accruals", json!({"through": "2025-01-31"})).await;
    service.record(&other, "accruals", json!({"through": "2025-01-31"})).await;
    let releases = service.releases().await;
    let expected = [
        accounts_of(&releases[0]["journal_batch"], &[], &Value::Null),
        accounts_of(&releases[1]["journal_batch"], &[], &dimensions),
        accounts_of(&releases[2]["journal_batch"], &[], &Value::Null),
        accounts_of(&releases[3]["journal_batch"], &["interest_payable"], &dimensions),
    ];
    assert_eq!(releases.len(), expected.len());
    for (release, accounts) in releases.iter().zip(&expected) {
        assert_eq!(release["release_sha256"], json!(release_hash(release, accounts)), "{accounts}");
    }
}

async fn a_release_never_changes(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let before = service.releases().await;
    service.put(&mapping_path("ACME", "2025-01-01"), &json!({"accounts": {"cash": {"account": "9"}}})).await.done();
    service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    let after = service.releases().await;
    assert_eq!(after, before, "the accrual waits, and what was released stays");
    let batch = service.read(&format!("/v1/journal-batches/{}", text(&before[0]["batch"]))).await;
    assert_eq!(batch, before[0]["journal_batch"]);
}
