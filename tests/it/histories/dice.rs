//! Numbers that look random and are the same for the same seed.

use jiff::ToSpan;
use jiff::civil::Date;

/// A generator of 64-bit numbers (the splitmix sequence: a Weyl sequence whose steps are mixed).
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Dice {
        Dice(seed)
    }

    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        mixed ^ (mixed >> 31)
    }

    /// A number from `low` to `high`, both included.
    pub fn between(&mut self, low: i64, high: i64) -> i64 {
        assert!(low <= high, "from {low} to {high}");
        let span = u64::try_from(high - low).expect("not negative") + 1;
        low + i64::try_from(self.next() % span).expect("within the span")
    }

    pub fn chance(&mut self, percent: i64) -> bool {
        self.between(1, 100) <= percent
    }

    pub fn pick<T: Copy>(&mut self, from: &[T]) -> T {
        from[usize::try_from(self.between(0, from.len() as i64 - 1)).expect("not negative")]
    }

    /// A number up to `high` of which every length in digits is as likely as any other.
    pub fn magnitude(&mut self, high: i64) -> i64 {
        let digits = self.between(0, i64::from(high.ilog10()));
        let low = 10_i64.pow(u32::try_from(digits).expect("few digits"));
        self.between(low, (low.saturating_mul(10) - 1).min(high))
    }

    pub fn date(&mut self, from: Date, through: Date) -> Date {
        let days = from.duration_until(through).as_hours() / 24;
        from.checked_add(self.between(0, days).days()).expect("a date between two dates")
    }
}
