//! Journal batches.

use std::borrow::Cow;
use std::collections::BTreeMap;

use serde::ser::SerializeSeq;
use serde::{Deserialize, Serialize, Serializer};
use sha2::{Digest, Sha256};
use utoipa::ToSchema;

use super::AcknowledgementDocument;

/// A posted journal batch: one posting date, one currency. It holds account roles and never changes; accounts, names and
/// dimensions are those of its newest release.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct BatchDocument {
    /// Null in a preview.
    pub id: Option<String>,
    /// Entity, fiscal year of the posting date, and a number without gaps in it; null in a preview.
    #[schema(example = "HARBOR-2026-000042")]
    pub number: Option<String>,
    /// Of the command that posted it; null in a preview.
    pub sequence: Option<i64>,
    /// The newest release; absent until every role has an account.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub release: Option<i64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub revision: Option<i64>,
    pub entity: String,
    pub currency: String,
    pub posting_date: String,
    pub effective_date: String,
    pub recorded_at: Option<String>,
    /// `ready`, `released`, `acknowledged` or `rejected`.
    pub status: String,
    /// What the ledger answered to the newest release.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub acknowledgement: Option<AcknowledgementDocument>,
    /// The id of the batch whose entries this one inverts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reverses: Option<String>,
    /// The id of the batch that inverts the entries of this one; where several events share it, a batch that inverts those of one of them.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reversed_by: Option<String>,
    pub entries: Vec<EntryDocument>,
    pub totals: TotalsDocument,
    pub statement_effects: StatementEffectsDocument,
    /// SHA-256 over the RFC 8785 canonical form of the batch without `acknowledgement`, `content_sha256`, `release`, `reversed_by`, `revision` and `status`, and of
    /// its lines without `account`, `account_name` and `dimensions`; null in a preview.
    pub content_sha256: Option<String>,
}

/// A batch without its entries.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct BatchHeadDocument {
    pub id: Option<String>,
    pub number: Option<String>,
    pub currency: String,
    pub posting_date: String,
    pub totals: TotalsDocument,
}

/// Control totals.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct TotalsDocument {
    pub entries: usize,
    pub lines: usize,
    pub debit: String,
    pub credit: String,
}

/// What the batch does to the statements: assets = liabilities + equity; net income is part of equity.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct StatementEffectsDocument {
    pub assets: String,
    pub liabilities: String,
    pub equity: String,
    pub net_income: String,
}

/// One balanced entry.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct EntryDocument {
    pub sequence: usize,
    #[schema(example = "conversion")]
    pub kind: String,
    /// Null while the issue itself is previewed.
    pub bond_issue: Option<String>,
    pub reference: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    pub isin: Option<String>,
    /// The event's id; null in a preview, and of an entry that moves balances between accounts of the ledger or closes a year.
    pub event: Option<String>,
    pub effective_date: String,
    pub description: String,
    pub lines: Vec<LineDocument>,
}

/// One line.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct LineDocument {
    pub line: usize,
    #[schema(example = "bonds_payable")]
    pub account_role: String,
    /// The ledger account; null until the batch is released.
    pub account: Option<String>,
    pub account_name: Option<String>,
    /// `debit` or `credit`.
    pub side: String,
    pub amount: String,
    pub memo: String,
    /// Whether the role's balance is a monetary item, which a ledger remeasures at the closing rate.
    pub monetary: bool,
    pub dimensions: BTreeMap<String, String>,
    pub derivation: DerivationDocument,
}

/// How the amount came about.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, ToSchema)]
pub struct DerivationDocument {
    pub figures: BTreeMap<String, String>,
    /// Standard and paragraph.
    pub paragraph: String,
    pub rule: String,
}

/// The parts of a batch that its hash covers. Fields stand in order of their names, all keys are ASCII, and every figure is a
/// string or a small whole number, so that plain serialization is the canonical form of RFC 8785 (a test compares them).
#[derive(Serialize)]
struct Content<'a, E> {
    currency: &'a str,
    effective_date: &'a str,
    entity: &'a str,
    entries: E,
    id: &'a Option<String>,
    number: &'a Option<String>,
    posting_date: &'a str,
    recorded_at: &'a Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    reverses: Option<&'a str>,
    sequence: &'a Option<i64>,
    statement_effects: ContentEffects<'a>,
    totals: ContentTotals<'a>,
}

#[derive(Serialize)]
struct ContentEntry<'a> {
    bond_issue: &'a Option<String>,
    description: &'a str,
    effective_date: &'a str,
    event: &'a Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    isin: Option<&'a str>,
    kind: &'a str,
    lines: Vec<ContentLine<'a>>,
    reference: &'a str,
    sequence: usize,
}

#[derive(Serialize)]
struct ContentLine<'a> {
    account_role: &'a str,
    amount: &'a str,
    derivation: &'a DerivationDocument,
    line: usize,
    memo: &'a str,
    monetary: bool,
    side: &'a str,
}

#[derive(Serialize)]
struct ContentEffects<'a> {
    assets: &'a str,
    equity: &'a str,
    liabilities: &'a str,
    net_income: &'a str,
}

#[derive(Serialize)]
struct ContentTotals<'a> {
    credit: &'a str,
    debit: &'a str,
    entries: usize,
    lines: usize,
}

impl BatchDocument {
    /// The hash of what never changes in the batch.
    pub fn content_hash(&self) -> Result<String, serde_json::Error> {
        self.hash_with(std::iter::once(Cow::Borrowed(self.entries.as_slice())))
    }

    /// The same of a batch whose entries are too many to stand in it and come in pages.
    pub fn hash_with<'a>(
        &self,
        entries: impl Iterator<Item = Cow<'a, [EntryDocument]>> + Clone,
    ) -> Result<String, serde_json::Error> {
        let mut hash = Sha256::new();
        serde_json::to_writer(&mut hash, &self.content(Pages(entries)))?;
        Ok(hex(&hash.finalize()))
    }

    fn content<E>(&self, entries: E) -> Content<'_, E> {
        Content {
            currency: &self.currency,
            effective_date: &self.effective_date,
            entity: &self.entity,
            entries,
            id: &self.id,
            number: &self.number,
            posting_date: &self.posting_date,
            recorded_at: &self.recorded_at,
            reverses: self.reverses.as_deref(),
            sequence: &self.sequence,
            statement_effects: ContentEffects {
                assets: &self.statement_effects.assets,
                equity: &self.statement_effects.equity,
                liabilities: &self.statement_effects.liabilities,
                net_income: &self.statement_effects.net_income,
            },
            totals: ContentTotals {
                credit: &self.totals.credit,
                debit: &self.totals.debit,
                entries: self.totals.entries,
                lines: self.totals.lines,
            },
        }
    }

    /// The batch without its entries.
    pub fn head(&self) -> BatchHeadDocument {
        BatchHeadDocument {
            id: self.id.clone(),
            number: self.number.clone(),
            currency: self.currency.clone(),
            posting_date: self.posting_date.clone(),
            totals: self.totals.clone(),
        }
    }
}

/// Entries that come in pages, as one list.
struct Pages<I>(I);

impl<'a, I: Iterator<Item = Cow<'a, [EntryDocument]>> + Clone> Serialize for Pages<I> {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        let mut list = serializer.serialize_seq(None)?;
        for page in self.0.clone() {
            page.iter().try_for_each(|entry| list.serialize_element(&entry.content()))?;
        }
        list.end()
    }
}

impl EntryDocument {
    fn content(&self) -> ContentEntry<'_> {
        fn line(line: &LineDocument) -> ContentLine<'_> {
            ContentLine {
                account_role: &line.account_role,
                amount: &line.amount,
                derivation: &line.derivation,
                line: line.line,
                memo: &line.memo,
                monetary: line.monetary,
                side: &line.side,
            }
        }
        ContentEntry {
            bond_issue: &self.bond_issue,
            description: &self.description,
            effective_date: &self.effective_date,
            event: &self.event,
            isin: self.isin.as_deref(),
            kind: &self.kind,
            lines: self.lines.iter().map(line).collect(),
            reference: &self.reference,
            sequence: self.sequence,
        }
    }
}

/// Lower-case hexadecimal.
pub fn hex(bytes: &[u8]) -> String {
    use std::fmt::Write;
    bytes.iter().fold(String::with_capacity(bytes.len() * 2), |mut text, byte| {
        let _ = write!(text, "{byte:02x}"); // Writing to a String cannot fail.
        text
    })
}
