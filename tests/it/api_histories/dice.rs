//! Numbers that look random and are the same for the same seed, and what a failure has to tell to be seen again.

use std::cell::RefCell;

use jiff::ToSpan;
use jiff::civil::Date;

pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(seed)
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        // The low bits of such a generator repeat soon.
        self.0 >> 33
    }

    /// A number from `low` to `high`, both included.
    pub fn between(&mut self, low: i64, high: i64) -> i64 {
        assert!(low <= high, "from {low} to {high}");
        low + (self.next() % (high - low + 1) as u64) as i64
    }

    pub fn chance(&mut self, percent: i64) -> bool {
        self.between(1, 100) <= percent
    }

    pub fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[self.between(0, from.len() as i64 - 1) as usize]
    }

    pub fn date(&mut self, from: Date, through: Date) -> Date {
        later(from, self.between(0, from.duration_until(through).as_hours() / 24))
    }
}

pub fn later(date: Date, days: i64) -> Date {
    date.checked_add(days.days()).expect("within the calendar")
}

/// Says on failure how to see it again, and what was being done.
pub struct Account {
    pub seed: u64,
    pub doing: RefCell<String>,
}

impl Drop for Account {
    fn drop(&mut self) {
        if std::thread::panicking() {
            // Shown by the harness with the test that failed.
            eprintln!("PARWRIGHT_API_SEED={}: {}", self.seed, self.doing.borrow());
        }
    }
}
