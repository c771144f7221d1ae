//! The journal lines of a period: a part at a time, so that memory does not grow with the period or with its largest batch.

use std::collections::{BTreeSet, HashMap};

use jiff::civil::Date;
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

use super::{Known, Library, ReadError, batches};
use crate::accounting::Currency;
use crate::document::JournalLineDocument;
use crate::posting::{RecordError, ReleaseAccounts};
use crate::store::{Reader, ReleasedBatch, ReleasedIn, WholeBatch};

/// How many entries are read at once.
const ENTRIES: i64 = 500;
/// How many batches are looked at once.
const BATCHES: i64 = 64;

/// The journal lines of an entity's released batches in one currency, in order of release.
#[derive(Clone, Debug, Serialize, ToSchema)]
pub struct JournalLines {
    pub entity: String,
    /// The first posting date.
    pub from: String,
    /// The last posting date.
    pub to: String,
    pub known_at: String,
    pub currency: String,
    /// Currencies of issues that are left out; ask for them with `currency`.
    pub other_currencies: Vec<String>,
    pub items: Vec<JournalLineDocument>,
    pub next_cursor: Option<String>,
}

/// Whose lines of which posting dates, as known at a time.
#[derive(Clone, Debug)]
pub struct LinesAsked {
    pub entity: String,
    pub from: Date,
    pub to: Date,
    pub currency: Currency,
    pub known: Known,
}

/// The place of a line among those of a period. The first is behind `LinePlace::default()`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LinePlace {
    release: i64,
    entry: i64,
    line: i64,
}

impl LinePlace {
    fn behind_entry(release: i64, entry: i64) -> LinePlace {
        LinePlace { release, entry, line: i64::MAX }
    }
}

/// Lines in order, each with its place.
type PlacedLines = Vec<(JournalLineDocument, LinePlace)>;

impl Library {
    /// What is asked for, in the functional currency unless another one is given.
    ///
    /// # Errors
    /// [`RecordError::NotFound`] when there is no such entity.
    pub async fn lines_asked(
        &self,
        entity: &str,
        (from, to): (Date, Date),
        currency: Option<Currency>,
        known: Known,
    ) -> Result<LinesAsked, ReadError> {
        let row = self.reading().await?.reader().entity(entity).await?;
        let row = row.ok_or_else(|| RecordError::NotFound(format!("the entity {entity}")))?;
        let currency = currency.map_or_else(|| super::currency(&row.functional_currency), Ok)?;
        Ok(LinesAsked { entity: entity.to_owned(), from, to, currency, known })
    }

    /// A page of lines after a place, and the place of its last line if there are more.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn journal_lines(
        &self,
        asked: &LinesAsked,
        mut after: LinePlace,
        limit: usize,
    ) -> Result<(JournalLines, Option<LinePlace>), ReadError> {
        let mut lines: PlacedLines = Vec::new();
        while lines.len() <= limit {
            let Some((more, reached)) = self.part_of_lines(asked, after).await? else { break };
            lines.extend(more);
            after = reached;
        }
        let is_last = lines.len() <= limit;
        lines.truncate(limit);
        let next = lines.last().map(|(_, place)| *place).filter(|_| !is_last);
        let mut reading = self.reading().await?;
        let others = super::other_currencies(&mut reading.reader(), &asked.entity, asked.known, asked.currency).await?;
        let lines = JournalLines {
            entity: asked.entity.clone(),
            from: asked.from.to_string(),
            to: asked.to.to_string(),
            known_at: asked.known.text(),
            currency: asked.currency.code().to_owned(),
            other_currencies: others,
            items: lines.into_iter().map(|(line, _)| line).collect(),
            next_cursor: None,
        };
        Ok((lines, next))
    }

    /// Some lines after a place, and how far they reach; `None` when there are no more. What comes next is behind that.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn part_of_lines(
        &self,
        asked: &LinesAsked,
        after: LinePlace,
    ) -> Result<Option<(PlacedLines, LinePlace)>, ReadError> {
        let mut reading = self.reading().await?;
        let mut reader = reading.reader();
        let heads = asked.released(&mut reader, after.release).await?;
        let Some(part) = Part::of(&heads, after) else { return Ok(None) };
        let reached = part.reached();
        let mut lines = Vec::new();
        for whole in part.read(&asked.entity, &mut reader).await? {
            let document = batches::document(&whole, &mut reader).await?;
            let release = document.release.unwrap_or_default();
            let place =
                |line: &JournalLineDocument| LinePlace { release, entry: count(line.entry), line: count(line.line) };
            let placed = JournalLineDocument::of(&document).map(|line| (place(&line), line));
            lines.extend(placed.filter(|(place, _)| *place > after).map(|(place, line)| (line, place)));
        }
        Ok(Some((lines, reached)))
    }

    /// The names of all dimensions of a period's lines.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub async fn dimensions_of_lines(&self, asked: &LinesAsked) -> Result<BTreeSet<String>, ReadError> {
        let (mut names, mut from) = (BTreeSet::new(), 0);
        loop {
            let mut reading = self.reading().await?;
            let heads = asked.released(&mut reading.reader(), from).await?;
            let Some(last) = heads.last() else { return Ok(names) };
            from = last.release.release + 1;
            for head in &heads {
                let accounts = ReleaseAccounts::of(Some(&head.release))?;
                names.extend(accounts.dimension_names().map(str::to_owned));
            }
        }
    }
}

impl LinesAsked {
    async fn released(&self, reader: &mut Reader<'_>, from_release: i64) -> Result<Vec<ReleasedBatch>, ReadError> {
        let (from, to) = (self.from.to_string(), self.to.to_string());
        let released = ReleasedIn {
            entity: &self.entity,
            from: &from,
            to: &to,
            currency: self.currency.code(),
            known: self.known.sequence,
        };
        Ok(reader.released_in(released, from_release, BATCHES).await?)
    }
}

/// What is read at once: whole batches, or entries of one that has more of them.
enum Part<'h> {
    Batches(&'h [ReleasedBatch]),
    Entries { head: &'h ReleasedBatch, first: i64, last: i64 },
}

impl<'h> Part<'h> {
    fn of(heads: &'h [ReleasedBatch], after: LinePlace) -> Option<Part<'h>> {
        let (begun, mut heads) = match heads.split_first() {
            Some((first, rest)) if first.release.release == after.release => (Some(first), rest),
            _ => (None, heads),
        };
        // An entry may have lines behind the place, unless the place is behind all of them.
        let next = if after.line == i64::MAX { after.entry.saturating_add(1) } else { after.entry.max(1) };
        if let Some(head) = begun.filter(|head| next <= head.batch.entries) {
            return Some(Part::entries(head, next));
        }
        if let Some(large) = heads.first().filter(|head| head.batch.entries > ENTRIES) {
            return Some(Part::entries(large, 1));
        }
        let mut entries = 0;
        let fits = heads.iter().take_while(|head| {
            entries += head.batch.entries;
            entries <= ENTRIES
        });
        heads = &heads[..fits.count()];
        (!heads.is_empty()).then_some(Part::Batches(heads))
    }

    fn entries(head: &'h ReleasedBatch, first: i64) -> Part<'h> {
        Part::Entries { head, first, last: head.batch.entries.min(first.saturating_add(ENTRIES - 1)) }
    }

    /// How far the lines of the part reach.
    fn reached(&self) -> LinePlace {
        match self {
            Part::Batches(heads) => heads.last().map_or_else(LinePlace::default, |head| {
                LinePlace::behind_entry(head.release.release, head.batch.entries)
            }),
            Part::Entries { head, last, .. } => LinePlace::behind_entry(head.release.release, *last),
        }
    }

    /// The batches of the part, as the releases of their heads have them.
    async fn read(&self, entity: &str, reader: &mut Reader<'_>) -> Result<Vec<WholeBatch>, ReadError> {
        match *self {
            Part::Entries { head, first, last } => Ok(vec![reader.part_of_batch(head, (first, last)).await?]),
            Part::Batches(heads) => {
                let ids: Vec<&str> = heads.iter().map(|head| head.batch.id.as_str()).collect();
                let whole = reader.whole_batches(entity, &ids).await?;
                let mut by_id: HashMap<String, WholeBatch> =
                    whole.into_iter().map(|whole| (whole.batch.id.clone(), whole)).collect();
                let of_head = |head: &ReleasedBatch| {
                    let whole = by_id.remove(&head.batch.id)?;
                    Some(WholeBatch { release: Some(head.release.clone()), ..whole })
                };
                Ok(heads.iter().filter_map(of_head).collect())
            }
        }
    }
}

fn count(number: usize) -> i64 {
    i64::try_from(number).unwrap_or(i64::MAX)
}
