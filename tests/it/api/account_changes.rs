//! A role that is given another account: its balance moves there, so that the ledger's accounts come to zero as the roles do.

use std::collections::{BTreeMap, BTreeSet};

use rust_decimal::Decimal;
use serde_json::{Value, json};

use crate::support::client::{Service, all_accounts, array, change, mapping_path, on, on_both_engines, text};
use crate::support::ledger::{check_batch, figure};

on_both_engines! {
    a_balance_moves_to_the_account_that_its_role_is_given
    what_is_posted_before_an_account_changes_moves_on_behind_it
    a_mapping_from_an_earlier_day_moves_what_was_posted_since
    an_issue_that_is_given_accounts_of_its_own_moves_alone
    a_name_or_a_role_that_is_not_the_debts_moves_nothing
    a_rejected_move_is_replaced_by_the_next_mapping
    a_move_is_not_reversed
    whatever_is_mapped_posted_and_rejected_the_ledger_has_each_role_in_its_account
}

/// The roles whose balances are of the debt alone.
const OF_THE_DEBT: [&str; 9] = [
    "interest_receivable",
    "bonds_payable",
    "premium_on_bonds_payable",
    "discount_on_bonds_payable",
    "debt_issue_costs",
    "current_portion_of_bonds_payable",
    "interest_payable",
    "accrued_inducement",
    "equity_component_of_convertible_bonds",
];

fn with_account(role: &str, account: &str) -> Value {
    let mut mapping = all_accounts();
    mapping["accounts"][role] = json!({"account": account});
    mapping
}

/// Posting date, account and amount, debit positive, of the lines of a role.
fn lines(batches: &Value, role: &str) -> Vec<(String, String, Decimal)> {
    let mut found = Vec::new();
    for batch in array(batches) {
        for line in array(&batch["entries"]).iter().flat_map(|entry| array(&entry["lines"])) {
            if line["account_role"] == json!(role) {
                let amount = figure(&line["amount"]);
                let signed = if line["side"] == json!("debit") { amount } else { -amount };
                found.push((text(&batch["posting_date"]).to_owned(), text(&line["account"]).to_owned(), signed));
            }
        }
    }
    found
}

fn line(date: &str, account: &str, amount: &str) -> (String, String, Decimal) {
    (date.to_owned(), account.to_owned(), amount.parse().expect("a figure"))
}

/// The lines of the batches that a mapping was answered with.
async fn moved(service: &Service, mapping: &Value, role: &str) -> Vec<(String, String, Decimal)> {
    let mut whole = Vec::new();
    for head in mapping.get("journal_batches").map(array).into_iter().flatten() {
        let batch = service.read(&format!("/v1/journal-batches/{}", text(&head["id"]))).await;
        check_batch(&batch);
        assert_eq!(
            (&batch["entries"][0]["kind"], &batch["entries"][0]["event"]),
            (&json!("reclassification"), &Value::Null)
        );
        assert_eq!(batch["status"], json!("released"));
        whole.push(batch);
    }
    lines(&json!(whole), role)
}

/// What the ledger has by issue, role, account and posting date: each batch as its newest release has it, a rejected one too, since it is
/// released again. Only what a later mapping moved instead never comes there.
type Ledger = BTreeMap<(String, String), BTreeMap<String, BTreeMap<String, Decimal>>>;

async fn ledger(service: &Service, replaced: &BTreeSet<String>) -> Ledger {
    let mut newest: BTreeMap<String, Value> = BTreeMap::new();
    for release in service.releases().await {
        newest.insert(text(&release["batch"]).to_owned(), release);
    }
    let mut ledger = Ledger::new();
    for release in newest.values().filter(|release| !replaced.contains(text(&release["batch"]))) {
        let batch = &release["journal_batch"];
        for entry in array(&batch["entries"]) {
            for line in array(&entry["lines"]) {
                let amount = figure(&line["amount"]);
                let signed = if line["side"] == json!("debit") { amount } else { -amount };
                let key = (text(&entry["bond_issue"]).to_owned(), text(&line["account_role"]).to_owned());
                let account = ledger.entry(key).or_default().entry(text(&line["account"]).to_owned()).or_default();
                *account.entry(text(&batch["posting_date"]).to_owned()).or_default() += signed;
            }
        }
    }
    ledger
}

/// On every date on which something changes, the whole balance of each role is in the account that the mapping names on it.
async fn check_ledger(service: &Service, mapped_on: &[&str], replaced: &BTreeSet<String>) {
    for ((issue, role), accounts) in ledger(service, replaced).await {
        if !OF_THE_DEBT.contains(&role.as_str()) {
            continue;
        }
        let posted = accounts.values().flat_map(BTreeMap::keys).map(String::as_str);
        let dates: BTreeSet<&str> = posted.chain(mapped_on.iter().copied()).collect();
        for date in dates {
            let path = format!("/v1/entities/ACME/account-mapping?as_of={date}&bond_issue={issue}");
            let mapping = service.read(&path).await;
            // A role without an account leaves its balance where it is.
            let Some(should) = mapping["accounts"][&role]["account"].as_str() else { continue };
            for (account, by_date) in &accounts {
                let balance: Decimal = by_date.range(..=date.to_owned()).map(|(_, amount)| *amount).sum();
                let is_there = balance.is_zero() || account == should;
                assert!(is_there, "{role} on {date}: {balance} in {account}, not in {should:?}: {accounts:?}");
            }
        }
    }
}

/// The batches that move balances and are rejected: the next mapping moves these instead.
async fn rejected_moves(service: &Service) -> BTreeSet<String> {
    let rejected = service.read("/v1/journal-batches?entity=ACME&status=rejected&limit=500").await;
    let moves = array(&rejected["items"]).iter().filter(|batch| batch["entries"][0]["event"].is_null());
    moves.map(|batch| text(&batch["id"]).to_owned()).collect()
}

/// A discount of 18,000 in a straight line over five years: 300 a month.
fn discounted() -> Value {
    json!({"proceeds": "982000.00", "amortization_method": "straight_line"})
}

/// By the end of January, 16 days, 160 of the discount are amortised: 17,840 are left.
async fn a_balance_moves_to_the_account_that_its_role_is_given(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(discounted()).await;
    service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    let role = "discount_on_bonds_payable";
    let put = service.put(&mapping_path("ACME", "2025-02-01"), &with_account(role, "2599")).await.done();
    let expected = [line("2025-02-01", "2599", "17840.00"), line("2025-02-01", "1004", "-17840.00")];
    assert_eq!(moved(&service, &put, role).await, expected);
    assert_eq!(moved(&service, &put, "bonds_payable").await, []);
    service
        .record(
            &issue,
            "redemptions",
            json!({"effective_date": "2025-03-15", "principal": "1000000.00", "kind": "call", "price_percent": "101"}),
        )
        .await;
    for accounts in ledger(&service, &BTreeSet::new())
        .await
        .into_iter()
        .filter(|((_, of), _)| of == role)
        .flat_map(|(_, accounts)| accounts)
    {
        assert_eq!(accounts.1.values().sum::<Decimal>(), Decimal::ZERO, "{}", accounts.0);
    }
    check_ledger(&service, &["2025-02-01"], &BTreeSet::new()).await;
    let again = service.put(&mapping_path("ACME", "2025-02-01"), &with_account(role, "2599")).await.done();
    assert!(again.get("journal_batches").is_none(), "nothing has changed: {again}");
}

async fn what_is_posted_before_an_account_changes_moves_on_behind_it(service: Service) {
    service.mapped_entity("ACME").await;
    let role = "interest_payable";
    service.put(&mapping_path("ACME", "2025-02-01"), &with_account(role, "2199")).await.done();
    let issue = service.issue(discounted()).await;
    let preview = service.preview(&on(&issue, "accruals"), &json!({"through": "2025-02-28"})).await.done();
    let answer = service.record(&issue, "accruals", json!({"through": "2025-02-28"})).await;
    assert_eq!(array(&preview["journal_batches"]).len(), 3);
    let expected = [
        line("2025-01-31", "1007", "-2666.67"),
        line("2025-02-01", "1007", "2666.67"),
        line("2025-02-01", "2199", "-2666.67"),
        line("2025-02-28", "2199", "-5000.00"),
    ];
    assert_eq!(lines(&answer["journal_batches"], role), expected);
    service.post("/v1/entities/ACME/accruals", &json!({"through": "2025-03-31"})).await.created();
    check_ledger(&service, &["2025-01-01", "2025-02-01"], &BTreeSet::new()).await;
}

/// The interest of January was posted to the old account, that of February too; from 10 January on both belong elsewhere.
async fn a_mapping_from_an_earlier_day_moves_what_was_posted_since(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(discounted()).await;
    service.record(&issue, "accruals", json!({"through": "2025-02-28"})).await;
    let role = "interest_payable";
    let put = service.put(&mapping_path("ACME", "2025-01-10"), &with_account(role, "2199")).await.done();
    let expected = [
        line("2025-01-31", "1007", "2666.67"),
        line("2025-01-31", "2199", "-2666.67"),
        line("2025-02-28", "1007", "5000.00"),
        line("2025-02-28", "2199", "-5000.00"),
    ];
    assert_eq!(moved(&service, &put, role).await, expected);
    // A mapping between the two takes the second part back.
    let put = service.put(&mapping_path("ACME", "2025-02-10"), &with_account(role, "1007")).await.done();
    let mut found = moved(&service, &put, role).await;
    found.sort();
    let mut expected = vec![
        line("2025-02-10", "2199", "2666.67"),
        line("2025-02-10", "1007", "-2666.67"),
        line("2025-02-28", "2199", "5000.00"),
        line("2025-02-28", "1007", "-5000.00"),
    ];
    expected.sort();
    assert_eq!(found, expected);
    check_ledger(&service, &["2025-01-10", "2025-02-10"], &BTreeSet::new()).await;
}

async fn an_issue_that_is_given_accounts_of_its_own_moves_alone(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(discounted()).await;
    let other = service.issue(json!({"reference": "CB-2"})).await;
    let own = json!({"accounts": {"bonds_payable": {"account": "2500-1"}}});
    let put = service.put(&format!("{}&bond_issue={issue}", mapping_path("ACME", "2025-02-01")), &own).await.done();
    let role = "bonds_payable";
    let expected = [line("2025-02-01", "1002", "1000000.00"), line("2025-02-01", "2500-1", "-1000000.00")];
    assert_eq!(moved(&service, &put, role).await, expected);
    // The entity's new account is that of the other issue alone.
    let put = service.put(&mapping_path("ACME", "2025-03-01"), &with_account(role, "2555")).await.done();
    let batch = service.read(&format!("/v1/journal-batches/{}", text(&put["journal_batches"][0]["id"]))).await;
    let issues: Vec<_> = array(&batch["entries"]).iter().map(|entry| text(&entry["bond_issue"])).collect();
    assert_eq!(issues, [other.as_str()]);
    check_ledger(&service, &["2025-02-01", "2025-03-01"], &BTreeSet::new()).await;
}

async fn a_name_or_a_role_that_is_not_the_debts_moves_nothing(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(discounted()).await;
    let mut named = all_accounts();
    change(&mut named["accounts"]["bonds_payable"], json!({"name": "Convertible bonds", "dimensions": {"desk": "A"}}));
    named["accounts"]["cash"] = json!({"account": "1099"});
    named["accounts"]["interest_expense"] = json!({"account": "7199"});
    let put = service.put(&mapping_path("ACME", "2025-02-01"), &named).await.done();
    assert!(put.get("journal_batches").is_none(), "{put}");
}

/// The ledger does not know account 2199 and rejects the move there; the next mapping moves the balance from where it still is.
async fn a_rejected_move_is_replaced_by_the_next_mapping(service: Service) {
    service.mapped_entity("ACME").await;
    let issue = service.issue(discounted()).await;
    service.record(&issue, "accruals", json!({"through": "2025-01-31"})).await;
    let role = "interest_payable";
    let put = service.put(&mapping_path("ACME", "2025-02-01"), &with_account(role, "2199")).await.done();
    let batch = text(&put["journal_batches"][0]["id"]).to_owned();
    let rejection = json!({"revision": 1, "status": "rejected", "reason": "Account 2199 is not in the chart"});
    service.post(&format!("/v1/journal-batches/{batch}/acknowledgement"), &rejection).await.done();
    let put = service.put(&mapping_path("ACME", "2025-02-01"), &with_account(role, "2188")).await.done();
    let expected = [line("2025-02-01", "1007", "2666.67"), line("2025-02-01", "2188", "-2666.67")];
    assert_eq!(moved(&service, &put, role).await, expected);
    service.post(&format!("/v1/journal-batches/{batch}/release"), &json!({})).await.conflict("not_rejected");
    let replaced = BTreeSet::from([batch]);
    check_ledger(&service, &["2025-02-01"], &replaced).await;

    // What was mended in the ledger is released as it was.
    let put = service.put(&mapping_path("ACME", "2025-03-01"), &with_account(role, "2177")).await.done();
    let batch = text(&put["journal_batches"][0]["id"]).to_owned();
    service.post(&format!("/v1/journal-batches/{batch}/acknowledgement"), &rejection).await.done();
    service.post(&format!("/v1/journal-batches/{batch}/release"), &json!({})).await.created();
    check_ledger(&service, &["2025-02-01", "2025-03-01"], &replaced).await;
}

async fn a_move_is_not_reversed(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(discounted()).await;
    let put = service.put(&mapping_path("ACME", "2025-02-01"), &with_account("bonds_payable", "2555")).await.done();
    let path = format!("/v1/journal-batches/{}/reversal", text(&put["journal_batches"][0]["id"]));
    service.post(&path, &json!({"reason": "Another account after all"})).await.problem(422, "not_reversible");
}

/// A generator of its own, so that a failure is had again (Knuth's multiplier, from memory).
struct Draw(u64);

impl Draw {
    fn below(&mut self, bound: u64) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (self.0 >> 33) % bound
    }

    fn one<'a>(&mut self, of: &[&'a str]) -> &'a str {
        of[usize::try_from(self.below(of.len() as u64)).expect("small")]
    }
}

async fn whatever_is_mapped_posted_and_rejected_the_ledger_has_each_role_in_its_account(service: Service) {
    let dates = ["2025-01-01", "2025-01-20", "2025-02-10", "2025-03-01", "2025-03-31", "2025-06-30"];
    let accounts = ["A", "B", "C"];
    service.mapped_entity("ACME").await;
    let issues = [
        service.issue(discounted()).await,
        service.issue(json!({"reference": "CB-2", "issue_costs": "9000.00"})).await,
    ];
    let mut replaced = BTreeSet::new();
    for seed in 1..=2 {
        let mut draw = Draw(seed);
        for _ in 0..14 {
            match draw.below(8) {
                0..=2 => {
                    let mut mapping = all_accounts();
                    for role in OF_THE_DEBT {
                        mapping["accounts"][role] = json!({"account": format!("{role} {}", draw.one(&accounts))});
                    }
                    if draw.below(4) == 0 {
                        mapping["accounts"].as_object_mut().expect("accounts").remove(draw.one(&OF_THE_DEBT));
                    }
                    let issue = if draw.below(3) == 0 {
                        format!("&bond_issue={}", draw.one(&[&issues[0], &issues[1]]))
                    } else {
                        String::new()
                    };
                    let path = format!("{}{issue}", mapping_path("ACME", draw.one(&dates)));
                    replaced.extend(rejected_moves(&service).await);
                    service.put(&path, &mapping).await.done();
                }
                3 => {
                    service.post("/v1/entities/ACME/accruals", &json!({"through": draw.one(&dates)})).await;
                }
                4..=5 => {
                    let body = json!({"effective_date": draw.one(&dates), "principal": "10000.00"});
                    service.post(&on(draw.one(&[&issues[0], &issues[1]]), "conversions"), &body).await;
                }
                _ => {
                    let open = service.read("/v1/entities/ACME/open-releases?limit=500").await;
                    let open = array(&open["items"]);
                    if open.is_empty() {
                        continue;
                    }
                    let one = &open[usize::try_from(draw.below(open.len() as u64)).expect("small")];
                    let body = json!({"revision": one["revision"], "status": "rejected", "reason": "Not today"});
                    service
                        .post(&format!("/v1/journal-batches/{}/acknowledgement", text(&one["batch"])), &body)
                        .await
                        .done();
                }
            }
            check_ledger(&service, &dates, &replaced).await;
        }
        // What was rejected is mended, one after the other; what a mapping moved instead is not.
        replaced.extend(rejected_moves(&service).await);
        for date in dates {
            service.put(&mapping_path("ACME", date), &all_accounts()).await.done();
        }
        let rejected = service.read("/v1/journal-batches?entity=ACME&status=rejected&limit=500").await;
        for batch in array(&rejected["items"]) {
            service.post(&format!("/v1/journal-batches/{}/release", text(&batch["id"])), &json!({})).await;
        }
        let ready = service.read("/v1/journal-batches?entity=ACME&status=ready").await;
        assert_eq!(ready["items"], json!([]));
        let rejected = service.read("/v1/journal-batches?entity=ACME&status=rejected&limit=500").await;
        let rejected: Vec<_> = array(&rejected["items"]).iter().map(|batch| text(&batch["id"]).to_owned()).collect();
        assert!(rejected.iter().all(|batch| replaced.contains(batch)), "{rejected:?}");
        check_ledger(&service, &dates, &replaced).await;
        service.verify().await;
    }
    let moves = service.batches().await;
    let kinds = moves.iter().flat_map(|batch| array(&batch["entries"])).filter(|entry| entry["event"].is_null());
    assert!(kinds.count() > 20, "too little is moved");
}
