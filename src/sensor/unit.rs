//! Units of temperature: degrees Celsius inside, others taken at the border.
//!
//! Réaumur (°R, water boils at 80) is still met on alpine pages. It is no
//! guess: a source or a page says its unit, or it is Celsius.

use std::fmt;
use std::str::FromStr;

/// A unit in which a temperature is said.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Unit {
    /// Degrees Celsius.
    #[default]
    Celsius,
    /// Degrees Fahrenheit.
    Fahrenheit,
    /// Degrees Réaumur: 1 °R is 1.25 °C, and both have their zero at ice.
    Reaumur,
    /// Kelvin.
    Kelvin,
}

/// A word that is no unit.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0:?} is no unit of temperature; write C, F, K or R (Réaumur)")]
pub struct NoUnit(String);

impl Unit {
    /// The value in °C.
    ///
    /// ```
    /// use curdtrace::sensor::unit::Unit;
    /// assert_eq!(Unit::Reaumur.to_celsius(28.0), 35.0);
    /// ```
    pub fn to_celsius(self, value: f64) -> f64 {
        match self {
            Self::Celsius => value,
            Self::Fahrenheit => (value - 32.0) / 1.8,
            Self::Reaumur => value * 1.25,
            Self::Kelvin => value - 273.15,
        }
    }

    /// The unit's sign.
    pub fn sign(self) -> &'static str {
        match self {
            Self::Celsius => "°C",
            Self::Fahrenheit => "°F",
            Self::Reaumur => "°R",
            Self::Kelvin => "K",
        }
    }
}

impl FromStr for Unit {
    type Err = NoUnit;

    /// Takes the sign with or without `°`, the letter, or the name, in any case.
    fn from_str(text: &str) -> Result<Self, NoUnit> {
        let word = text.trim().trim_start_matches('°').trim_start_matches("deg").to_lowercase();
        match word.as_str() {
            "c" | "celsius" => Ok(Self::Celsius),
            "f" | "fahrenheit" => Ok(Self::Fahrenheit),
            "r" | "re" | "ré" | "reaumur" | "réaumur" => Ok(Self::Reaumur),
            "k" | "kelvin" => Ok(Self::Kelvin),
            _ => Err(NoUnit(text.to_owned())),
        }
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.sign())
    }
}

/// A temperature typed by a person, such as `34.5`, `28 °R` or `126F`; °C
/// where no unit is said.
///
/// # Errors
/// [`NoUnit`] where it is no number or no known unit.
pub fn typed_celsius(text: &str) -> Result<f64, NoUnit> {
    let text = text.trim();
    let end = text.find(|c: char| !(c.is_ascii_digit() || "+-.,".contains(c))).unwrap_or(text.len());
    let (number, unit) = text.split_at(end);
    let value: f64 = number.replace(',', ".").parse().map_err(|_| NoUnit(text.to_owned()))?;
    let unit = if unit.trim().is_empty() { Unit::Celsius } else { unit.parse()? };
    Ok(unit.to_celsius(value))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Figures: rennet at 28 °R on a current alp page is 35 °C; 35 °F and
    /// 126 °F by arithmetic.
    #[test]
    fn typed_temperatures_are_celsius_inside() {
        for (text, celsius) in [
            ("28 °R", 35.0),
            ("42R", 52.5),
            ("36 réaumur", 45.0),
            ("35F", 1.666_667),
            ("126 °F", 52.222_222),
            ("34,5", 34.5),
            ("-3", -3.0),
            ("273.15 K", 0.0),
            ("100 degC", 100.0),
        ] {
            let got = typed_celsius(text).unwrap();
            assert!((got - celsius).abs() < 1e-6, "{text}: {got}");
        }
        for text in ["", "warm", "12 °X", "1.2.3", "°C"] {
            assert!(typed_celsius(text).is_err(), "{text}");
        }
    }

    #[test]
    fn there_and_back() {
        for unit in [Unit::Celsius, Unit::Fahrenheit, Unit::Reaumur, Unit::Kelvin] {
            assert_eq!(unit.sign().parse::<Unit>().unwrap(), unit);
        }
    }
}
