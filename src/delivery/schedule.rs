//! When the next attempt is.

use std::time::{Duration, SystemTime};

/// A random wait after so many failures in a row: from nothing to `base` doubled with each failure but the first, at most
/// `longest`. `random` is any number. That it is random over the whole length keeps many senders from coming back together.
pub fn backoff(failures: u32, base: Duration, longest: Duration, random: u64) -> Duration {
    let doubled = 1_u32.checked_shl(failures.saturating_sub(1)).and_then(|times| base.checked_mul(times));
    let most = doubled.unwrap_or(longest).min(longest);
    let microseconds = u64::try_from(most.as_micros()).unwrap_or(u64::MAX);
    Duration::from_micros(random.checked_rem(microseconds.saturating_add(1)).unwrap_or(random))
}

/// How long `Retry-After` asks to wait (RFC 9110 section 10.2.3), in seconds or until a date; none if it says neither.
pub fn retry_after(value: &str, now: SystemTime) -> Option<Duration> {
    let value = value.trim();
    if !value.is_empty() && value.bytes().all(|byte| byte.is_ascii_digit()) {
        // More digits than a number has are a long time.
        return Some(Duration::from_secs(value.parse().unwrap_or(u64::from(u32::MAX))));
    }
    let date = httpdate::parse_http_date(value).ok()?;
    Some(date.duration_since(now).unwrap_or_default())
}

#[cfg(test)]
mod tests {
    use super::*;

    const SECOND: Duration = Duration::from_secs(1);

    #[test]
    fn the_wait_is_random_up_to_a_length_that_doubles_to_the_longest() {
        for (failures, longest_now) in [(1, 1), (2, 2), (3, 4), (6, 32), (7, 60), (8, 60), (40, 60), (u32::MAX, 60)] {
            let wait = |random| backoff(failures, SECOND, 60 * SECOND, random);
            let most = longest_now * 1_000_000;
            assert_eq!(wait(0), Duration::ZERO);
            assert_eq!(wait(most), Duration::from_secs(longest_now), "{failures}");
            assert_eq!(wait(most + 1), Duration::ZERO, "{failures}");
        }
        assert_eq!(backoff(1, Duration::ZERO, SECOND, 7), Duration::ZERO);
        assert!(backoff(9, Duration::MAX, Duration::MAX, u64::MAX) <= Duration::from_micros(u64::MAX));
    }

    #[test]
    fn a_receiver_asks_in_seconds_or_for_a_date() {
        // RFC 9110 section 10.2.3 has the first two.
        let now = SystemTime::UNIX_EPOCH + Duration::from_secs(946_684_739);
        for (value, expected) in [
            ("Fri, 31 Dec 1999 23:59:59 GMT", Some(60)),
            ("120", Some(120)),
            (" 0 ", Some(0)),
            ("Thu, 30 Dec 1999 23:59:59 GMT", Some(0)),
            ("99999999999999999999", Some(u64::from(u32::MAX))),
            ("-1", None),
            ("1.5", None),
            ("soon", None),
            ("", None),
        ] {
            assert_eq!(retry_after(value, now), expected.map(Duration::from_secs), "{value}");
        }
    }
}
