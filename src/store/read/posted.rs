//! The entries of a period by issue, with their lines and the accounts of their batches: what a report shows the journal behind.

use crate::store::cells::cells;
use crate::store::error::StoreError;
use crate::store::read::{AMONG, Text, Texts};
use crate::store::reader::{Arg, Reader};
use crate::store::rows::{BondIssueRow, EntryRow, LineRow, ReleaseRow};
use crate::store::table::Stored;

cells! {
    /// An entry with the number of its batch.
    pub struct PostedEntry {
        /// The batch's number.
        number: text,
        /// The entry.
        entry: (EntryRow),
    }
}

cells! {
    /// How much is posted.
    #[derive(Copy, Default)]
    pub struct PostedCount {
        /// Entries.
        entries: bigint,
        /// Their lines.
        lines: bigint,
    }
}

/// Whose entries of which posting dates, as known at a sequence: of the issues after one id (or after `""`) up to another.
#[derive(Clone, Copy, Debug)]
pub struct PostedIn<'a> {
    pub entity: &'a str,
    pub period: (&'a str, &'a str),
    pub known: i64,
    pub issues: (&'a str, &'a str),
}

const OF_THE_ISSUES: &str = "e.entity = $1 and e.posting_date >= $2 and e.posting_date <= $3 and e.sequence <= $4 \
                             and e.bond_issue > $5 and e.bond_issue <= $6";

static ENTRIES: Text = Text::new(|| {
    format!(
        "select b.number, {} from entry e join batch b on b.entity = e.entity and b.id = e.batch where {OF_THE_ISSUES} \
         order by e.bond_issue, e.posting_date, e.sequence, b.ordinal, e.entry",
        EntryRow::columns("e")
    )
});

static LINES: Text = Text::new(|| {
    format!(
        "select {} from entry e join line l on l.entity = e.entity and l.batch = e.batch and l.entry = e.entry \
         where {OF_THE_ISSUES} order by l.batch, l.entry, l.line",
        LineRow::columns("l")
    )
});

const COUNT: &str = "select cast(coalesce(sum(b.entries), 0) as bigint), cast(coalesce(sum(b.lines), 0) as bigint) from batch b \
    where b.entity = $1 and b.currency = $2 and b.posting_date >= $3 and b.posting_date <= $4 and b.sequence <= $5";

static ISSUES_POSTED: Text = Text::new(|| {
    format!(
        "select {} from bond_issue i where i.entity = $1 and i.currency = $2 and i.id > $6 and i.id in (select e.bond_issue from entry e \
         where e.entity = $1 and e.posting_date >= $3 and e.posting_date <= $4 and e.sequence <= $5) order by i.id limit $7",
        BondIssueRow::columns("i")
    )
});

/// The newest release of each batch that was known.
static RELEASES: Texts = Texts::new(|| {
    AMONG.map(|among| {
        format!(
            "select {} from release r where r.entity = $1 and r.batch {among} and r.sequence <= $3 order by r.batch, r.revision",
            ReleaseRow::columns("r")
        )
    })
});

impl Reader<'_> {
    /// Entries by issue, in the order in which they are posted.
    pub async fn posted_entries(&mut self, asked: PostedIn<'_>) -> Result<Vec<PostedEntry>, StoreError> {
        self.all(&ENTRIES, &asked.args()).await
    }

    /// How much is posted in a currency on some days, by whole commands as known at a sequence.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn posted_count(
        &mut self,
        (entity, currency): (&str, &str),
        (from, to): (&str, &str),
        known: i64,
    ) -> Result<PostedCount, StoreError> {
        let args = [Arg::Text(entity), Arg::Text(currency), Arg::Text(from), Arg::Text(to), Arg::Int(known)];
        Ok(self.one(COUNT, &args).await?.unwrap_or_default())
    }

    /// The issues in a currency of which anything is posted on some days, as known at a sequence, in order of id after one (or after `""`).
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn issues_posted(
        &mut self,
        (entity, currency): (&str, &str),
        (from, to): (&str, &str),
        known: i64,
        (after, limit): (&str, i64),
    ) -> Result<Vec<BondIssueRow>, StoreError> {
        let args = [
            Arg::Text(entity),
            Arg::Text(currency),
            Arg::Text(from),
            Arg::Text(to),
            Arg::Int(known),
            Arg::Text(after),
            Arg::Int(limit),
        ];
        self.all(&ISSUES_POSTED, &args).await
    }

    /// The lines of the same entries, by batch and entry.
    pub async fn posted_lines(&mut self, asked: PostedIn<'_>) -> Result<Vec<LineRow>, StoreError> {
        self.all(&LINES, &asked.args()).await
    }

    /// The releases of batches that were known, the newest of a batch last.
    pub async fn known_releases(
        &mut self,
        entity: &str,
        batches: &[&str],
        known: i64,
    ) -> Result<Vec<ReleaseRow>, StoreError> {
        self.either(&RELEASES, &[Arg::Text(entity), Arg::Texts(batches), Arg::Int(known)]).await
    }
}

impl<'a> PostedIn<'a> {
    fn args(&self) -> [Arg<'a>; 6] {
        let ((from, to), (after, through)) = (self.period, self.issues);
        [
            Arg::Text(self.entity),
            Arg::Text(from),
            Arg::Text(to),
            Arg::Int(self.known),
            Arg::Text(after),
            Arg::Text(through),
        ]
    }
}
