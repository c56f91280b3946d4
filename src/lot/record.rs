//! `lot.toml`: what is known of a lot, as typed data. Pure.
//!
//! Names are kebab-case and carry their units. What a person entered stands in
//! its field as it holds now; a [`Correction`] keeps the value it had before,
//! with who, when and why, and is never taken out again. What the trace says
//! (stages, cooks, alarms, gaps) is written when the lot is closed and is not a
//! person's to correct: a person's words about it are marks and notes.

use serde::{Deserialize, Serialize};

use super::at::At;
use crate::words::Words;
pub use done::{AlarmDone, CookDone, Gap, Instrument, LimitDone, PlanDone, StageDone, Stretch};
pub use entered::{Culture, Curd, Entry, Milk, Rennet};

mod done;
mod entered;

/// One lot.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Record {
    /// Format of this file: 1.
    pub format: u32,
    /// The lot's id, its folder's name.
    pub lot: String,
    /// The dairy.
    pub dairy: String,
    /// The kettle.
    pub kettle: String,
    /// The cheese.
    pub product: String,
    /// The dairy's time zone, for the sheet.
    pub time_zone: String,
    /// The dairy's language, for the sheet; English where it is empty.
    #[serde(skip_serializing_if = "String::is_empty")]
    pub language: String,
    /// When it was opened.
    pub opened: At,
    /// When its make began, as far as the trace or a person says.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub made: Option<At>,
    /// By whom, or `curdtrace` where milk was found.
    pub opened_by: String,
    /// Its make is over and its trace is attached by hand: nothing is recorded
    /// into it by itself.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub past: bool,
    /// When it was closed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub closed: Option<At>,
    /// By whom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub closed_by: Option<String>,
    /// The lot whose whey (or curd) this one is made of.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub mother: Option<String>,
    /// The maker's own score, 0 to 10.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub score: Option<f64>,
    /// Free words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// What becomes of it: released, held, destroyed, and on whose word.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub disposition: Option<String>,
    /// Type and number of the thermometer, as its label has them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub thermometer: Option<String>,
    /// When it was first held against the dairy's limits: it is judged by those that stand
    /// in it from then on.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub judged: Option<At>,
    /// What is to be looked at first, in words.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub deviations: Vec<String>,
    /// Where the clock was not to be trusted at its opening: what was known then.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub opened_unsure: Option<OpenedUnsure>,
    /// Who made it.
    pub people: People,
    /// The milk.
    pub milk: Milk,
    /// The culture.
    pub culture: Culture,
    /// The rennet.
    pub rennet: Rennet,
    /// The curd, its whey and what came after.
    #[serde(skip_serializing_if = "Curd::is_empty")]
    pub curd: Curd,
    /// The plan followed, as its file has it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plan: Option<toml::Table>,
    /// The milkings that went in.
    #[serde(rename = "milking", skip_serializing_if = "Vec::is_empty")]
    pub milkings: Vec<Milking>,
    /// The wheels that came out.
    #[serde(rename = "wheel", skip_serializing_if = "Vec::is_empty")]
    pub wheels: Vec<Wheel>,
    /// What people marked, by the moment meant.
    #[serde(rename = "mark", skip_serializing_if = "Vec::is_empty")]
    pub marks: Vec<Mark>,
    /// Plans that were chosen in the lot's time.
    #[serde(rename = "plan-followed", skip_serializing_if = "Vec::is_empty")]
    pub plans: Vec<PlanDone>,
    /// Marks that were struck: they hold no more, and stay to be read.
    #[serde(rename = "struck-mark", skip_serializing_if = "Vec::is_empty")]
    pub struck: Vec<Mark>,
    /// pH, entered by hand or marked.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub ph: Vec<Ph>,
    /// pH that were struck: the journal may have them still.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub struck_ph: Vec<Ph>,
    /// The stages, with hindsight.
    #[serde(rename = "stage", skip_serializing_if = "Vec::is_empty")]
    pub stages: Vec<StageDone>,
    /// Every heating that had a target.
    #[serde(rename = "cook", skip_serializing_if = "Vec::is_empty")]
    pub cooks: Vec<CookDone>,
    /// Alarms, and who took them.
    #[serde(rename = "alarm", skip_serializing_if = "Vec::is_empty")]
    pub alarms: Vec<AlarmDone>,
    /// Stretches of probes' traces that belong to it.
    #[serde(rename = "stretch", skip_serializing_if = "Vec::is_empty")]
    pub stretches: Vec<Stretch>,
    /// Times without a good reading.
    #[serde(rename = "gap", skip_serializing_if = "Vec::is_empty")]
    pub gaps: Vec<Gap>,
    /// Segments of the journal that have lost something of the lot's time.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub journal_damage: Vec<String>,
    /// Readings that were written under a wrong clock; their right times are known since.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub readings_redated: Option<u64>,
    /// Readings of whose times nobody knows whether they are right.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub readings_undated: Option<u64>,
    /// The instruments and their calibration.
    #[serde(rename = "instrument", skip_serializing_if = "Vec::is_empty")]
    pub instruments: Vec<Instrument>,
    /// The dairy's own limits and what the trace says to them.
    #[serde(rename = "limit", skip_serializing_if = "Vec::is_empty")]
    pub limits: Vec<LimitDone>,
    /// Who entered what while it was open.
    #[serde(rename = "entry", skip_serializing_if = "Vec::is_empty")]
    pub entries: Vec<Entry>,
    /// What was corrected after it stood.
    #[serde(rename = "correction", skip_serializing_if = "Vec::is_empty")]
    pub corrections: Vec<Correction>,
}

/// A lot was opened under a clock that was not to be trusted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct OpenedUnsure {
    /// The machine's boot then, as the journal counts them.
    pub boot: u32,
    /// Monotonic time since that boot, nanoseconds.
    pub mono_ns: i64,
    /// What the clock said.
    pub clock_was: At,
}

/// Who made it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct People {
    /// The maker.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub maker: Option<String>,
    /// Who helped.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub helpers: Option<String>,
}

/// A milking that went in.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Milking {
    /// The dairy's name of it, such as `2026-07-13-evening`.
    pub milking: String,
    /// Litres of it that went into this lot.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub litres: Option<f64>,
    /// Temperature when it went in, °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub celsius: Option<f64>,
    /// Which animals.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
}

/// A wheel that came out.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Wheel {
    /// Its number within the lot, or the dairy's own.
    pub wheel: String,
    /// Weight, kg.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kg: Option<f64>,
    /// The mould, or other words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// What a person marked.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Mark {
    /// When.
    pub at: At,
    /// The mark's name.
    pub name: String,
    /// By whom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// pH of `ph`, °C of `target`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub value: Option<f64>,
    /// The words of a `note`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub text: Option<String>,
    /// When it was pressed or said, where `at` was told late or corrected.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub told: Option<At>,
}

/// One pH value.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Ph {
    /// When.
    pub at: At,
    /// pH, 0 to 14.
    pub value: f64,
    /// By whom.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
}

/// A correction: the value that stood before stays to be read.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Correction {
    /// Which field, such as `rennet.dose-ml`.
    pub field: String,
    /// What stood there, as TOML; empty where nothing did.
    pub old: String,
    /// What stands there now, as TOML.
    pub new: String,
    /// Who.
    pub by: String,
    /// When.
    pub at: At,
    /// Why.
    pub reason: String,
}

/// The name of a plan, where it has one.
pub(super) fn plan_name(plan: &toml::Table) -> Option<&str> {
    plan.get("name")?.as_str()
}

impl Record {
    /// Litres that went in: as entered, else the sum of the milkings.
    pub fn litres(&self) -> Option<f64> {
        let of_milkings: Option<f64> = self.milkings.iter().map(|m| m.litres).sum();
        self.milk.litres.or(of_milkings.filter(|l| *l > 0.0))
    }

    /// Kilograms that came out, where every wheel was weighed.
    pub fn kg(&self) -> Option<f64> {
        let sum: Option<f64> = self.wheels.iter().map(|w| w.kg).sum();
        sum.filter(|kg| *kg > 0.0)
    }

    /// Yield, kg per 100 L.
    pub fn yield_kg_per_100_l(&self) -> Option<f64> {
        Some(self.kg()? * 100.0 / self.litres().filter(|l| *l > 0.0)?)
    }

    /// The dairy's day it was made, `2026-07-14`.
    pub fn day(&self) -> String {
        self.made.unwrap_or(self.opened).day(&self.zone())
    }

    /// A moment of the lot's life as a person reads it: the clock on the day it was
    /// made, with the day on another.
    pub fn clock(&self, at: At) -> String {
        let (zone, day) = (self.zone(), at.day(&self.zone()));
        let clock = at.clock(&zone);
        if day == self.day() { clock } else { format!("{day} {clock}") }
    }

    /// Whether it is closed.
    pub fn is_closed(&self) -> bool {
        self.closed.is_some()
    }

    /// Whether `opened` is only what a clock said that was not to be trusted.
    pub fn is_opening_unknown(&self) -> bool {
        self.opened_unsure.is_some_and(|u| u.clock_was == self.opened)
    }

    /// Whether the kettle's trace is recorded into it by itself.
    pub fn is_live(&self) -> bool {
        !self.past && self.stretches.iter().all(|s| s.attached.is_some())
    }

    /// The stretches of the kettle that it was made in.
    pub fn own_stretches(&self) -> impl Iterator<Item = &Stretch> {
        self.stretches.iter().filter(|s| s.kettle.is_none())
    }

    /// Where the trace of its make ends; without one when it was closed, or opened.
    pub fn trace_ends(&self) -> At {
        self.own_stretches().map(|s| s.to).max().or(self.closed).unwrap_or(self.opened)
    }

    /// The words of the dairy's language.
    pub fn words(&self) -> &'static Words {
        Words::of(&self.language)
    }

    /// The dairy's time zone; UTC where the name is none.
    pub fn zone(&self) -> jiff::tz::TimeZone {
        crate::config::dairy::zone(&self.time_zone)
    }

    /// As the file's text.
    ///
    /// # Errors
    /// A value TOML has no form for.
    pub fn to_toml(&self) -> Result<String, toml::ser::Error> {
        let body = toml::to_string(self)?;
        Ok(format!(
            "# Lot {}. Written by curdtrace; times are UTC. Correct it with `curdtrace lot correct`,\n\
             # never by hand: it is sealed in SHA256SUMS.\n{body}",
            self.lot
        ))
    }

    /// From the file's text.
    ///
    /// # Errors
    /// What is wrong, and in which line.
    pub fn from_toml(text: &str) -> Result<Self, toml::de::Error> {
        toml::from_str(text)
    }

    /// From the file's beginning: only what stands before the first table
    /// (id, kettle, times, score, deviations), for lists.
    ///
    /// # Errors
    /// What is wrong, and in which line.
    pub fn head_from_toml(text: &str) -> Result<Self, toml::de::Error> {
        let end = text.find("\n[").map_or(text.len(), |at| at + 1);
        toml::from_str(&text[..end])
    }
}
