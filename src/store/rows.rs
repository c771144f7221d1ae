//! The rows of the books: each table's columns, described once.
//!
//! The description gives the struct, the insert of many rows on each engine and the list of columns that reads select: a
//! column that one of the schemas lacks, or wants besides, fails the first posting.

use std::collections::BTreeMap;

use crate::store::table::{Part, Stored, tables};

tables! {
    /// A legal entity whose books are kept.
    EntityRow: "entity" add {
        entity: text, name: text, functional_currency: text, framework: text, fiscal_year_end: text,
        fiscal_calendar: maybe_text, lei: maybe_text, recorded_at: bigint, max_lines_per_batch: bigint,
    }

    /// The lock that every posting of an entity takes, and its two gap-free counters.
    EntityHeadRow: "entity_head" replace(["entity"]) {
        entity: text, sequence: bigint, release: bigint, recorded_at: bigint, hash: text, closed_through: maybe_text,
    }

    /// The gap-free batch number of an entity's fiscal year.
    YearHeadRow: "year_head" replace(["entity", "fiscal_year"]) {
        entity: text, fiscal_year: bigint, number: bigint,
    }

    /// A recorded command: a link of the audit chain and a point of the known-at axis.
    RecordRow: "record" add {
        entity: text, sequence: bigint, recorded_at: bigint, kind: text, subject: text, request_id: text,
        actor: text, content_sha256: text, hash: text,
    }

    /// A whole mapping of account roles, in force from a date; `bond_issue` is empty for the whole entity.
    AccountMappingRow: "account_mapping" add {
        entity: text, sequence: bigint, bond_issue: text, effective_from: text, accounts: text,
    }

    /// A close of a fiscal period, or its reopening.
    PeriodCloseRow: "period_close" add {
        entity: text, sequence: bigint, recorded_at: bigint, kind: text, period: text, first_day: text, last_day: text,
        locked_from: maybe_text, reason: maybe_text, name: maybe_text, waivers: text, answer: text, content_sha256: text,
    }

    /// A version of a CSV layout.
    LayoutRow: "layout" add {
        entity: text, name: text, version: bigint, sequence: bigint, recorded_at: bigint, document: text,
    }

    /// A bond issue: its terms and the rates solved from them. It never changes.
    BondIssueRow: "bond_issue" add {
        entity: text, id: text, sequence: bigint, reference: text, isin: maybe_text, currency: text,
        settlement_date: text, maturity_date: text, terms: text, rates: text,
    }

    /// An event of an issue, following the one before it.
    EventRow: "event" add {
        entity: text, bond_issue: text, sequence: bigint, id: text, kind: text, effective_date: text,
        follows: bigint, reference: maybe_text, detail: text, content_sha256: text,
    }

    /// What is outstanding at the close of `date`, as known from `sequence` on.
    PositionRow: "position" add {
        entity: text, bond_issue: text, date: text, sequence: bigint, first: bigint, principal: bigint,
        interest_due: bigint, with_next_coupon: bigint, interest_receivable: bigint, moved_principal: bigint,
        moved_premium_discount: bigint, moved_issue_costs: bigint, moved_interest: bigint,
        moved_equity: bigint, surrendered_principal: bigint, surrendered_premium_discount: bigint,
        surrendered_issue_costs: bigint, surrendered_interest: bigint, surrendered_equity: bigint,
    }

    /// What is booked at the close of `posting_date`, as known from `sequence` on, and what is taken back of it later.
    BookedRow: "booked" add {
        entity: text, bond_issue: text, posting_date: text, sequence: bigint, first: bigint, principal: bigint,
        premium_discount: bigint, issue_costs: bigint, interest_payable: bigint, interest_receivable: bigint,
        accrued_boundary: text, accrued_through: text, later_premium_discount: bigint, later_issue_costs: bigint,
        later_interest_payable: bigint, later_interest_receivable: bigint, later_posting_date: maybe_text,
        equity_component: bigint, later_equity_component: bigint,
    }

    /// The newest event, position and booked row of an issue.
    IssueHeadRow: "issue_head" replace(["entity", "bond_issue"]) {
        entity: text, bond_issue: text, event_sequence: bigint, position_date: text, position_sequence: bigint,
        booked_date: text, booked_sequence: bigint,
    }

    /// A payment of a coupon (`paid_on` is a date), or its reversal (`paid_on` is none).
    CouponRow: "coupon" add {
        entity: text, bond_issue: text, coupon_date: text, revision: bigint, sequence: bigint, paid_on: maybe_text,
        amount: bigint,
    }

    /// The conversion rate in force from `date` on; without `share_par_value` into no-par stock.
    ConversionRateRow: "conversion_rate" add {
        entity: text, bond_issue: text, date: text, sequence: bigint, shares_per_denomination: text,
        share_par_value: maybe_text, carried_shares: maybe_text, reason: maybe_text,
    }

    /// What an issue is from the event of `sequence` on; `clean` and `issue_costs` (positive) are what is carried at `date`.
    RevisionRow: "revision" add {
        entity: text, bond_issue: text, sequence: bigint, date: text, terms: text, principal: bigint, clean: bigint,
        issue_costs: bigint, effect: text, rates: text,
    }

    /// That an issue is of a series.
    SeriesMemberRow: "series_member" add {
        entity: text, series: text, bond_issue: text,
    }

    /// That the event of sequence `reversed` was taken back by that of `sequence`.
    ReversalRow: "reversal" add {
        entity: text, bond_issue: text, reversed: bigint, sequence: bigint,
    }

    /// A journal line: debits are positive and credits negative.
    LineRow: "line" add {
        entity: text, batch: text, entry: bigint, line: bigint, account_role: text, amount: bigint, memo: text,
        derivation: text,
    }

    /// A journal entry with its movement by component.
    EntryRow: "entry" add {
        entity: text, batch: text, entry: bigint, sequence: bigint, bond_issue: text, event: text, kind: text,
        movement: text, posting_date: text, effective_date: text, description: text, principal: bigint,
        premium_discount: bigint, issue_costs: bigint, interest_payable: bigint, interest_receivable: bigint,
        coupon_interest: bigint, gain_loss: bigint, expense: bigint, cash: bigint, shares: text,
        paid_in_capital: bigint, equity_component: bigint, common_stock: bigint, treasury_stock: bigint,
        debt_conversion_expense: bigint, loss_on_amendment: bigint,
    }

    /// A posted journal batch: account roles, one posting date, one currency.
    BatchRow: "batch" add {
        entity: text, id: text, sequence: bigint, ordinal: bigint, number: text, currency: text, posting_date: text,
        effective_date: text, recorded_at: bigint, ready: bigint, entries: bigint, lines: bigint, debit: bigint,
        credit: bigint, assets: bigint, liabilities: bigint, equity: bigint, net_income: bigint,
        content_sha256: text, reverses: maybe_text,
    }

    /// An immutable revision of a batch, with the accounts as mapped when it was released.
    ReleaseRow: "release" add {
        entity: text, release: bigint, batch: text, revision: bigint, sequence: bigint, released_at: bigint,
        accounts: text, release_sha256: text,
    }

    /// What the ledger answered to a release.
    AcknowledgementRow: "acknowledgement" add {
        entity: text, batch: text, revision: bigint, sequence: bigint, acknowledged_at: bigint, status: text,
        document_number: maybe_text, ledger_posting_date: maybe_text, reason: maybe_text,
    }

    /// A command on a destination of releases; `after` is -1 where it goes on as it was.
    DestinationRow: "destination" add {
        entity: text, name: text, sequence: bigint, url: text, state: text, after: bigint, recorded_at: bigint,
    }

    /// How far the deliveries to a destination have come, and who makes them.
    DeliveryRow: "delivery" add {
        entity: text, destination: text, sequence: bigint, state: text, reason: maybe_text, delivered: bigint,
        failures: bigint, due_at: bigint, attempt: bigint, trying: bigint, tried_at: bigint, lease_until: bigint,
        fence: bigint,
    }

    /// An attempt to deliver a release.
    AttemptRow: "attempt" add {
        entity: text, destination: text, attempt: bigint, release: bigint, started_at: bigint, duration: bigint,
        outcome: text, status: bigint, detail: maybe_text, next_attempt_at: bigint,
    }

    /// The answer given to a request that carried an idempotency key.
    IdempotencyRow: "idempotency" add {
        entity: text, key: text, fingerprint: text, status: bigint, answer: text, recorded_at: bigint,
    }

    /// A reference in use for one thing of its kind.
    NaturalKeyRow: "natural_key" add {
        entity: text, kind: text, reference: text, id: text,
    }

    /// A bearer token, by its hash; without `entity` it may see all of them.
    TokenRow: "token" add {
        token_sha256: text, name: text, role: text, entity: maybe_text, created_at: bigint,
    }

    /// The sequence from which on an issue has rows at a date, in table `axis`.
    FirstSeenRow: "first_seen" add {
        entity: text, bond_issue: text, axis: text, date: text, sequence: bigint,
    }
}

/// Declares [`Rows`]: a vector a table, in the order in which SQLite must write them.
macro_rules! rows {
    ($( $field:ident: $row:ident ),+ $(,)?) => {
        /// What one posting writes, a vector a table. Rows of several commands and entities may stand together.
        #[derive(Debug, Clone, Default, PartialEq, Eq)]
        pub struct Rows { $( #[doc = concat!("Rows of [`", stringify!($row), "`].")] pub $field: Vec<$row> ),+ }

        impl Rows {
            /// Whether there is nothing to write.
            pub fn is_empty(&self) -> bool {
                true $( && self.$field.is_empty() )+
            }

            /// How many rows there are.
            pub fn len(&self) -> usize {
                0 $( + self.$field.len() )+
            }

            /// Adds the rows of another command after these.
            pub fn extend(&mut self, other: Rows) {
                $( self.$field.extend(other.$field); )+
            }

            /// Every row as its table and a JSON array, in an order that does not depend on that of the vectors.
            ///
            /// # Errors
            /// When a row cannot be written as JSON.
            pub fn canonical(&self) -> Result<Vec<String>, serde_json::Error> {
                let mut all = Vec::with_capacity(self.len());
                $(
                    for row in &self.$field {
                        let mut json = Vec::new();
                        row.json(&mut json)?;
                        all.push(format!("{}{}", $row::TABLE.name, String::from_utf8_lossy(&json)));
                    }
                )+
                all.sort_unstable();
                Ok(all)
            }

            /// The vectors, in order, with what [`first_seen`](Self::first_seen) gave.
            pub(super) fn parts<'r>(&'r self, first_seen: &'r Vec<FirstSeenRow>) -> Vec<&'r dyn Part> {
                vec![$( &self.$field, )+ first_seen]
            }
        }
    };
}

// SQLite checks a foreign key at the statement unless it is deferred, so what is referred to comes first; only lines come
// before their entry, whose trigger sees them whole. PostgreSQL checks at the end of its single statement.
rows! {
    entities: EntityRow,
    entity_heads: EntityHeadRow,
    year_heads: YearHeadRow,
    records: RecordRow,
    account_mappings: AccountMappingRow,
    layouts: LayoutRow,
    period_closes: PeriodCloseRow,
    bond_issues: BondIssueRow,
    series_members: SeriesMemberRow,
    events: EventRow,
    positions: PositionRow,
    booked: BookedRow,
    issue_heads: IssueHeadRow,
    coupons: CouponRow,
    conversion_rates: ConversionRateRow,
    reversals: ReversalRow,
    revisions: RevisionRow,
    batches: BatchRow,
    lines: LineRow,
    entries: EntryRow,
    releases: ReleaseRow,
    acknowledgements: AcknowledgementRow,
    destinations: DestinationRow,
    deliveries: DeliveryRow,
    attempts: AttemptRow,
    idempotency: IdempotencyRow,
    natural_keys: NaturalKeyRow,
    tokens: TokenRow,
}

impl Rows {
    /// The rows with the last of each head only: a row that is replaced may stand in a statement once.
    pub(super) fn newest_heads(mut self) -> Rows {
        self.entity_heads = last_of_each(self.entity_heads, |row| row.entity.clone());
        self.year_heads = last_of_each(self.year_heads, |row| (row.entity.clone(), row.fiscal_year));
        self.issue_heads = last_of_each(self.issue_heads, |row| row.bond_issue.clone());
        self
    }

    /// The rows of `first_seen` that the rows new to their date bring about. The store writes them itself, so that no
    /// caller can forget them: without them a row is never found.
    pub(super) fn first_seen(&self) -> Vec<FirstSeenRow> {
        let row = |axis: &str, entity: &String, bond_issue: &String, date: &String, sequence| FirstSeenRow {
            entity: entity.clone(),
            bond_issue: bond_issue.clone(),
            axis: axis.to_owned(),
            date: date.clone(),
            sequence,
        };
        let positions = self.positions.iter().filter(|row| row.first == 1);
        let booked = self.booked.iter().filter(|row| row.first == 1);
        positions
            .map(|new| row("position", &new.entity, &new.bond_issue, &new.date, new.sequence))
            .chain(booked.map(|new| row("booked", &new.entity, &new.bond_issue, &new.posting_date, new.sequence)))
            .collect()
    }
}

fn last_of_each<R, K: Ord>(rows: Vec<R>, key: impl Fn(&R) -> K) -> Vec<R> {
    rows.into_iter().map(|row| (key(&row), row)).collect::<BTreeMap<K, R>>().into_values().collect()
}
