//! Reversals in random histories.

use std::sync::Arc;

use jiff::civil::Date;
use parwright::accounting::Refusal;
use parwright::accounting::journal::{EntryKind, Posting, Side};
use parwright::accounting::money::Amount;
use parwright::accounting::position::RowChange;
use parwright::accounting::transaction::Decision;
use parwright::accounting::transaction::reversal::{PostedEntry, PostedLine, Reversal, Reversed};

use super::life::{Checked, Life, refused, same};
use crate::reference::Event;

/// An event that moved something, as the store would give it back.
pub struct Moved {
    pub reversed: Reversed,
    /// Its place in the reference.
    event: usize,
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
            entries: own.map(posted).collect(),
        };
        self.moved.push(Moved { reversed, event: self.reference.events().len() - 1, coupon });
        Ok(())
    }

    pub fn reverse(&mut self, moved: usize, posting_date: Option<Date>) -> Checked<bool> {
        let Moved { reversed, event, coupon } = &self.moved[moved];
        let (event, date) = (Event::Reversal { event: *event }, reversed.effective_date);
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
                self.reference.record(event)?;
                if let Some(coupon) = coupon {
                    self.paid.retain(|paid| paid != coupon);
                }
                self.moved.remove(moved);
                self.ever_late |= posting_date.is_some();
                self.compare_event(date, before, &decision)?;
                self.recorded(&decision)?;
                Ok(true)
            }
            Err(Refusal::DependentEvent { .. }) => match self.reference.record(event) {
                Ok(()) => Err("only the core regards a coupon as dependent".into()),
                Err(_) => Ok(false),
            },
            Err(refusal) => Err(refused("reversal", &refusal)),
        }
    }
}

fn posted(posting: &Posting) -> PostedEntry {
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
