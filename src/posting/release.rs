//! Releases: a batch with accounts, names and dimensions as mapped at one moment.

use std::collections::{BTreeMap, HashMap};

use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::error::RecordError;
use crate::accounting::account_mapping::{Account, AccountMapping};
use crate::accounting::journal::AccountRole;
use crate::document::{AccountDocument, BatchDocument, hex};
use crate::store;

/// The accounts of a release. Issues that have accounts or dimensions of their own are named; the rest use the defaults.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct ReleaseAccounts {
    pub default: BTreeMap<String, AccountDocument>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub issues: BTreeMap<String, IssueAccounts>,
    /// Lines that have an account of their own, since they move a balance between accounts.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub lines: Vec<LineAccount>,
}

/// The account of one line of a release.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LineAccount {
    pub entry: usize,
    pub line: usize,
    pub account: AccountDocument,
}

/// A line that is to have an account.
#[derive(Clone, Copy, Debug)]
pub struct Unresolved<'a> {
    pub issue: &'a str,
    pub role: &'a str,
    /// Its entry and its place there, with the account that it has by itself.
    pub own: Option<(usize, usize, &'a Account)>,
}

/// What is an issue's own in a release.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct IssueAccounts {
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub accounts: BTreeMap<String, AccountDocument>,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub dimensions: BTreeMap<String, String>,
}

impl ReleaseAccounts {
    /// The accounts of every role that a batch posts to, for each issue in it; `None` if a role has none.
    ///
    /// `dimensions` gives an issue's own.
    pub fn resolve<'a>(
        lines: impl Iterator<Item = Unresolved<'a>>,
        posting_date: Date,
        mapping: &AccountMapping,
        dimensions: impl Fn(&str) -> Option<&'a BTreeMap<String, String>>,
    ) -> Option<ReleaseAccounts> {
        let mut accounts = ReleaseAccounts::default();
        for Unresolved { issue, role: name, own } in lines {
            let role = AccountRole::from_name(name)?;
            if let Some((entry, line, account)) = own {
                accounts.lines.push(LineAccount { entry, line, account: account_document(account) });
            } else {
                let account = mapping.resolve(role, issue, posting_date)?;
                let default = mapping.resolve(role, "", posting_date);
                if default == Some(account) {
                    accounts.default.entry(name.to_owned()).or_insert_with(|| account_document(account));
                } else {
                    let own = accounts.issues.entry(issue.to_owned()).or_default();
                    own.accounts.entry(name.to_owned()).or_insert_with(|| account_document(account));
                }
            }
            if let Some(dimensions) = dimensions(issue).filter(|dimensions| !dimensions.is_empty()) {
                accounts.issues.entry(issue.to_owned()).or_default().dimensions.clone_from(dimensions);
            }
        }
        Some(accounts)
    }

    /// The names of all dimensions in it, some more than once.
    pub fn dimension_names(&self) -> impl Iterator<Item = &str> {
        let own = self.issues.values().flat_map(|own| own.accounts.values());
        let of_accounts = self.default.values().chain(own).flat_map(|account| account.dimensions.keys());
        let of_issues = self.issues.values().flat_map(|own| own.dimensions.keys());
        of_accounts.chain(of_issues).map(String::as_str)
    }

    /// Writes the accounts into a batch's lines.
    pub fn fill(&self, batch: &mut BatchDocument) {
        let by_itself: HashMap<(usize, usize), &AccountDocument> =
            self.lines.iter().map(|own| ((own.entry, own.line), &own.account)).collect();
        for entry in &mut batch.entries {
            let own = entry.bond_issue.as_ref().and_then(|issue| self.issues.get(issue));
            for line in &mut entry.lines {
                let of_issue = || own.and_then(|own| own.accounts.get(&line.account_role));
                let own_account = by_itself.get(&(entry.sequence, line.line)).copied().or_else(of_issue);
                if let Some(account) = own_account.or_else(|| self.default.get(&line.account_role)) {
                    line.account = Some(account.account.clone());
                    line.account_name.clone_from(&account.name);
                    line.dimensions.clone_from(&account.dimensions);
                }
                if let Some(own) = own {
                    line.dimensions.extend(own.dimensions.iter().map(|(name, value)| (name.clone(), value.clone())));
                }
            }
        }
    }

    /// The accounts of a release as it is kept; none of no release.
    ///
    /// # Errors
    /// When they cannot be read.
    pub fn of(release: Option<&store::ReleaseRow>) -> Result<ReleaseAccounts, RecordError> {
        let read = |release: &store::ReleaseRow| serde_json::from_str(&release.accounts);
        let accounts = release.map(read).transpose().map_err(|error| RecordError::corrupt("release", error))?;
        Ok(accounts.unwrap_or_default())
    }

    /// The account of a role for an issue.
    pub fn account(&self, role: &str, issue: &str) -> Option<Account> {
        let own = self.issues.get(issue).and_then(|own| own.accounts.get(role));
        own.or_else(|| self.default.get(role)).map(account)
    }

    /// The account of a line, which may have one by itself.
    pub fn account_of_line(&self, (entry, line): (i64, i64), role: &str, issue: &str) -> Option<Account> {
        let is = |number: usize, row: i64| usize::try_from(row) == Ok(number);
        let own = self.lines.iter().find(|own| is(own.entry, entry) && is(own.line, line));
        own.map(|own| account(&own.account)).or_else(|| self.account(role, issue))
    }

    /// The row of a release of a batch. Its hash is SHA-256 over the RFC 8785 canonical form of accounts, batch, content_sha256,
    /// number, release and revision.
    ///
    /// # Errors
    /// When the accounts cannot be written as JSON.
    pub fn row(
        &self,
        batch: &BatchDocument,
        release: i64,
        revision: i64,
        sequence: i64,
        released_at: i64,
    ) -> Result<store::ReleaseRow, RecordError> {
        let accounts = serde_json::to_string(self).map_err(|error| RecordError::corrupt("release", error))?;
        let mut row = store::ReleaseRow {
            entity: batch.entity.clone(),
            release,
            batch: batch.id.clone().unwrap_or_default(),
            revision,
            sequence,
            released_at,
            accounts,
            release_sha256: String::new(),
        };
        row.release_sha256 = ReleaseAccounts::hash(batch, &row)?;
        Ok(row)
    }

    /// The hash of a release of a batch.
    ///
    /// # Errors
    /// When its accounts are no JSON.
    pub fn hash(batch: &BatchDocument, release: &store::ReleaseRow) -> Result<String, RecordError> {
        let corrupt = |error| RecordError::corrupt("release", error);
        let accounts: serde_json::Value = serde_json::from_str(&release.accounts).map_err(corrupt)?;
        let hashed = serde_json::json!({
            "accounts": accounts,
            "batch": batch.id,
            "content_sha256": batch.content_sha256,
            "number": batch.number,
            "release": release.release,
            "revision": release.revision,
        });
        Ok(hex(&Sha256::digest(serde_json_canonicalizer::to_vec(&hashed).map_err(corrupt)?)))
    }
}

/// The account of a document.
pub fn account(document: &AccountDocument) -> Account {
    Account { account: document.account.clone(), name: document.name.clone(), dimensions: document.dimensions.clone() }
}

/// An account as it stands in a document.
pub fn account_document(account: &Account) -> AccountDocument {
    AccountDocument {
        account: account.account.clone(),
        name: account.name.clone(),
        dimensions: account.dimensions.clone(),
    }
}
