//! What verification reads: rows by the command that wrote them, and all that the history of an issue is made of.

use crate::store::error::StoreError;
use crate::store::read::batches::among;
use crate::store::read::{Text, Texts};
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{
    AccountMappingRow, AcknowledgementRow, BatchRow, BondIssueRow, BookedRow, ConversionRateRow, CouponRow,
    DestinationRow, EntryRow, EventRow, FirstSeenRow, IssueHeadRow, LayoutRow, NaturalKeyRow, PeriodCloseRow,
    PositionRow, ReleaseRow, ReversalRow, RevisionRow, Rows, SeriesMemberRow,
};
use crate::store::table::Stored;

/// The rows of the commands after $2 up to $3.
fn recorded<R: Stored>(order: &str) -> String {
    format!(
        "select {} from {} t where t.entity = $1 and t.sequence > $2 and t.sequence <= $3 order by {order}",
        R::columns("t"),
        R::TABLE.name
    )
}

static MAPPINGS: Text = Text::new(|| recorded::<AccountMappingRow>("t.sequence"));
static LAYOUTS: Text = Text::new(|| recorded::<LayoutRow>("t.sequence, t.name, t.version"));
static CLOSES: Text = Text::new(|| recorded::<PeriodCloseRow>("t.sequence"));
static BOND_ISSUES: Text = Text::new(|| recorded::<BondIssueRow>("t.sequence, t.id"));
static EVENTS: Text = Text::new(|| recorded::<EventRow>("t.sequence, t.bond_issue"));
static DESTINATIONS: Text = Text::new(|| recorded::<DestinationRow>("t.sequence, t.name"));
static BATCHES: Text = Text::new(|| recorded::<BatchRow>("t.sequence, t.ordinal"));
static RELEASES: Text = Text::new(|| recorded::<ReleaseRow>("t.sequence, t.release"));
static ACKNOWLEDGEMENTS: Text = Text::new(|| recorded::<AcknowledgementRow>("t.sequence, t.batch, t.revision"));

static EVENTS_OF: Texts = Texts::new(|| among::<EventRow>("bond_issue", "t.bond_issue, t.sequence"));
static POSITIONS_OF: Texts = Texts::new(|| among::<PositionRow>("bond_issue", "t.bond_issue, t.date, t.sequence"));
static BOOKED_OF: Texts = Texts::new(|| among::<BookedRow>("bond_issue", "t.bond_issue, t.posting_date, t.sequence"));
static HEADS_OF: Texts = Texts::new(|| among::<IssueHeadRow>("bond_issue", "t.bond_issue"));
static COUPONS_OF: Texts = Texts::new(|| among::<CouponRow>("bond_issue", "t.bond_issue, t.coupon_date, t.revision"));
static RATES_OF: Texts = Texts::new(|| among::<ConversionRateRow>("bond_issue", "t.bond_issue, t.date, t.sequence"));
static REVERSALS_OF: Texts = Texts::new(|| among::<ReversalRow>("bond_issue", "t.bond_issue, t.reversed"));
static REVISIONS_OF: Texts = Texts::new(|| among::<RevisionRow>("bond_issue", "t.bond_issue, t.sequence"));
static MEMBERS_OF: Texts = Texts::new(|| among::<SeriesMemberRow>("bond_issue", "t.bond_issue, t.series"));
static SEEN_OF: Texts = Texts::new(|| among::<FirstSeenRow>("bond_issue", "t.bond_issue, t.axis, t.date"));
static ENTRIES_OF: Texts = Texts::new(|| among::<EntryRow>("event", "t.event, t.batch, t.entry"));
static EVENTS_BY_ID: Texts = Texts::new(|| among::<EventRow>("id", "t.id"));

static ISSUES_PAGE: Text = Text::new(|| {
    format!(
        "select {} from bond_issue i where i.entity = $1 and i.id > $2 order by i.id limit $3",
        BondIssueRow::columns("i")
    )
});

static KEYS_PAGE: Text = Text::new(|| {
    format!(
        "select {} from natural_key n where n.entity = $1 and (n.kind, n.reference) > ($2, $3) order by n.kind, n.reference limit $4",
        NaturalKeyRow::columns("n")
    )
});

impl Reader<'_> {
    /// What the commands of an entity after a sequence up to another recorded, by command, in the order in which it was hashed.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn recorded(&mut self, entity: &str, after: i64, through: i64) -> Result<Rows, StoreError> {
        let args = [Arg::Text(entity), Arg::Int(after), Arg::Int(through)];
        Ok(Rows {
            account_mappings: self.all(&MAPPINGS, &args).await?,
            layouts: self.all(&LAYOUTS, &args).await?,
            period_closes: self.all(&CLOSES, &args).await?,
            bond_issues: self.all(&BOND_ISSUES, &args).await?,
            events: self.all(&EVENTS, &args).await?,
            destinations: self.all(&DESTINATIONS, &args).await?,
            batches: self.all(&BATCHES, &args).await?,
            releases: self.all(&RELEASES, &args).await?,
            acknowledgements: self.all(&ACKNOWLEDGEMENTS, &args).await?,
            ..Rows::default()
        })
    }

    /// The issues of an entity in order of their ids, after one (or after `""`).
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn bond_issues_page(
        &mut self,
        entity: &str,
        after: &str,
        limit: i64,
    ) -> Result<Vec<BondIssueRow>, StoreError> {
        self.all(&ISSUES_PAGE, &[Arg::Text(entity), Arg::Text(after), Arg::Int(limit)]).await
    }

    /// Everything that the histories of some issues are made of but their entries, and where their dates were first seen.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn histories(&mut self, entity: &str, ids: &[&str]) -> Result<(Rows, Vec<FirstSeenRow>), StoreError> {
        let rows = Rows {
            events: self.among(&EVENTS_OF, entity, ids).await?,
            positions: self.among(&POSITIONS_OF, entity, ids).await?,
            booked: self.among(&BOOKED_OF, entity, ids).await?,
            issue_heads: self.among(&HEADS_OF, entity, ids).await?,
            coupons: self.among(&COUPONS_OF, entity, ids).await?,
            conversion_rates: self.among(&RATES_OF, entity, ids).await?,
            reversals: self.among(&REVERSALS_OF, entity, ids).await?,
            revisions: self.among(&REVISIONS_OF, entity, ids).await?,
            series_members: self.among(&MEMBERS_OF, entity, ids).await?,
            ..Rows::default()
        };
        Ok((rows, self.among(&SEEN_OF, entity, ids).await?))
    }

    /// The entries of some events.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn entries_of_events(&mut self, entity: &str, events: &[&str]) -> Result<Vec<EntryRow>, StoreError> {
        self.among(&ENTRIES_OF, entity, events).await
    }

    /// Some events by their ids; an unknown id is left out.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn events_by_id(&mut self, entity: &str, ids: &[&str]) -> Result<Vec<EventRow>, StoreError> {
        self.among(&EVENTS_BY_ID, entity, ids).await
    }

    /// The names of destinations of which it is not kept how far their deliveries have come.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn destinations_without_delivery(&mut self, entity: &str) -> Result<Vec<String>, StoreError> {
        let text = "select distinct d.name from destination d where d.entity = $1 and not exists (select 1 from delivery v \
                    where v.entity = d.entity and v.destination = d.name) order by d.name";
        self.all(text, &[Arg::Text(entity)]).await
    }

    /// References in use in order of kind and reference, after one of them (or after two empty texts).
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn natural_keys_page(
        &mut self,
        entity: &str,
        (kind, reference): (&str, &str),
        limit: i64,
    ) -> Result<Vec<NaturalKeyRow>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(kind), Arg::Text(reference), Arg::Int(limit)];
        self.all(&KEYS_PAGE, &args).await
    }
}
