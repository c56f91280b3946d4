//! Days of the calendar, for due dates.

use std::fmt;
use std::str::FromStr;

/// A day, UTC.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Date {
    /// Days since 1970-01-01.
    days: i64,
}

const DAY_NS: i64 = 86_400_000_000_000;

impl Date {
    /// The day of an instant, nanoseconds since 1970.
    pub fn of_wall_ns(wall_ns: i64) -> Self {
        Self { days: wall_ns.div_euclid(DAY_NS) }
    }

    /// So many days later.
    #[must_use]
    pub fn plus_days(self, days: u32) -> Self {
        Self { days: self.days + i64::from(days) }
    }

    /// Year, month, day (proleptic Gregorian; days of 400-year eras).
    fn civil(self) -> (i64, i64, i64) {
        let z = self.days + 719_468;
        let era = z.div_euclid(146_097);
        let day = z.rem_euclid(146_097);
        let year = (day - day / 1460 + day / 36_524 - day / 146_096) / 365;
        let of_year = day - (365 * year + year / 4 - year / 100);
        let month = (5 * of_year + 2) / 153;
        let d = of_year - (153 * month + 2) / 5 + 1;
        let m = if month < 10 { month + 3 } else { month - 9 };
        (year + era * 400 + i64::from(m <= 2), m, d)
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (y, m, d) = self.civil();
        write!(f, "{y:04}-{m:02}-{d:02}")
    }
}

/// A text that is no day.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0:?} is no day; write it as 2026-06-14")]
pub struct NoDate(String);

impl FromStr for Date {
    type Err = NoDate;

    fn from_str(text: &str) -> Result<Self, NoDate> {
        let fault = || NoDate(text.chars().take(20).collect());
        let parts: Vec<&str> = text.split('-').collect();
        let [y, m, d] = parts[..] else { return Err(fault()) };
        let digits = |s: &str, n: usize| s.len() == n && s.bytes().all(|b| b.is_ascii_digit());
        if !digits(y, 4) || !digits(m, 2) || !digits(d, 2) {
            return Err(fault());
        }
        let number = |s: &str| s.parse::<i64>().map_err(|_| fault());
        let (y, m, d) = (number(y)?, number(m)?, number(d)?);
        let (shifted_year, shifted_month) = if m > 2 { (y, m - 3) } else { (y - 1, m + 9) };
        let era = shifted_year.div_euclid(400);
        let of_era = shifted_year.rem_euclid(400);
        let of_year = (153 * shifted_month + 2) / 5 + d - 1;
        let days = era * 146_097 + of_era * 365 + of_era / 4 - of_era / 100 + of_year - 719_468;
        let date = Self { days };
        // Whatever is no day of the calendar does not come back as itself.
        if date.civil() == (y, m, d) { Ok(date) } else { Err(fault()) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_of_the_calendar() {
        for (text, days) in
            [("1970-01-01", 0), ("2000-02-29", 11_016), ("2026-06-14", 20_618), ("1969-12-31", -1)]
        {
            let date: Date = text.parse().unwrap();
            assert_eq!((date.days, date.to_string()), (days, text.to_owned()));
        }
        assert_eq!(Date::of_wall_ns(1_781_424_000_000_000_000).to_string(), "2026-06-14");
        for text in ["2026-02-29", "2026-13-01", "2026-00-10", "2026-6-14", "today", "", "99999-01-01"] {
            assert!(text.parse::<Date>().is_err(), "{text}");
        }
        let mut date: Date = "1999-12-31".parse().unwrap();
        for _ in 0..80_000 {
            assert_eq!(date.to_string().parse(), Ok(date));
            date = date.plus_days(1);
        }
    }
}
