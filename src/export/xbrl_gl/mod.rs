//! XBRL Global Ledger: Recommendation 2015-03-25, palette case-c-b-m (core, business, multicurrency).
//!
//! What of a batch stands where, in this service's reading of the Recommendation:
//!
//! | batch | XBRL GL |
//! | --- | --- |
//! | id, and the revision behind a full stop | `uniqueID`; a later revision supersedes the one before (`revisesUniqueID`) |
//! | entry | `entryHeader`, with `entryNumber` = number of the batch, hyphen, number of the entry |
//! | number, release, revision and hash of the batch; its control totals | `batchID`, `batchDescription`; `numberOfEntries`, `totalDebit`, `totalCredit`, in each header |
//! | account and its name; absent in a batch that is not released | `accountMainID`, `accountMainDescription` |
//! | account role | `mainAccountType` as far as its list goes, `mainAccountTypeDescription` in full |
//! | issue, then each dimension | `accountSub`, of the type `bond-issue` or the name of the dimension |
//! | amount, never negative, and side | `amount`, `debitCreditCode`; never `signOfAmount` |
//! | ISIN | `identifierReference`, with ISO 6166 as its authority |
//! | kind and id of the event; address of the batch; effective date | `documentTypeDescription`, `documentNumber`; `documentReference`; `documentDate` |
//! | what an entry inverts | `documentApplyToNumber`: the `entryNumber` of that entry |
//! | status | `postingStatus`: a batch that waits for accounts is `deferred`, one that is released or rejected `unposted`, an acknowledged one `posted`; `postingStatusDescription` has it in the service's own word |
//! | the day on which the ledger says that it posted | `postedDate` |
//!
//! Derivations, `monetary` and the effects on the statements have no place there. A character that XML 1.0 cannot hold is written as
//! U+FFFD.

mod instance;

use std::io::{self, Write};

use self::instance::{About, Instance};
use crate::accounting::journal::{AccountRole, Element};
use crate::document::{BatchDocument, EntityDocument, EntryDocument, FrameworkName, LineDocument};
use crate::reading::CAUTION;

/// The scheme of a Legal Entity Identifier in an XBRL context.
const LEI_SCHEME: &str = "http://standards.iso.org/iso/17442";
/// That of the code which an entity has in this service, for one without an LEI.
const CODE_SCHEME: &str = "urn:x-parwright:entity";

/// Writes a batch of an entity as an XBRL instance. The text of a large batch takes more memory than the batch, of which nothing is kept
/// once it is written.
///
/// # Errors
/// Those of `out`.
pub fn batch(mut batch: BatchDocument, entity: &EntityDocument, out: impl Write) -> io::Result<()> {
    let entries = std::mem::take(&mut batch.entries);
    let (scheme, identifier) = match &entity.lei {
        Some(lei) => (LEI_SCHEME, lei.as_str()),
        None => (CODE_SCHEME, entity.code.as_str()),
    };
    let recorded_on = batch.recorded_at.as_deref().and_then(|time| time.split('T').next());
    let date = recorded_on.unwrap_or(&batch.posting_date);
    Instance::write(out, About { scheme, identifier, date, currency: &batch.currency }, |instance| {
        instance.tuple("gl-cor:accountingEntries", |accounting| {
            document_info(&batch, accounting)?;
            entity_information(entity, accounting)?;
            entries.into_iter().try_for_each(|entry| header(&batch, entity, &entry, accounting))
        })
    })
}

fn document_info<W: Write>(batch: &BatchDocument, out: &mut Instance<W>) -> io::Result<()> {
    let id = batch.id.as_deref().unwrap_or_default();
    let revised = |revision: i64| format!("{id}.{revision}");
    let before = batch.revision.filter(|revision| *revision > 1).map(|revision| revised(revision - 1));
    out.tuple("gl-cor:documentInfo", |info| {
        info.item("gl-cor:entriesType", "journal")?;
        info.item_if_any("gl-cor:uniqueID", Some(&batch.revision.map_or_else(|| id.to_owned(), revised)))?;
        info.item_if_any("gl-cor:revisesUniqueID", before.as_deref())?;
        info.item_if_any("gl-cor:revisesUniqueIDAction", before.as_deref().map(|_| "supersede"))?;
        info.item("gl-cor:language", "iso639:en")?;
        info.item_if_any("gl-cor:creationDate", batch.recorded_at.as_deref())?;
        info.item("gl-cor:entriesComment", CAUTION)?;
        info.item("gl-cor:periodCoveredStart", &batch.posting_date)?;
        info.item("gl-cor:periodCoveredEnd", &batch.posting_date)?;
        info.item("gl-bus:sourceApplication", concat!("parwright ", env!("CARGO_PKG_VERSION")))?;
        info.currency("gl-muc:defaultCurrency", &batch.currency)
    })
}

/// Each identifier is led by who gives it, as the Recommendation asks.
fn entity_information<W: Write>(entity: &EntityDocument, out: &mut Instance<W>) -> io::Result<()> {
    let lei = entity.lei.as_ref().map(|lei| format!("LEI:{lei}"));
    let code = format!("parwright:{}", entity.code);
    out.tuple("gl-cor:entityInformation", |information| {
        lei.into_iter().chain([code]).try_for_each(|identifier| {
            information.tuple("gl-bus:organizationIdentifiers", |identifiers| {
                identifiers.item("gl-bus:organizationIdentifier", &identifier)?;
                identifiers.item("gl-bus:organizationDescription", &entity.name)
            })
        })
    })
}

fn header<W: Write>(
    batch: &BatchDocument,
    entity: &EntityDocument,
    entry: &EntryDocument,
    out: &mut Instance<W>,
) -> io::Result<()> {
    let number = batch.number.as_deref();
    let number_of_entry = number.map(|number| entry_number(number, &entry.sequence.to_string()));
    let totals = &batch.totals;
    let posted_on = batch.acknowledgement.as_ref().and_then(|answer| answer.ledger_posting_date.as_deref());
    out.tuple("gl-cor:entryHeader", |header| {
        header.item_if_any("gl-cor:postedDate", posted_on)?;
        header.item_if_any("gl-cor:enteredDate", batch.recorded_at.as_deref())?;
        header.item("gl-cor:sourceJournalID", "gj")?;
        header.item("gl-bus:sourceJournalDescription", "General journal: bond issues")?;
        header.item("gl-cor:entryType", entry_type(&entry.kind))?;
        header.item_if_any("gl-cor:entryNumber", number_of_entry.as_deref())?;
        header.item_if_any("gl-cor:entryComment", Some(&entry.description))?;
        header.item("gl-cor:qualifierEntry", qualifier(&entry.kind))?;
        header.item_if_any("gl-bus:batchID", number)?;
        header.item_if_any("gl-bus:batchDescription", Some(&batch_description(batch)))?;
        header.count("gl-bus:numberOfEntries", totals.entries)?;
        header.amount("gl-bus:totalDebit", &totals.debit)?;
        header.amount("gl-bus:totalCredit", &totals.credit)?;
        header.count("gl-cor:entryNumberCounter", entry.sequence)?;
        entry.lines.iter().try_for_each(|line| detail(batch, entity, entry, line, header))
    })
}

fn batch_description(batch: &BatchDocument) -> String {
    let release = batch.release.map(|release| format!("release {release}"));
    let revision = batch.revision.map(|revision| format!("revision {revision}"));
    let hash = batch.content_sha256.as_ref().map(|hash| format!("content_sha256 {hash}"));
    [release, revision, hash].into_iter().flatten().collect::<Vec<_>>().join(", ")
}

fn detail<W: Write>(
    batch: &BatchDocument,
    entity: &EntityDocument,
    entry: &EntryDocument,
    line: &LineDocument,
    out: &mut Instance<W>,
) -> io::Result<()> {
    let address = batch.id.as_ref().map(|id| format!("/v1/journal-batches/{id}"));
    out.tuple("gl-cor:entryDetail", |detail| {
        detail.item("gl-cor:lineNumber", &line.line.to_string())?;
        detail.count("gl-cor:lineNumberCounter", line.line)?;
        detail.tuple("gl-cor:account", |out| account(entity, entry, line, out))?;
        detail.amount("gl-cor:amount", &line.amount)?;
        detail.currency("gl-muc:amountCurrency", &batch.currency)?;
        detail.item("gl-cor:debitCreditCode", if line.side == "debit" { "D" } else { "C" })?;
        detail.item("gl-cor:postingDate", &batch.posting_date)?;
        if let Some(isin) = &entry.isin {
            detail.tuple("gl-cor:identifierReference", |out| security(entry, isin, out))?;
        }
        detail.item("gl-cor:documentType", "voucher")?;
        detail.item("gl-cor:documentTypeDescription", &entry.kind)?;
        detail.item_if_any("gl-cor:documentNumber", entry.event.as_deref())?;
        detail.item_if_any("gl-cor:documentApplyToNumber", inverted(entry, line).as_deref())?;
        detail.item_if_any("gl-cor:documentReference", address.as_deref())?;
        detail.item("gl-cor:documentDate", &entry.effective_date)?;
        detail.item("gl-cor:postingStatus", posting_status(&batch.status))?;
        detail.item("gl-cor:postingStatusDescription", &batch.status)?;
        detail.item_if_any("gl-cor:detailComment", Some(&line.memo))
    })
}

fn account<W: Write>(
    entity: &EntityDocument,
    entry: &EntryDocument,
    line: &LineDocument,
    out: &mut Instance<W>,
) -> io::Result<()> {
    let role = AccountRole::from_name(&line.account_role);
    out.item_if_any("gl-cor:accountMainID", line.account.as_deref())?;
    out.item_if_any("gl-cor:accountMainDescription", line.account_name.as_deref())?;
    out.item_if_any("gl-cor:mainAccountType", role.map(main_account_type))?;
    out.item("gl-cor:mainAccountTypeDescription", &line.account_role)?;
    out.item("gl-cor:accountPurposeCode", purpose(entity.framework))?;
    out.item("gl-cor:accountType", "account")?;
    let issue = entry.bond_issue.as_deref().unwrap_or_default();
    sub_account("bond-issue", issue, Some(&entry.reference), out)?;
    line.dimensions.iter().try_for_each(|(name, value)| sub_account(name, value, None, out))
}

fn sub_account<W: Write>(kind: &str, id: &str, description: Option<&str>, out: &mut Instance<W>) -> io::Result<()> {
    out.tuple("gl-cor:accountSub", |sub| {
        sub.item_if_any("gl-cor:accountSubDescription", description)?;
        sub.item("gl-cor:accountSubID", id)?;
        sub.item("gl-cor:accountSubType", kind)
    })
}

fn security<W: Write>(entry: &EntryDocument, isin: &str, out: &mut Instance<W>) -> io::Result<()> {
    out.item_if_any("gl-cor:identifierCode", Some(&entry.reference))?;
    out.tuple("gl-cor:identifierExternalReference", |external| {
        external.item("gl-cor:identifierAuthorityCode", isin)?;
        external.item("gl-cor:identifierAuthority", "ISO 6166")
    })?;
    out.item("gl-cor:identifierDescription", "International Securities Identification Number")?;
    out.item("gl-cor:identifierType", "other")
}

fn entry_number(batch: &str, entry: &str) -> String {
    format!("{batch}-{entry}")
}

/// The number of the entry that this one inverts: its derivation names batch and entry.
fn inverted(entry: &EntryDocument, line: &LineDocument) -> Option<String> {
    let figure = |name: &str| line.derivation.figures.get(name).filter(|_| entry.kind == "reversal");
    Some(entry_number(figure("batch")?, figure("entry")?))
}

fn entry_type(kind: &str) -> &'static str {
    match kind {
        "accrual" | "catch_up" => "adjusting",
        "reclassification" => "reclassifying",
        "closing" => "other",
        _ => "standard",
    }
}

fn qualifier(kind: &str) -> &'static str {
    if kind == "opening_balance" { "balance-brought-forward" } else { "standard" }
}

/// A rejected batch was posted nowhere, and is released again.
fn posting_status(status: &str) -> &'static str {
    match status {
        "ready" => "deferred",
        "acknowledged" => "posted",
        _ => "unposted",
    }
}

fn purpose(framework: FrameworkName) -> &'static str {
    match framework {
        FrameworkName::UsGaap => "usgaap",
        FrameworkName::Ifrs => "ifrs",
    }
}

fn main_account_type(role: AccountRole) -> &'static str {
    match (role.element(), role) {
        (Element::Asset, _) => "asset",
        (Element::Liability, _) => "liability",
        (Element::Equity, _) => "equity",
        (Element::NetIncome, AccountRole::GainOnExtinguishment) => "gain",
        (Element::NetIncome, AccountRole::LossOnExtinguishment | AccountRole::LossOnAmendmentOfConversionTerms) => {
            "loss"
        }
        (Element::NetIncome, _) => "expense",
    }
}
