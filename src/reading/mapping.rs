//! The accounts that roles resolve to.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::{Library, ReadError};
use crate::accounting::account_mapping::AccountMapping;
use crate::accounting::journal::AccountRole;
use crate::document::{AccountDocument, AccountMappingDocument};
use crate::posting::{self, RecordError, account_document};

impl Library {
    /// The accounts in force on a date for an entity, or for one issue of it, and the roles that it can ever need and that have none.
    ///
    /// # Errors
    /// [`RecordError::NotFound`].
    pub async fn account_mapping(
        &self,
        entity: &str,
        as_of: Date,
        bond_issue: Option<&str>,
    ) -> Result<AccountMappingDocument, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let framework = posting::framework(&super::entity_row(&mut reader, entity).await?)?;
        let instrument = match bond_issue {
            Some(id) => {
                let row = reader.bond_issue(entity, id).await?;
                let row = row.ok_or_else(|| RecordError::NotFound(format!("the bond issue {id}")))?;
                Some(posting::instrument(&row, &reader.revisions(entity, &[id]).await?)?.1)
            }
            None => None,
        };
        let rows = reader.mappings(entity, i64::MAX).await?;
        let mappings = AccountMapping::new(rows.iter().map(posting::mapping).collect::<Result<_, _>>()?);
        let resolved =
            |role: &AccountRole| mappings.resolve(*role, bond_issue.unwrap_or_default(), as_of).map(account_document);
        let accounts: BTreeMap<String, AccountDocument> =
            AccountRole::ALL.iter().filter_map(|role| Some((role.name().to_owned(), resolved(role)?))).collect();
        let terms = instrument.as_ref().map(|instrument| instrument.terms());
        let needed = AccountRole::ALL.iter().filter(|role| role.is_needed(framework, terms));
        let missing = needed.map(|role| role.name()).filter(|role| !accounts.contains_key(*role));
        Ok(AccountMappingDocument {
            missing: Some(missing.map(str::to_owned).collect()),
            effective_from: None,
            journal_batches: Vec::new(),
            accounts,
        })
    }
}
