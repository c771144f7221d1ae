//! Rows to post.

use parwright::store::*;

pub const ENTITY: &str = "ACME";
pub const ISSUE: &str = "ACME.0190-1";

fn s(text: &str) -> String {
    text.to_owned()
}

pub fn record(sequence: i64) -> RecordRow {
    RecordRow {
        entity: s(ENTITY),
        sequence,
        recorded_at: sequence * 1_000_000,
        kind: s("conversion"),
        subject: s(ISSUE),
        request_id: s("req"),
        actor: s("tester"),
        content_sha256: s("0".repeat(64).as_str()),
        hash: s("1".repeat(64).as_str()),
    }
}

pub fn head(sequence: i64) -> EntityHeadRow {
    EntityHeadRow {
        entity: s(ENTITY),
        sequence,
        release: 0,
        recorded_at: sequence * 1_000_000,
        hash: "1".repeat(64),
        closed_through: None,
    }
}

pub fn issue(id: &str, sequence: i64) -> BondIssueRow {
    BondIssueRow {
        entity: s(ENTITY),
        id: s(id),
        sequence,
        reference: format!("ref {id}"),
        isin: None,
        currency: s("USD"),
        settlement_date: s("2024-01-01"),
        maturity_date: s("2034-01-01"),
        terms: s("{}"),
        rates: s("{}"),
    }
}

pub fn event(issue: &str, sequence: i64, follows: i64, date: &str) -> EventRow {
    EventRow {
        entity: s(ENTITY),
        bond_issue: s(issue),
        sequence,
        id: format!("{issue}/{sequence}"),
        kind: s("conversion"),
        effective_date: s(date),
        follows,
        reference: None,
        detail: s("{}"),
        content_sha256: String::new(),
    }
}

pub fn position(issue: &str, date: &str, sequence: i64, first: bool, principal: i64) -> PositionRow {
    PositionRow {
        moved_equity: 0,
        surrendered_principal: 0,
        surrendered_premium_discount: 0,
        surrendered_issue_costs: 0,
        surrendered_interest: 0,
        surrendered_equity: 0,
        entity: s(ENTITY),
        bond_issue: s(issue),
        date: s(date),
        sequence,
        first: first.into(),
        principal,
        interest_due: 0,
        with_next_coupon: 0,
        interest_receivable: 0,
        moved_principal: 0,
        moved_premium_discount: 0,
        moved_issue_costs: 0,
        moved_interest: 0,
    }
}

pub fn booked(issue: &str, date: &str, sequence: i64, first: bool, principal: i64, through: &str) -> BookedRow {
    BookedRow {
        equity_component: 0,
        later_equity_component: 0,
        entity: s(ENTITY),
        bond_issue: s(issue),
        posting_date: s(date),
        sequence,
        first: first.into(),
        principal,
        premium_discount: 0,
        issue_costs: 0,
        interest_payable: 0,
        interest_receivable: 0,
        accrued_boundary: s(through),
        accrued_through: s(through),
        later_premium_discount: 0,
        later_issue_costs: 0,
        later_interest_payable: 0,
        later_interest_receivable: 0,
        later_posting_date: None,
    }
}

pub fn issue_head(issue: &str, event: i64, position: (&str, i64), booked: (&str, i64)) -> IssueHeadRow {
    IssueHeadRow {
        entity: s(ENTITY),
        bond_issue: s(issue),
        event_sequence: event,
        position_date: s(position.0),
        position_sequence: position.1,
        booked_date: s(booked.0),
        booked_sequence: booked.1,
    }
}

pub fn batch(id: &str, sequence: i64, date: &str, amount: i64) -> BatchRow {
    BatchRow {
        entity: s(ENTITY),
        id: s(id),
        sequence,
        ordinal: 0,
        number: format!("ACME-2024-{sequence:06}"),
        currency: s("USD"),
        posting_date: s(date),
        effective_date: s(date),
        recorded_at: sequence * 1_000_000,
        ready: 0,
        entries: 1,
        lines: 2,
        debit: amount,
        credit: amount,
        assets: 0,
        liabilities: 0,
        equity: 0,
        net_income: 0,
        content_sha256: "2".repeat(64),
        reverses: None,
    }
}

pub fn entry(batch: &BatchRow, entry: i64, principal: i64) -> EntryRow {
    EntryRow {
        equity_component: 0,
        entity: s(ENTITY),
        batch: batch.id.clone(),
        entry,
        sequence: batch.sequence,
        bond_issue: s(ISSUE),
        event: format!("{ISSUE}/{}", batch.sequence),
        kind: s("conversion"),
        movement: s("conversion"),
        posting_date: batch.posting_date.clone(),
        effective_date: batch.effective_date.clone(),
        description: s("Conversion of bonds"),
        principal,
        premium_discount: 0,
        issue_costs: 0,
        interest_payable: 0,
        interest_receivable: 0,
        coupon_interest: 0,
        gain_loss: 0,
        expense: 0,
        cash: 0,
        shares: s("0"),
        paid_in_capital: 0,
        common_stock: 0,
        treasury_stock: 0,
        debt_conversion_expense: 0,
        loss_on_amendment: 0,
    }
}

pub fn line(batch: &str, entry: i64, line: i64, role: &str, amount: i64) -> LineRow {
    LineRow {
        entity: s(ENTITY),
        batch: s(batch),
        entry,
        line,
        account_role: s(role),
        amount,
        memo: s(""),
        derivation: "d".repeat(300),
    }
}

pub fn release(batch: &str, release: i64, revision: i64, sequence: i64) -> ReleaseRow {
    ReleaseRow {
        entity: s(ENTITY),
        release,
        batch: s(batch),
        revision,
        sequence,
        released_at: sequence * 1_000_000,
        accounts: s("{}"),
        release_sha256: "3".repeat(64),
    }
}

/// A destination to which nothing was delivered yet.
pub fn destination(name: &str) -> Rows {
    let destination = DestinationRow {
        entity: ENTITY.into(),
        name: name.into(),
        sequence: 1,
        url: "https://ledger.example.com/".into(),
        state: "active".into(),
        after: 0,
        recorded_at: 1,
    };
    let delivery = DeliveryRow {
        entity: ENTITY.into(),
        destination: name.into(),
        sequence: 1,
        state: "active".into(),
        reason: None,
        delivered: 0,
        failures: 0,
        due_at: 0,
        attempt: 0,
        trying: 0,
        tried_at: 0,
        lease_until: 0,
        fence: 0,
    };
    Rows { destinations: vec![destination], deliveries: vec![delivery], ..Rows::default() }
}

pub fn attempt(destination: &str, release: i64) -> AttemptRow {
    AttemptRow {
        entity: ENTITY.into(),
        destination: destination.into(),
        attempt: 1,
        release,
        started_at: 1,
        duration: 1,
        outcome: "delivered".into(),
        status: 200,
        detail: None,
        next_attempt_at: 0,
    }
}

/// The entity with an issue of 1,000,000, posted by command 1.
pub fn opened() -> Rows {
    Rows {
        entities: vec![EntityRow {
            entity: s(ENTITY),
            name: s("Acme \"Holdings\" \\ Škoda 株式会社 'quoted'"),
            functional_currency: s("USD"),
            framework: s("us_gaap"),
            fiscal_year_end: s("12-31"),
            fiscal_calendar: None,
            lei: Some(s("5493001KJTIIGC8Y1R12")),
            recorded_at: 1,
            max_lines_per_batch: 500,
        }],
        entity_heads: vec![head(1)],
        records: vec![record(1)],
        bond_issues: vec![issue(ISSUE, 1)],
        events: vec![event(ISSUE, 1, 0, "2024-01-01")],
        positions: vec![position(ISSUE, "2024-01-01", 1, true, 1_000_000)],
        booked: vec![booked(ISSUE, "2024-01-01", 1, true, 1_000_000, "2024-01-01")],
        issue_heads: vec![issue_head(ISSUE, 1, ("2024-01-01", 1), ("2024-01-01", 1))],
        ..Rows::default()
    }
}

/// A batch of command `sequence` with one entry of two lines.
pub fn journal(id: &str, sequence: i64, date: &str, amount: i64) -> Rows {
    let batch = batch(id, sequence, date, amount);
    Rows {
        records: vec![record(sequence)],
        entries: vec![entry(&batch, 1, -amount)],
        lines: vec![line(id, 1, 1, "bonds_payable", amount), line(id, 1, 2, "additional_paid_in_capital", -amount)],
        batches: vec![batch],
        ..Rows::default()
    }
}

/// Posts rows in a transaction of their own.
pub async fn post(store: &Store, rows: &Rows) -> Result<(), StoreError> {
    let mut posting = store.begin().await?;
    posting.append(rows.clone()).await?;
    posting.commit().await
}
