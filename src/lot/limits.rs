//! The dairy's own limits against the trace. Pure but for reading the file.
//!
//! `DATA/limits.toml` holds what the dairy itself has set, each with its
//! source; nothing is set here, and nothing is called a control point that the
//! dairy did not name. An annotated example is `config/limits.toml`.
//!
//! The verdict is `pass` or `fail` only where the trace says so; where a gap
//! could hide the other, or there is no trace, it is `not-known`. Terms: *time
//! above* counts only between good readings that belong together; *lethality*
//! is the sum of 10^((T − T_ref)/z)/D along the trace, in log10 steps, with the
//! lower of two readings for the time between them.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::at::At;
use super::gather::Point;
use super::picture::{ended, main_points};
use super::record::Record;
use crate::engine::said::Said;
use crate::words::Words;

mod judged;
mod read;
mod seen;

use seen::Seen;

/// The file's name in the data folder.
pub const FILE: &str = "limits.toml";

/// The dairy's limits, as the file has them.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Limits {
    /// Each of them.
    pub limits: Vec<Limit>,
}

/// One limit. Exactly one of its kinds is set. A closed lot keeps it by the same names.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Limit {
    /// The dairy's name of it.
    pub name: String,
    /// Where it comes from: a law's article, the dairy's own plan.
    pub source: String,
    /// Only lots of this product; all where empty.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub product: String,
    /// Which probe; the one that tells of the make where empty.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub probe: String,
    /// Only while these stages run; the whole trace where empty.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub stages: Vec<String>,
    /// A gap longer than this hides what the limit is about, minutes.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub gap_minutes: Option<f64>,
    /// Kind 1: never above this, °C, ...
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at_most_celsius: Option<f64>,
    /// ... but for so long in all, minutes.
    #[serde(skip_serializing_if = "is_nothing")]
    pub but_for_minutes: f64,
    /// Kind 2: at this or above, °C, ...
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at_least_celsius: Option<f64>,
    /// ... for so long without a break, seconds.
    #[serde(skip_serializing_if = "is_nothing")]
    pub for_seconds: f64,
    /// Kind 3: so many log10 reductions, ...
    #[serde(skip_serializing_if = "Option::is_none")]
    pub log_reductions: Option<f64>,
    /// ... by this D value, seconds, ...
    #[serde(skip_serializing_if = "is_nothing")]
    pub d_seconds: f64,
    /// ... at this temperature, °C, ...
    #[serde(skip_serializing_if = "is_nothing")]
    pub at_celsius: f64,
    /// ... and this z value, °C.
    #[serde(skip_serializing_if = "is_nothing")]
    pub z_celsius: f64,
    /// Kind 4: pH at most this, ...
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ph_at_most: Option<f64>,
    /// ... so many hours after the rennet.
    #[serde(skip_serializing_if = "is_nothing")]
    pub after_hours: f64,
    /// Kind 5: so many days old before it leaves.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub days: Option<u32>,
}

/// Serde's form of a test; what is left out is read as nothing again.
#[allow(clippy::trivially_copy_pass_by_ref)]
fn is_nothing(x: &f64) -> bool {
    x.abs() == 0.0
}

/// What the trace says to one limit.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// `Some(true)` pass, `Some(false)` fail, `None` not known.
    pub kept: Option<bool>,
    /// What was found, part by part.
    pub found: Vec<Said>,
}

impl Verdict {
    fn new(kept: impl Into<Option<bool>>, found: impl Into<Vec<Said>>) -> Self {
        Self { kept: kept.into(), found: found.into() }
    }

    /// What was found, in English words.
    pub fn found_words(&self) -> String {
        Words::of("en").tell_parts(&self.found)
    }

    /// The word in the record.
    pub fn word(&self) -> &'static str {
        match self.kept {
            Some(true) => "pass",
            Some(false) => "fail",
            None => "not-known",
        }
    }
}

impl Limit {
    /// The limit in English words.
    pub fn words(&self) -> String {
        Words::of("en").tell_one(&self.said())
    }

    /// The limit as data.
    pub fn said(&self) -> Said {
        if let Some(c) = self.at_most_celsius {
            return match self.but_for_minutes {
                m if m > 0.0 => Said::of("limit-most-but").number("c", c).number("time", m * 60.0),
                _ => Said::of("limit-most").number("c", c),
            };
        }
        if let Some(c) = self.at_least_celsius {
            return Said::of("limit-least").number("c", c).number("time", self.for_seconds);
        }
        if let Some(n) = self.log_reductions {
            let by = Said::of("limit-logs").number("n", n).number("d", self.d_seconds);
            return by.number("c", self.at_celsius).number("z", self.z_celsius);
        }
        if let Some(ph) = self.ph_at_most {
            return Said::of("limit-ph").number("ph", ph).number("h", self.after_hours);
        }
        Said::of("limit-days").number("n", f64::from(self.days.unwrap_or_default()))
    }

    /// What a lot's record and readings say to it at `now`.
    pub fn judge(&self, record: &Record, points: &BTreeMap<String, Vec<Point>>, now: At) -> Verdict {
        if let Some(most) = self.ph_at_most {
            return self.judge_ph(record, most);
        }
        if let Some(days) = self.days {
            let ready = record.made.unwrap_or(record.opened).plus_s(i64::from(days) * 86_400);
            let day = ready.day(&record.zone());
            return if now >= ready {
                Verdict::new(true, [Said::of("limit-since").word("day", day)])
            } else {
                Verdict::new(None, [Said::of("limit-not-before").word("day", day)])
            };
        }
        let Some(own) = self.points_of(record, points) else {
            return Verdict::new(None, [Said::of("limit-no-trace")]);
        };
        let windows = self.windows(record, own);
        if windows.is_empty() {
            return Verdict::new(None, [Said::of("limit-no-stage").word("stages", self.stages.join(", "))]);
        }
        let seen = Seen::of(own, &windows);
        if seen.known_s <= 0.0 {
            return Verdict::new(None, [Said::of("limit-no-trace")]);
        }
        if let Some(most) = self.at_most_celsius {
            self.judge_most(&seen, most)
        } else if let Some(least) = self.at_least_celsius {
            self.judge_least(&seen, least)
        } else {
            self.judge_lethality(&seen)
        }
    }

    fn judge_most(&self, seen: &Seen, most: f64) -> Verdict {
        let above_s = seen.above_s(most);
        let highest = seen.highest();
        let mut found = Vec::new();
        if above_s > 0.0 {
            found.push(Said::of("limit-above").number("time", above_s));
        }
        found.push(Said::of("limit-highest").number("celsius", highest));
        let allowed_s = self.but_for_minutes * 60.0;
        if above_s > allowed_s || (allowed_s <= 0.0 && highest > most) {
            return Verdict::new(false, found);
        }
        let gap_s = self.gap_minutes.unwrap_or(10.0) * 60.0;
        if seen.longest_gap_s > gap_s && above_s + seen.gaps_s > allowed_s {
            found.push(Said::of("limit-unread").number("time", seen.gaps_s));
            return Verdict::new(None, found);
        }
        Verdict::new(true, found)
    }

    fn judge_least(&self, seen: &Seen, least: f64) -> Verdict {
        let (held_s, with_gaps_s) = seen.longest_at_or_above_s(least);
        let held = Said::of("limit-held").number("time", held_s).number("c", least);
        let found = vec![held, Said::of("limit-highest").number("celsius", seen.highest())];
        // A hair of tolerance for times that are sums of floats.
        if held_s >= self.for_seconds - 1e-6 {
            Verdict::new(true, found)
        } else if with_gaps_s >= self.for_seconds {
            Verdict::new(None, [found, vec![Said::of("limit-hidden")]].concat())
        } else {
            Verdict::new(false, found)
        }
    }

    fn judge_lethality(&self, seen: &Seen) -> Verdict {
        let wanted = self.log_reductions.unwrap_or_default();
        let logs = seen.logs(self.d_seconds, self.at_celsius, self.z_celsius);
        let found = vec![Said::of("limit-logs-found").number("logs", logs)];
        if logs >= wanted {
            Verdict::new(true, found)
        } else if seen.gaps_s > 0.0 {
            let unread = Said::of("limit-unread").number("time", seen.gaps_s);
            Verdict::new(None, [found, vec![unread]].concat())
        } else {
            Verdict::new(false, found)
        }
    }

    fn judge_ph(&self, record: &Record, most: f64) -> Verdict {
        let rennet = record.marks.iter().find(|m| m.name == "rennet").map(|m| m.at);
        let setting = record.stages.iter().find(|s| s.stage == "setting").map(|s| s.began);
        let Some(start) = rennet.or(setting) else {
            return Verdict::new(None, [Said::of("limit-no-rennet")]);
        };
        let hours = |at: At| at.minutes_since(start) / 60.0;
        // The reading nearest to the hour meant, within half an hour; an
        // earlier one that is low enough already will do.
        let near = record.ph.iter().filter(|p| (hours(p.at) - self.after_hours).abs() <= 0.5);
        let nearest = near.min_by(|a, b| {
            (hours(a.at) - self.after_hours).abs().total_cmp(&(hours(b.at) - self.after_hours).abs())
        });
        let early = record.ph.iter().find(|p| hours(p.at) <= self.after_hours && p.value <= most);
        match nearest.or(early) {
            Some(p) => {
                let found = Said::of("limit-ph-found").number("ph", p.value).number("hours", hours(p.at));
                Verdict::new(p.value <= most, [found])
            }
            None => Verdict::new(None, [Said::of("limit-no-ph").number("h", self.after_hours)]),
        }
    }

    fn points_of<'a>(
        &self,
        record: &Record,
        points: &'a BTreeMap<String, Vec<Point>>,
    ) -> Option<&'a [Point]> {
        if !self.probe.is_empty() {
            return points.get(&self.probe).map(Vec::as_slice);
        }
        let main = main_points(record, points);
        (!main.is_empty()).then_some(main)
    }

    /// The times the limit is about.
    fn windows(&self, record: &Record, points: &[Point]) -> Vec<(At, At)> {
        let (Some(first), Some(last)) = (points.first(), points.last()) else { return Vec::new() };
        if self.stages.is_empty() {
            return vec![(first.at, last.at)];
        }
        let mut windows: Vec<(At, At)> = Vec::new();
        for (i, stage) in record.stages.iter().enumerate() {
            if self.stages.contains(&stage.stage) {
                let end = ended(record, i, last.at);
                match windows.last_mut() {
                    Some(w) if w.1 == stage.began => w.1 = end,
                    _ => windows.push((stage.began, end)),
                }
            }
        }
        windows
    }
}

#[cfg(test)]
mod tests;
