//! A moment as the lot's files write it.

use std::fmt;

use jiff::tz::TimeZone;
use serde::{Deserialize, Deserializer, Serialize, Serializer, de};

use crate::wire::json::rfc3339;

/// Wall time, nanoseconds since 1970 UTC; RFC 3339 in every file.
///
/// ```
/// use curdtrace::lot::at::At;
/// let at: At = "2026-07-14T06:03:20+02:00".parse().unwrap();
/// assert_eq!(at.to_string(), "2026-07-14T04:03:20Z");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub struct At(
    /// Nanoseconds since 1970.
    pub i64,
);

impl At {
    /// The clock in a time zone, `06:03`; with its offset, `02:30+01:00`, in the hour that
    /// comes twice where the clocks go back.
    pub fn clock(self, zone: &TimeZone) -> String {
        let t = zone.to_datetime(self.timestamp());
        format!("{:02}:{:02}{}", t.hour(), t.minute(), self.which(zone))
    }

    /// The clock to the second, `06:03:20`, likewise.
    pub fn clock_s(self, zone: &TimeZone) -> String {
        let t = zone.to_datetime(self.timestamp());
        format!("{:02}:{:02}:{:02}{}", t.hour(), t.minute(), t.second(), self.which(zone))
    }

    /// The offset where the clock comes to this time twice; else nothing.
    fn which(self, zone: &TimeZone) -> String {
        let twice = zone.to_ambiguous_timestamp(zone.to_datetime(self.timestamp())).is_ambiguous();
        if twice { self.offset(zone) } else { String::new() }
    }

    /// Whether a person may mean this moment by a text: its clock, to the second or not,
    /// or the whole of it.
    pub fn is_meant_by(self, text: &str, zone: &TimeZone) -> bool {
        let (clock, to_the_second) = (self.clock(zone), self.clock_s(zone));
        let bare = [&clock[..5], &to_the_second[..8]];
        bare.contains(&text) || [clock, to_the_second, self.to_string()].iter().any(|written| written == text)
    }

    /// The day in a time zone, `2026-07-14`.
    pub fn day(self, zone: &TimeZone) -> String {
        zone.to_datetime(self.timestamp()).date().to_string()
    }

    /// The offset from UTC in a time zone then, `+02:00`.
    pub fn offset(self, zone: &TimeZone) -> String {
        let s = zone.to_offset(self.timestamp()).seconds();
        let sign = if s < 0 { '-' } else { '+' };
        format!("{sign}{:02}:{:02}", s.abs() / 3600, s.abs() / 60 % 60)
    }

    /// As jiff has it.
    pub fn timestamp(self) -> jiff::Timestamp {
        jiff::Timestamp::from_nanosecond(i128::from(self.0)).unwrap_or(jiff::Timestamp::UNIX_EPOCH)
    }

    /// Minutes from an earlier moment to this.
    pub fn minutes_since(self, earlier: Self) -> f64 {
        self.0.saturating_sub(earlier.0) as f64 / 60e9
    }

    /// The next whole millisecond after this moment, since files keep no finer.
    #[must_use]
    pub fn next_ms(self) -> Self {
        Self((self.0.div_euclid(1_000_000)).saturating_add(1).saturating_mul(1_000_000))
    }

    /// This moment moved by so many seconds.
    #[must_use]
    pub fn plus_s(self, seconds: i64) -> Self {
        Self(self.0.saturating_add(seconds.saturating_mul(1_000_000_000)))
    }
}

impl fmt::Display for At {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&rfc3339(self.0))
    }
}

impl std::str::FromStr for At {
    type Err = String;
    fn from_str(text: &str) -> Result<Self, String> {
        let t: jiff::Timestamp = text.parse().map_err(|_| {
            format!(
                "{text:?} is no instant; write it as 2026-07-14T06:03:20Z or with an offset such as +02:00"
            )
        })?;
        i64::try_from(t.as_nanosecond()).map(Self).map_err(|_| format!("{text:?} is too far away"))
    }
}

impl Serialize for At {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for At {
    fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        let text = String::deserialize(d)?;
        text.parse().map_err(de::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 02:30 stood twice on the sheet of the night in which the clocks go back, and nothing
    /// said which was which.
    #[test]
    fn a_clock_that_comes_twice_says_which() {
        let zone = TimeZone::get("Europe/Zurich").unwrap();
        for (at, clock) in [
            ("2026-10-24T23:59:00Z", "01:59"),
            ("2026-10-25T00:30:00Z", "02:30+02:00"),
            ("2026-10-25T01:30:00Z", "02:30+01:00"),
            ("2026-10-25T02:00:00Z", "03:00"),
            ("2026-03-29T00:59:00Z", "01:59"),
            ("2026-03-29T01:00:00Z", "03:00"),
        ] {
            let at: At = at.parse().unwrap();
            assert_eq!(at.clock(&zone), clock);
            let (bare, offset) = clock.split_at(5);
            assert_eq!(at.clock_s(&zone), format!("{bare}:00{offset}"));
        }
    }
}
