//! Disclosures as CSV: a row a figure, since what they hold has no one table. The rules of [all tables](super) hold here too.

use rust_decimal::Decimal;
use serde_json::Value;

use super::{harmless, writer};
use crate::reading::DisclosuresDocument;

const HEADER: [&str; 9] =
    ["section", "period_from", "as_of", "currency", "bond_issue", "reference", "event", "figure", "value"];
/// What has a column of its own.
const COLUMNS: [&str; 3] = ["bond_issue", "reference", "event"];

/// Every figure with where it stands: its section, its issue and event if it is of one, and its name with dots for what it is a part of. What
/// is null has no row.
///
/// # Errors
/// Writing to memory does not fail.
pub fn disclosures(report: &DisclosuresDocument) -> Result<Vec<u8>, csv::Error> {
    let document = serde_json::to_value(report).map_err(|error| csv::Error::from(std::io::Error::other(error)))?;
    let mut writer = writer();
    writer.write_record(HEADER)?;
    for (section, value) in document.as_object().into_iter().flatten() {
        let rows = match value {
            Value::Array(rows) => rows.as_slice(),
            Value::Object(_) => std::slice::from_ref(value),
            _ => continue,
        };
        for row in rows {
            let mut figures = Vec::new();
            flatten("", row, &mut figures);
            let [bond_issue, reference, event] = COLUMNS.map(|name| row[name].as_str().unwrap_or_default());
            for (figure, value) in figures {
                let record = [
                    section,
                    &report.period_from,
                    &report.as_of,
                    &report.currency,
                    bond_issue,
                    &harmless(reference),
                    event,
                    &figure,
                    &value,
                ];
                writer.write_record(record)?;
            }
        }
    }
    writer.into_inner().map_err(|error| csv::Error::from(error.into_error()))
}

fn flatten(name: &str, value: &Value, figures: &mut Vec<(String, String)>) {
    let within = |part: &str| if name.is_empty() { part.to_owned() } else { format!("{name}.{part}") };
    match value {
        Value::Null => {}
        Value::Object(fields) => {
            for (field, value) in fields.iter().filter(|(field, _)| !(name.is_empty() && is_column(field))) {
                flatten(&within(field), value, figures);
            }
        }
        Value::Array(parts) => {
            for (place, part) in parts.iter().enumerate() {
                flatten(&within(&label(part).unwrap_or_else(|| place.to_string())), part, figures);
            }
        }
        Value::String(text) if text.parse::<Decimal>().is_ok() => figures.push((name.to_owned(), text.clone())),
        Value::String(text) => figures.push((name.to_owned(), harmless(text))),
        Value::Bool(_) | Value::Number(_) => figures.push((name.to_owned(), value.to_string())),
    }
}

fn is_column(field: &str) -> bool {
    COLUMNS.contains(&field)
}

/// By what a part of a list is named: its band, or the last day of its year.
fn label(part: &Value) -> Option<String> {
    let of = |name: &str| part.get(name).map(|value| value.as_str().unwrap_or("thereafter").to_owned());
    of("band").or_else(|| of("through"))
}
