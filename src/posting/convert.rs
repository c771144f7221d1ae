//! Between the rows of the store and the types of the core.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::civil::Date;

use super::error::RecordError;
use super::release::account;
use crate::accounting::account_mapping::Mapping;
use crate::accounting::fiscal_calendar::FiscalCalendar;
use crate::accounting::framework::Framework;
use crate::accounting::instrument::{Carried, Effect, Instrument, Moment, Revision, ShareCapital};
use crate::accounting::journal::{AccountRole, MovementKind};
use crate::accounting::money::Amount;
use crate::accounting::position::{Components, PaidCoupon, PositionRow};
use crate::accounting::transaction::rate_adjustment::{Outcome, Reason};
use crate::accounting::transaction::reversal::{PostedEntry, PostedLine};
use crate::accounting::transaction::{BookedRow, ConversionRate, TakenBackLater};
use crate::document::{
    AccountDocument, BondIssueDocument, ConversionOptionDocument, FiscalCalendarDocument, FrameworkName, StoredRates,
    StoredRevision,
};
use crate::store;

/// A stored date.
pub(crate) fn date(text: &str) -> Result<Date, RecordError> {
    text.parse().map_err(|error: jiff::Error| RecordError::corrupt("date", error))
}

/// An entity's framework from its row.
pub fn framework(row: &store::EntityRow) -> Result<Framework, RecordError> {
    let name: FrameworkName = serde_json::from_value(row.framework.as_str().into())
        .map_err(|error| RecordError::corrupt("framework", error))?;
    Ok(name.into())
}

/// An entity's calendar from its row, closed through a day.
pub fn calendar(row: &store::EntityRow, closed_through: Option<Date>) -> Result<FiscalCalendar, RecordError> {
    let weeks = weeks(row.fiscal_calendar.as_deref())?.as_ref().map(FiscalCalendarDocument::weeks).transpose()?;
    Ok(FiscalCalendar::new(&row.fiscal_year_end, closed_through)?.of_weeks(weeks))
}

/// The stored weeks of an entity's fiscal years, if they are not of months.
pub fn weeks(stored: Option<&str>) -> Result<Option<FiscalCalendarDocument>, RecordError> {
    let read = |text| serde_json::from_str(text).map_err(|error| RecordError::corrupt("fiscal calendar", error));
    stored.map(read).transpose()
}

/// A recorded issue from its row, as it is after all its `revisions` that stand.
pub fn instrument(
    row: &store::BondIssueRow,
    revisions: &[store::RecordedRevision],
) -> Result<(BondIssueDocument, Arc<Instrument>), RecordError> {
    let (document, instrument) = issued(row)?;
    let standing = revisions.iter().filter(|recorded| recorded.revision.bond_issue == row.id && recorded.reversed == 0);
    let revised = standing.map(|recorded| &recorded.revision).try_fold(instrument, |before, row| revised(&before, row));
    Ok((document, revised?))
}

/// An issue as it was recorded, from its row.
fn issued(row: &store::BondIssueRow) -> Result<(BondIssueDocument, Arc<Instrument>), RecordError> {
    let document: BondIssueDocument =
        serde_json::from_str(&row.terms).map_err(|error| RecordError::corrupt("terms", error))?;
    let rates: StoredRates = serde_json::from_str(&row.rates).map_err(|error| RecordError::corrupt("rates", error))?;
    let instrument = Instrument::restore(document.terms()?, (&rates).into())?;
    Ok((document, Arc::new(instrument)))
}

/// What an issue was as known from each sequence on: as recorded, then after each revision and each that was taken back, which is
/// always the last of those that stood.
pub fn versions(
    row: &store::BondIssueRow,
    revisions: &[store::RecordedRevision],
) -> Result<Vec<(i64, Arc<Instrument>)>, RecordError> {
    let mut versions = vec![(row.sequence, issued(row)?.1)];
    let mut changes: Vec<(i64, Option<&store::RevisionRow>)> =
        revisions.iter().map(|recorded| (recorded.revision.sequence, Some(&recorded.revision))).collect();
    changes.extend(revisions.iter().filter(|it| it.reversed > 0).map(|it| (it.reversed, None)));
    changes.sort_by_key(|(sequence, _)| *sequence);
    for (sequence, change) in changes {
        let Some((_, newest)) = versions.last() else { continue };
        let version = match change {
            Some(row) => revised(newest, row)?,
            None => newest.before().map_or_else(|| Arc::clone(newest), Arc::clone),
        };
        versions.push((sequence, version));
    }
    Ok(versions)
}

fn revised(before: &Arc<Instrument>, row: &store::RevisionRow) -> Result<Arc<Instrument>, RecordError> {
    let corrupt = |error| RecordError::corrupt("revision", error);
    let stored: StoredRevision = serde_json::from_str(&row.terms).map_err(corrupt)?;
    let rates: StoredRates = serde_json::from_str(&row.rates).map_err(corrupt)?;
    let (terms, expected) = stored.terms(before.terms())?;
    let carried = Carried {
        principal: Amount::from_minor(row.principal),
        clean: Amount::from_minor(row.clean),
        issue_costs: Amount::from_minor(row.issue_costs),
        effect: Effect::from_name(&row.effect).ok_or_else(|| RecordError::corrupt("revision", "an unknown effect"))?,
    };
    let revision = Revision::new(before, date(&row.date)?, terms, expected)?;
    Ok(Arc::new(revision.restored(carried, (&rates).into())?))
}

/// The row of an issue's last revision; its sequence is given with the stamp.
pub(super) fn stored_revision(
    entity: &str,
    bond_issue: &str,
    revised: &Instrument,
    option: Option<&ConversionOptionDocument>,
) -> Result<store::RevisionRow, RecordError> {
    let carried = revised.carried().ok_or_else(|| RecordError::corrupt("revision", "nothing was revised"))?;
    let rates: StoredRates = revised.rates().into();
    let json = |error| RecordError::corrupt("revision", error);
    Ok(store::RevisionRow {
        entity: entity.to_owned(),
        bond_issue: bond_issue.to_owned(),
        sequence: 0,
        date: revised.revised_on().map(|date| date.to_string()).unwrap_or_default(),
        terms: serde_json::to_string(&StoredRevision::of(revised, option)).map_err(json)?,
        principal: carried.principal.minor(),
        clean: carried.clean.minor(),
        issue_costs: carried.issue_costs.minor(),
        effect: carried.effect.name().to_owned(),
        rates: serde_json::to_string(&rates).map_err(json)?,
    })
}

/// A conversion rate, from its row.
pub fn conversion_rate(row: &store::ConversionRateRow) -> Result<ConversionRate, RecordError> {
    let figure = |text: &str| text.parse().map_err(|error: rust_decimal::Error| RecordError::corrupt("rate", error));
    let par = row.share_par_value.as_deref().map(figure).transpose()?;
    let shares_per_denomination = figure(&row.shares_per_denomination)?;
    Ok(ConversionRate {
        date: date(&row.date)?,
        shares_per_denomination,
        by_terms: row.reason.as_deref() != Some(Reason::Voluntary.name()),
        carried: row.carried_shares.as_deref().map_or(Ok(shares_per_denomination), figure)?,
        share_capital: par.map_or(ShareCapital::NoPar, ShareCapital::ParValue),
    })
}

/// The row of a conversion rate; its sequence is given with the stamp.
pub(super) fn stored_rate(entity: &str, bond_issue: &str, outcome: &Outcome) -> store::ConversionRateRow {
    let rate = &outcome.after;
    store::ConversionRateRow {
        entity: entity.to_owned(),
        bond_issue: bond_issue.to_owned(),
        date: rate.date.to_string(),
        sequence: 0,
        shares_per_denomination: rate.shares_per_denomination.normalize().to_string(),
        share_par_value: match rate.share_capital {
            ShareCapital::ParValue(par) => Some(par.normalize().to_string()),
            ShareCapital::NoPar => None,
        },
        carried_shares: (rate.carried != rate.shares_per_denomination).then(|| rate.carried.normalize().to_string()),
        reason: Some(outcome.reason.name().to_owned()),
    }
}

/// What is outstanding, from its row.
pub fn position_row(row: &store::PositionRow) -> Result<PositionRow, RecordError> {
    let amount = Amount::from_minor;
    Ok(PositionRow {
        date: date(&row.date)?,
        principal: amount(row.principal),
        interest_due: amount(row.interest_due),
        with_next_coupon: amount(row.with_next_coupon),
        interest_receivable: amount(row.interest_receivable),
        moved: Components {
            principal: amount(row.moved_principal),
            premium_discount: amount(row.moved_premium_discount),
            issue_costs: amount(row.moved_issue_costs),
            interest_payable: amount(row.moved_interest),
            interest_receivable: Amount::ZERO,
            equity_component: amount(row.moved_equity),
        },
        surrendered: Components {
            principal: amount(row.surrendered_principal),
            premium_discount: amount(row.surrendered_premium_discount),
            issue_costs: amount(row.surrendered_issue_costs),
            interest_payable: amount(row.surrendered_interest),
            interest_receivable: Amount::ZERO,
            equity_component: amount(row.surrendered_equity),
        },
    })
}

/// What is booked, from its row.
pub fn booked_row(row: &store::BookedRow) -> Result<BookedRow, RecordError> {
    let amount = Amount::from_minor;
    Ok(BookedRow {
        posting_date: date(&row.posting_date)?,
        components: Components {
            principal: amount(row.principal),
            premium_discount: amount(row.premium_discount),
            issue_costs: amount(row.issue_costs),
            interest_payable: amount(row.interest_payable),
            interest_receivable: amount(row.interest_receivable),
            equity_component: amount(row.equity_component),
        },
        accrued: Moment { date: date(&row.accrued_through)?, boundary: date(&row.accrued_boundary)? },
        later: row
            .later_posting_date
            .as_ref()
            .map(|posting_date| {
                Ok::<_, RecordError>(TakenBackLater {
                    posting_date: date(posting_date)?,
                    amounts: Components {
                        principal: Amount::ZERO,
                        premium_discount: amount(row.later_premium_discount),
                        issue_costs: amount(row.later_issue_costs),
                        interest_payable: amount(row.later_interest_payable),
                        interest_receivable: amount(row.later_interest_receivable),
                        equity_component: amount(row.later_equity_component),
                    },
                })
            })
            .transpose()?,
    })
}

/// A coupon as it was paid, from its row; `None` from the row of a payment taken back.
pub(crate) fn paid_coupon(row: &store::CouponRow) -> Result<Option<PaidCoupon>, RecordError> {
    let Some(paid_on) = &row.paid_on else { return Ok(None) };
    Ok(Some(PaidCoupon {
        coupon_date: date(&row.coupon_date)?,
        paid_on: date(paid_on)?,
        amount: Amount::from_minor(row.amount),
    }))
}

/// An entry as it was posted, from its rows.
pub(super) fn posted_entry<'r>(
    row: &store::EntryRow,
    lines: impl Iterator<Item = &'r store::LineRow>,
    batch: &Arc<str>,
    number: &str,
) -> Result<PostedEntry, RecordError> {
    let unknown = |what: &'static str| RecordError::corrupt(what, "a name that this version does not know");
    let line = |line: &store::LineRow| {
        Ok::<_, RecordError>(PostedLine {
            role: AccountRole::from_name(&line.account_role).ok_or_else(|| unknown("account role"))?,
            amount: Amount::from_minor(line.amount),
            memo: line.memo.clone(),
        })
    };
    Ok(PostedEntry {
        batch: Arc::clone(batch),
        number: number.to_owned(),
        entry: usize::try_from(row.entry).map_err(|error| RecordError::corrupt("entry", error))?,
        posting_date: date(&row.posting_date)?,
        effective_date: date(&row.effective_date)?,
        movement_kind: MovementKind::from_name(&row.movement).ok_or_else(|| unknown("movement"))?,
        description: row.description.clone(),
        lines: lines.map(line).collect::<Result<_, _>>()?,
        shares: row.shares.parse().map_err(|error: rust_decimal::Error| RecordError::corrupt("shares", error))?,
        coupon_interest: Amount::from_minor(row.coupon_interest),
    })
}

/// The row that stores what is outstanding.
pub(super) fn stored_position(
    entity: &str,
    bond_issue: &str,
    sequence: i64,
    first: bool,
    row: &PositionRow,
) -> store::PositionRow {
    store::PositionRow {
        entity: entity.to_owned(),
        bond_issue: bond_issue.to_owned(),
        date: row.date.to_string(),
        sequence,
        first: i64::from(first),
        principal: row.principal.minor(),
        interest_due: row.interest_due.minor(),
        with_next_coupon: row.with_next_coupon.minor(),
        interest_receivable: row.interest_receivable.minor(),
        moved_principal: row.moved.principal.minor(),
        moved_premium_discount: row.moved.premium_discount.minor(),
        moved_issue_costs: row.moved.issue_costs.minor(),
        moved_interest: row.moved.interest_payable.minor(),
        moved_equity: row.moved.equity_component.minor(),
        surrendered_principal: row.surrendered.principal.minor(),
        surrendered_premium_discount: row.surrendered.premium_discount.minor(),
        surrendered_issue_costs: row.surrendered.issue_costs.minor(),
        surrendered_interest: row.surrendered.interest_payable.minor(),
        surrendered_equity: row.surrendered.equity_component.minor(),
    }
}

/// The row that stores what is booked.
pub(super) fn stored_booked(
    entity: &str,
    bond_issue: &str,
    sequence: i64,
    first: bool,
    row: &BookedRow,
) -> store::BookedRow {
    let later = row.later.map_or_else(Components::default, |later| later.amounts);
    store::BookedRow {
        entity: entity.to_owned(),
        bond_issue: bond_issue.to_owned(),
        posting_date: row.posting_date.to_string(),
        sequence,
        first: i64::from(first),
        principal: row.components.principal.minor(),
        premium_discount: row.components.premium_discount.minor(),
        issue_costs: row.components.issue_costs.minor(),
        interest_payable: row.components.interest_payable.minor(),
        interest_receivable: row.components.interest_receivable.minor(),
        accrued_boundary: row.accrued.boundary.to_string(),
        accrued_through: row.accrued.date.to_string(),
        later_premium_discount: later.premium_discount.minor(),
        later_issue_costs: later.issue_costs.minor(),
        later_interest_payable: later.interest_payable.minor(),
        later_interest_receivable: later.interest_receivable.minor(),
        later_posting_date: row.later.map(|later| later.posting_date.to_string()),
        equity_component: row.components.equity_component.minor(),
        later_equity_component: later.equity_component.minor(),
    }
}

/// A recorded account mapping from its row.
pub fn mapping(row: &store::AccountMappingRow) -> Result<Mapping, RecordError> {
    let accounts: BTreeMap<String, AccountDocument> =
        serde_json::from_str(&row.accounts).map_err(|error| RecordError::corrupt("account mapping", error))?;
    let known = accounts.into_iter().filter_map(|(role, account)| Some((AccountRole::from_name(&role)?, account)));
    Ok(Mapping {
        sequence: row.sequence,
        bond_issue: Some(row.bond_issue.clone()).filter(|issue| !issue.is_empty()),
        effective_from: date(&row.effective_from)?,
        accounts: known.map(|(role, document)| (role, account(&document))).collect(),
    })
}
