//! The rows of one date of an issue, packed. A backdated event adds a row to each later date, so of a long history a date has hundreds, and
//! each differs from the one before in a few figures by little.

use integer_encoding::VarInt;
use jiff::civil::Date;

use crate::accounting::instrument::Moment;
use crate::accounting::money::Amount;
use crate::accounting::position::{Components, PositionRow};
use crate::accounting::transaction::{BookedRow, TakenBackLater};
use crate::store::Figures;

/// So many rows are told by what differs before one is told whole again.
const STEPS: usize = 31;

/// Rows in the order in which they were recorded.
#[derive(Clone, Debug, Default)]
pub(super) struct Packed {
    chunks: Vec<Chunk>,
    /// The newest row.
    newest: (i64, Figures),
}

/// A row with its sequence, and those after it by what differs from the one before.
#[derive(Clone, Debug)]
struct Chunk {
    sequence: i64,
    figures: Figures,
    count: usize,
    /// Of each row how much later its sequence is, a bit for each figure that differs, and by how much these do.
    steps: Vec<u8>,
}

impl Packed {
    /// Adds rows that were recorded after all others, with their sequences.
    pub fn add(&mut self, rows: &[(i64, Figures)]) {
        for next in rows {
            match self.chunks.last_mut().filter(|chunk| chunk.count < STEPS) {
                Some(chunk) => {
                    step(&self.newest, next, &mut chunk.steps);
                    chunk.count += 1;
                }
                None => {
                    let (sequence, figures) = *next;
                    self.chunks.push(Chunk { sequence, figures, count: 0, steps: Vec::new() });
                }
            }
            self.newest = *next;
        }
        self.chunks.shrink_to_fit();
        for chunk in &mut self.chunks {
            chunk.steps.shrink_to_fit();
        }
    }

    /// The newest row known at a sequence, with its own.
    pub fn known_at(&self, known: i64) -> Option<(i64, Figures)> {
        let begun = self.chunks.partition_point(|chunk| chunk.sequence <= known);
        let chunk = self.chunks[..begun].last()?;
        let (mut sequence, mut figures) = (chunk.sequence, chunk.figures);
        let mut steps = Steps(&chunk.steps);
        while let Some(later) = steps.next::<i64>() {
            if sequence + later > known {
                break;
            }
            sequence += later;
            let differ: u16 = steps.next()?;
            for (_, figure) in figures.iter_mut().enumerate().filter(|(place, _)| differ >> place & 1 == 1) {
                *figure = figure.wrapping_add(steps.next()?);
            }
        }
        Some((sequence, figures))
    }

    /// In bytes.
    pub fn weight(&self) -> usize {
        let steps: usize = self.chunks.iter().map(|chunk| chunk.steps.capacity()).sum();
        size_of::<Packed>() + self.chunks.capacity() * size_of::<Chunk>() + steps
    }
}

/// Appends how a row differs from the one before.
fn step((before, of): &(i64, Figures), (sequence, figures): &(i64, Figures), steps: &mut Vec<u8>) {
    let by: Figures = std::array::from_fn(|place| figures[place].wrapping_sub(of[place]));
    let differ = (0..).zip(by).filter(|(_, by)| *by != 0).fold(0_u16, |differ, (place, _)| differ | 1 << place);
    steps.extend((sequence - before).encode_var_vec());
    steps.extend(differ.encode_var_vec());
    by.iter().filter(|by| **by != 0).for_each(|by| steps.extend(by.encode_var_vec()));
}

/// Numbers that are read one after another.
struct Steps<'a>(&'a [u8]);

impl Steps<'_> {
    fn next<N: VarInt>(&mut self) -> Option<N> {
        let (number, length) = N::decode_var(self.0)?;
        self.0 = &self.0[length..];
        Some(number)
    }
}

/// The position of a date with figures as [`positions_on`](crate::store::Reader::positions_on) tells them.
pub(super) fn position(date: Date, figures: Figures) -> PositionRow {
    let figures = figures.map(Amount::from_minor);
    let [principal, interest_due, with_next_coupon, interest_receivable, a, b, c, d, e, f, g, h, i, j] = figures;
    let components = |[principal, premium_discount, issue_costs, interest_payable, equity_component]: [Amount; 5]| {
        let interest_receivable = Amount::ZERO;
        Components { principal, premium_discount, issue_costs, interest_payable, interest_receivable, equity_component }
    };
    PositionRow {
        date,
        principal,
        interest_due,
        with_next_coupon,
        interest_receivable,
        moved: components([a, b, c, d, e]),
        surrendered: components([f, g, h, i, j]),
    }
}

/// What is booked with a posting date, with figures as [`booked_on`](crate::store::Reader::booked_on) tells them; none if a date is none.
pub(super) fn booked(posting_date: Date, figures: Figures) -> Option<BookedRow> {
    let [a, b, c, d, e, f, accrued, boundary, taken_back, g, h, i, j, k] = figures;
    let components = |figures: [i64; 6]| {
        let [principal, premium_discount, issue_costs, interest_payable, interest_receivable, equity_component] =
            figures.map(Amount::from_minor);
        Components { principal, premium_discount, issue_costs, interest_payable, interest_receivable, equity_component }
    };
    let later = match taken_back {
        0 => None,
        on => Some(TakenBackLater { posting_date: date(on)?, amounts: components([0, g, h, i, j, k]) }),
    };
    Some(BookedRow {
        posting_date,
        components: components([a, b, c, d, e, f]),
        accrued: Moment { date: date(accrued)?, boundary: date(boundary)? },
        later,
    })
}

/// The date whose digits make a number.
fn date(number: i64) -> Option<Date> {
    let part = |part: i64| i8::try_from(part).ok();
    Date::new(i16::try_from(number / 10_000).ok()?, part(number / 100 % 100)?, part(number % 100)?).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows of which some differ by little, some by as much as figures can, and some not at all.
    fn rows() -> Vec<(i64, Figures)> {
        let mut firsts: Vec<(i64, i64)> = (1..=100).map(|nth| (nth * nth, 900_000 - 1_000 * (nth / 2))).collect();
        firsts.extend([(20_000, i64::MAX), (20_001, i64::MIN + 7), (20_002, 3), (20_002 + (1 << 40), 3)]);
        let figures =
            |first: i64| [first, 0, first / 2, -7, 5, 0, 0, first / 3, 0, 0, 0, 1, first % 1_000, first - first % 10];
        firsts.into_iter().map(|(sequence, first)| (sequence, figures(first))).collect()
    }

    #[test]
    fn packed_rows_come_back() {
        let rows = rows();
        let mut packed = Packed::default();
        assert!(packed.known_at(i64::MAX).is_none());
        // In two parts, as they come from the store.
        let (before, after) = rows.split_at(50);
        packed.add(before);
        packed.add(after);
        for (at, row) in rows.iter().enumerate() {
            for known in [row.0, rows.get(at + 1).map_or(i64::MAX, |(next, _)| next - 1)] {
                assert_eq!(packed.known_at(known), Some(*row), "known at {known}");
            }
        }
        assert!(packed.known_at(0).is_none());
        assert_eq!(packed.chunks.len(), 4);
    }

    #[test]
    fn dates_are_read_from_their_digits() {
        assert_eq!(date(20_260_228), Some(Date::constant(2026, 2, 28)));
        assert_eq!(date(99_991_231), Some(Date::MAX));
        assert_eq!([0, 20_260_230, 20_261_301, -5, i64::MAX].map(date), [None; 5]);
    }
}
