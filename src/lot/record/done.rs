//! What the journal tells of a lot: how it went, drawn when it is closed.

use serde::{Deserialize, Serialize};

use crate::lot::at::At;

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
    /// What was wanted, °C.
    pub target_celsius: f64,
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
    /// What it said.
    pub text: String,
}

/// In place of who took an alarm that asked nobody to come.
pub const ONLY_SHOWN: &str = "only shown";

impl AlarmDone {
    /// Who took it, in words: a name, `somebody`, `nobody`, or [`ONLY_SHOWN`].
    pub fn taken_by_whom(&self) -> &str {
        let silent = self.sounds == Some(false) || self.priority == "low";
        match (&self.taken_by, self.taken) {
            (Some(by), _) => by,
            (None, Some(_)) => "somebody",
            (None, None) if silent => ONLY_SHOWN,
            (None, None) => "nobody",
        }
    }
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
    /// Who attached it, where a person did.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub attached_by: Option<String>,
    /// When.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub attached: Option<At>,
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
}
