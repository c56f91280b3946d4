//! A calibration as it is kept: one TOML file an act, readable in twenty
//! years. This is its text; the disk is elsewhere.

use serde::{Deserialize, Serialize};

use super::{CalibrationError, Correction, Date, Shape};

/// Everything that is kept of one act of calibrating.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Record {
    /// The probe's name.
    pub probe: String,
    /// Which calibration of this probe it is, counted from 1. The highest one
    /// holds: a clock may be wrong, a count is not.
    pub number: u32,
    /// When, RFC 3339 UTC, by the machine's clock.
    pub time: String,
    /// Who.
    pub by: String,
    /// What the probe is set as: `type K`, `Pt100`, `as the box says`.
    pub sensor: String,
    /// Line or from point to point.
    pub shape: Shape,
    /// Pairs of raw and true temperature, °C.
    pub knots: Vec<(f64, f64)>,
    /// Expanded uncertainty of a corrected reading at and between the points,
    /// k = 2, °C.
    pub expanded_uncertainty_celsius: f64,
    /// The day from which it is out of date.
    pub due: String,
    /// What the maker or the program had to say.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub remarks: Vec<String>,
    /// The comparisons.
    #[serde(rename = "point")]
    pub points: Vec<RecordedPoint>,
}

/// One comparison as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct RecordedPoint {
    /// `ice`, `boiling` or `reference`.
    pub against: String,
    /// The true temperature, °C.
    pub true_celsius: f64,
    /// Its expanded uncertainty, k = 2, °C.
    pub true_expanded_uncertainty_celsius: f64,
    /// Raw reading, no correction, °C.
    pub raw_celsius: f64,
    /// What was shown with the correction then in force, °C.
    pub as_found_celsius: f64,
    /// What is shown with the new one, °C.
    pub as_left_celsius: f64,
    /// Whether it corrected, or only checked.
    pub corrected: bool,
    /// Standard deviation of the readings, °C.
    pub spread_celsius: f64,
    /// Drift while they were taken, °C/min.
    pub drift_celsius_per_min: f64,
    /// Smallest step of the numbers, °C, where one was seen.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step_celsius: Option<f64>,
    /// How many readings.
    pub readings: u64,
    /// Over how long, s.
    pub seconds: f64,
    /// Mean cold junction, °C.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub cold_junction_celsius: Option<f64>,
    /// Altitude, m, for boiling water.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub altitude_m: Option<f64>,
    /// Barometer on the spot, hPa, for boiling water.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub barometer_hpa: Option<f64>,
    /// The reference thermometer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reference: Option<String>,
}

impl RecordedPoint {
    /// How far off it was found, °C, in hundredths: what is too small to be
    /// seen has no sign.
    pub fn found_off_celsius(&self) -> f64 {
        hundredths(self.as_found_celsius - self.true_celsius)
    }

    /// What is shown with the new correction, °C, in hundredths.
    pub fn left_celsius(&self) -> f64 {
        hundredths(self.as_left_celsius)
    }
}

/// Two decimals, never a negative nothing.
fn hundredths(value: f64) -> f64 {
    (value * 100.0).round() / 100.0 + 0.0
}

/// A text that is no calibration.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum RecordError {
    /// No TOML, or not with these keys.
    #[error("no calibration: {0}")]
    Toml(String),
    /// A number that cannot be.
    #[error("no calibration: {0}")]
    Value(String),
    /// Knots that are none.
    #[error(transparent)]
    Knots(#[from] CalibrationError),
}

/// A calibration as it is applied to readings.
#[derive(Debug, Clone, PartialEq)]
pub struct Applied {
    /// The correction.
    pub correction: Correction,
    /// Expanded uncertainty of a corrected reading at and between the points,
    /// k = 2, °C; see [`Applied::expanded_at`] for elsewhere.
    pub expanded_celsius: f64,
    /// Out of date from this day on.
    pub due: Date,
    /// Which calibration of the probe it is.
    pub number: u32,
    /// When it was made, RFC 3339.
    pub time: String,
}

/// How much a thermometer's slope may be off where no point holds it: the
/// share of IEC 60584's class 2.
const SLOPE_UNKNOWN: f64 = 0.0075;

impl Applied {
    /// Expanded uncertainty at a temperature, k = 2, °C: as at the points
    /// between the outermost of them, growing beyond, where nothing was
    /// compared.
    pub fn expanded_at(&self, celsius: f64) -> f64 {
        let truths = self.correction.knots().iter().map(|k| k.1);
        let low = truths.clone().fold(f64::INFINITY, f64::min);
        let high = truths.fold(f64::NEG_INFINITY, f64::max);
        let beyond = (low - celsius).max(celsius - high).max(0.0);
        let slope = 2.0 * beyond * SLOPE_UNKNOWN / libm::sqrt(3.0);
        libm::sqrt(self.expanded_celsius * self.expanded_celsius + slope * slope)
    }
}

impl Record {
    /// As TOML text.
    ///
    /// # Errors
    /// [`RecordError::Toml`] where a value has no TOML form; does not happen
    /// with finite numbers.
    pub fn to_toml(&self) -> Result<String, RecordError> {
        toml::to_string(self).map_err(|e| RecordError::Toml(e.to_string()))
    }

    /// From TOML text, with its numbers checked.
    ///
    /// # Errors
    /// [`RecordError`].
    pub fn of_toml(text: &str) -> Result<Self, RecordError> {
        let record: Self = toml::from_str(text).map_err(|e| RecordError::Toml(e.to_string()))?;
        record.applied()?;
        Ok(record)
    }

    /// What is applied to readings.
    ///
    /// # Errors
    /// [`RecordError`] where its knots, its due date or its uncertainty cannot
    /// be.
    pub fn applied(&self) -> Result<Applied, RecordError> {
        let expanded_celsius = self.expanded_uncertainty_celsius;
        if !expanded_celsius.is_finite() || expanded_celsius < 0.0 {
            return Err(RecordError::Value(format!("an uncertainty of {expanded_celsius} °C cannot be")));
        }
        Ok(Applied {
            correction: Correction::of(self.shape, self.knots.clone())?,
            expanded_celsius,
            due: self.due.parse().map_err(|e: super::date::NoDate| RecordError::Value(e.to_string()))?,
            number: self.number,
            time: self.time.clone(),
        })
    }
}
