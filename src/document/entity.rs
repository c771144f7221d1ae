//! Entities and account mappings.

use std::collections::BTreeMap;

use jiff::civil::Weekday;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::BatchHeadDocument;
use super::wire::DateString;
use crate::accounting::Refusal;
use crate::accounting::fiscal_calendar::{WeekYears, YearEnd};
use crate::accounting::framework::Framework;

/// The reporting framework.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum FrameworkName {
    #[default]
    UsGaap,
    Ifrs,
}

impl From<FrameworkName> for Framework {
    fn from(name: FrameworkName) -> Framework {
        match name {
            FrameworkName::UsGaap => Framework::UsGaap,
            FrameworkName::Ifrs => Framework::Ifrs,
        }
    }
}

/// Fiscal years that end always on the same day of the week. A fifty-third week belongs to the last period.
///
/// A year is named by the calendar year of the month's end that it ends before or nearest to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct FiscalCalendarDocument {
    /// The weeks of the three periods of a quarter: `4-4-5`, `4-5-4` or `5-4-4`.
    #[schema(example = "4-4-5", pattern = "^(4-4-5|4-5-4|5-4-4)$")]
    pub weeks: String,
    /// The day of the week on which years end.
    pub weekday: WeekdayName,
    #[serde(default)]
    pub ends: WeekYearEnd,
}

/// A day of the week.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum WeekdayName {
    Monday,
    Tuesday,
    Wednesday,
    Thursday,
    Friday,
    Saturday,
    Sunday,
}

/// Which of its weekdays ends a year: the last one in the month, or the one nearest to the month's last day.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum WeekYearEnd {
    #[default]
    LastInMonth,
    NearestMonthEnd,
}

impl FiscalCalendarDocument {
    /// As the core has it.
    ///
    /// # Errors
    /// A [`Refusal`] that says which weeks a quarter may have.
    pub fn weeks(&self) -> Result<WeekYears, Refusal> {
        let rule = "the periods of a quarter have 4-4-5, 4-5-4 or 5-4-4 weeks";
        Ok(WeekYears {
            quarter: self.weeks.parse().map_err(|()| Refusal::invalid("fiscal_calendar/weeks", &self.weeks, rule))?,
            weekday: match self.weekday {
                WeekdayName::Monday => Weekday::Monday,
                WeekdayName::Tuesday => Weekday::Tuesday,
                WeekdayName::Wednesday => Weekday::Wednesday,
                WeekdayName::Thursday => Weekday::Thursday,
                WeekdayName::Friday => Weekday::Friday,
                WeekdayName::Saturday => Weekday::Saturday,
                WeekdayName::Sunday => Weekday::Sunday,
            },
            ends: match self.ends {
                WeekYearEnd::LastInMonth => YearEnd::LastInMonth,
                WeekYearEnd::NearestMonthEnd => YearEnd::NearestMonthEnd,
            },
        })
    }
}

/// A legal entity whose books are kept.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct EntityDocument {
    /// 2 to 12 characters A-Z and 0-9; never changes.
    #[schema(pattern = "^[A-Z0-9]{2,12}$", example = "HARBOR")]
    pub code: String,
    #[schema(example = "Harbor Light Ferries, Inc.")]
    pub name: String,
    /// ISO 4217.
    #[schema(example = "USD")]
    pub functional_currency: String,
    #[serde(default)]
    pub framework: FrameworkName,
    /// MM-DD, a month's last day.
    #[schema(example = "12-31")]
    pub fiscal_year_end: String,
    /// Fiscal years of 52 or 53 weeks (26 CFR 1.441-2(a)) instead of twelve months. `fiscal_year_end` says the month.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fiscal_calendar: Option<FiscalCalendarDocument>,
    /// Legal Entity Identifier (ISO 17442).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub lei: Option<String>,
    /// The most lines that one batch may have, where the ledger takes no more; batches are cut between entries, and a longer entry stands
    /// alone.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schema(minimum = 2)]
    pub max_lines_per_batch: Option<u32>,
}

/// A ledger account.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AccountDocument {
    /// The account's code in the ledger.
    #[schema(example = "2510")]
    pub account: String,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub dimensions: BTreeMap<String, String>,
}

/// The whole account mapping of an entity, or of one issue, from a date on.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
#[serde(deny_unknown_fields)]
pub struct AccountMappingDocument {
    /// Account role to account.
    pub accounts: BTreeMap<String, AccountDocument>,
    /// In answers: from when on it is in force.
    #[serde(default, skip_serializing_if = "Option::is_none", skip_deserializing)]
    pub effective_from: Option<DateString>,
    /// In answers: the batches that move balances to the accounts of a mapping that was recorded.
    #[serde(default, skip_serializing_if = "Vec::is_empty", skip_deserializing)]
    pub journal_batches: Vec<BatchHeadDocument>,
    /// In answers: roles that the issue, or an issue of the entity, can ever need and that have no account.
    #[serde(default, skip_serializing_if = "Option::is_none", skip_deserializing)]
    pub missing: Option<Vec<String>>,
}
