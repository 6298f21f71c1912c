//! Days of the civil calendar, as a number and as they are written: `2026-11-27`.
//!
//! Days are counted from 1970-01-01 in the proleptic Gregorian calendar, by the algorithm of Hinnant ('chrono-compatible low-level
//! date algorithms', 2013). Years 1 to 9999. No clock and no time zone: who asks says which day it is.

use core::fmt;
use core::str::FromStr;
use serde::{Deserialize, Serialize};
use std::time::{SystemTime, UNIX_EPOCH};

/// A day.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Date {
    /// Days since 1970-01-01.
    days: i64,
}

/// Why something is no date.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("is no date; allowed: a day of the calendar such as 2026-11-27")]
pub struct NoDate;

/// The first and the last day that can be written.
const FIRST: i64 = -719_162;
const LAST: i64 = 2_932_896;

impl Date {
    /// So many days after 1970-01-01.
    ///
    /// # Errors
    /// A day before year 1 or after year 9999.
    pub fn from_days(days: i64) -> Result<Self, NoDate> {
        if (FIRST..=LAST).contains(&days) { Ok(Self { days }) } else { Err(NoDate) }
    }

    /// The day of a moment, in universal time; what lies before 1970 or after year 9999 is the nearest of these days.
    pub fn of(at: SystemTime) -> Self {
        let seconds = at.duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
        Self { days: i64::try_from(seconds / 86_400).map_or(LAST, |days| days.min(LAST)) }
    }

    /// Days since 1970-01-01.
    pub fn days(self) -> i64 {
        self.days
    }

    /// Year, month, day.
    fn civil(self) -> (i64, i64, i64) {
        let z = self.days + 719_468;
        let era = z.div_euclid(146_097);
        let doe = z.rem_euclid(146_097);
        let yoe = (doe - doe / 1460 + doe / 36_524 - doe / 146_096) / 365;
        let doy = doe - (365 * yoe + yoe / 4 - yoe / 100);
        let mp = (5 * doy + 2) / 153;
        let month = if mp < 10 { mp + 3 } else { mp - 9 };
        (yoe + era * 400 + i64::from(month <= 2), month, doy - (153 * mp + 2) / 5 + 1)
    }

    fn from_civil(year: i64, month: i64, day: i64) -> i64 {
        let y = if month <= 2 { year - 1 } else { year };
        let era = y.div_euclid(400);
        let yoe = y.rem_euclid(400);
        let doy = (153 * (if month > 2 { month - 3 } else { month + 9 }) + 2) / 5 + day - 1;
        era * 146_097 + yoe * 365 + yoe / 4 - yoe / 100 + doy - 719_468
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (year, month, day) = self.civil();
        write!(f, "{year:04}-{month:02}-{day:02}")
    }
}

impl FromStr for Date {
    type Err = NoDate;

    fn from_str(text: &str) -> Result<Self, NoDate> {
        let number = |part: Option<&str>, length: usize| {
            let part = part.filter(|part| part.len() == length && part.bytes().all(|b| b.is_ascii_digit()))?;
            part.parse::<i64>().ok()
        };
        let mut parts = text.split('-');
        let found = (number(parts.next(), 4), number(parts.next(), 2), number(parts.next(), 2), parts.next());
        let (Some(year), Some(month @ 1..=12), Some(day @ 1..=31), None) = found else { return Err(NoDate) };
        let date = Self::from_days(Self::from_civil(year, month, day))?;
        // The 31st of a shorter month would be a day of the next.
        if date.civil() == (year, month, day) { Ok(date) } else { Err(NoDate) }
    }
}

impl TryFrom<String> for Date {
    type Error = NoDate;

    fn try_from(text: String) -> Result<Self, NoDate> {
        text.parse()
    }
}

impl From<Date> for String {
    fn from(date: Date) -> Self {
        date.to_string()
    }
}

#[cfg(test)]
mod tests {
    #![allow(clippy::unwrap_used, reason = "a test that cannot go on fails")]
    use super::*;

    #[test]
    fn known_days_have_their_numbers() {
        for (text, days) in [
            ("1970-01-01", 0),
            ("1969-12-31", -1),
            ("2000-02-29", 11_016),
            ("2000-03-01", 11_017),
            ("2026-11-27", 20_784),
            ("0001-01-01", FIRST),
            ("9999-12-31", LAST),
        ] {
            let date: Date = text.parse().unwrap();
            assert_eq!((date.days(), date.to_string().as_str()), (days, text));
        }
    }

    #[test]
    fn every_day_of_four_centuries_comes_back_and_follows_the_one_before() {
        let mut last = (1999, 12, 31);
        for days in 10_957..10_957 + 146_097 {
            let date = Date::from_days(days).unwrap();
            assert_eq!(date.to_string().parse(), Ok(date));
            let now = date.civil();
            assert!(now > last && (now.2 == 1 || now == (last.0, last.1, last.2 + 1)), "{last:?} {now:?}");
            last = now;
        }
        assert_eq!(last, (2399, 12, 31));
    }

    #[test]
    fn a_moment_has_a_day() {
        let at = |seconds| Date::of(UNIX_EPOCH + std::time::Duration::from_secs(seconds)).to_string();
        assert_eq!(
            (at(0).as_str(), at(86_399).as_str(), at(86_400).as_str()),
            ("1970-01-01", "1970-01-01", "1970-01-02")
        );
        assert_eq!(at(1_772_979_900), "2026-03-08");
        assert_eq!(Date::of(UNIX_EPOCH - std::time::Duration::from_secs(1)).days(), 0);
    }

    #[test]
    fn what_is_no_day_is_refused() {
        for text in ["", "2026-11-31", "2025-02-29", "1900-02-29", "2026-13-01", "2026-00-10", "2026-1-1", "26-01-01"] {
            assert_eq!(text.parse::<Date>(), Err(NoDate), "{text}");
        }
        for text in ["2026-11-27-", "2026-11-27x", "+026-11-27", "today", "0000-01-01"] {
            assert_eq!(text.parse::<Date>(), Err(NoDate), "{text}");
        }
        assert_eq!(Date::from_days(LAST + 1), Err(NoDate));
    }
}
