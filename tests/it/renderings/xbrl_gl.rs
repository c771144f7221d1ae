//! An XBRL GL instance read by another parser than wrote it, and compared with the JSON of its batch.

use std::collections::BTreeMap;

use parwright::accounting::Currency;
use roxmltree::{Document, Node};
use rust_decimal::Decimal;
use serde_json::{Value, json};

use super::books::LEI;
use crate::support::client::{array, text};
use crate::support::ledger::{decimals, figure};

/// What can be seen of an entry from outside its file: its lines as role, side and amount.
pub type Entries = BTreeMap<String, Vec<(String, String, String)>>;

fn children<'a, 'd>(node: Node<'a, 'd>, name: &'a str) -> impl Iterator<Item = Node<'a, 'd>> {
    node.children().filter(move |child| child.is_element() && child.tag_name().name() == name)
}

/// The text of the element at a path, if it is there; no element of the path is there twice.
fn found(node: Node, path: &str) -> Option<String> {
    let mut at = node;
    for name in path.split('/') {
        let mut named = children(at, name);
        let next = named.next()?;
        assert!(named.next().is_none(), "two {name} in {:?}", at.tag_name());
        at = next;
    }
    Some(at.text().unwrap_or_default().to_owned())
}

#[track_caller]
fn value(node: Node, path: &str) -> String {
    found(node, path).unwrap_or_else(|| panic!("no {path} in {:?}", node.tag_name()))
}

/// The text of a field that may be absent.
fn maybe(object: &Value, name: &str) -> Option<String> {
    object.get(name).and_then(Value::as_str).filter(|text| !text.is_empty()).map(str::to_owned)
}

/// Compares an instance with the JSON of its batch, line by line, and adds its entries to those seen before.
#[track_caller]
pub fn check(xml: &str, batch: &Value, entity: &Value, seen: &mut Entries) {
    let document = Document::parse(xml).expect("well-formed XML");
    let root = document.root_element();
    check_frame(root, batch, entity);
    let entries = children(root, "accountingEntries").collect::<Vec<_>>();
    let [accounting] = entries.as_slice() else { panic!("one accountingEntries") };
    let info = children(*accounting, "documentInfo").next().expect("documentInfo");
    let id = text(&batch["id"]);
    let revised = batch.get("revision").map_or(id.to_owned(), |revision| format!("{id}.{revision}"));
    assert_eq!((value(info, "entriesType"), value(info, "uniqueID")), ("journal".to_owned(), revised));
    let supersedes = batch["revision"].as_i64().filter(|revision| *revision > 1);
    assert_eq!(found(info, "revisesUniqueID"), supersedes.map(|revision| format!("{id}.{}", revision - 1)));
    assert_eq!(found(info, "revisesUniqueIDAction"), supersedes.map(|_| "supersede".to_owned()));
    assert_eq!(value(info, "creationDate"), text(&batch["recorded_at"]));
    assert_eq!(value(info, "periodCoveredStart"), text(&batch["posting_date"]));
    assert_eq!(value(info, "defaultCurrency"), format!("iso4217:{}", text(&batch["currency"])));
    assert!(value(info, "entriesComment").contains("review by qualified accountants"));
    let (mut debit, mut credit, mut lines) = (Decimal::ZERO, Decimal::ZERO, 0);
    let headers: Vec<Node> = children(*accounting, "entryHeader").collect();
    assert_eq!(headers.len(), array(&batch["entries"]).len());
    for (header, entry) in headers.iter().zip(array(&batch["entries"])) {
        let number = format!("{}-{}", text(&batch["number"]), entry["sequence"]);
        assert_eq!(value(*header, "entryNumber"), number);
        assert_eq!(value(*header, "entryNumberCounter"), entry["sequence"].to_string());
        assert_eq!(value(*header, "enteredDate"), text(&batch["recorded_at"]));
        assert_eq!(found(*header, "postedDate"), maybe(&batch["acknowledgement"], "ledger_posting_date"));
        assert_eq!(value(*header, "entryComment"), held(text(&entry["description"])));
        assert_eq!(value(*header, "batchID"), text(&batch["number"]));
        assert!(value(*header, "batchDescription").contains(text(&batch["content_sha256"])));
        for (name, total) in [("numberOfEntries", "entries"), ("totalDebit", "debit"), ("totalCredit", "credit")] {
            let total = &batch["totals"][total];
            assert_eq!(json!(value(*header, name)), json!(total.as_str().map_or(total.to_string(), str::to_owned)));
        }
        let details: Vec<Node> = children(*header, "entryDetail").collect();
        assert_eq!(details.len(), array(&entry["lines"]).len());
        let mut read = Vec::new();
        for (detail, line) in details.iter().zip(array(&entry["lines"])) {
            check_line(*detail, batch, entry, line, entity);
            let amount = figure(&json!(value(*detail, "amount")));
            match value(*detail, "debitCreditCode").as_str() {
                "D" => debit += amount,
                "C" => credit += amount,
                other => panic!("{other} is no side"),
            }
            lines += 1;
            read.push((
                value(*detail, "account/mainAccountTypeDescription"),
                value(*detail, "debitCreditCode"),
                value(*detail, "amount"),
            ));
        }
        let balance: Decimal = read.iter().map(|(_, side, amount)| signed(side, amount)).sum();
        assert_eq!(balance, Decimal::ZERO, "{number} does not balance");
        check_inversion(*header, entry, &read, seen);
        assert!(seen.insert(number.clone(), read).is_none(), "the entry number {number} is there twice");
    }
    assert_eq!((debit, credit), (figure(&batch["totals"]["debit"]), figure(&batch["totals"]["credit"])));
    assert_eq!(json!(lines), batch["totals"]["lines"]);
}

fn signed(side: &str, amount: &str) -> Decimal {
    let amount: Decimal = amount.parse().expect("a figure");
    if side == "D" { amount } else { -amount }
}

/// Context and units.
#[track_caller]
fn check_frame(root: Node, batch: &Value, entity: &Value) {
    assert_eq!(root.tag_name().name(), "xbrl");
    let identifier = root.descendants().find(|node| node.tag_name().name() == "identifier").expect("an identifier");
    let organizations: Vec<String> = root
        .descendants()
        .filter(|node| node.tag_name().name() == "organizationIdentifier")
        .map(|node| node.text().unwrap_or_default().to_owned())
        .collect();
    let code = format!("parwright:{}", text(&entity["code"]));
    let (scheme, name, expected) = match maybe(entity, "lei") {
        Some(lei) => ("http://standards.iso.org/iso/17442", LEI.to_owned(), vec![format!("LEI:{lei}"), code]),
        None => ("urn:x-parwright:entity", text(&entity["code"]).to_owned(), vec![code]),
    };
    assert_eq!((identifier.attribute("scheme"), identifier.text()), (Some(scheme), Some(name.as_str())));
    assert_eq!(organizations, expected);
    let description = root.descendants().find(|node| node.tag_name().name() == "organizationDescription");
    assert_eq!(description.and_then(|node| node.text()), entity["name"].as_str());
    let currency = text(&batch["currency"]);
    assert!(Currency::from_code(currency).is_some());
    let units: BTreeMap<_, _> =
        children(root, "unit").map(|unit| (unit.attribute("id"), value(unit, "measure"))).collect();
    let expected = [("currency", format!("iso4217:{currency}")), ("pure", "xbrli:pure".to_owned())];
    assert_eq!(units, expected.map(|(id, measure)| (Some(id), measure)).into());
}

#[track_caller]
fn check_line(detail: Node, batch: &Value, entry: &Value, line: &Value, entity: &Value) {
    let currency = text(&batch["currency"]);
    let amount = children(detail, "amount").next().expect("an amount");
    assert_eq!((amount.attribute("unitRef"), amount.attribute("decimals")), (Some("currency"), Some("INF")));
    let figure: Decimal = amount.text().expect("a figure").parse().expect("a figure");
    assert!(figure > Decimal::ZERO && figure.scale() == decimals(currency), "{figure} {currency}");
    assert_eq!(found(detail, "signOfAmount"), None);
    let side = if line["side"] == json!("debit") { "D" } else { "C" };
    let status = match text(&batch["status"]) {
        "ready" => "deferred",
        "released" | "rejected" => "unposted",
        "acknowledged" => "posted",
        other => panic!("{other} is no status"),
    };
    let framework = if entity["framework"] == json!("ifrs") { "ifrs" } else { "usgaap" };
    for (path, expected) in [
        ("lineNumber", line["line"].to_string()),
        ("lineNumberCounter", line["line"].to_string()),
        ("account/mainAccountTypeDescription", text(&line["account_role"]).to_owned()),
        ("account/accountPurposeCode", framework.to_owned()),
        ("amount", text(&line["amount"]).to_owned()),
        ("amountCurrency", format!("iso4217:{currency}")),
        ("debitCreditCode", side.to_owned()),
        ("postingDate", text(&batch["posting_date"]).to_owned()),
        ("documentTypeDescription", text(&entry["kind"]).to_owned()),
        ("documentReference", super::books::address(batch)),
        ("documentDate", text(&entry["effective_date"]).to_owned()),
        ("postingStatus", status.to_owned()),
        ("postingStatusDescription", text(&batch["status"]).to_owned()),
        ("detailComment", held(text(&line["memo"]))),
    ] {
        assert_eq!(value(detail, path), expected, "{path} of {line}");
    }
    for (path, expected) in [
        // Closing entries are of no event.
        ("documentNumber", maybe(entry, "event")),
        ("account/accountMainID", maybe(line, "account")),
        ("account/accountMainDescription", maybe(line, "account_name")),
        ("identifierReference/identifierExternalReference/identifierAuthorityCode", maybe(entry, "isin")),
    ] {
        assert_eq!(found(detail, path), expected.map(|text| held(&text)), "{path} of {line}");
    }
    let account = children(detail, "account").next().expect("an account");
    let subs: Vec<_> = children(account, "accountSub")
        .map(|sub| (value(sub, "accountSubType"), value(sub, "accountSubID"), found(sub, "accountSubDescription")))
        .collect();
    let own = ("bond-issue".to_owned(), text(&entry["bond_issue"]).to_owned(), Some(held(text(&entry["reference"]))));
    let dimensions = line["dimensions"].as_object().expect("dimensions").iter();
    let dimensions = dimensions.map(|(name, value)| (held(name), held(text(value)), None));
    assert_eq!(subs, [own].into_iter().chain(dimensions).collect::<Vec<_>>());
}

/// What an entry says that it inverts was posted before with the same lines on the other sides.
#[track_caller]
fn check_inversion(header: Node, entry: &Value, read: &[(String, String, String)], seen: &Entries) {
    let applied: Vec<_> =
        children(header, "entryDetail").map(|detail| found(detail, "documentApplyToNumber")).collect();
    if entry["kind"] != json!("reversal") {
        assert!(applied.iter().all(Option::is_none), "{entry}");
        return;
    }
    let original = applied[0].as_ref().unwrap_or_else(|| panic!("nothing is inverted by {entry}"));
    assert!(applied.iter().all(|number| number.as_ref() == Some(original)), "{applied:?}");
    let other = |side: &str| if side == "D" { "C" } else { "D" }.to_owned();
    let mut inverse: Vec<_> =
        read.iter().map(|(role, side, amount)| (role.clone(), other(side), amount.clone())).collect();
    let mut posted = seen.get(original).unwrap_or_else(|| panic!("{original} was not posted")).clone();
    inverse.sort();
    posted.sort();
    assert_eq!(inverse, posted, "{original}");
}

/// A text as XML 1.0 can hold it.
fn held(text: &str) -> String {
    let control = |char: char| (char < ' ' && !"\t\n\r".contains(char)) || ['\u{fffe}', '\u{ffff}'].contains(&char);
    text.chars().map(|char| if control(char) { '\u{fffd}' } else { char }).collect()
}
