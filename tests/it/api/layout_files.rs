//! Files that are written by a layout: read back by its rules they say what the JSON says.

use serde_json::{Value, json};

use crate::api_histories::dice::Dice;
use crate::support::client::{Answer, Service, all_accounts, array, items, mapping_path, on_both_engines, text};

on_both_engines! {
    a_ledger_gets_the_file_that_it_wants
    what_a_random_layout_writes_says_what_the_lines_say
    a_character_that_the_encoding_lacks_is_never_lost_silently
    a_text_is_harmless_unless_the_layout_wants_it_raw
    a_batch_and_a_period_are_written_by_the_same_layout
    a_layout_that_is_not_there_or_has_no_use_is_refused
}

const LINES: &str = "/v1/entities/ACME/journal-lines?from=2025-01-01&to=2025-12-31";

/// Stores a layout, and gives it with everything that it does not state.
async fn stored(service: &Service, name: &str, layout: &Value) -> Value {
    service.put(&format!("/v1/entities/ACME/layouts/{name}"), layout).await.done()["layout"].clone()
}

/// An entity whose names, dimensions and references hold everything that a CSV may stumble over.
async fn strange_entity(service: &Service) {
    service.entity("ACME").await;
    let mut mapping = all_accounts();
    for (role, account) in [
        ("cash", json!({"account": "1010", "name": "=SUM(A1);\"x\",|\tend", "dimensions": {"desk": "@treasury"}})),
        (
            "bonds_payable",
            json!({"account": "2500", "name": "Größe €", "dimensions": {"région": "Île;de|France,€", "desk": "-"}}),
        ),
        ("interest_expense", json!({"account": "+7000", "name": "first\r\nsecond"})),
        ("interest_payable", json!({"account": "00\"21", "name": "last\n"})),
        ("additional_paid_in_capital", json!({"account": " 3100 ", "name": "日本"})),
    ] {
        mapping["accounts"][role] = account;
    }
    service.put(&mapping_path("ACME", "2000-01-01"), &mapping).await.done();
    let issue =
        service.issue(json!({"reference": "-CB;1,\"é\"", "issue_costs": "12000.00", "isin": "XS000PARWR19"})).await;
    service.record(&issue, "conversions", json!({"effective_date": "2025-02-10", "principal": "100000.00"})).await;
    service.record(&issue, "accruals", json!({"through": "2025-03-31"})).await;
}

async fn a_ledger_gets_the_file_that_it_wants(service: Service) {
    service.mapped_entity("ACME").await;
    service.issue(json!({"reference": "WA-2030"})).await;
    let layout = json!({
        "columns": [
            {"header": "Beleg", "field": "number"}, {"header": "Datum", "field": "posting_date"},
            {"header": "Konto", "field": "account"}, {"header": "Betrag", "field": "amount"},
            {"header": "Währung", "field": "currency"}, {"header": "Art", "constant": "SB"},
            {"header": "Text", "field": "memo"}, {"header": "Zuordnung", "field": "reference"}],
        "amount_sign": "credit_positive", "decimal_mark": ",", "date_pattern": "DD.MM.YYYY", "delimiter": "semicolon",
        "line_end": "lf", "encoding": "iso-8859-1"});
    stored(&service, "ledger", &layout).await;
    let written = service.get(&format!("{LINES}&format=csv&layout=ledger")).await;
    assert_eq!((written.status, written.header("content-type")), (200, "text/csv; charset=iso-8859-1; header=present"));
    let expected = "Beleg;Datum;Konto;Betrag;W\u{e4}hrung;Art;Text;Zuordnung\n\
                    ACME-2025-000001;15.01.2025;1000;-1000000,00;USD;SB;Proceeds received;WA-2030\n\
                    ACME-2025-000001;15.01.2025;1002;1000000,00;USD;SB;Principal issued;WA-2030\n";
    let latin1: Vec<u8> = expected.chars().map(|char| u8::try_from(char).expect("of ISO 8859-1")).collect();
    assert_eq!(written.bytes, latin1, "{}", String::from_utf8_lossy(&written.bytes));
}

const FIELDS: [&str; 21] = [
    "number",
    "revision",
    "release",
    "entity",
    "posting_date",
    "effective_date",
    "currency",
    "entry",
    "kind",
    "line",
    "account",
    "account_name",
    "account_role",
    "bond_issue",
    "reference",
    "isin",
    "event",
    "memo",
    "content_sha256",
    "dimension:desk",
    "dimension:région",
];
const PATTERNS: [&str; 6] = ["YYYY-MM-DD", "DD.MM.YYYY", "MM/DD/YY", "YYYYMMDD", "DDMMYY", "YY MM DD"];
const CONSTANTS: [&str; 4] = ["", "=1+1", "a \"quoted\" ; , | text", "ß"];

fn random_layout(dice: &mut Dice) -> Value {
    let mut columns: Vec<Value> = Vec::new();
    for _ in 0..dice.between(0, 8) {
        columns.push(if dice.chance(80) {
            json!({"field": dice.pick(&FIELDS)})
        } else {
            json!({"constant": dice.pick(&CONSTANTS)})
        });
    }
    let amounts: &[&str] = if dice.chance(50) { &["amount"] } else { &["debit", "credit"] };
    for amount in amounts {
        let place = usize::try_from(dice.between(0, columns.len() as i64)).expect("a place");
        columns.insert(place, json!({"field": amount}));
    }
    for (at, column) in columns.iter_mut().enumerate() {
        column["header"] = json!(format!("{}{at}", dice.pick(&["", "=", "a;b,c|", "\"é\" "])));
    }
    let delimiter = dice.pick(&["comma", "semicolon", "tab", "pipe"]);
    let mark = dice.pick(&[".", ","]);
    let quoting = if (delimiter, mark) == ("comma", ",") || dice.chance(40) { "always" } else { "where_needed" };
    let mut layout = json!({"columns": columns, "decimal_mark": mark, "date_pattern": dice.pick(&PATTERNS), "delimiter": delimiter,
        "quoting": quoting, "header": dice.chance(70), "line_end": dice.pick(&["crlf", "lf"]),
        "formula_text": dice.pick(&["apostrophe", "raw"])});
    if amounts == ["amount"] && dice.chance(50) {
        layout["amount_sign"] = json!(dice.pick(&["debit_positive", "credit_positive"]));
    }
    if dice.chance(50) {
        layout["encoding"] = json!("iso-8859-1");
        if dice.chance(60) {
            layout["replacement"] = json!(dice.pick(&["?", "¿", "\""]));
        }
    } else {
        layout["byte_order_mark"] = json!(dice.chance(30));
    }
    layout
}

fn in_latin1(one: char) -> bool {
    one < '\u{80}' || ('\u{a0}'..='\u{ff}').contains(&one)
}

/// What a cell says, told from the line's JSON and the layout alone.
fn expected(line: &Value, column: &Value, layout: &Value) -> String {
    let Some(field) = column["field"].as_str() else { return guarded(text(&column["constant"]), layout) };
    let plain = |value: &Value| match value {
        Value::Null => String::new(),
        Value::String(text) => text.clone(),
        number => number.to_string(),
    };
    let marked = |amount: String| if layout["decimal_mark"] == json!(",") { amount.replace('.', ",") } else { amount };
    match field {
        "debit" | "credit" => marked(plain(&line[field])),
        "amount" => {
            let negative = if layout["amount_sign"] == json!("credit_positive") { "debit" } else { "credit" };
            let sign = if line[negative].is_null() { "" } else { "-" };
            marked(format!("{sign}{}{}", plain(&line["debit"]), plain(&line["credit"])))
        }
        "posting_date" | "effective_date" => {
            let date = text(&line[field]);
            let pattern = text(&layout["date_pattern"]).replace("YYYY", &date[..4]).replace("YY", &date[2..4]);
            pattern.replace("MM", &date[5..7]).replace("DD", &date[8..])
        }
        "revision" | "release" | "entry" | "line" => plain(&line[field]),
        _ => match field.strip_prefix("dimension:") {
            Some(name) => guarded(&plain(&line["dimensions"][name]), layout),
            None => guarded(&plain(&line[field]), layout),
        },
    }
}

fn guarded(cell: &str, layout: &Value) -> String {
    let guard = layout["formula_text"] != json!("raw") && cell.starts_with(['=', '+', '-', '@', '\t', '\r']);
    format!("{}{cell}", if guard { "'" } else { "" })
}

/// The text as the layout's encoding can have it; none where it cannot.
fn encodable(cell: String, layout: &Value) -> Option<String> {
    if layout["encoding"] != json!("iso-8859-1") || cell.chars().all(in_latin1) {
        return Some(cell);
    }
    let replacement = layout.get("replacement").map(text)?;
    Some(cell.chars().map(|one| if in_latin1(one) { one.to_string() } else { replacement.to_owned() }).collect())
}

/// Reads a file by the rules of its layout alone.
#[track_caller]
fn read_back(written: &Answer, layout: &Value) -> Vec<Vec<String>> {
    let mut file = match layout["encoding"] == json!("iso-8859-1") {
        true => written.bytes.iter().map(|byte| char::from(*byte)).collect(),
        false => String::from_utf8(written.bytes.clone()).expect("UTF-8"),
    };
    if layout["byte_order_mark"] == json!(true) {
        file = file.strip_prefix('\u{feff}').expect("a byte order mark").to_owned();
    }
    let end = if layout["line_end"] == json!("lf") { "\n" } else { "\r\n" };
    assert!(file.is_empty() || file.ends_with(end), "{file}");
    let delimiter = match text(&layout["delimiter"]) {
        "semicolon" => ';',
        "tab" => '\t',
        "pipe" => '|',
        _ => ',',
    };
    check_bare(&file, end, delimiter, layout["quoting"] == json!("always"));
    let mut reader =
        csv::ReaderBuilder::new().has_headers(false).delimiter(delimiter as u8).from_reader(file.as_bytes());
    reader.records().map(|row| row.expect("a row").iter().map(str::to_owned).collect()).collect()
}

/// Outside quotes stand delimiters and line ends of the layout and nothing else that could be one; where all is quoted, nothing else at all.
#[track_caller]
fn check_bare(file: &str, end: &str, delimiter: char, always: bool) {
    let bare: String = file.split('"').step_by(2).collect();
    let rest = bare.replace(end, "");
    assert!(!rest.contains(['\r', '\n']), "{file}");
    assert!(!always || rest.chars().all(|one| one == delimiter), "{file}");
}

async fn what_a_random_layout_writes_says_what_the_lines_say(service: Service) {
    strange_entity(&service).await;
    let lines = items(&service.read(&format!("{LINES}&limit=500")).await);
    assert!(lines.len() > 15);
    let mut dice = Dice::new(20_251_231);
    let (mut refused, mut replaced) = (0, 0);
    for at in 0..200 {
        let layout = stored(&service, "random", &random_layout(&mut dice)).await;
        let written = service.get(&format!("{LINES}&format=csv&layout=random")).await;
        let columns = array(&layout["columns"]);
        let cells = |line: &Value| columns.iter().map(|column| expected(line, column, &layout)).collect::<Vec<_>>();
        let cells: Vec<Vec<String>> = lines.iter().map(cells).collect();
        let whole: Option<Vec<Vec<String>>> =
            cells.iter().map(|row| row.iter().map(|cell| encodable(cell.clone(), &layout)).collect()).collect();
        let Some(mut whole) = whole else {
            refused += 1;
            written.problem(409, "not_in_encoding");
            continue;
        };
        replaced += usize::from(whole != cells);
        if layout["header"] == json!(true) {
            whole.insert(0, columns.iter().map(|column| guarded(text(&column["header"]), &layout)).collect());
        }
        assert_eq!(written.status, 200, "{at}: {layout}: {}", String::from_utf8_lossy(&written.bytes));
        assert_eq!(read_back(&written, &layout), whole, "{at}: {layout}");
    }
    assert!(refused >= 5 && replaced >= 5, "{refused} refused, {replaced} replaced");
}

async fn a_character_that_the_encoding_lacks_is_never_lost_silently(service: Service) {
    strange_entity(&service).await;
    let mut layout = json!({"columns": [{"field": "number"}, {"header": "Name", "field": "account_name"}, {"field": "amount"}],
        "encoding": "iso-8859-1"});
    stored(&service, "latin", &layout).await;
    let batch = text(&service.batches().await[0]["id"]).to_owned();
    for path in
        [format!("{LINES}&format=csv&layout=latin"), format!("/v1/journal-batches/{batch}?format=csv&layout=latin")]
    {
        let problem = service.get(&path).await.problem(409, "not_in_encoding");
        let figures = json!({"character": "€", "column": "Name", "number": "ACME-2025-000001", "entry": 1, "line": 3});
        assert_eq!(problem["figures"], figures, "{problem}");
        for what in ["'€'", "\"Name\"", "Größe €", "replacement", "utf-8"] {
            assert!(text(&problem["detail"]).contains(what), "{problem}");
        }
    }
    // A column that has no such text is no problem, and neither is what stands outside the period.
    let march = service.get(&format!("{LINES}&format=csv&layout=latin").replace("2025-01-01", "2025-03-01")).await;
    assert_eq!(march.status, 200);
    layout["replacement"] = json!("?");
    stored(&service, "latin", &layout).await;
    let written = service.get(&format!("{LINES}&format=csv&layout=latin")).await;
    assert_eq!(written.status, 200);
    assert!(written.bytes.windows(7).any(|window| window == b"Gr\xf6\xdfe ?"), "the rest of the text stays");
}

async fn a_text_is_harmless_unless_the_layout_wants_it_raw(service: Service) {
    strange_entity(&service).await;
    let mut layout = json!({"columns": [{"field": "account"}, {"field": "reference"}, {"field": "dimension:desk"}, {"field": "amount"},
        {"header": "=H()", "constant": "@x"}]});
    for (formula_text, lead) in [("apostrophe", "'"), ("raw", "")] {
        layout["formula_text"] = json!(formula_text);
        let layout = stored(&service, "text", &layout).await;
        let rows = read_back(&service.get(&format!("{LINES}&format=csv&layout=text")).await, &layout);
        assert_eq!(rows[0][4], format!("{lead}=H()"));
        assert!(rows.iter().any(|row| row[0] == format!("{lead}+7000")), "{rows:?}");
        assert!(
            rows[1..].iter().all(|row| row[1] == format!("{lead}-CB;1,\"é\"") && row[4] == format!("{lead}@x")),
            "{rows:?}"
        );
        assert!(rows.iter().any(|row| row[2] == format!("{lead}@treasury")), "{rows:?}");
        // An amount is a figure and no text.
        assert!(
            rows.iter().any(|row| row[3].starts_with('-')) && rows.iter().all(|row| !row[3].starts_with('\'')),
            "{rows:?}"
        );
    }
}

async fn a_batch_and_a_period_are_written_by_the_same_layout(service: Service) {
    strange_entity(&service).await;
    let layout = json!({"columns": [{"field": "number"}, {"field": "line"}, {"field": "amount"}], "delimiter": "pipe", "header": false});
    stored(&service, "both", &layout).await;
    let mut together = Vec::new();
    for release in service.releases().await {
        let path = format!("/v1/journal-batches/{}?format=csv&layout=both", text(&release["batch"]));
        let written = service.get(&path).await;
        assert_eq!(written.status, 200);
        together.extend(written.bytes);
    }
    let period = service.get(&format!("{LINES}&format=csv&layout=both")).await;
    assert_eq!(String::from_utf8_lossy(&period.bytes), String::from_utf8_lossy(&together));
    // What `Accept` asks for is CSV too.
    let headers = [("accept", "text/csv")];
    let accepted = service
        .send(axum::http::Method::GET, &format!("{LINES}&layout=both"), &headers, axum::body::Body::empty())
        .await;
    assert_eq!((accepted.bytes, accepted.headers.get("vary").is_some()), (together, true));
}

async fn a_layout_that_is_not_there_or_has_no_use_is_refused(service: Service) {
    strange_entity(&service).await;
    stored(&service, "ledger", &json!({"columns": [{"field": "amount"}]})).await;
    let batch = format!("/v1/journal-batches/{}", text(&service.batches().await[0]["id"]));
    for (base, mark) in [(LINES.to_owned(), "&"), (batch, "?")] {
        let problem = service.get(&format!("{base}{mark}format=csv&layout=other")).await.problem(404, "not_found");
        assert!(text(&problem["detail"]).contains("\"other\""), "{problem}");
        for json in ["layout=ledger", "format=json&layout=ledger"] {
            let problem = service.get(&format!("{base}{mark}{json}")).await.problem(400, "malformed_query");
            assert!(text(&problem["detail"]).contains("add format=csv"), "{problem}");
        }
    }
}
