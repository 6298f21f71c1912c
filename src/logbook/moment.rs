//! Moments of the record, ms since 1970-01-01 in universal time, and as they are written: `2026-11-29T21:06:55Z`.

use crate::daily::Date;
use std::time::{SystemTime, UNIX_EPOCH};

/// A day, ms.
pub const DAY_MS: i64 = 86_400_000;

/// A moment as a number; what lies before 1970 is negative.
pub fn of(time: SystemTime) -> i64 {
    let whole = |ms: u128| i64::try_from(ms).unwrap_or(i64::MAX);
    match time.duration_since(UNIX_EPOCH) {
        Ok(since) => whole(since.as_millis()),
        Err(before) => -whole(before.duration().as_millis()),
    }
}

/// This moment, by this machine's clock.
pub fn now() -> i64 {
    of(SystemTime::now())
}

/// As it is written, to the second. What lies outside of years 1 to 9999 is written as its number.
pub fn in_words(ms: i64) -> String {
    let Ok(date) = Date::from_days(days(ms)) else { return format!("{ms} ms") };
    let seconds = ms.rem_euclid(DAY_MS) / 1000;
    format!("{date}T{:02}:{:02}:{:02}Z", seconds / 3600, seconds / 60 % 60, seconds % 60)
}

/// The days of universal time since 1970-01-01 that lie behind a moment.
pub fn days(ms: i64) -> i64 {
    ms.div_euclid(DAY_MS)
}

/// The day alone.
pub fn day(ms: i64) -> String {
    in_words(ms).split('T').next().unwrap_or_default().to_owned()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_are_written_as_they_are() {
        for (ms, words) in [
            (0, "1970-01-01T00:00:00Z"),
            (-1, "1969-12-31T23:59:59Z"),
            (1_795_986_415_999, "2026-11-29T21:06:55Z"),
            (951_826_154_000, "2000-02-29T12:09:14Z"),
            (i64::MAX, "9223372036854775807 ms"),
        ] {
            assert_eq!(in_words(ms), words);
        }
    }
}
