//! Events of many issues, by effective date.

use crate::store::error::StoreError;
use crate::store::read::Text;
use crate::store::reader::{Arg, Reader};
use crate::store::rows::EventRow;
use crate::store::table::Stored;

/// That the event `v` is not taken back as known at $4.
const STOOD: &str = "not exists (select 1 from reversal r where r.entity = v.entity and r.bond_issue = v.bond_issue \
    and r.reversed = v.sequence and r.sequence <= $4)";

fn events(condition: &str) -> String {
    format!(
        "select {} from event v where v.entity = $1 and v.bond_issue > $2 and v.bond_issue <= $3 and v.sequence <= $4 \
         and {condition} and {STOOD} order by v.bond_issue, v.effective_date, v.sequence",
        EventRow::columns("v")
    )
}

static INDUCEMENTS: Text =
    Text::new(|| events("v.kind in ('inducement', 'inducement_acceptance') and v.effective_date <= $5"));

/// Accruals are none that a report names, and there are many.
static FROM: Text = Text::new(|| events("v.kind <> 'accrual' and v.effective_date >= $5"));

static NOTICES: Text = Text::new(|| {
    format!(
        "select {} from event v where v.entity = $1 and v.bond_issue = $2 and v.sequence > $3 and v.sequence <= $4 \
         and v.kind in ('surrender', 'conversion') and {STOOD} order by v.sequence limit $5",
        EventRow::columns("v")
    )
});

impl Reader<'_> {
    /// The surrenders and conversions of an issue that stand as known at a sequence, in order of record, after a sequence.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn notices(
        &mut self,
        entity: &str,
        bond_issue: &str,
        (after, known): (i64, i64),
        limit: i64,
    ) -> Result<Vec<EventRow>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(after), Arg::Int(known), Arg::Int(limit)];
        self.all(&NOTICES, &args).await
    }

    /// The events but accruals that are effective on a date or later and stand as known at a sequence, of the issues after one id (or after
    /// `""`) up to another; by issue and date.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn events_from(
        &mut self,
        entity: &str,
        (after, through): (&str, &str),
        from: &str,
        known: i64,
    ) -> Result<Vec<EventRow>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(after), Arg::Text(through), Arg::Int(known), Arg::Text(from)];
        self.all(&FROM, &args).await
    }

    /// The inducements, and acceptances of offers recorded alone, that are effective by a date and stand as known at a sequence, of the
    /// issues after one id (or after `""`) up to another; by issue and date.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn inducements(
        &mut self,
        entity: &str,
        (after, through): (&str, &str),
        to: &str,
        known: i64,
    ) -> Result<Vec<EventRow>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(after), Arg::Text(through), Arg::Int(known), Arg::Text(to)];
        self.all(&INDUCEMENTS, &args).await
    }
}
