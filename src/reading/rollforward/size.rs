//! How long the sheets of a rollforward's workbook are at least, told before anything is computed.

use jiff::civil::Date;

use super::{ReadError, Scope};
use crate::document::BondIssueDocument;
use crate::posting::{self, RecordError};
use crate::store::{BondIssueRow, Reader};

/// How many issues are read at once.
const PAGE: i64 = 500;

/// Refuses a workbook of which a sheet cannot hold its rows. One that this lets pass may still be too long by a little: what is told here is
/// the least that each sheet has.
pub(super) async fn check(scope: &Scope<'_>, most: u32, reader: &mut Reader<'_>) -> Result<(), ReadError> {
    let of = (scope.entity, scope.currency.code());
    let (from, to) = (scope.days.0.to_string(), scope.days.1.to_string());
    let days = (from.as_str(), to.as_str());
    let most = i64::from(most);
    let posted = reader.posted_count(of, days, scope.known).await?;
    for (sheet, rows) in [("Journals", posted.lines), ("Events", posted.entries)] {
        if rows > most {
            return Err(too_long(sheet, rows, most));
        }
    }
    let (mut after, mut rows) = (String::new(), 0);
    loop {
        let page = reader.issues_posted(of, days, scope.known, (&after, PAGE)).await?;
        let Some(last) = page.last() else { break };
        after.clone_from(&last.id);
        for issue in &page {
            rows += scheduled(issue)?;
        }
    }
    if rows > most { Err(too_long("Schedule", rows, most)) } else { Ok(()) }
}

fn too_long(sheet: &'static str, rows: i64, most: i64) -> ReadError {
    RecordError::TooLong { sheet, rows, most }
}

/// The least rows that an issue has on the sheet of schedules: one a period, and the closing. A first period may be long, so they are counted
/// from its end.
fn scheduled(issue: &BondIssueRow) -> Result<i64, ReadError> {
    let document: BondIssueDocument =
        serde_json::from_str(&issue.terms).map_err(|error| RecordError::corrupt("terms", error))?;
    let terms = document.terms()?;
    let begin = posting::date(&issue.settlement_date)?.max(terms.first_coupon_date.unwrap_or(Date::MIN));
    let end = terms.maturity_date;
    let months = i64::from(end.year() - begin.year()) * 12 + i64::from(end.month() - begin.month());
    Ok((months - 1).max(0) * i64::from(terms.periods_per_year()) / 12 + 1)
}
