//! The trial balance of what this service posted.

use std::collections::HashMap;

use jiff::civil::Date;
use serde::Serialize;
use utoipa::ToSchema;

use super::{Library, ReadError, known};
use crate::accounting::Currency;
use crate::accounting::account_mapping::AccountMapping;
use crate::accounting::journal::AccountRole;
use crate::accounting::money::Amount;
use crate::document::money;
use crate::document::wire::Timestamp;
use crate::posting;

/// Debits and credits by account role, of everything posted up to a date.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct TrialBalanceDocument {
    pub entity: String,
    pub as_of: String,
    pub known_at: String,
    pub currency: String,
    /// Currencies of issues that are left out; ask for them with `currency`.
    pub other_currencies: Vec<String>,
    pub rows: Vec<TrialBalanceRow>,
    pub total_debit: String,
    pub total_credit: String,
    pub caution: String,
}

/// One account role.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct TrialBalanceRow {
    pub account_role: String,
    /// The entity's account on that date; an issue may have one of its own.
    pub account: Option<String>,
    pub account_name: Option<String>,
    pub debit: String,
    pub credit: String,
    /// Debit less credit.
    pub balance: String,
}

impl Library {
    /// The trial balance of an entity by posting date.
    ///
    /// # Errors
    /// [`RecordError::NotFound`](crate::posting::RecordError::NotFound).
    pub async fn trial_balance(
        &self,
        entity: &str,
        as_of: Date,
        at: Option<Timestamp>,
        currency: Option<Currency>,
    ) -> Result<TrialBalanceDocument, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let (_, currency) = super::entity_in(&mut reader, entity, currency).await?;
        let known = known(&mut reader, entity, at).await?;
        let mappings = reader.mappings(entity, known.sequence).await?;
        let mappings = AccountMapping::new(mappings.iter().map(posting::mapping).collect::<Result<_, _>>()?);
        let date = as_of.to_string();
        let sides = reader.trial_balance(entity, &date, known.sequence, currency.code()).await?;
        let sides: HashMap<&str, (Amount, Amount)> = sides
            .iter()
            .map(|side| (side.account_role.as_str(), (Amount::from_minor(side.debit), Amount::from_minor(side.credit))))
            .collect();
        let (mut rows, mut debits, mut credits) = (Vec::new(), Amount::ZERO, Amount::ZERO);
        for role in AccountRole::ALL {
            let Some((debit, credit)) = sides.get(role.name()).copied() else { continue };
            debits = debits.plus(debit)?;
            credits = credits.plus(credit)?;
            let account = mappings.resolve(*role, "", as_of);
            rows.push(TrialBalanceRow {
                account_role: role.name().to_owned(),
                account: account.map(|account| account.account.clone()),
                account_name: account.and_then(|account| account.name.clone()),
                debit: money(debit, currency),
                credit: money(credit, currency),
                balance: money(debit.minus(credit)?, currency),
            });
        }
        Ok(TrialBalanceDocument {
            entity: entity.to_owned(),
            as_of: date,
            known_at: known.text(),
            currency: currency.code().to_owned(),
            other_currencies: super::other_currencies(&mut reader, entity, known, currency).await?,
            rows,
            total_debit: money(debits, currency),
            total_credit: money(credits, currency),
            caution: super::CAUTION.to_owned(),
        })
    }
}
