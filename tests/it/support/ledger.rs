//! What holds for everything that is posted, whatever it is: asserted of every answer that the test client gets.

use std::collections::BTreeMap;

use rust_decimal::Decimal;
use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::client::{array, assert_fields, text};

/// Checks an answer to a post: its batches, if they are there whole, and whether its event foots.
#[track_caller]
pub fn check_answer(answer: &Value) {
    let Some(batches) = answer.get("journal_batches").and_then(Value::as_array) else { return };
    let whole: Vec<&Value> = batches.iter().filter(|batch| batch.get("entries").is_some()).collect();
    whole.iter().for_each(|batch| check_batch(batch));
    // What inverts a batch stands in one of its own, and so does what moves balances between accounts.
    let place = |batch: &Value| {
        let inverts = if batch.get("reverses").is_some_and(Value::is_string) { text(&batch["reverses"]) } else { "~" };
        let moves = batch.pointer("/entries/0/kind") == Some(&json!("reclassification"));
        (text(&batch["posting_date"]).to_owned(), inverts.to_owned(), moves, text(&batch["currency"]).to_owned())
    };
    let places: Vec<_> = whole.iter().map(|batch| place(batch)).collect();
    assert!(places.is_sorted_by(|left, right| left < right), "one batch a date and currency, in order: {places:?}");
    if let Some(event) = answer.get("event") {
        check_foots(answer, event, &whole);
    }
}

/// Checks a batch: its form, that it balances, its totals and effects, and its hash.
#[track_caller]
pub fn check_batch(batch: &Value) {
    let previewed = batch["id"].is_null();
    let status = text(&batch["status"]);
    let answered = ["acknowledged", "rejected"].contains(&status);
    let released = answered || status == "released";
    let mut optional = String::new();
    if answered {
        assert_eq!(
            (&batch["acknowledgement"]["status"], &batch["acknowledgement"]["revision"]),
            (&batch["status"], &batch["revision"])
        );
        optional += " acknowledgement";
    }
    if released && !previewed {
        optional += " release revision";
    }
    for link in ["reverses", "reversed_by"].into_iter().filter(|link| batch.get(link).is_some()) {
        text(&batch[link]);
        optional += &format!(" {link}");
    }
    let always = "id number sequence entity currency posting_date effective_date recorded_at status entries totals \
                  statement_effects content_sha256";
    assert_fields(batch, &format!("{always}{optional}"));
    assert_fields(&batch["totals"], "entries lines debit credit");
    assert_fields(&batch["statement_effects"], "assets liabilities equity net_income");
    let (mut debit, mut credit, mut count) = (Decimal::ZERO, Decimal::ZERO, 0);
    for (entry, sequence) in array(&batch["entries"]).iter().zip(1..) {
        let isin = if entry.get("isin").is_some() { " isin" } else { "" };
        assert_fields(
            entry,
            &format!("sequence kind bond_issue reference event effective_date description lines{isin}"),
        );
        assert_eq!(entry["sequence"], json!(sequence));
        let mut sides = (Decimal::ZERO, Decimal::ZERO);
        for (line, number) in array(&entry["lines"]).iter().zip(1..) {
            assert_eq!(line["line"], json!(number));
            check_line(line, text(&batch["currency"]), released);
            let amount = figure(&line["amount"]);
            match text(&line["side"]) {
                "debit" => sides.0 += amount,
                "credit" => sides.1 += amount,
                side => panic!("there is no side {side}"),
            }
            count += 1;
        }
        assert!(sides.0 == sides.1 && sides.0 > Decimal::ZERO, "{entry} does not balance");
        debit += sides.0;
        credit += sides.1;
    }
    let totals = &batch["totals"];
    assert_eq!(totals["entries"], json!(array(&batch["entries"]).len()));
    assert_eq!(totals["lines"], json!(count));
    assert_eq!((figure(&totals["debit"]), figure(&totals["credit"])), (debit, credit));
    assert_eq!(effects(batch), EFFECTS.map(|name| figure(&batch["statement_effects"][name])), "{batch}");
    let [assets, liabilities, equity, _] = effects(batch);
    assert_eq!(assets, liabilities + equity, "{batch}");
    if previewed {
        assert!(["number", "sequence", "recorded_at", "content_sha256"].iter().all(|name| batch[*name].is_null()));
    } else {
        assert_eq!(batch["content_sha256"], json!(content_hash(batch)));
    }
}

const EFFECTS: [&str; 4] = ["assets", "liabilities", "equity", "net_income"];

/// The effects on the statements from the lines: what is not an asset counts with its credits, and net income is part of equity. What is closed to
/// retained earnings is the same net income.
fn effects(batch: &Value) -> [Decimal; 4] {
    let [mut assets, mut liabilities, mut equity] = [Decimal::ZERO; 3];
    for (role, credit) in movements(array(&batch["entries"]).iter()) {
        match role.as_str() {
            "cash" | "interest_receivable" => assets -= credit,
            "common_stock"
            | "additional_paid_in_capital"
            | "treasury_stock"
            | "opening_balance_clearing"
            | "retained_earnings"
            | "equity_component_of_convertible_bonds" => {
                equity += credit;
            }
            role if is_income(role) => {
                equity += credit;
            }
            _ => liabilities += credit,
        }
    }
    let closes = |entry: &&Value| array(&entry["lines"]).iter().any(|line| line["account_role"] == "retained_earnings");
    let earned = movements(array(&batch["entries"]).iter().filter(|entry| !closes(entry)));
    let net_income = earned.into_iter().filter(|(role, _)| is_income(role)).map(|(_, credit)| credit).sum();
    [assets, liabilities, equity, net_income]
}

#[track_caller]
fn check_line(line: &Value, currency: &str, released: bool) {
    let names = "line account_role account account_name side amount memo monetary dimensions derivation";
    assert_fields(line, names);
    assert_fields(&line["derivation"], "figures paragraph rule");
    assert!(!text(&line["derivation"]["rule"]).is_empty() && !text(&line["derivation"]["paragraph"]).is_empty());
    assert!(line["derivation"]["figures"].as_object().is_some_and(|figures| figures.values().all(Value::is_string)));
    assert_eq!(line["account"].is_string(), released, "{line}");
    assert!(!text(&line["memo"]).is_empty());
    let amount = figure(&line["amount"]);
    assert!(amount > Decimal::ZERO, "{line}");
    assert_eq!(amount.scale(), decimals(currency), "{line}");
    let role = text(&line["account_role"]);
    let monetary = !matches!(
        role,
        "common_stock"
            | "additional_paid_in_capital"
            | "treasury_stock"
            | "opening_balance_clearing"
            | "retained_earnings"
            | "equity_component_of_convertible_bonds"
    ) && !is_income(role);
    assert_eq!(line["monetary"], json!(monetary), "{line}");
}

fn is_income(role: &str) -> bool {
    role.contains("expense") || role.contains("extinguishment") || role.contains("loss")
}

/// The decimals of a currency's minor unit, for the currencies that tests use.
pub fn decimals(currency: &str) -> u32 {
    match currency {
        "JPY" => 0,
        "KWD" | "BHD" => 3,
        "CLF" | "UYW" => 4,
        "USD" | "EUR" => 2,
        other => panic!("no test uses {other}"),
    }
}

/// An amount as it is written.
#[track_caller]
pub fn figure(value: &Value) -> Decimal {
    text(value).parse().unwrap_or_else(|_| panic!("{value} is no figure"))
}

/// What entries credit to each role, debits negative.
pub fn movements<'a>(entries: impl Iterator<Item = &'a Value>) -> BTreeMap<String, Decimal> {
    let mut roles = BTreeMap::new();
    for line in entries.flat_map(|entry| array(&entry["lines"])) {
        let amount = figure(&line["amount"]);
        let credit = if line["side"] == json!("credit") { amount } else { -amount };
        *roles.entry(text(&line["account_role"]).to_owned()).or_default() += credit;
    }
    roles
}

/// Balance before less balance after is what the event's own entries moved. Accruals and take-backs move nothing at its boundary.
#[track_caller]
fn check_foots(answer: &Value, event: &Value, batches: &[&Value]) {
    assert_fields(event, "id kind sequence effective_date recorded_at request_id bond_issue");
    let (before, after) = (&answer["position_before"], &answer["position_after"]);
    check_position(before);
    check_position(after);
    if event["kind"] == json!("accrual") {
        return;
    }
    assert_eq!(before["boundary"], after["boundary"]);
    let own = batches.iter().flat_map(|batch| array(&batch["entries"]));
    if event["kind"] == json!("reversal") {
        return check_reversal_foots(event, before, after, own);
    }
    // Of bonds that were surrendered in the same event the position before is that after their surrender.
    let before_it = if event["kind"] == json!("surrender") { "" } else { "surrender" };
    let own = own.filter(|entry| !["accrual", "catch_up", before_it].contains(&text(&entry["kind"])));
    let credits = movements(own);
    let credit = |role: &str| credits.get(role).copied().unwrap_or_default();
    // Interest received at settlement is booked as received; its difference from what is computed is reported, and posted later.
    let difference = match answer["opening_interest"].is_null() {
        true => &answer["issuance"]["accrued_interest_difference"],
        false => &answer["opening_interest"]["difference"],
    };
    let difference = if difference.is_null() { Decimal::ZERO } else { figure(difference) };
    for (component, moved) in [
        ("principal", credit("bonds_payable")),
        ("premium_discount", credit("premium_on_bonds_payable") + credit("discount_on_bonds_payable")),
        ("issue_costs", credit("debt_issue_costs")),
        ("interest_payable", credit("interest_payable") + difference),
        ("equity_component", credit("equity_component_of_convertible_bonds")),
    ] {
        let figure = |position: &Value| {
            if position[component].is_null() { Decimal::ZERO } else { figure(&position[component]) }
        };
        let change = figure(after) - figure(before);
        assert_eq!(change, moved, "{component} of {answer}");
    }
}

/// The inverse is exact, and the balances around it are rounded on what other events have left by now: they may differ by a rounding
/// unit an event, which the catch-up brings. Interest is kept by coupon, so that overpaid interest is no part of the inverse.
#[track_caller]
fn check_reversal_foots<'a>(event: &Value, before: &Value, after: &Value, own: impl Iterator<Item = &'a Value>) {
    // What the event took back at the close of its own date has that date too.
    let taken_back = |entry: &Value| text(&entry["description"]).starts_with("Reversal: Interest");
    // What was moved to the current portion is the same debt.
    let within_debt = |entry: &Value| {
        array(&entry["lines"]).iter().any(|line| line["account_role"] == json!("current_portion_of_bonds_payable"))
    };
    let own = own.filter(|entry| entry["kind"] == json!("reversal") && !taken_back(entry) && !within_debt(entry));
    let own: Vec<&Value> = own.collect();
    let on_its_date = |entry: &&&Value| entry["effective_date"] == event["effective_date"];
    let credits = movements(own.iter().filter(on_its_date).copied());
    // Bonds that were surrendered before have been amortised since, once they were not.
    let surrendered = |entry: &&&Value| text(&entry["description"]).starts_with("Reversal: Surrender");
    let is_amortised = own.iter().filter(surrendered).any(|entry| !on_its_date(&entry));
    let credit = |role: &str| credits.get(role).copied().unwrap_or_default();
    for (component, moved, units) in [
        ("principal", credit("bonds_payable"), 0),
        ("premium_discount", credit("premium_on_bonds_payable") + credit("discount_on_bonds_payable"), 4),
        ("issue_costs", credit("debt_issue_costs"), 4),
    ] {
        let change = figure(&after[component]) - figure(&before[component]);
        if is_amortised && component != "principal" {
            continue;
        }
        let allowed = Decimal::new(units, change.scale());
        assert!((change - moved).abs() <= allowed, "{component}: {change} against {moved} of {event}");
    }
}

/// A position adds up.
#[track_caller]
pub fn check_position(position: &Value) {
    let optional: String = ["equity_component", "surrendered"]
        .iter()
        .filter(|name| position.get(**name).is_some())
        .map(|name| format!(" {name}"))
        .collect();
    assert_fields(
        position,
        &format!(
            "as_of boundary principal premium_discount issue_costs carrying_amount interest_due interest_accrued \
             interest_payable interest_receivable{optional}"
        ),
    );
    let part = |name: &str| figure(&position[name]);
    assert_eq!(part("carrying_amount"), part("principal") + part("premium_discount") + part("issue_costs"));
    assert_eq!(part("interest_payable"), part("interest_due") + part("interest_accrued"));
    if let Some(surrendered) = position.get("surrendered") {
        let equity = if surrendered.get("equity_component").is_some() { " equity_component" } else { "" };
        let names = "principal premium_discount issue_costs carrying_amount interest";
        assert_fields(surrendered, &format!("{names}{equity}"));
        let part = |name: &str| figure(&surrendered[name]);
        assert_eq!(part("carrying_amount"), part("principal") + part("premium_discount") + part("issue_costs"));
    }
}

/// A batch's hash by its documented rule: SHA-256 over the RFC 8785 canonical form of the batch without `acknowledgement`, `content_sha256`, `release`,
/// `reversed_by`, `revision` and `status`, and of its lines without `account`, `account_name` and `dimensions`.
pub fn content_hash(batch: &Value) -> String {
    let mut hashed = batch.clone();
    let without = |object: &mut Value, names: &[&str]| {
        let fields = object.as_object_mut().expect("an object");
        fields.retain(|name, _| !names.contains(&name.as_str()));
    };
    without(&mut hashed, &["acknowledgement", "content_sha256", "release", "reversed_by", "revision", "status"]);
    for entry in hashed["entries"].as_array_mut().expect("entries") {
        for line in entry["lines"].as_array_mut().expect("lines") {
            without(line, &["account", "account_name", "dimensions"]);
        }
    }
    canonical_hash(&hashed)
}

/// SHA-256 over the RFC 8785 canonical form.
pub fn canonical_hash(value: &Value) -> String {
    let bytes = serde_json_canonicalizer::to_vec(value).expect("JSON has a canonical form");
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

/// The lines of a batch laid flat, as `journal-lines` has them.
pub fn flat(batch: &Value) -> Vec<Value> {
    let mut lines = Vec::new();
    for entry in array(&batch["entries"]) {
        for line in array(&entry["lines"]) {
            let on = |side: &str| if line["side"] == json!(side) { line["amount"].clone() } else { Value::Null };
            lines.push(json!({"number": batch["number"], "revision": batch["revision"], "release": batch["release"],
                "entity": batch["entity"], "posting_date": batch["posting_date"], "effective_date": batch["effective_date"],
                "currency": batch["currency"], "entry": entry["sequence"], "kind": entry["kind"], "line": line["line"],
                "account": line["account"], "account_name": line["account_name"], "account_role": line["account_role"],
                "debit": on("debit"), "credit": on("credit"), "bond_issue": entry["bond_issue"], "reference": entry["reference"],
                "isin": entry.get("isin").cloned().unwrap_or_default(), "event": entry["event"], "memo": line["memo"],
                "content_sha256": batch["content_sha256"], "dimensions": line["dimensions"]}));
        }
    }
    lines
}

/// What a receiver has in its books that has taken these releases one after the other: a later revision stands for the batch of the same
/// number, and in its own place. Lines, in order of release.
pub fn books(releases: &[Value]) -> Vec<Value> {
    let newest: BTreeMap<&str, &Value> = releases.iter().map(|release| (text(&release["number"]), release)).collect();
    let stands = |release: &&Value| newest[text(&release["number"])]["release"] == release["release"];
    releases.iter().filter(stands).flat_map(|release| flat(&release["journal_batch"])).collect()
}

/// The lines of a batch as role, side and amount, in order.
pub fn lines(batch: &Value) -> Vec<(&str, &str, &str)> {
    let lines = array(&batch["entries"]).iter().flat_map(|entry| array(&entry["lines"]));
    lines.map(|line| (text(&line["account_role"]), text(&line["side"]), text(&line["amount"]))).collect()
}

/// The lines of a batch's entries of one kind, in order.
pub fn lines_of<'a>(batch: &'a Value, kind: &str) -> Vec<(&'a str, &'a str, &'a str)> {
    let entries = array(&batch["entries"]).iter().filter(|entry| entry["kind"] == json!(kind));
    let lines = entries.flat_map(|entry| array(&entry["lines"]));
    lines.map(|line| (text(&line["account_role"]), text(&line["side"]), text(&line["amount"]))).collect()
}
