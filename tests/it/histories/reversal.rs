//! Reversals in random histories.

use std::sync::Arc;

use jiff::civil::Date;
use parwright::accounting::Refusal;
use parwright::accounting::instrument::Instrument;
use parwright::accounting::journal::{EntryKind, Posting, Side};
use parwright::accounting::money::Amount;
use parwright::accounting::position::RowChange;
use parwright::accounting::transaction::Decision;
use parwright::accounting::transaction::reversal::{PostedEntry, PostedLine, Reversal, Reversed};
use parwright::accounting::transaction::surrender::Surrendered;

use super::life::{Checked, Life, refused, same};
use super::surrender::Open;
use crate::reference::{self, Event};

/// An event that moved something, as the store would give it back.
pub struct Moved {
    pub reversed: Reversed,
    /// The issue before it.
    issue: Arc<Instrument>,
    /// What it is in the reference, in order.
    events: Vec<usize>,
    coupon: Option<Date>,
}

impl Moved {
    pub fn posted_through(&self) -> Date {
        let dates = self.reversed.entries.iter().map(|entry| entry.posting_date);
        dates.max().unwrap_or(self.reversed.effective_date)
    }
}

impl Life {
    /// Keeps an event that is about to be recorded in the core, and is in the reference.
    pub fn keep_for_reversal<O>(&mut self, kind: &str, decision: &Decision<O>, coupon: Option<Date>) -> Checked {
        let date = decision.effective_date;
        let instrument = &self.books.instrument;
        let before = self.books.history.at(date, instrument).map_err(|refusal| refused("row before", &refusal))?;
        let after = decision.position_rows.iter().find(|row| row.date == date).ok_or("an event without a row")?;
        let change = RowChange::between(&before, after, decision.coupon);
        let own = decision.postings.iter().filter(|posting| posting.entry.kind() != EntryKind::Accrual);
        let reversed = Reversed {
            kind: kind.to_owned(),
            effective_date: date,
            change: change.map_err(|refusal| refused("change", &refusal))?,
            without: None,
            surrender: None,
            entries: own.map(posted).collect(),
        };
        let last = self.reference.events().len() - 1;
        let mut events = vec![last];
        // A surrender that was recorded with its settlement is one event with it.
        if let Event::Settlement { surrender, .. } = self.reference.events()[last]
            && surrender + 1 == last
            && self.moved.iter().all(|moved| !moved.events.contains(&surrender))
        {
            events.insert(0, surrender);
        }
        let issue = Arc::clone(&self.books.instrument);
        self.moved.push(Moved { reversed, issue, events, coupon });
        Ok(())
    }

    pub fn reverse(&mut self, moved: usize, posting_date: Option<Date>) -> Checked<bool> {
        let Moved { reversed, events, coupon, .. } = &self.moved[moved];
        let mut without = reference::History::of(Arc::clone(&self.curve), self.reference.events())?;
        let mut undone = events.iter().rev().map(|event| without.record(Event::Reversal { event: *event }));
        let is_possible = undone.all(|undone| undone.is_ok());
        if self.is_settled(events) || self.rests_on(events) {
            // What rests on an event the service finds in its store, before the core is asked.
            return if is_possible { Err("an event is reversed before what rests on it".into()) } else { Ok(false) };
        }
        let is_revision = events.iter().any(|event| self.reference.revision(*event).is_some());
        let before_it = self.books.instrument.before().filter(|_| is_revision).cloned();
        let reversed = &Reversed { without: before_it, ..reversed.clone() };
        let date = reversed.effective_date;
        let before = self.reference.position_at(date, date.min(self.maturity()));
        match (Reversal { posting_date }).decide(&self.books, reversed) {
            Ok(decision) => {
                let inverses = decision.postings.iter().filter(|posting| posting.entry.kind() == EntryKind::Reversal);
                same("entries taken back", inverses.clone().count(), reversed.entries.len())?;
                for (inverse, original) in inverses.zip(&reversed.entries) {
                    same("inverse", lines(&posted(inverse)), opposite(original))?;
                    let on = posting_date.unwrap_or_else(|| self.books.calendar.posting_date(original.posting_date));
                    same("posting date of an inverse", inverse.posting_date, on)?;
                }
                if !is_possible {
                    return Err("only the core reverses it".into());
                }
                let taken_back = events.clone();
                self.reference = without;
                if let Some(coupon) = coupon {
                    self.paid.retain(|paid| paid != coupon);
                }
                self.moved.remove(moved);
                self.reopen(&taken_back);
                self.ever_late |= posting_date.is_some();
                self.compare_event(date, before, &decision)?;
                self.recorded(&decision)?;
                Ok(true)
            }
            Err(Refusal::DependentEvent { .. }) if is_possible => {
                Err("only the core regards a coupon as dependent".into())
            }
            Err(Refusal::DependentEvent { .. }) => Ok(false),
            Err(refusal) => Err(refused("reversal", &refusal)),
        }
    }
}

impl Life {
    /// Whether an event is a surrender that was settled by another.
    fn is_settled(&self, events: &[usize]) -> bool {
        let [event] = *events else { return false };
        let is_surrender = matches!(self.reference.events()[event], Event::Surrender { .. });
        is_surrender && self.open.iter().all(|open| open.event != event)
    }

    /// Whether another event rests on an event.
    fn rests_on(&self, events: &[usize]) -> bool {
        let by_others = |event: &usize| self.reference.rests_on(*event).filter(|later| !events.contains(later));
        events.iter().find_map(by_others).is_some()
    }

    /// After a reversal a surrender is open no more, and one whose settlement is reversed is open again.
    fn reopen(&mut self, taken_back: &[usize]) {
        let [event] = *taken_back else { return };
        self.open.retain(|open| open.event != event);
        if let Event::Settlement { surrender, .. } = self.reference.events()[event] {
            let surrendered = self.moved.iter().find(|moved| moved.events == [surrender]);
            let surrendered = surrendered.map(|moved| Surrendered {
                issue: Arc::clone(&moved.issue),
                conversion_date: moved.reversed.effective_date,
                kept: moved.reversed.change.surrendered,
            });
            self.open.extend(surrendered.map(|surrendered| Open { surrendered, event: surrender }));
        }
    }
}

/// An entry as the store would give it back.
pub fn posted(posting: &Posting) -> PostedEntry {
    let (entry, movement) = (&posting.entry, posting.entry.movement());
    PostedEntry {
        batch: Arc::from("batch"),
        number: "number".to_owned(),
        entry: 1,
        posting_date: posting.posting_date,
        effective_date: posting.effective_date,
        movement_kind: posting.movement_kind,
        description: entry.description().to_owned(),
        lines: entry
            .lines()
            .iter()
            .map(|line| PostedLine {
                role: line.role,
                amount: if line.side == Side::Debit { line.amount } else { opposite_of(line.amount) },
                memo: line.memo.clone().into_owned(),
            })
            .collect(),
        shares: movement.shares,
        coupon_interest: movement.coupon_interest,
    }
}

fn opposite_of(amount: Amount) -> Amount {
    Amount::from_minor(-amount.minor())
}

/// The lines in an order of their own: an entry has its debits first.
fn lines(entry: &PostedEntry) -> Vec<(String, i64)> {
    let mut lines: Vec<_> =
        entry.lines.iter().map(|line| (format!("{:?} {}", line.role, line.memo), line.amount.minor())).collect();
    lines.sort();
    lines
}

fn opposite(entry: &PostedEntry) -> Vec<(String, i64)> {
    let mut lines: Vec<_> = lines(entry).into_iter().map(|(line, amount)| (line, -amount)).collect();
    lines.sort();
    lines
}
