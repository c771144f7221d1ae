//! From account roles to an entity's own ledger accounts.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;

use super::journal::AccountRole;

/// A ledger account as an entity knows it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Account {
    pub account: String,
    pub name: Option<String>,
    pub dimensions: BTreeMap<String, String>,
}

/// One mapping as recorded: the whole of it from a date on, for the entity or for one issue.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mapping {
    /// The order in which mappings were recorded.
    pub sequence: i64,
    /// `None` for the whole entity.
    pub bond_issue: Option<String>,
    pub effective_from: Date,
    pub accounts: BTreeMap<AccountRole, Account>,
}

/// All mappings of an entity that are known.
#[derive(Clone, Debug, Default)]
pub struct AccountMapping(Vec<Mapping>);

impl AccountMapping {
    /// From mappings in any order.
    pub fn new(mappings: Vec<Mapping>) -> AccountMapping {
        AccountMapping(mappings)
    }

    /// Adds a mapping.
    pub fn add(&mut self, mapping: Mapping) {
        self.0.push(mapping);
    }

    /// The dates from which on a mapping of an issue, or of its entity, is in force.
    pub fn changes(&self, bond_issue: &str) -> BTreeSet<Date> {
        let of = |mapping: &&Mapping| mapping.bond_issue.as_deref().is_none_or(|issue| issue == bond_issue);
        self.0.iter().filter(of).map(|mapping| mapping.effective_from).collect()
    }

    /// The issues that have mappings of their own.
    pub fn issues(&self) -> BTreeSet<&str> {
        self.0.iter().filter_map(|mapping| mapping.bond_issue.as_deref()).collect()
    }

    /// The sequence of the mapping that was recorded last; 0 before the first.
    pub fn newest(&self) -> i64 {
        self.0.iter().map(|mapping| mapping.sequence).max().unwrap_or_default()
    }

    /// Where the balance of a role stands on a date: in its account, or where it has none in the last that named one.
    pub fn holds(&self, role: AccountRole, bond_issue: &str, on: Date) -> Option<&Account> {
        let naming = |issue: Option<&str>| {
            let of =
                self.0.iter().filter(|mapping| mapping.bond_issue.as_deref() == issue && mapping.effective_from <= on);
            let named = of.filter_map(|mapping| Some((mapping, mapping.accounts.get(&role)?)));
            named.max_by_key(|(mapping, _)| (mapping.effective_from, mapping.sequence)).map(|(_, account)| account)
        };
        self.resolve(role, bond_issue, on).or_else(|| naming(Some(bond_issue))).or_else(|| naming(None))
    }

    /// The account of a role for an issue on a date: by the issue's own mapping if that names the role, else by the entity's.
    pub fn resolve(&self, role: AccountRole, bond_issue: &str, on: Date) -> Option<&Account> {
        let in_force = |issue: Option<&str>| {
            let known =
                self.0.iter().filter(|mapping| mapping.bond_issue.as_deref() == issue && mapping.effective_from <= on);
            known
                .max_by_key(|mapping| (mapping.effective_from, mapping.sequence))
                .and_then(|mapping| mapping.accounts.get(&role))
        };
        in_force(Some(bond_issue)).or_else(|| in_force(None))
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    #[test]
    fn the_issues_own_mapping_comes_first_then_the_later_date_then_the_later_record() {
        let mapping = |sequence, issue: Option<&str>, from, code: &str| Mapping {
            sequence,
            bond_issue: issue.map(str::to_owned),
            effective_from: from,
            accounts: BTreeMap::from([(
                AccountRole::Cash,
                Account { account: code.to_owned(), name: None, dimensions: BTreeMap::new() },
            )]),
        };
        let all = AccountMapping::new(vec![
            mapping(1, None, date(2025, 1, 1), "a"),
            mapping(2, None, date(2026, 1, 1), "b"),
            mapping(3, None, date(2026, 1, 1), "c"),
            mapping(4, Some("issue"), date(2025, 6, 1), "d"),
        ]);
        let account = |issue, on| all.resolve(AccountRole::Cash, issue, on).map(|account| account.account.as_str());
        assert_eq!(account("other", date(2025, 12, 31)), Some("a"));
        assert_eq!(account("other", date(2026, 1, 1)), Some("c"));
        assert_eq!(account("issue", date(2026, 1, 1)), Some("d"));
        assert_eq!(account("issue", date(2024, 1, 1)), None);
    }
}
