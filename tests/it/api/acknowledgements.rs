//! What the ledger answers to a release: posted, or nothing of it; and what is released again.

use std::time::Duration;

use axum::body::Body;
use axum::http::Method;
use serde_json::{Value, json};

use crate::support::client::{
    Service, all_accounts, array, assert_fields, assert_figures, mapping_path, on_both_engines, text,
};
use crate::support::ledger::check_batch;

on_both_engines! {
    a_release_is_acknowledged_once_and_the_same_again_is_answered_as_before
    totals_and_hash_must_be_those_of_the_release
    a_rejected_batch_is_released_again_when_its_accounts_are_mended
    a_rejected_batch_is_released_again_when_it_is_asked_for
    a_reversal_of_what_was_rejected_waits_for_it
    what_is_not_released_or_never_right_is_refused
    open_releases_are_those_without_an_answer
    a_reader_who_waits_gets_the_next_release
    a_preview_of_an_answer_records_nothing
}

fn acknowledgement(batch: &Value) -> String {
    format!("/v1/journal-batches/{}/acknowledgement", text(batch))
}

fn posted() -> Value {
    json!({"revision": 1, "status": "acknowledged", "document_number": "4900000017", "ledger_posting_date": "2025-02-03"})
}

fn rejected() -> Value {
    json!({"revision": 1, "status": "rejected", "reason": "Account 1012 is blocked for posting"})
}

/// An issue and its accrual of January, whose batch is the second of the entity.
async fn accrued(service: &Service) -> (String, Value) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let answer = service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    (issue, answer["journal_batches"][0].clone())
}

async fn a_release_is_acknowledged_once_and_the_same_again_is_answered_as_before(service: Service) {
    let (_, batch) = accrued(&service).await;
    let path = acknowledgement(&batch["id"]);
    let first = service.post(&path, &posted()).await.done();
    assert_fields(
        &first,
        "batch number release revision status document_number ledger_posting_date acknowledged_at totals release_sha256",
    );
    assert_figures(
        &first,
        json!({"batch": batch["id"], "number": batch["number"], "release": 2, "revision": 1, "status": "acknowledged"}),
    );
    let known = service.read("/v1/entities/ACME/releases?after=1").await;
    assert_eq!(service.post(&path, &posted()).await.done(), first, "the same again");
    assert_eq!(service.read("/v1/entities/ACME/releases?after=1").await, known, "it is not released anew");

    let other = json!({"revision": 1, "status": "acknowledged", "document_number": "4900000018"});
    let problem = service.post(&path, &other).await.problem(409, "acknowledged_differently");
    assert_figures(&problem["figures"]["stored"], posted());
    service.post(&path, &rejected()).await.conflict("acknowledged_differently");

    let shown = service.read(&format!("/v1/journal-batches/{}", text(&batch["id"]))).await;
    check_batch(&shown);
    assert_eq!((&shown["status"], &shown["content_sha256"]), (&json!("acknowledged"), &batch["content_sha256"]));
    assert_figures(&shown["acknowledgement"], posted());
    let feed = service.releases().await;
    assert_eq!((&feed[1]["status"], &feed[1]["acknowledgement"]), (&json!("acknowledged"), &shown["acknowledgement"]));
    for (status, expected) in [("acknowledged", 1), ("released", 1), ("rejected", 0), ("ready", 0)] {
        let listed = service.read(&format!("/v1/journal-batches?entity=ACME&status={status}")).await;
        assert_eq!(array(&listed["items"]).len(), expected, "{status}");
    }
    service.verify().await;
}

async fn totals_and_hash_must_be_those_of_the_release(service: Service) {
    let (_, batch) = accrued(&service).await;
    let path = acknowledgement(&batch["id"]);
    let release = service.releases().await.remove(1);
    for (wrong, total) in [
        (json!({"totals": {"entries": 2}}), "entries"),
        (json!({"totals": {"entries": 1, "lines": 3}}), "lines"),
        (json!({"totals": {"debit": "2666.66"}}), "debit"),
        (json!({"totals": {"debit": "2666.67", "credit": "0.01"}}), "credit"),
        (json!({"release_sha256": "00"}), "release_sha256"),
    ] {
        let mut body = posted();
        crate::support::client::change(&mut body, wrong);
        let problem = service.post(&path, &body).await.problem(409, "totals_mismatch");
        assert_eq!(problem["figures"]["total"], json!(total), "{problem}");
    }
    assert_eq!(
        array(&service.read("/v1/entities/ACME/open-releases").await["items"]).len(),
        2,
        "nothing is acknowledged"
    );
    let mut body = posted();
    let hash = &release["release_sha256"];
    crate::support::client::change(&mut body, json!({"totals": release["totals"], "release_sha256": hash}));
    assert_eq!(service.post(&path, &body).await.done()["release_sha256"], *hash);
}

async fn a_rejected_batch_is_released_again_when_its_accounts_are_mended(service: Service) {
    let (_, batch) = accrued(&service).await;
    let path = acknowledgement(&batch["id"]);
    service.post(&path, &rejected()).await.done();
    assert_eq!(service.read(&format!("/v1/journal-batches/{}", text(&batch["id"]))).await["status"], json!("rejected"));

    let mut mended = all_accounts();
    mended["accounts"]["interest_receivable"]["account"] = json!("elsewhere");
    service.put(&mapping_path("ACME", "2025-01-01"), &mended).await.done();
    assert_eq!(service.releases().await.len(), 2, "the accounts of the batch are the same");
    mended["accounts"]["interest_expense"]["account"] = json!("7100");
    service.put(&mapping_path("ACME", "2025-01-01"), &mended).await.done();

    let releases = service.releases().await;
    assert_eq!(releases.len(), 3);
    let again = &releases[2];
    assert_figures(
        again,
        json!({"release": 3, "batch": batch["id"], "number": batch["number"], "revision": 2, "status": "released"}),
    );
    let whole = &again["journal_batch"];
    check_batch(whole);
    assert_eq!(whole["content_sha256"], batch["content_sha256"]);
    assert_eq!(whole["entries"][0]["lines"][0]["account"], json!("7100"));
    assert_eq!(
        (&releases[1]["status"], &releases[1]["revision"]),
        (&json!("rejected"), &json!(1)),
        "the old one stays"
    );

    service.post(&path, &posted()).await.conflict("not_the_newest_revision");
    let repeated = service.post(&path, &rejected()).await.done();
    assert_eq!(repeated["revision"], json!(1), "what was answered before is answered again");
    let mut second = posted();
    second["revision"] = json!(2);
    service.post(&path, &second).await.done();
    second["revision"] = json!(3);
    let problem = service.post(&path, &second).await.problem(409, "not_the_newest_revision");
    assert_eq!(problem["figures"]["newest_revision"], json!(2));
    service.verify().await;
}

async fn a_rejected_batch_is_released_again_when_it_is_asked_for(service: Service) {
    let (_, batch) = accrued(&service).await;
    let again = format!("/v1/journal-batches/{}/release", text(&batch["id"]));
    service.post(&again, &json!({})).await.conflict("not_rejected");
    service.post(&acknowledgement(&batch["id"]), &rejected()).await.done();
    let preview = service.post_with(&format!("{again}?validate_only=true"), &json!({}), &[]).await.done();
    assert_figures(&preview, json!({"revision": 2, "release": null}));
    let answer = service.post(&again, &json!({})).await.created();
    assert_figures(&answer, json!({"number": batch["number"], "release": 3, "revision": 2}));
    assert_eq!(service.releases().await[2]["release_sha256"], answer["release_sha256"]);
    service.post(&again, &json!({})).await.conflict("not_rejected");
}

/// The ledger posted nothing of a conversion: its reversal must not come there first, or alone.
async fn a_reversal_of_what_was_rejected_waits_for_it(service: Service) {
    let (issue, _) = accrued(&service).await;
    let body = json!({"effective_date": "2025-02-10", "principal": "1000.00"});
    let converted = service.record(&issue, "conversions", body).await;
    let batch = array(&converted["journal_batches"]).last().expect("a batch").clone();
    service.post(&acknowledgement(&batch["id"]), &rejected()).await.done();
    let reversal = format!("/v1/journal-batches/{}/reversal", text(&batch["id"]));
    let reversed = service.post(&reversal, &json!({"reason": "Not this issue"})).await.created();
    let inverse = &reversed["journal_batches"][0];
    assert_eq!((&inverse["reverses"], &inverse["status"]), (&batch["id"], &json!("ready")));
    let before = service.releases().await.len();
    service.post(&format!("/v1/journal-batches/{}/release", text(&batch["id"])), &json!({})).await.created();
    let releases = service.releases().await;
    let batches: Vec<_> = releases[before..].iter().map(|release| &release["batch"]).collect();
    assert_eq!(batches, [&batch["id"], &inverse["id"]]);
}

async fn what_is_not_released_or_never_right_is_refused(service: Service) {
    service.entity("ACME").await;
    let issue = service.issue(json!({})).await;
    let answer = service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    let batch = &answer["journal_batches"][0]["id"];
    let path = acknowledgement(batch);
    service.post(&path, &posted()).await.conflict("not_released");
    service.post(&format!("/v1/journal-batches/{}/release", text(batch)), &json!({})).await.conflict("not_released");
    for (body, code, pointer) in [
        (json!({"revision": 1, "status": "rejected"}), "invalid_field", "/reason"),
        (json!({"revision": 1, "status": "rejected", "reason": " "}), "invalid_field", "/reason"),
        (
            json!({"revision": 1, "status": "rejected", "reason": "No", "document_number": "1"}),
            "invalid_field",
            "/document_number",
        ),
        (json!({"revision": 1, "status": "acknowledged", "document_number": ""}), "invalid_field", "/document_number"),
        (json!({"revision": "1", "status": "acknowledged"}), "invalid_field", "/revision"),
        (json!({"revision": 1, "status": "posted"}), "invalid_field", "/status"),
        (json!({"revision": 1, "status": "acknowledged", "totals": {"debit": 1}}), "invalid_field", "/totals/debit"),
        (json!({"revision": 1, "status": "acknowledged", "totals": {"sum": "1"}}), "invalid_field", "/totals/sum"),
        (
            json!({"revision": 1, "status": "acknowledged", "ledger_posting_date": "2025-02-30"}),
            "invalid_field",
            "/ledger_posting_date",
        ),
    ] {
        service.post(&path, &body).await.refused_at(code, pointer);
    }
    let unknown = acknowledgement(&json!("ACME.01890000-0000-7000-8000-000000000000"));
    service.post(&unknown, &posted()).await.problem(404, "not_found");
    service.post_with(&path, &posted(), &[]).await.problem(400, "missing_idempotency_key");
}

async fn open_releases_are_those_without_an_answer(service: Service) {
    let (issue, batch) = accrued(&service).await;
    service.record(&issue, "accruals", json!({"through": "2025-02-28"})).await;
    let path = "/v1/entities/ACME/open-releases";
    let open = service.read(path).await;
    let numbers = |open: &Value| array(&open["items"]).iter().map(|open| open["release"].as_i64()).collect::<Vec<_>>();
    assert_eq!(numbers(&open), [Some(1), Some(2), Some(3)]);
    let second = &open["items"][1];
    assert_fields(second, "release batch number revision currency posting_date released_at open_seconds totals");
    assert_figures(second, json!({"batch": batch["id"], "posting_date": "2025-01-31", "totals": batch["totals"]}));
    assert!(second["open_seconds"].as_i64().is_some_and(|seconds| (0..600).contains(&seconds)), "{second}");
    let known_at = service.read("/v1/entities/ACME/carrying-values?as_of=2025-02-28").await["known_at"].clone();

    service.post(&acknowledgement(&batch["id"]), &posted()).await.done();
    assert_eq!(numbers(&service.read(path).await), [Some(1), Some(3)]);
    let then = service.read(&format!("{path}?known_at={}", text(&known_at))).await;
    assert_eq!(numbers(&then), [Some(1), Some(2), Some(3)], "as was known before the answer");
    let page = service.read(&format!("{path}?limit=1")).await;
    let next = service.read(&format!("{path}?limit=1&cursor={}", text(&page["next_cursor"]))).await;
    assert_eq!((numbers(&page), numbers(&next)), (vec![Some(1)], vec![Some(3)]));
    service.get("/v1/entities/NOBODY/open-releases").await.problem(404, "not_found");
}

/// The reader waits while another records: what it gets is what was recorded, long before its time is over.
async fn a_reader_who_waits_gets_the_next_release(service: Service) {
    let (issue, _) = accrued(&service).await;
    let wait = |after: u32, seconds: &'static str| {
        let (service, path) = (&service, format!("/v1/entities/ACME/releases?after={after}"));
        async move { service.send(Method::GET, &path, &[("prefer", seconds)], Body::empty()).await }
    };
    let there = wait(1, "wait=20").await;
    assert_eq!(there.header("preference-applied"), "wait=20");
    assert_eq!(array(&there.done()["items"]).len(), 1, "what is there is not waited for");
    let nothing = wait(2, "wait=0").await.done();
    assert_eq!(nothing, json!({"items": [], "next_after": 2}));

    let record = service.record(&issue, "accruals", json!({"through": "2025-02-28"}));
    let waited = tokio::time::timeout(Duration::from_secs(15), async { tokio::join!(wait(2, "wait=60"), record).0 });
    let answer = waited.await.expect("it is told of the commit");
    assert_eq!(answer.header("preference-applied"), "wait=20");
    assert_eq!(answer.done()["next_after"], json!(3));
}

async fn a_preview_of_an_answer_records_nothing(service: Service) {
    let (_, batch) = accrued(&service).await;
    let path = acknowledgement(&batch["id"]);
    let preview = service.preview(&path, &posted()).await.done();
    assert_figures(&preview, json!({"status": "acknowledged", "acknowledged_at": null}));
    assert_eq!(array(&service.read("/v1/entities/ACME/open-releases").await["items"]).len(), 2);
    service.preview(&path, &json!({"revision": 2, "status": "acknowledged"})).await.conflict("not_the_newest_revision");
}
