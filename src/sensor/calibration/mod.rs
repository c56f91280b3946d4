//! Calibration: what a probe reads against what is true, and the correction
//! that follows.
//!
//! Terms: *raw* is the temperature before any correction; *as found* is what
//! was shown with the correction then in force; *as left* is what is shown
//! with the new one. A *point* is one comparison: in ice, in boiling water, or
//! beside a reference thermometer.
//!
//! Invariants: a correction rises with its input and never moves a reading by
//! more than [`MOST_CELSIUS`] at a point; nonsense is refused with the likely
//! cause; a point that is less sure than the difference it shows checks but
//! does not correct.

mod correction;
mod date;
mod record;
mod suspect;

use super::boiling;
use super::settle::Standing;
use super::uncertainty::Budget;

pub use correction::{Correction, Shape};
pub use date::Date;
pub use record::{Applied, Record, RecordError, RecordedPoint};
pub use suspect::{Hypothesis, Suspect, suspects};

/// A probe further off than this at a known point is not corrected but looked
/// at: a new thermocouple of class 2 is within 2.5 °C.
pub const MOST_CELSIUS: f64 = 3.0;

/// Points nearer to each other than this make no slope, °C.
pub const SLOPE_APART_CELSIUS: f64 = 10.0;

/// A correction's slope stays within 1 ± this.
const MOST_SLOPE: f64 = 0.05;

/// What a probe is compared with.
#[derive(Debug, Clone, PartialEq)]
pub enum Against {
    /// Crushed ice and water, stirred: 0 °C.
    Ice,
    /// Boiling water; its temperature by the altitude on a standard day, m.
    BoilingAtAltitude(f64),
    /// Boiling water; its temperature by a barometer on the spot, hPa.
    BoilingAtPressure(f64),
    /// A reference thermometer in the same bath.
    Reference {
        /// What it is called.
        name: String,
        /// What it shows, °C, its own correction applied.
        celsius: f64,
        /// Its expanded uncertainty, k = 2, °C.
        expanded_celsius: f64,
    },
}

impl Against {
    /// The true temperature, °C; `None` where altitude or pressure cannot be.
    pub fn true_celsius(&self) -> Option<f64> {
        match self {
            Self::Ice => Some(0.0),
            Self::BoilingAtAltitude(m) => boiling::by_altitude_celsius(*m),
            Self::BoilingAtPressure(hpa) => boiling::by_pressure_celsius(*hpa),
            Self::Reference { celsius, .. } => Some(*celsius),
        }
    }

    /// Standard uncertainty of that temperature, °C. Ice: a bath made with
    /// care. Boiling: the barometer within 1 hPa, the water's depth and purity
    /// 0.1 °C; by altitude alone, the weather. (Ice, depth and purity from
    /// memory.)
    pub fn standard_celsius(&self) -> f64 {
        match self {
            Self::Ice => 0.03,
            Self::BoilingAtAltitude(_) => {
                libm::sqrt(boiling::WEATHER_CELSIUS * boiling::WEATHER_CELSIUS / 3.0 + 0.01)
            }
            Self::BoilingAtPressure(_) => 0.1,
            Self::Reference { expanded_celsius, .. } => expanded_celsius / 2.0,
        }
    }

    /// The word for it.
    pub fn word(&self) -> &'static str {
        match self {
            Self::Ice => "ice",
            Self::BoilingAtAltitude(_) | Self::BoilingAtPressure(_) => "boiling",
            Self::Reference { .. } => "reference",
        }
    }
}

/// One comparison.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// With what.
    pub against: Against,
    /// How the raw reading stood.
    pub seen: Standing,
}

impl Point {
    /// The true temperature, °C; 0 where it cannot be (refused by [`fit`]).
    fn truth(&self) -> f64 {
        self.against.true_celsius().unwrap_or(0.0)
    }

    /// Raw less true, °C.
    pub fn error_celsius(&self) -> f64 {
        self.seen.mean_celsius - self.truth()
    }

    /// Standard uncertainty of the comparison, °C: what it is compared with,
    /// the mean of the readings, and their resolution (half a step either way,
    /// GUM F.2.2.1), which no number of readings makes smaller where they stand.
    pub fn standard_celsius(&self) -> f64 {
        let mean = self.seen.spread_celsius / libm::sqrt(self.seen.readings.max(1) as f64);
        Budget::default()
            .standard("what is true", self.against.standard_celsius())
            .standard("mean", mean)
            .step("resolution", self.seen.step_celsius)
            .combined_celsius()
    }

    /// Whether it says more than it is unsure of, so that it may correct.
    pub fn corrects(&self) -> bool {
        let u = self.standard_celsius();
        u <= 0.2 || self.error_celsius().abs() > 2.0 * u
    }
}

/// Why there is no calibration.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum CalibrationError {
    /// No point, or none that may correct.
    #[error("no point to calibrate with: take the ice point, or a reference thermometer")]
    NoPoint,
    /// Altitude or pressure cannot be.
    #[error(
        "{0} gives no boiling point: the altitude is −400 to 5000 m, the barometer 500 to 1100 hPa as it stands there, not reduced to sea level"
    )]
    Boiling(
        /// What was said.
        String,
    ),
    /// Too far off to be a probe that wants correcting.
    #[error(
        "the probe reads {seen:.2} °C where {truth:.2} °C is true: {off:+.2} °C is too far off to correct{cause}"
    )]
    TooFarOff {
        /// Raw reading, °C.
        seen: f64,
        /// True temperature, °C.
        truth: f64,
        /// The difference.
        off: f64,
        /// `: ` and the likely cause and remedy.
        cause: String,
    },
    /// Two points contradict each other.
    #[error(
        "the points contradict each other: between {low:.1} and {high:.1} °C the probe would have to be stretched by {percent:+.1} %; take them again, stirred, the probe deep in"
    )]
    Slope {
        /// Lower true temperature, °C.
        low: f64,
        /// Upper true temperature, °C.
        high: f64,
        /// Slope less one, percent.
        percent: f64,
    },
}

/// A correction and what it is worth.
#[derive(Debug, Clone, PartialEq)]
pub struct Fitted {
    /// The correction.
    pub correction: Correction,
    /// For each point, whether it corrected (or only checked).
    pub corrected: Vec<bool>,
    /// Expanded uncertainty of a corrected reading, k = 2, °C.
    pub expanded_celsius: f64,
    /// The largest difference left at a point that corrected, °C.
    pub left_celsius: f64,
}

/// The correction that the points give.
///
/// # Errors
/// [`CalibrationError`] refuses nonsense, with the likely cause: `couple` is
/// the type that is set, where it is a thermocouple.
pub fn fit(
    points: &[Point],
    shape: Shape,
    couple: Option<super::thermocouple::Couple>,
) -> Result<Fitted, CalibrationError> {
    for p in points {
        refuse_nonsense(p, couple)?;
    }
    let corrected: Vec<bool> = points.iter().map(Point::corrects).collect();
    let used: Vec<&Point> = points.iter().zip(&corrected).filter(|(_, c)| **c).map(|(p, _)| p).collect();
    if used.is_empty() {
        return Err(CalibrationError::NoPoint);
    }
    let pairs: Vec<(f64, f64, f64)> =
        used.iter().map(|p| (p.seen.mean_celsius, p.truth(), p.standard_celsius())).collect();
    let correction = Correction::through(&pairs, shape)?;
    let left = |p: &&Point| (correction.apply(p.seen.mean_celsius) - p.truth()).abs();
    let left_celsius = used.iter().map(left).fold(0.0, f64::max);
    // What is left at the worst point counts as if it were unknown.
    let worst = pairs.iter().map(|p| p.2).fold(0.0, f64::max);
    let expanded_celsius = 2.0 * libm::sqrt(worst * worst + left_celsius * left_celsius / 3.0);
    Ok(Fitted { correction, corrected, expanded_celsius, left_celsius })
}

fn refuse_nonsense(p: &Point, couple: Option<super::thermocouple::Couple>) -> Result<(), CalibrationError> {
    let Some(truth) = p.against.true_celsius().filter(|t| t.is_finite()) else {
        return Err(CalibrationError::Boiling(format!("{:?}", p.against)));
    };
    let seen = p.seen.mean_celsius;
    let off = seen - truth;
    if off.abs() <= MOST_CELSIUS {
        return Ok(());
    }
    let found =
        couple.map(|set| suspects(set, seen, p.seen.cold_junction_celsius, truth)).unwrap_or_default();
    let cause = match (found.first(), &p.against) {
        (Some(s), _) => format!(". {}", s.sentence()),
        (None, Against::BoilingAtAltitude(_) | Against::BoilingAtPressure(_)) => {
            ". Does the water really boil, hard, with the probe deep in and off the wall? Is the altitude right?"
                .to_owned()
        }
        (None, Against::Ice) => {
            ". Is it crushed ice filled up with water, stirred, the probe off the wall?".to_owned()
        }
        (None, Against::Reference { .. }) => {
            ". Do both stand in the same stirred bath, side by side? Are the plug and the wires sound?".to_owned()
        }
    };
    Err(CalibrationError::TooFarOff { seen, truth, off, cause })
}

#[cfg(test)]
mod tests;
