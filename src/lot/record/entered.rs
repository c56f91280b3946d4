//! What went in and what became of it, as persons enter it.

use serde::{Deserialize, Serialize};

use crate::lot::at::At;

/// Who entered something that stood empty, and when. What changed afterwards, or came
/// after the closing, is a correction.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Entry {
    /// Which field, such as `rennet.dose-ml` or `wheel.5.kg`.
    pub field: String,
    /// What was entered, as TOML; empty where it was no more than a name.
    pub value: String,
    /// Who, where anybody said.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by: Option<String>,
    /// When.
    pub at: At,
}

/// The milk that went into the kettle.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Milk {
    /// Litres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub litres: Option<f64>,
    /// Whose, which animals.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub source: Option<String>,
    /// Temperature when it came in, °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub celsius_in: Option<f64>,
    /// Age of the oldest milking, hours.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub oldest_hours: Option<f64>,
    /// Acidity, degrees Soxhlet-Henkel.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub acidity_sh: Option<f64>,
    /// Inhibitor test.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub inhibitors: Option<String>,
}

/// The culture.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Culture {
    /// Its name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// The maker's lot number on the packet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lot: Option<String>,
    /// Dose in words, such as `1.2 L` or `10 DCU`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dose: Option<String>,
}

/// The rennet.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Rennet {
    /// Its name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// The lot number on the bottle.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lot: Option<String>,
    /// Dose, mL.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dose_ml: Option<f64>,
    /// Strength with its definition, such as `1:10000 Soxhlet`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub strength: Option<String>,
    /// Dilution in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dilution: Option<String>,
}

/// The curd, its whey and what came after, as a person saw it.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Curd {
    /// Firmness at the first cut, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub firmness: Option<String>,
    /// Whey drawn off before the end, L.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub whey_drawn_litres: Option<f64>,
    /// Water added, L.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub water_litres: Option<f64>,
    /// The water's temperature, °C.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub water_celsius: Option<f64>,
    /// When the wheels were turned in the press, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub press_turns: Option<String>,
    /// The brine: strength, temperature, hours, in words.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub brine: Option<String>,
}

impl Curd {
    pub(super) fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}
