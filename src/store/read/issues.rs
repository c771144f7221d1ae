//! Bond issues and their histories.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::reversals::STANDS;
use crate::store::read::{AMONG, Text, Texts};
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{BondIssueRow, BookedRow, ConversionRateRow, CouponRow, EventRow, PositionRow};
use crate::store::table::Stored;

cells! {
    /// An issue in a list.
    pub struct ListedIssue {
        /// The terms and rates.
        issue: (BondIssueRow),
        /// The id of the event that took the issuance back, as known at the time.
        voided_by: maybe_text,
    }
}

/// Which bond issues to list. A field that is none filters nothing.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct IssueFilter<'a> {
    /// Of this entity.
    pub entity: Option<&'a str>,
    /// With this reference.
    pub reference: Option<&'a str>,
    /// With this ISIN.
    pub isin: Option<&'a str>,
}

static BOND_ISSUE: Text =
    Text::new(|| format!("select {} from bond_issue i where i.entity = $1 and i.id = $2", BondIssueRow::columns("i")));

/// The newest row of each date from the last one before $3 on. The dates come from `first_seen`, so that the rows that were
/// replaced, of which a date may have thousands, are not read.
fn rows_from<R: Stored>(table: &str, date: &str) -> String {
    format!(
        "select {columns} from first_seen d \
         join {table} p on p.entity = d.entity and p.bond_issue = d.bond_issue and p.{date} = d.date \
         and p.sequence = (select q.sequence from {table} q where q.entity = d.entity and q.bond_issue = d.bond_issue \
         and q.{date} = d.date order by q.sequence desc limit 1) \
         where d.entity = $1 and d.bond_issue = $2 and d.axis = '{table}' and d.date >= coalesce(\
         (select b.date from first_seen b where b.entity = $1 and b.bond_issue = $2 and b.axis = '{table}' \
         and b.date < $3 order by b.date desc limit 1), $3) order by d.date",
        columns = R::columns("p"),
    )
}

static POSITION_ROWS: Text = Text::new(|| rows_from::<PositionRow>("position", "date"));
static BOOKED_ROWS: Text = Text::new(|| rows_from::<BookedRow>("booked", "posting_date"));

/// As known at $5, the newest row of each date from the last one before $4 on, of the issues after $2 up to $3.
static KNOWN_POSITION_ROWS: Text = Text::new(|| {
    let from = "and d.date >= coalesce((select b.date from first_seen b where b.entity = d.entity and b.bond_issue = d.bond_issue \
         and b.axis = 'position' and b.date < $4 and b.sequence <= $5 order by b.date desc limit 1), $4)";
    position_rows(&format!("d.bond_issue > $2 and d.bond_issue <= $3 {from}"), "$5")
});

/// As known at $3, those of all dates, of some issues.
static POSITION_ROWS_AMONG: Texts =
    Texts::new(|| AMONG.map(|among| position_rows(&format!("d.bond_issue {among}"), "$3")));

fn position_rows(which: &str, known: &str) -> String {
    format!(
        "select {} from first_seen d \
         join position p on p.entity = d.entity and p.bond_issue = d.bond_issue and p.date = d.date \
         and p.sequence = (select q.sequence from position q where q.entity = d.entity and q.bond_issue = d.bond_issue \
         and q.date = d.date and q.sequence <= {known} order by q.sequence desc limit 1) \
         where d.entity = $1 and d.axis = 'position' and d.sequence <= {known} and {which} order by d.bond_issue, d.date",
        PositionRow::columns("p")
    )
}

/// The same issues' adjusted rates.
static KNOWN_RATES: Text = Text::new(|| {
    format!(
        "select {} from conversion_rate c where c.entity = $1 and c.bond_issue > $2 and c.bond_issue <= $3 and c.sequence <= $4 \
         order by c.bond_issue, c.date, c.sequence",
        ConversionRateRow::columns("c")
    )
});

static PAID_COUPONS: Text = Text::new(|| paid_coupons("c.bond_issue = $2"));

static PAID_COUPONS_AMONG: Texts = Texts::new(|| AMONG.map(|among| paid_coupons(&format!("c.bond_issue {among}"))));

static COUPON_REVISIONS: Text = Text::new(|| {
    format!(
        "select {} from coupon c where c.entity = $1 and c.bond_issue = $2 and c.coupon_date = $3 order by c.revision",
        CouponRow::columns("c")
    )
});

fn paid_coupons(which: &str) -> String {
    format!(
        "select {} from coupon c where c.entity = $1 and {which} and c.sequence <= $3 and c.paid_on is not null \
         and not exists (select 1 from coupon d where d.entity = c.entity and d.bond_issue = c.bond_issue \
         and d.coupon_date = c.coupon_date and d.revision > c.revision and d.sequence <= $3) order by c.bond_issue, c.coupon_date",
        CouponRow::columns("c")
    )
}

static RATES: Texts = Texts::new(|| AMONG.map(rates));

fn rates(among: &str) -> String {
    format!(
        "select {} from conversion_rate c where c.entity = $1 and c.bond_issue {among} order by c.bond_issue, c.date, c.sequence",
        ConversionRateRow::columns("c")
    )
}

/// An acceptance that waits for its settlement was measured at the rate, though nothing has moved yet.
/// Bonds that were surrendered before the date convert at the rate of then, whenever they are settled: the surrender is an event that the
/// key of its settlement names, or has a row of the settlement's own event.
static CONVERTED_FROM: Text = Text::new(|| {
    format!(
        "select v.effective_date from event v where v.entity = $1 and v.bond_issue = $2 and v.effective_date >= $3 \
         and v.kind in ('conversion', 'inducement', 'inducement_acceptance') and {STANDS} \
         and not exists (select 1 from natural_key k join event s on s.entity = k.entity and s.id = k.reference \
         where k.entity = v.entity and k.kind = 'surrender' and k.id = v.id and s.effective_date < $3) \
         and not exists (select 1 from position p where p.entity = v.entity and p.bond_issue = v.bond_issue \
         and p.sequence = v.sequence and p.date < $3) order by v.effective_date limit 1"
    )
});

/// Without those whose issuance was reversed.
const SERIES: &str = "select m.bond_issue from series_member m join bond_issue i on i.entity = m.entity and i.id = m.bond_issue \
    where m.entity = $1 and m.series = $2 and not exists (select 1 from reversal r where r.entity = m.entity \
    and r.bond_issue = m.bond_issue and r.reversed = i.sequence) order by i.sequence";

static EVENT: Text =
    Text::new(|| format!("select {} from event v where v.entity = $1 and v.id = $2", EventRow::columns("v")));

static EVENT_BY_SEQUENCE: Text = Text::new(|| {
    format!(
        "select {} from event v where v.entity = $1 and v.bond_issue = $2 and v.sequence = $3",
        EventRow::columns("v")
    )
});

static EVENTS: Text = Text::new(|| {
    format!(
        "select {} from event v where v.entity = $1 and v.bond_issue = $2 and v.sequence <= $3 and v.sequence > $4 \
         order by v.sequence limit $5",
        EventRow::columns("v")
    )
});

impl Reader<'_> {
    /// The issue with an id.
    pub async fn bond_issue(&mut self, entity: &str, id: &str) -> Result<Option<BondIssueRow>, StoreError> {
        self.one(&BOND_ISSUE, &[Arg::Text(entity), Arg::Text(id)]).await
    }

    /// Issues recorded at or before a time (microseconds since 1970), in order of entity and sequence, after one (or after
    /// `("", 0)`). An issue is listed by time rather than by sequence because several entities may be in the list.
    pub async fn bond_issues(
        &mut self,
        filter: IssueFilter<'_>,
        known_at: i64,
        after: (&str, i64),
        limit: i64,
    ) -> Result<Vec<ListedIssue>, StoreError> {
        let mut text = format!(
            "select {}, (select v.id from reversal x join record y on y.entity = x.entity and y.sequence = x.sequence \
             join event v on v.entity = x.entity and v.bond_issue = x.bond_issue and v.sequence = x.sequence \
             where x.entity = i.entity and x.bond_issue = i.id and x.reversed = i.sequence and y.recorded_at <= $1) \
             from bond_issue i join record r on r.entity = i.entity and r.sequence = i.sequence \
             where r.recorded_at <= $1 and (i.entity, i.sequence) > ($2, $3)",
            BondIssueRow::columns("i")
        );
        let mut args = vec![Arg::Int(known_at), Arg::Text(after.0), Arg::Int(after.1), Arg::Int(limit)];
        for (column, value) in [("entity", filter.entity), ("reference", filter.reference), ("isin", filter.isin)] {
            if let Some(value) = value {
                args.push(Arg::Text(value));
                text.push_str(&format!(" and i.{column} = ${}", args.len()));
            }
        }
        text.push_str(" order by i.entity, i.sequence limit $4");
        self.composed(text, &args).await
    }

    /// The newest position of each date from `date` on, in order, led by that of the last date before it.
    pub async fn position_rows_from(
        &mut self,
        entity: &str,
        bond_issue: &str,
        date: &str,
    ) -> Result<Vec<PositionRow>, StoreError> {
        self.all(&POSITION_ROWS, &[Arg::Text(entity), Arg::Text(bond_issue), Arg::Text(date)]).await
    }

    /// As known at a sequence, the positions from `date` on of the issues after one id (or after `""`) up to another, by issue and date; each
    /// issue's are led by that of the last date before it.
    pub async fn position_rows_known(
        &mut self,
        entity: &str,
        (after, through): (&str, &str),
        date: &str,
        known: i64,
    ) -> Result<Vec<PositionRow>, StoreError> {
        let ids = [Arg::Text(entity), Arg::Text(after), Arg::Text(through)];
        let args: Vec<Arg<'_>> = ids.into_iter().chain([Arg::Text(date), Arg::Int(known)]).collect();
        self.all(&KNOWN_POSITION_ROWS, &args).await
    }

    /// As known at a sequence, all positions of some issues, by issue and date.
    pub async fn position_rows_of(
        &mut self,
        entity: &str,
        ids: &[&str],
        known: i64,
    ) -> Result<Vec<PositionRow>, StoreError> {
        self.either(&POSITION_ROWS_AMONG, &[Arg::Text(entity), Arg::Texts(ids), Arg::Int(known)]).await
    }

    /// As known at a sequence, the adjusted conversion rates of the issues after one id (or after `""`) up to another, by issue and date; of one
    /// date in the order in which they were recorded.
    pub async fn conversion_rates_known(
        &mut self,
        entity: &str,
        (after, through): (&str, &str),
        known: i64,
    ) -> Result<Vec<ConversionRateRow>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(after), Arg::Text(through), Arg::Int(known)];
        self.all(&KNOWN_RATES, &args).await
    }

    /// The newest booked row of each posting date from `date` on, in order, led by that of the last date before it.
    pub async fn booked_rows_from(
        &mut self,
        entity: &str,
        bond_issue: &str,
        date: &str,
    ) -> Result<Vec<BookedRow>, StoreError> {
        self.all(&BOOKED_ROWS, &[Arg::Text(entity), Arg::Text(bond_issue), Arg::Text(date)]).await
    }

    /// The coupons of an issue that were paid as known at `known`, by coupon date. A payment that was reversed is left out.
    pub async fn paid_coupons(
        &mut self,
        entity: &str,
        bond_issue: &str,
        known: i64,
    ) -> Result<Vec<CouponRow>, StoreError> {
        self.all(&PAID_COUPONS, &[Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(known)]).await
    }

    /// The same of some issues, by issue and coupon date.
    pub async fn paid_coupons_of(
        &mut self,
        entity: &str,
        ids: &[&str],
        known: i64,
    ) -> Result<Vec<CouponRow>, StoreError> {
        self.either(&PAID_COUPONS_AMONG, &[Arg::Text(entity), Arg::Texts(ids), Arg::Int(known)]).await
    }

    /// The payments of one coupon and their reversals, oldest first.
    pub async fn coupon_revisions(
        &mut self,
        entity: &str,
        bond_issue: &str,
        coupon_date: &str,
    ) -> Result<Vec<CouponRow>, StoreError> {
        self.all(&COUPON_REVISIONS, &[Arg::Text(entity), Arg::Text(bond_issue), Arg::Text(coupon_date)]).await
    }

    /// The adjusted conversion rates of some issues, by issue and date; of one date in the order in which they were recorded.
    pub async fn conversion_rates(&mut self, entity: &str, ids: &[&str]) -> Result<Vec<ConversionRateRow>, StoreError> {
        self.either(&RATES, &[Arg::Text(entity), Arg::Texts(ids)]).await
    }

    /// The ids of the issues of a series, in the order in which they were recorded.
    pub async fn series(&mut self, entity: &str, series: &str) -> Result<Vec<String>, StoreError> {
        self.all(SERIES, &[Arg::Text(entity), Arg::Text(series)]).await
    }

    /// The date of the first conversion, or acceptance of an offer to convert, on or after a date and at the rate of then.
    pub async fn converted_from(
        &mut self,
        entity: &str,
        bond_issue: &str,
        date: &str,
    ) -> Result<Option<String>, StoreError> {
        self.one(&CONVERTED_FROM, &[Arg::Text(entity), Arg::Text(bond_issue), Arg::Text(date)]).await
    }

    /// The event with an id.
    pub async fn event(&mut self, entity: &str, id: &str) -> Result<Option<EventRow>, StoreError> {
        self.one(&EVENT, &[Arg::Text(entity), Arg::Text(id)]).await
    }

    /// The event that a command wrote for an issue.
    pub async fn event_by_sequence(
        &mut self,
        entity: &str,
        bond_issue: &str,
        sequence: i64,
    ) -> Result<Option<EventRow>, StoreError> {
        self.one(&EVENT_BY_SEQUENCE, &[Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(sequence)]).await
    }

    /// The events of an issue recorded up to `known`, in order, after a sequence.
    pub async fn events(
        &mut self,
        entity: &str,
        bond_issue: &str,
        known: i64,
        after: i64,
        limit: i64,
    ) -> Result<Vec<EventRow>, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(bond_issue), Arg::Int(known), Arg::Int(after), Arg::Int(limit)];
        self.all(&EVENTS, &args).await
    }
}
