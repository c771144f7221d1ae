//! Reports as CSV (RFC 4180): UTF-8, CRLF, a header row. A text cell that a spreadsheet would take for a formula is led by an apostrophe.

mod disclosures;

use csv::{Terminator, Writer, WriterBuilder};

use crate::document::WaiverDocument;
use crate::reading::{CarryingValues, RollforwardDocument};

pub use disclosures::disclosures;

/// A text cell that no spreadsheet runs.
pub(super) fn harmless(text: &str) -> String {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) { format!("'{text}") } else { text.to_owned() }
}

fn writer() -> Writer<Vec<u8>> {
    WriterBuilder::new().terminator(Terminator::CRLF).from_writer(Vec::new())
}

fn table<const N: usize>(
    header: [&str; N],
    rows: impl IntoIterator<Item = [String; N]>,
) -> Result<Vec<u8>, csv::Error> {
    let mut writer = writer();
    writer.write_record(header)?;
    for row in rows {
        writer.write_record(row)?;
    }
    writer.into_inner().map_err(|error| csv::Error::from(error.into_error()))
}

/// One row an issue, then the total.
///
/// # Errors
/// Writing to memory does not fail.
pub fn carrying_values(values: &CarryingValues) -> Result<Vec<u8>, csv::Error> {
    let header = [
        "bond_issue",
        "reference",
        "currency",
        "as_of",
        "known_at",
        "basis",
        "principal",
        "premium_discount",
        "issue_costs",
        "carrying_amount",
        "interest_due",
        "interest_accrued",
        "interest_payable",
        "interest_receivable",
        "equity_component",
        "accrued_through",
        "status",
    ];
    let row = |item: &crate::document::CarryingValueDocument| {
        [
            item.bond_issue.clone(),
            harmless(&item.reference),
            item.currency.clone(),
            item.position.as_of.clone(),
            item.known_at.clone(),
            item.basis.clone(),
            item.position.principal.clone(),
            item.position.premium_discount.clone(),
            item.position.issue_costs.clone(),
            item.position.carrying_amount.clone(),
            item.position.interest_due.clone(),
            item.position.interest_accrued.clone(),
            item.position.interest_payable.clone(),
            item.position.interest_receivable.clone(),
            item.position.equity_component.clone().unwrap_or_default(),
            item.accrued_through.clone().unwrap_or_default(),
            item.status.clone(),
        ]
    };
    let total = &values.total;
    let total = [
        "total".to_owned(),
        String::new(),
        values.currency.clone(),
        values.as_of.clone(),
        values.known_at.clone(),
        values.basis.clone(),
        total.principal.clone(),
        total.premium_discount.clone(),
        total.issue_costs.clone(),
        total.carrying_amount.clone(),
        String::new(),
        String::new(),
        total.interest_payable.clone(),
        total.interest_receivable.clone(),
        total.equity_component.clone().unwrap_or_default(),
        String::new(),
        String::new(),
    ];
    table(header, values.items.iter().map(row).chain([total]))
}

/// One row a movement line: each issue's, then the total's; then one a waiver of the period's close, without amounts.
///
/// # Errors
/// Writing to memory does not fail.
pub fn rollforward(report: &RollforwardDocument) -> Result<Vec<u8>, csv::Error> {
    let header = [
        "bond_issue",
        "reference",
        "currency",
        "from",
        "to",
        "movement",
        "class",
        "reverses_movement",
        "principal",
        "premium_discount",
        "issue_costs",
        "carrying_amount",
        "interest_payable",
        "interest_receivable",
        "equity_component",
        "gain_loss",
        "expense",
        "cash",
        "shares",
        "paid_in_capital",
        "batches",
        "waived",
        "waived_date",
        "waiver_reason",
        "waiver_name",
    ];
    let row = |issue: &str, reference: &str, line: &crate::reading::RollforwardLine| {
        [
            issue.to_owned(),
            harmless(reference),
            report.currency.clone(),
            report.from.clone(),
            report.to.clone(),
            line.movement.to_owned(),
            line.class.to_owned(),
            line.reverses_movement.unwrap_or_default().to_owned(),
            line.principal.to_string(),
            line.premium_discount.to_string(),
            line.issue_costs.to_string(),
            line.carrying_amount.to_string(),
            line.interest_payable.to_string(),
            line.interest_receivable.to_string(),
            line.equity_component.as_deref().unwrap_or_default().to_owned(),
            line.gain_loss.to_string(),
            line.expense.to_string(),
            line.cash.to_string(),
            line.shares.to_string(),
            line.paid_in_capital.to_string(),
            line.batches.join(" "),
            String::new(),
            String::new(),
            String::new(),
            String::new(),
        ]
    };
    let waiver = |waiver: &WaiverDocument| {
        let issue = report.issues.iter().find(|issue| issue.bond_issue == waiver.bond_issue);
        header.map(|column| match column {
            "bond_issue" => waiver.bond_issue.clone(),
            "reference" => issue.map(|issue| harmless(&issue.reference)).unwrap_or_default(),
            "currency" => report.currency.clone(),
            "from" => report.from.clone(),
            "to" => report.to.clone(),
            "movement" => "waiver".to_owned(),
            "waived" => waiver.expected.name().to_owned(),
            "waived_date" => waiver.date.to_string(),
            "waiver_reason" => harmless(&waiver.reason),
            "waiver_name" => harmless(&waiver.name),
            _ => String::new(),
        })
    };
    let issues = report
        .issues
        .iter()
        .flat_map(|issue| issue.lines.iter().map(|line| row(&issue.bond_issue, &issue.reference, line)));
    let total = report.total.iter().map(|line| row("total", "", line));
    table(header, issues.chain(total).chain(report.waivers.iter().flatten().map(waiver)))
}
