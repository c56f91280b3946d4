//! What the journal tells of a lot: how it went, drawn when it is closed.

use serde::{Deserialize, Serialize};

use crate::engine::said::{Fact, Said};
use crate::lot::at::At;
use crate::lot::limits::Limit;
use crate::sensor::calibration;
use crate::words::Words;

/// A stage as it was.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct StageDone {
    /// The trade's word.
    pub stage: String,
    /// When it began.
    pub began: At,
    /// When it ended.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ended: Option<At>,
    /// Probability that its beginning holds, 0 to 1.
    pub confidence: f64,
    /// `trace`, `mark` or `plan`.
    pub basis: String,
}

/// A heating as it was.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct CookDone {
    /// What was wanted, °C, where anybody said.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub target_celsius: Option<f64>,
    /// When the call came.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub heat_off_called: Option<At>,
    /// When it stood at the target.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reached: Option<At>,
    /// Highest filtered temperature, °C.
    pub peak_celsius: f64,
    /// When.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub peak: Option<At>,
}

impl CookDone {
    /// How far beyond its target it went, °C (negative below it), where it had one.
    pub fn over_celsius(&self) -> Option<f64> {
        self.target_celsius.map(|target| self.peak_celsius - target)
    }
}

/// An alarm as it went.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct AlarmDone {
    /// Its name.
    pub alarm: String,
    /// `low`, `medium`, `high`.
    pub priority: String,
    /// Whether it sounded or only showed, where that is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sounds: Option<bool>,
    /// When it was raised.
    pub raised: At,
    /// When a person took it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taken: Option<At>,
    /// Who.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub taken_by: Option<String>,
    /// When its cause was gone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub over: Option<At>,
    /// Temperature then, °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub celsius: Option<f64>,
    /// The limit it was about, °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit_celsius: Option<f64>,
    /// What it said, in the record's English.
    pub text: String,
    /// The same as data, for the sheet's language.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub said: Vec<Said>,
}

impl AlarmDone {
    /// Who took it: a name, or the words for somebody, nobody, or that it asked
    /// nobody to come.
    pub fn taken_by_whom(&self, words: &Words) -> String {
        match (&self.taken_by, self.taken) {
            (Some(by), _) => by.clone(),
            (None, Some(_)) => words.word("sheet-somebody"),
            (None, None) if self.is_only_shown() => words.word("sheet-only-shown"),
            (None, None) => words.word("sheet-nobody"),
        }
    }

    /// Whether it asked nobody to come.
    pub fn is_only_shown(&self) -> bool {
        self.sounds == Some(false) || self.priority == "low"
    }

    /// What it said, in a language; in English where no more is known.
    pub fn said_in(&self, words: &Words) -> String {
        if self.said.is_empty() || words.code() == "en" { self.text.clone() } else { words.tell(&self.said) }
    }
}

/// A plan that was followed, or put aside, in the lot's time.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct PlanDone {
    /// Since when.
    pub at: At,
    /// Its name; none where no plan was followed any more.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub plan: Option<String>,
    /// Who chose it; nobody where it is the configuration's.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
}

/// A stretch of a probe's trace.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Stretch {
    /// The probe.
    pub probe: String,
    /// From.
    pub from: At,
    /// Up to, not included.
    pub to: At,
    /// Readings in it.
    pub readings: u64,
    /// Those of them that no milk, air or steam can have: they count for nothing.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub out_of_range: Option<u64>,
    /// Who attached it, where a person did.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub attached_by: Option<String>,
    /// When.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub attached: Option<At>,
    /// The kettle it hung in, where that is another than the lot was made in: it tells
    /// nothing of the make.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kettle: Option<String>,
    /// Other lots that have a part of it too.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub also_in: Vec<String>,
}

/// A time without a good reading.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Gap {
    /// The probe.
    pub probe: String,
    /// Last good reading before.
    pub from: At,
    /// First good one after.
    pub to: At,
    /// Why, as far as is known.
    pub why: String,
}

/// An instrument.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Instrument {
    /// The probe's name.
    pub probe: String,
    /// When it was last calibrated.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub calibrated: Option<At>,
    /// Against what, and what was found.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub calibration: Option<String>,
    /// Uncertainty, ± °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub uncertainty_celsius: Option<f64>,
    /// The calibration as data, for the sheet's language.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub calibration_said: Vec<Said>,
    /// The dairy wants it calibrated, and it said that it never was.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub calibration_needed: bool,
    /// The calibrations that corrected its numbers while the lot was made, in the order
    /// in which they held, each whole: its knots turn a recorded number back into the
    /// one that was sent.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub calibration_records: Vec<calibration::Record>,
}

impl Instrument {
    /// The day from which its calibration is out of date, `2026-12-11`.
    pub fn due(&self) -> Option<&str> {
        self.calibration_said.iter().find_map(|said| match said.values.get("due")? {
            Fact::Word(day) => Some(day.as_str()),
            Fact::Number(_) => None,
        })
    }

    /// The calibration in a language; as the record has it where that is all
    /// there is.
    pub fn calibration_in(&self, words: &Words) -> Option<String> {
        if self.calibration_said.is_empty() {
            return self.calibration.clone();
        }
        Some(words.tell_parts(&self.calibration_said))
    }
}

/// What the trace says to one of the dairy's limits.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct LimitDone {
    /// The dairy's name of it.
    pub name: String,
    /// The limit in words.
    pub limit: String,
    /// Where it comes from.
    pub source: String,
    /// `pass`, `fail` or `not-known`.
    pub verdict: String,
    /// What was found.
    pub found: String,
    /// The limit and what was found as data, for the sheet's language.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub limit_said: Option<Said>,
    /// Parts of what was found.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub found_said: Vec<Said>,
    /// The limit as its file had it then, so that the lot can be judged again by it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub rule: Option<Limit>,
}

impl LimitDone {
    /// The limit in a language; as the record has it where that is all there is.
    pub fn limit_in(&self, words: &Words) -> String {
        self.limit_said.as_ref().map_or_else(|| self.limit.clone(), |s| words.tell_one(s))
    }

    /// What was found, likewise.
    pub fn found_in(&self, words: &Words) -> String {
        if self.found_said.is_empty() { self.found.clone() } else { words.tell_parts(&self.found_said) }
    }
}
