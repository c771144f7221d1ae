//! CSV (RFC 4180) with a header: a column a field, nested ones with a dot (`conversion.share_par_value`). An empty cell is an absent
//! field, and a byte order mark is passed over.

use std::io::{self, BufRead, Read};

use csv::ByteRecord;
use serde_json::{Map, Value};

use super::MOST_OF_A_ROW;
use super::rows::{Row, too_long};
use crate::document::BondIssueDocument;
use crate::http::body::parse;
use crate::http::problem::{self, FieldError, Problem};

/// What the cells of a column hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Text,
    /// A whole number, which JSON has without quotes.
    Count,
    /// `true` or `false`.
    Flag,
    /// Several, with spaces between them.
    List,
    /// A JSON text.
    Json,
}

/// Every column but those of dimensions, whose names are the entity's own: `dimensions.NAME`.
const COLUMNS: &[(&str, Kind)] = &[
    ("entity", Kind::Text),
    ("reference", Kind::Text),
    ("name", Kind::Text),
    ("isin", Kind::Text),
    ("series", Kind::Text),
    ("currency", Kind::Text),
    ("principal", Kind::Text),
    ("denomination", Kind::Text),
    ("coupon_rate", Kind::Text),
    ("coupon_frequency", Kind::Count),
    ("day_count", Kind::Text),
    ("dated_date", Kind::Text),
    ("settlement_date", Kind::Text),
    ("first_coupon_date", Kind::Text),
    ("maturity_date", Kind::Text),
    ("proceeds", Kind::Text),
    ("accrued_interest_received", Kind::Text),
    ("issue_costs", Kind::Text),
    ("record_days", Kind::Count),
    ("straight_debt_rate", Kind::Text),
    ("equity_issue_costs", Kind::Text),
    ("compounding_frequency", Kind::Count),
    ("redemption_price", Kind::Text),
    ("amortization_method", Kind::Text),
    ("within_period", Kind::Text),
    ("accrual_cutoff", Kind::Text),
    ("amortization_end", Kind::Text),
    ("put_dates", Kind::List),
    ("premium_treatment", Kind::Text),
    ("stated_effective_rate", Kind::Text),
    ("conversion.shares_per_denomination", Kind::Text),
    ("conversion.share_par_value", Kind::Text),
    ("conversion.no_par", Kind::Flag),
    ("conversion.accrued_interest", Kind::Text),
    ("conversion.settlement", Kind::Text),
    ("conversion.minimum_adjustment", Kind::Text),
    ("conversion.make_whole", Kind::Json),
    ("conversion.principal_on_conversion", Kind::Text),
    ("conversion.sale_price_condition", Kind::Json),
    ("opening_balance.date", Kind::Text),
    ("opening_balance.principal", Kind::Text),
    ("opening_balance.premium_discount", Kind::Text),
    ("opening_balance.issue_costs", Kind::Text),
    ("opening_balance.interest_payable", Kind::Text),
    ("opening_balance.interest_due", Kind::Text),
    ("opening_balance.equity_component", Kind::Text),
];

const DIMENSIONS: &str = "dimensions.";

#[derive(Clone, Debug)]
struct Column {
    name: String,
    kind: Kind,
}

pub(super) struct CsvRows<R> {
    reader: csv::Reader<Bounded<R>>,
    columns: Vec<Column>,
    entity: String,
    record: ByteRecord,
    /// The line on which the row ends that was read last.
    ended: u64,
}

impl<R: BufRead> CsvRows<R> {
    /// Reads the header.
    pub fn new(reader: R, entity: &str) -> Result<CsvRows<R>, Problem> {
        let bounded = Bounded { inner: reader, left: MOST_OF_A_ROW, piece: Vec::new(), read: 0 };
        // The header is read as any record, which the reader would do for itself and keep.
        let mut reader = csv::ReaderBuilder::new().has_headers(false).flexible(true).from_reader(bounded);
        let mut record = ByteRecord::new();
        let found = reader.read_byte_record(&mut record).map_err(|error| failed(error, 1))?;
        if !found {
            return Err(Problem::invalid_fields(vec![
                FieldError::new("", "the file is empty; begin it with a header that names the columns").on_line(1),
            ]));
        }
        let mut rows = CsvRows { reader, columns: columns(&record)?, entity: entity.to_owned(), record, ended: 0 };
        rows.begin();
        Ok(rows)
    }

    pub fn next(&mut self) -> Option<Result<Row, Problem>> {
        self.reader.get_mut().left = MOST_OF_A_ROW;
        match self.reader.read_byte_record(&mut self.record) {
            Ok(false) => None,
            Ok(true) => {
                let line = self.begin();
                Some(Ok(Row { line, issue: self.issue() }))
            }
            Err(error) => Some(Err(failed(error, self.ended + 1))),
        }
    }

    /// The line on which the row begins that was read last: that on which it ends, less the lines within it. The reader's own position
    /// is before the empty lines that it passes over, and counts a line at its LF, which it leaves to the next row where a CR comes before.
    fn begin(&mut self) -> u64 {
        let position = self.reader.position();
        let after_lf = self.reader.get_ref().byte_before(position.byte()) == Some(b'\n');
        self.ended = position.line() - u64::from(after_lf);
        self.ended - self.record.as_slice().iter().filter(|byte| **byte == b'\n').count() as u64
    }

    fn issue(&self) -> Result<BondIssueDocument, Problem> {
        if self.record.len() != self.columns.len() {
            let (cells, columns) = (self.record.len(), self.columns.len());
            let detail =
                format!("the row has {cells} cells and the header {columns} columns; give as many, empty ones too");
            return Err(Problem::invalid_field("", detail));
        }
        let mut fields = Map::new();
        for (column, cell) in self.columns.iter().zip(&self.record) {
            let text = std::str::from_utf8(cell).map_err(|error| {
                let detail =
                    format!("the cell is not UTF-8 from its byte {} on; write the file in UTF-8", error.valid_up_to());
                in_columns(
                    Problem::new(problem::NOT_UTF8, detail.clone())
                        .with_errors(vec![FieldError::new(column.pointer(), detail)]),
                )
            })?;
            if !text.is_empty() {
                column.put(&mut fields, text)?;
            }
        }
        fields.entry("entity").or_insert_with(|| Value::String(self.entity.clone()));
        parse(Value::Object(fields).to_string().as_bytes()).map_err(in_columns)
    }
}

/// Names the column beside the pointer.
fn in_columns(problem: Problem) -> Problem {
    let named = |error: &FieldError| match error.pointer.strip_prefix('/') {
        Some(path) => FieldError {
            detail: format!("in the column {:?}: {}", path.replace('/', "."), error.detail),
            ..error.clone()
        },
        None => error.clone(),
    };
    let errors = problem.errors().iter().map(named).collect();
    problem.with_errors(errors)
}

fn columns(header: &ByteRecord) -> Result<Vec<Column>, Problem> {
    let (mut columns, mut errors): (Vec<Column>, Vec<FieldError>) = (Vec::with_capacity(header.len()), Vec::new());
    for (at, name) in header.iter().enumerate() {
        let name = if at == 0 { name.strip_prefix(b"\xef\xbb\xbf").unwrap_or(name) } else { name };
        let name = String::from_utf8_lossy(name).into_owned();
        let known = COLUMNS.iter().find(|(known, _)| *known == name).map(|(_, kind)| *kind);
        let dimension = name.strip_prefix(DIMENSIONS).filter(|dimension| !dimension.is_empty()).map(|_| Kind::Text);
        let why = match known.or(dimension) {
            Some(_) if columns.iter().any(|column| column.name == name) => {
                Some(format!("the column {name:?} is given twice"))
            }
            Some(_) => None,
            None => Some(format!(
                "there is no column {name:?}; the columns are the fields of a bond issue, nested ones with a dot, such as \"opening_balance.principal\""
            )),
        };
        errors.extend(why.map(|why| FieldError::new("", why).on_line(1)));
        columns.push(Column { name, kind: known.unwrap_or(Kind::Text) });
    }
    if errors.is_empty() { Ok(columns) } else { Err(Problem::invalid_fields(errors)) }
}

impl Column {
    fn pointer(&self) -> String {
        format!("/{}", self.name.replace('.', "/"))
    }

    /// Puts a cell in its place. One of another shape than its column's is put as text, and refused with the others.
    fn put(&self, fields: &mut Map<String, Value>, text: &str) -> Result<(), Problem> {
        let string = || Value::String(text.to_owned());
        let value = match self.kind {
            Kind::Text => string(),
            Kind::Count => text.parse::<u64>().map_or_else(|_| string(), Value::from),
            Kind::Flag => text.parse::<bool>().map_or_else(|_| string(), Value::from),
            Kind::List => text.split_ascii_whitespace().map(Value::from).collect(),
            Kind::Json => serde_json::from_str(text).map_err(|error| {
                in_columns(Problem::invalid_field(self.pointer(), format!("the cell is not one JSON text: {error}")))
            })?,
        };
        let (group, name) =
            self.name.split_once('.').map_or((None, self.name.as_str()), |(group, name)| (Some(group), name));
        let group = group.map(|group| fields.entry(group).or_insert_with(|| Value::Object(Map::new())));
        let place = match group {
            Some(Value::Object(inner)) => inner,
            _ => fields,
        };
        place.insert(name.to_owned(), value);
        Ok(())
    }
}

/// A reader that gives no more than a row may have: an open quote would take the rest of the file into memory.
struct Bounded<R> {
    inner: R,
    left: u64,
    /// What was read last, and how much was up to its end.
    piece: Vec<u8>,
    read: u64,
}

impl<R> Bounded<R> {
    /// The byte before a place in what was read last, such as the end of a row.
    fn byte_before(&self, place: u64) -> Option<u8> {
        let from_end = usize::try_from(self.read.checked_sub(place)?).ok()?;
        self.piece.get(self.piece.len().checked_sub(from_end + 1)?).copied()
    }
}

impl<R: Read> Read for Bounded<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        if self.left == 0 {
            return Err(io::Error::from(io::ErrorKind::FileTooLarge));
        }
        let read = self.inner.read(buffer)?;
        self.left = self.left.saturating_sub(read as u64);
        if read > 0 {
            self.piece.clear();
            self.piece.extend_from_slice(&buffer[..read]);
            self.read += read as u64;
        }
        Ok(read)
    }
}

fn failed(error: csv::Error, line: u64) -> Problem {
    match error.kind() {
        csv::ErrorKind::Io(cause) if cause.kind() == io::ErrorKind::FileTooLarge => too_long(line),
        _ => Problem::internal(error),
    }
}

#[cfg(test)]
mod tests {
    use utoipa::openapi::schema::Schema;
    use utoipa::{PartialSchema, openapi::RefOr};

    use super::*;
    use crate::document::OpeningBalanceDocument;

    fn fields<T: PartialSchema>() -> Vec<String> {
        match T::schema() {
            RefOr::T(Schema::Object(object)) => object.properties.keys().cloned().collect(),
            _ => panic!("a document is an object"),
        }
    }

    #[test]
    fn every_field_of_a_bond_issue_has_a_column() {
        let mut expected = fields::<BondIssueDocument>();
        expected.retain(|field| !["dimensions", "conversion", "opening_balance"].contains(&field.as_str()));
        let nested = |group: &str, fields: Vec<String>| {
            fields.into_iter().map(|field| format!("{group}.{field}")).collect::<Vec<_>>()
        };
        expected.extend(nested("conversion", fields::<crate::document::ConversionDocument>()));
        expected.extend(nested("opening_balance", fields::<OpeningBalanceDocument>()));
        expected.sort();
        let mut columns: Vec<&str> = COLUMNS.iter().map(|(name, _)| *name).collect();
        columns.sort_unstable();
        assert_eq!(columns, expected);
    }

    #[test]
    fn a_row_is_on_the_line_on_which_it_begins() {
        for end in ["\n", "\r\n"] {
            for tail in ["", end] {
                let text = ["reference,name", "A,\"two", "lines\"", "", "B,x", "C,y"].join(end) + tail;
                let mut rows = CsvRows::new(text.as_bytes(), "ACME").unwrap();
                let lines: Vec<u64> = std::iter::from_fn(|| rows.next()).map(|row| row.unwrap().line).collect();
                assert_eq!(lines, [2, 5, 6], "{end:?} {tail:?}");
            }
        }
    }

    /// Also where the reader's buffer ends.
    #[test]
    fn lines_are_counted_through_a_long_file() {
        for end in ["\n", "\r\n"] {
            let text: String = (0..9_000).map(|at| format!("{}{end}", "x".repeat(at % 17 + 1))).collect();
            let text = format!("reference{end}{text}");
            let mut rows = CsvRows::new(text.as_bytes(), "ACME").unwrap();
            let lines = std::iter::from_fn(|| rows.next()).map(|row| row.unwrap().line);
            assert!(lines.eq(2..9_002), "{end:?}");
        }
    }

    #[test]
    fn a_quote_that_is_not_closed_does_not_fill_the_memory() {
        let text = format!("reference\nA\n\"{}", "x".repeat(3 << 20));
        let mut rows = CsvRows::new(text.as_bytes(), "ACME").unwrap();
        assert!(rows.next().unwrap().is_ok());
        let problem = rows.next().unwrap().unwrap_err();
        assert_eq!((problem.code(), problem.detail().contains("line 3")), ("body_too_large", true), "{problem}");
    }
}
