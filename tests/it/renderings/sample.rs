//! What no issue brings about by itself: amounts, texts and dimensions beyond what a spreadsheet holds. And how a workbook looks.

use calamine::Data;
use parwright::document::{BatchDocument, EntityDocument};
use parwright::export::xlsx::{self, WorkbookError};
use parwright::export::{layout, xbrl_gl};
use serde_json::{Value, json};

use super::workbook::{self, Workbook};
use super::{validators, xbrl_gl as instance};

/// A batch of one entry with two lines of this amount.
fn batch(currency: &str, amount: &str) -> Value {
    let line = |number: usize, role: &str, side: &str| {
        json!({"line": number, "account_role": role, "account": "0042", "account_name": "Bank", "side": side,
            "amount": amount, "memo": "Bonds issued", "monetary": true, "dimensions": {"desk": "treasury"},
            "derivation": {"figures": {}, "paragraph": "ASC 835-30-25-2", "rule": "what is received"}})
    };
    let entry = json!({"sequence": 1, "kind": "issuance", "bond_issue": "ACME.1", "reference": "CB-1", "event": "ACME.2",
        "effective_date": "2025-01-15", "description": "Issue of CB-1",
        "lines": [line(1, "cash", "debit"), line(2, "bonds_payable", "credit")]});
    json!({"id": "ACME.3", "number": "ACME-2025-000001", "sequence": 3, "release": 1, "revision": 1, "entity": "ACME",
        "currency": currency, "posting_date": "2025-01-15", "effective_date": "2025-01-15",
        "recorded_at": "2025-01-16T08:30:00.000001Z", "status": "released", "entries": [entry],
        "totals": {"entries": 1, "lines": 2, "debit": amount, "credit": amount},
        "statement_effects": {"assets": amount, "liabilities": amount, "equity": "-0.01", "net_income": "0.00"},
        "content_sha256": "00".repeat(32)})
}

fn entity() -> Value {
    json!({"code": "ACME", "name": "Acme Ferries, Inc.", "functional_currency": "USD", "framework": "us_gaap", "fiscal_year_end": "12-31"})
}

fn document(batch: &Value) -> BatchDocument {
    serde_json::from_value(batch.clone()).expect("a batch")
}

fn workbook_of(batch: &Value) -> Vec<u8> {
    let mut bytes = Vec::new();
    xlsx::batch(&document(batch), &mut bytes).expect("a workbook");
    bytes
}

fn instance_of(batch: &Value) -> String {
    let entity: EntityDocument = serde_json::from_value(entity()).expect("an entity");
    let mut bytes = Vec::new();
    xbrl_gl::batch(document(batch), &entity, &mut bytes).expect("an instance");
    String::from_utf8(bytes).expect("UTF-8")
}

/// The largest amounts are those of 64 bits; 15 digits are the most that a cell holds exactly.
#[test]
fn amounts_are_exact_in_every_representation_however_large() {
    for (currency, amount, is_number) in [
        ("USD", "0.01", true),
        ("USD", "9999999999999.99", true),
        ("USD", "10000000000000.00", true),
        ("USD", "1234567890123.45", true),
        ("USD", "12345678901234.56", false),
        ("USD", "12345678901234.50", true),
        ("USD", "92233720368547758.07", false),
        ("JPY", "1", true),
        ("JPY", "9223372036854775807", false),
        ("JPY", "9223372036854000000", true),
        ("KWD", "999999999999.999", true),
        ("KWD", "9999999999999.999", false),
        ("CLF", "0.0001", true),
        ("CLF", "922337203685477.5807", false),
    ] {
        let batch = batch(currency, amount);
        let bytes = workbook_of(&batch);
        workbook::check(&bytes, &batch);
        let found = Workbook::read(&bytes).said("Total debit");
        assert_eq!(matches!(found, Data::Float(_)), is_number, "{found:?} for {amount}");
        instance::check(&instance_of(&batch), &batch, &entity(), &mut instance::Entries::new());
        let table = layout::file(None, &[document(&batch)]).expect("a table");
        let mut reader = ::csv::Reader::from_reader(table.as_slice());
        let sides: Vec<_> =
            reader.records().map(|row| row.map(|row| [row[13].to_owned(), row[14].to_owned()])).collect();
        let [Ok(debit), Ok(credit)] = sides.as_slice() else { panic!("{sides:?}") };
        assert_eq!((debit, credit), (&[amount, ""].map(str::to_owned), &["", amount].map(str::to_owned)));
    }
}

#[test]
fn a_workbook_is_set_up_for_the_eye_and_for_paper() {
    for (currency, amount, pattern) in [
        ("JPY", "1000", "#,##0"),
        ("USD", "1000.00", "#,##0.00"),
        ("KWD", "1000.000", "#,##0.000"),
        ("CLF", "1000.0000", "#,##0.0000"),
    ] {
        let book = Workbook::read(&workbook_of(&batch(currency, amount)));
        assert_eq!(book.format("Lines", "N2"), pattern, "the debit");
        assert_eq!(book.format("Batch", "B11"), pattern, "the total");
        assert_eq!(book.format("Lines", "E2"), "yyyy-mm-dd");
        assert_eq!(book.format("Lines", "K2"), "@", "an account is text, edited too");
        let lines = book.part("xl/worksheets/sheet2.xml");
        for set_up in [
            "<pane ySplit=\"1\" topLeftCell=\"A2\" activePane=\"bottomLeft\" state=\"frozen\"/>",
            "orientation=\"landscape\"",
            "fitToHeight=\"0\"",
            "<pageSetUpPr fitToPage=\"1\"/>",
            "<oddHeader>&amp;LACME-2025-000001&amp;R&amp;A</oddHeader>",
            "<oddFooter>&amp;CPage &amp;P of &amp;N</oddFooter>",
        ] {
            assert!(lines.contains(set_up), "{set_up} in {lines}");
        }
        let names = book.part("xl/workbook.xml");
        assert!(names.contains("_xlnm.Print_Titles") && names.contains(">Lines!$1:$1<"), "{names}");
        let properties = book.part("docProps/core.xml");
        assert!(properties.contains(">2025-01-16T08:30:00Z<"), "{properties}");
    }
}

/// No clock, no random number, no order of a hash table.
#[test]
fn the_same_batch_is_the_same_bytes() {
    let batch = batch("USD", "1000.00");
    let (first, second) = (workbook_of(&batch), instance_of(&batch));
    for _ in 0..20 {
        assert!(workbook_of(&batch) == first && instance_of(&batch) == second);
    }
}

#[test]
fn memos_and_descriptions_may_hold_markup_and_control_characters() {
    let mut batch = batch("USD", "1000.00");
    let text = "<b>&amp; ]]> \"A\" 'B'\r\n\t=1+1 \u{0} \u{8} \u{1f} \u{7f} \u{85} \u{fffe} \u{1f6a2}";
    batch["entries"][0]["description"] = json!(text);
    batch["entries"][0]["lines"][0]["memo"] = json!(text);
    let xml = instance_of(&batch);
    instance::check(&xml, &batch, &entity(), &mut instance::Entries::new());
    assert!(xml.matches('\u{fffd}').count() == 8, "four that XML does not hold, twice: {xml}");
    workbook::check(&workbook_of(&batch), &batch);
    if let Some(validators) = validators::validators() {
        validators.check(std::slice::from_ref(&xml), std::slice::from_ref(&xml));
    }
}

/// The cells of one with many lines wait in a file while it is written.
#[test]
fn a_large_batch_is_a_workbook_like_a_small_one() {
    let mut large = batch("USD", "1000.00");
    let entry = large["entries"][0].clone();
    let numbered = |number: usize| {
        let mut entry = entry.clone();
        (entry["sequence"], entry["reference"]) = (json!(number), json!(format!("CB-{number}")));
        entry
    };
    large["entries"] = (1..=2_501).map(numbered).collect();
    large["totals"]["lines"] = json!(5_002);
    let bytes = workbook_of(&large);
    workbook::check(&bytes, &large);
    let book = Workbook::read(&bytes);
    assert_eq!(book.format("Lines", "N5002"), "#,##0.00");
    assert!(book.part("xl/worksheets/sheet2.xml").contains("state=\"frozen\""));
    assert!(workbook_of(&large) == bytes);
}

#[test]
fn what_a_worksheet_does_not_hold_is_said() {
    let mut long = batch("USD", "1000.00");
    let lines = |batch: &mut Value, field: &str, value: Value| batch["entries"][0]["lines"][0][field] = value;
    for (text, kept) in [
        ("a".repeat(32_767), "a".repeat(32_767)),
        ("a".repeat(32_768), "a".repeat(32_766) + "\u{2026}"),
        ("\u{1f6a2}".repeat(16_383), "\u{1f6a2}".repeat(16_383)),
        ("\u{1f6a2}".repeat(16_384), "\u{1f6a2}".repeat(16_383) + "\u{2026}"),
    ] {
        lines(&mut long, "memo", json!(text));
        let mut shown = long.clone();
        lines(&mut shown, "memo", json!(kept));
        workbook::check(&workbook_of(&long), &shown);
        instance::check(&instance_of(&long), &long, &entity(), &mut instance::Entries::new());
    }
    // Not every spreadsheet counts the days before this one alike.
    for (date, is_date) in [("1899-12-31", false), ("1900-02-28", false), ("1900-03-01", true), ("9999-12-31", true)] {
        let mut old = batch("USD", "1000.00");
        old["posting_date"] = json!(date);
        let found = Workbook::read(&workbook_of(&old)).said("Posting date");
        assert!(matches!(found, Data::DateTime(_)) == is_date, "{found:?}");
        assert!(is_date || found == Data::String(date.to_owned()), "{found:?}");
    }
    let dimensions: serde_json::Map<_, _> = (0..16_364).map(|number| (format!("{number:05}"), json!("x"))).collect();
    let mut wide = batch("USD", "1000.00");
    lines(&mut wide, "dimensions", json!(dimensions));
    let refused = xlsx::batch(&document(&wide), Vec::new()).expect_err("a sheet has 16,384 columns");
    assert!(matches!(refused, WorkbookError::TooWide(16_386)), "{refused}");
}

/// A validator that took everything would say nothing.
#[test]
fn the_validators_see_what_is_wrong() {
    let Some(validators) = validators::validators() else { return };
    let right = instance_of(&batch("USD", "1000.00"));
    validators.check(std::slice::from_ref(&right), std::slice::from_ref(&right));
    let change = |from: &str, to: &str| {
        assert!(right.contains(from), "{from} in {right}");
        right.replacen(from, to, 1)
    };
    let side = "<gl-cor:debitCreditCode contextRef=\"now\">D</gl-cor:debitCreditCode>";
    for wrong in [
        change(">D</gl-cor:debitCreditCode>", ">X</gl-cor:debitCreditCode>"),
        change(side, &side.repeat(2)),
        change("<gl-cor:amount contextRef=\"now\" unitRef=\"currency\"", "<gl-cor:amount contextRef=\"now\""),
        change("2025-01-15</gl-cor:postingDate>", "2025-01-32</gl-cor:postingDate>"),
        change("<gl-cor:documentInfo>", "<gl-cor:documentInfo><gl-cor:invented contextRef=\"now\"/>"),
    ] {
        assert!(!validators.xmllint(std::slice::from_ref(&wrong)).0, "{wrong}");
    }
    // What no schema sees: a context that is not there, and a unit that is no currency.
    for wrong in [
        change("<gl-cor:detailComment contextRef=\"now\">", "<gl-cor:detailComment contextRef=\"then\">"),
        change("<xbrli:measure>iso4217:USD</xbrli:measure>", "<xbrli:measure>xbrli:shares</xbrli:measure>"),
    ] {
        assert!(!validators.arelle(&[wrong]).0);
    }
}
