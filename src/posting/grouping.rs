//! Drafts that are put into batches: which posting goes into which, and with which accounts it is released.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::draft::{Draft, EventKey};
use super::release::{ReleaseAccounts, Unresolved};
use super::workspace::Workspace;
use crate::accounting::journal::Posting;

/// The most entries that one batch holds.
const MOST_ENTRIES: usize = 10_000;

/// Drafts and, unless they are previewed, what their events are given.
#[derive(Clone, Copy)]
pub(super) struct Drafts<'a> {
    pub drafts: &'a [Draft],
    pub events: &'a [EventKey],
}

/// A posting, by the place of its draft and its place in it.
#[derive(Clone, Copy)]
pub(super) struct Member {
    pub draft: usize,
    pub posting: usize,
}

/// What postings of one batch have in common. What inverts a batch stands in one of its own, before what follows from the inversion; so does
/// what moves balances between accounts, which is released whatever becomes of the rest, and what closes a year, which is taken back apart.
#[derive(PartialEq, Eq, PartialOrd, Ord)]
struct Key<'a> {
    posting_date: Date,
    inverts_nothing: bool,
    inverts: Option<&'a str>,
    moves_accounts: bool,
    closes_a_year: bool,
    currency: &'static str,
}

impl<'a> Drafts<'a> {
    pub fn of(self, member: Member) -> (&'a Draft, &'a Posting) {
        let draft = &self.drafts[member.draft];
        (draft, &draft.postings[member.posting])
    }

    pub fn postings(self, members: &'a [Member]) -> impl Iterator<Item = &'a Posting> + Clone {
        members.iter().map(move |member| self.of(*member).1)
    }

    /// The postings of each batch with its posting date.
    pub fn groups(self, most_lines: usize) -> Vec<(Date, Vec<Member>)> {
        let mut groups: BTreeMap<Key<'_>, Vec<Member>> = BTreeMap::new();
        for (draft, of) in self.drafts.iter().enumerate() {
            for (posting, on) in of.postings.iter().enumerate() {
                let reverses = on.reverses.as_deref();
                let key = Key {
                    posting_date: on.posting_date,
                    inverts_nothing: reverses.is_none(),
                    inverts: reverses,
                    moves_accounts: on.moves_accounts(),
                    closes_a_year: on.entry.closes_a_year(),
                    currency: of.currency.code(),
                };
                groups.entry(key).or_default().push(Member { draft, posting });
            }
        }
        let mut cut = Vec::new();
        for (Key { posting_date: date, inverts, .. }, members) in groups {
            // What inverts a batch is as long as that one.
            let most_lines = if inverts.is_some() { usize::MAX } else { most_lines };
            let (mut part, mut lines) = (Vec::new(), 0);
            for member in members {
                let more = self.of(member).1.entry.lines().len();
                if !part.is_empty() && (part.len() == MOST_ENTRIES || lines + more > most_lines) {
                    cut.push((date, std::mem::take(&mut part)));
                    lines = 0;
                }
                lines += more;
                part.push(member);
            }
            cut.push((date, part));
        }
        cut
    }

    /// The postings of each draft that are released when they are posted.
    pub fn released(self, workspace: &Workspace) -> Vec<Vec<&'a Posting>> {
        let mut released = vec![Vec::new(); self.drafts.len()];
        for (date, part) in self.groups(workspace.most_lines) {
            if self.accounts(date, &part, workspace).is_some() {
                part.iter().for_each(|member| released[member.draft].push(self.of(*member).1));
            }
        }
        released
    }

    pub fn accounts(self, date: Date, members: &[Member], workspace: &Workspace) -> Option<ReleaseAccounts> {
        let waits = |(draft, posting): (&Draft, &Posting)| {
            posting.reverses.as_ref().is_some_and(|original| draft.unreleased.contains(original))
        };
        if members.iter().any(|member| waits(self.of(*member))) {
            return None;
        }
        let issue = |draft: &'a Draft| draft.bond_issue.as_deref().unwrap_or_default();
        let dimensions: BTreeMap<&str, &BTreeMap<String, String>> = members
            .iter()
            .map(|member| self.of(*member).0)
            .map(|draft| (issue(draft), &draft.document.dimensions))
            .collect();
        let lines = members.iter().zip(1..).flat_map(|(member, entry)| {
            let (draft, posting) = self.of(*member);
            posting.entry.lines().iter().zip(1..).map(move |(line, at)| Unresolved {
                issue: issue(draft),
                role: line.role.name(),
                own: line.account.as_ref().map(|account| (entry, at, account)),
            })
        });
        ReleaseAccounts::resolve(lines, date, &workspace.mapping, |issue| dimensions.get(issue).copied())
    }
}
