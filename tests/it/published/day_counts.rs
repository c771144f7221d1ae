//! Days between dates by every day count.

use serde::Deserialize;

use super::case::{Case, Status};
use super::life;
use super::terms::{day, day_count};

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Family {
    /// Coupons of an issue that pays its whole principal a year: the fraction of a year of each period.
    pub fractions: Vec<Case<life::Run>>,
    pub days: Vec<Case<Table>>,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Table {
    columns: Vec<Column>,
    rows: Vec<Row>,
}

/// One column of days. It must hold for all the counts named.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Column {
    name: String,
    day_counts: Vec<String>,
    /// Whether the issue matures on a month's last day.
    month_end_issue: bool,
    status: Status,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    start: String,
    end: String,
    days: Vec<i64>,
}

/// What of a table does not hold.
pub fn failures(table: &Table) -> Vec<String> {
    table.rows.iter().flat_map(|row| row.failures(&table.columns).unwrap_or_else(|problem| vec![problem])).collect()
}

impl Row {
    fn failures(&self, columns: &[Column]) -> Result<Vec<String>, String> {
        if self.days.len() != columns.len() {
            return Err(format!("{} to {}: {} columns", self.start, self.end, self.days.len()));
        }
        let (start, end) = (day(&self.start)?, day(&self.end)?);
        let mut failures = Vec::new();
        for (column, shown) in columns.iter().zip(&self.days) {
            for name in &column.day_counts {
                let ours = day_count(name)?.days(start, end, column.month_end_issue);
                if ours != *shown {
                    failures.push(format!(
                        "{start} to {end}, {} ({:?}), {name}: shown {shown}, ours {ours}",
                        column.name, column.status
                    ));
                }
            }
        }
        Ok(failures)
    }
}
