//! What stands in the way of closing a fiscal period: what does not tie, and what is expected by its last day and not recorded.
//!
//! All of it is read as the books stand before the close accrues them: an accrual posts what is computed less what is booked, and so
//! would mend a booked balance that is wrong, and hide it.

mod expected;
mod ties;

use std::collections::HashMap;

use jiff::civil::Date;

use crate::accounting::money::Amount;
use crate::accounting::position::Components;
use crate::accounting::{Currency, Refusal};
use crate::document::{CloseRequest, ExpectedName, InTheWay, WaiverDocument, money};
use crate::posting::RecordError;
use crate::reading::Walk;
use crate::store::{Carrying, Reader};

/// A close that is looked at.
pub(crate) struct Closing<'a> {
    pub entity: &'a str,
    /// The last day that is locked already.
    pub closed_through: Option<Date>,
    /// The last day that the close locks.
    pub through: Date,
    /// The last command that is looked at.
    pub known: i64,
}

/// An issue as it is shown in what stands in the way.
struct Issue<'a> {
    id: &'a str,
    reference: &'a str,
    currency: Currency,
}

impl Closing<'_> {
    /// What stands in the way. `accrued` is what the accrual of the close leaves booked, of the issues for which it posts something.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn in_the_way(
        &self,
        accrued: &HashMap<String, Components>,
        reader: &mut Reader<'_>,
    ) -> Result<Vec<InTheWay>, RecordError> {
        let (mut found, mut expected) = (Vec::new(), Vec::new());
        let mut walk = Walk::begin(self.entity, self.through, self.known, reader).await?;
        let redeemed = expected::Redemptions::read(self, reader).await?;
        loop {
            let page = walk.page(reader).await?;
            if page.is_empty() {
                break;
            }
            let mut suspects = Vec::new();
            for rows in &page {
                let issue = Issue::of(rows)?;
                let valued = walk.value(rows)?;
                ties::carrying_value(self, &issue, &valued.value, accrued.get(issue.id), &mut found)?;
                suspects.extend(expected::Suspect::of(self, issue, valued));
            }
            expected::of_issues(self, &suspects, &redeemed, reader, &mut expected).await?;
        }
        ties::rollforwards(self, reader, &mut found).await?;
        expected::settlements(self, reader, &mut expected).await?;
        found.extend(expected);
        Ok(found)
    }

    /// The day after those that are locked already, or the first of all.
    fn from(&self) -> Date {
        self.closed_through.and_then(|closed| closed.tomorrow().ok()).unwrap_or(Date::constant(1, 1, 1))
    }
}

impl<'a> Issue<'a> {
    fn of(rows: &'a Carrying) -> Result<Issue<'a>, RecordError> {
        let unknown = || RecordError::corrupt("currency", "a code that is not in ISO 4217");
        let currency = Currency::from_code(&rows.issue.currency).ok_or_else(unknown)?;
        Ok(Issue { id: &rows.issue.id, reference: &rows.issue.reference, currency })
    }

    /// An amount with its currency, as a sentence has it.
    fn figure(&self, amount: Amount) -> String {
        format!("{} {}", self.currency.code(), money(amount, self.currency))
    }

    /// Something that is expected of it.
    fn expected(&self, what: ExpectedName, date: Date, amount: Amount, detail: String) -> InTheWay {
        InTheWay {
            expected: Some(what),
            amount: Some(money(amount, self.currency)),
            currency: Some(self.currency.code().to_owned()),
            ..self.in_the_way(what.code(), date, detail)
        }
    }

    fn in_the_way(&self, code: &'static str, date: Date, detail: String) -> InTheWay {
        InTheWay {
            bond_issue: Some(self.id.to_owned()),
            reference: Some(self.reference.to_owned()),
            ..in_the_way(code, date, detail)
        }
    }
}

/// Something that stands in the way on a date.
pub(crate) fn in_the_way(code: &'static str, date: Date, detail: String) -> InTheWay {
    InTheWay {
        code,
        bond_issue: None,
        reference: None,
        batch: None,
        expected: None,
        date: date.to_string(),
        amount: None,
        currency: None,
        detail,
    }
}

/// What is left when what is waived is taken away.
///
/// # Errors
/// The place of a waiver that lacks a reason or a name, or waives nothing that is expected, and what to change.
pub(crate) fn waive(request: &CloseRequest, mut found: Vec<InTheWay>) -> Result<Vec<InTheWay>, WrongWaiver> {
    for (at, waiver) in request.waivers.iter().enumerate() {
        for (field, text) in [("reason", &waiver.reason), ("name", &waiver.name)] {
            if text.trim().is_empty() {
                return Err(WrongWaiver { at, field, detail: format!("a waiver has a {field}") });
            }
        }
        let Some(place) = found.iter().position(|item| is_waived(item, waiver)) else {
            let detail = format!(
                "nothing of this kind is expected of {} on {} and not recorded; leave the waiver out, or see the period's in_the_way for what is",
                waiver.bond_issue, waiver.date
            );
            return Err(WrongWaiver { at, field: "", detail });
        };
        // Two offers of an issue may have been accepted on one day: each has its waiver.
        found.remove(place);
    }
    Ok(found)
}

fn is_waived(item: &InTheWay, waiver: &WaiverDocument) -> bool {
    item.expected == Some(waiver.expected)
        && item.bond_issue.as_ref() == Some(&waiver.bond_issue)
        && item.date == waiver.date.to_string()
}

/// A waiver that cannot be taken.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{detail}")]
pub struct WrongWaiver {
    /// Its place in the request.
    pub at: usize,
    /// Its field, or nothing if it is wrong as a whole.
    pub field: &'static str,
    pub detail: String,
}

/// By how much two figures differ, if they do.
fn difference(left: Amount, right: Amount) -> Result<Option<Amount>, Refusal> {
    let difference = left.minus(right)?;
    Ok((!difference.is_zero()).then_some(difference))
}
