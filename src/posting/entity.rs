//! Entities and their account mappings, and the releases that a mapping brings about.

use std::collections::HashMap;
use std::sync::Arc;

use jiff::civil::Date;

use super::account_moves::Mapped;
use super::error::RecordError;
use super::record::{CREATED, Done, OK, json};
use super::recorder::Recorded;
use super::session::Session;
use super::waiting::{Cause, Released};
use super::workspace::Workspace;
use crate::accounting::fiscal_calendar::FiscalCalendar;
use crate::accounting::journal::AccountRole;
use crate::accounting::{Currency, Refusal, identifier};
use crate::document::{AccountMappingDocument, EntityDocument, FiscalCalendarDocument};
use crate::store::{AccountMappingRow, EntityHeadRow, EntityRow, Reader, Rows};

/// Creates an entity: its row and its head, which is locked by being new.
pub(super) fn create(
    session: &Session<'_>,
    document: &EntityDocument,
    held: &mut HashMap<String, Workspace>,
) -> Result<Done, RecordError> {
    check(document)?;
    if held.contains_key(&document.code) {
        return Err(RecordError::EntityExists(document.code.clone()));
    }
    let head = EntityHeadRow {
        entity: document.code.clone(),
        sequence: 0,
        release: 0,
        recorded_at: 0,
        hash: String::new(),
        closed_through: None,
    };
    let mut row = EntityRow {
        entity: document.code.clone(),
        name: document.name.clone(),
        functional_currency: document.functional_currency.clone(),
        framework: framework_name(document)?,
        fiscal_year_end: document.fiscal_year_end.clone(),
        fiscal_calendar: document.fiscal_calendar.as_ref().map(json).transpose()?,
        lei: document.lei.clone(),
        recorded_at: 0, // given with the stamp
        max_lines_per_batch: document.max_lines_per_batch.map_or(0, i64::from),
    };
    let mut workspace = Workspace::new(head, row.clone())?;
    let stamp = session.stamp(&workspace);
    row.recorded_at = stamp.recorded_at;
    let mut rows = Rows::default();
    rows.entities.push(row);
    let recorded = Recorded::new(CREATED, document)?;
    session.finish(&mut workspace, &stamp, ("entity", &document.code), &mut rows, &recorded)?;
    held.insert(document.code.clone(), workspace);
    Ok(Done::new(recorded, rows))
}

fn framework_name(document: &EntityDocument) -> Result<String, RecordError> {
    json(&document.framework).map(|text| text.trim_matches('"').to_owned())
}

fn check(document: &EntityDocument) -> Result<(), Refusal> {
    let code = &document.code;
    if !(2..=12).contains(&code.len()) || !code.bytes().all(|byte| byte.is_ascii_uppercase() || byte.is_ascii_digit()) {
        return Err(Refusal::invalid("code", code, "it must be 2 to 12 characters A-Z and 0-9"));
    }
    if document.name.trim().is_empty() {
        return Err(Refusal::missing("name", "an entity has a name"));
    }
    if Currency::from_code(&document.functional_currency).is_none() {
        let rule = "it must be an alphabetic code of ISO 4217, such as \"USD\"";
        return Err(Refusal::invalid("functional_currency", &document.functional_currency, rule));
    }
    FiscalCalendar::new(&document.fiscal_year_end, None)?;
    document.fiscal_calendar.as_ref().map(FiscalCalendarDocument::weeks).transpose()?;
    if let Some(most) = document.max_lines_per_batch.filter(|most| *most < 2) {
        return Err(Refusal::invalid("max_lines_per_batch", most, "an entry has at least two lines"));
    }
    match document.lei.as_deref().filter(|lei| !identifier::is_lei(lei)) {
        Some(lei) => Err(Refusal::invalid(
            "lei",
            lei,
            "it must be an LEI of ISO 17442, whose last two characters are its check digits",
        )),
        None => Ok(()),
    }
}

/// Records a mapping, and releases the batches that it completes or mends.
pub(super) async fn map_accounts(
    session: &Session<'_>,
    workspace: &mut Workspace,
    bond_issue: Option<&str>,
    effective_from: Date,
    mapping: &AccountMappingDocument,
    reader: &mut Reader<'_>,
) -> Result<Done, RecordError> {
    for (role, account) in &mapping.accounts {
        if AccountRole::from_name(role).is_none() {
            let known: Vec<&str> = AccountRole::ALL.iter().map(|role| role.name()).collect();
            return Err(
                Refusal::invalid("accounts", role, format!("the account roles are {}", known.join(", "))).into()
            );
        }
        if account.account.trim().is_empty() {
            return Err(
                Refusal::invalid("accounts", format!("an empty account for {role}"), "an account has a code").into()
            );
        }
    }
    let entity = workspace.head.entity.clone();
    if let Some(id) = bond_issue {
        reader.bond_issue(&entity, id).await?.ok_or_else(|| RecordError::NotFound(format!("the bond issue {id}")))?;
    }
    let stamp = session.stamp(workspace);
    let mut rows = Rows::default();
    let row = AccountMappingRow {
        entity: entity.clone(),
        sequence: stamp.sequence,
        bond_issue: bond_issue.unwrap_or_default().to_owned(),
        effective_from: effective_from.to_string(),
        accounts: json(&mapping.accounts)?,
    };
    let old = Arc::clone(&workspace.mapping);
    workspace.map(&row)?;
    rows.account_mappings.push(row);
    let mut mapped = Mapped::new(workspace, old)?;
    mapped.balances(effective_from, bond_issue, reader).await?;
    mapped.rejected(reader).await?;
    let mut released = Released::by(Cause::Mapped, mapped, workspace, &stamp, reader).await?;
    rows.extend(std::mem::take(&mut released.rows));
    let answer = AccountMappingDocument {
        accounts: mapping.accounts.clone(),
        effective_from: Some(crate::document::wire::DateString(effective_from)),
        journal_batches: released.heads(),
        missing: None,
    };
    let recorded = Recorded::new(OK, &answer)?;
    session.finish(workspace, &stamp, ("account_mapping", bond_issue.unwrap_or(&entity)), &mut rows, &recorded)?;
    Ok(Done { pages: released.pages(stamp), ..Done::new(recorded, rows) })
}
