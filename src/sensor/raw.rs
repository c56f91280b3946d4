//! What a source says of one probe, before any of it is believed: the wire's
//! side of [`super::channel`].

use super::fault::Faults;
use super::thermocouple::Couple;
use crate::engine::probe::Health;

/// A chip whose raw words come over the wire.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Chip {
    /// MAX31855: 32-bit word.
    Max31855,
    /// MAX31856: 24-bit linearised word, with an 8-bit fault register above it.
    Max31856,
    /// MAX6675: 16-bit word.
    Max6675,
}

impl Chip {
    /// Every chip there is.
    pub const ALL: [Self; 3] = [Self::Max31855, Self::Max31856, Self::Max6675];

    /// The chip's name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Max31855 => "MAX31855",
            Self::Max31856 => "MAX31856",
            Self::Max6675 => "MAX6675",
        }
    }

    /// How many hex digits its word has on the wire.
    pub fn hex_digits(self) -> usize {
        match self {
            Self::Max6675 => 4,
            Self::Max31855 | Self::Max31856 => 8,
        }
    }
}

/// A value as it comes over the wire.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Signal {
    /// A temperature, °C, before our correction.
    Celsius(f64),
    /// A thermocouple's voltage, µV, not compensated for the cold junction.
    Microvolt {
        /// The voltage, µV.
        uv: f64,
        /// The type the box believes in; `None` where it does not say.
        couple: Option<Couple>,
    },
    /// A resistance, Ω.
    Ohm(f64),
    /// A chip's word.
    Word(
        /// Whose.
        Chip,
        /// The bits, right-justified.
        u32,
    ),
    /// A DS18B20's scratchpad, CRC included.
    Scratchpad([u8; 9]),
    /// No value; the faults or what is said say why.
    Nothing,
}

/// Everything a source says at once of one probe.
#[derive(Debug, Clone, PartialEq)]
pub struct Raw {
    /// The value.
    pub signal: Signal,
    /// The cold junction as the box measured it, °C.
    pub cold_junction_celsius: Option<f64>,
    /// The thermocouple's voltage, mV, where the source says it beside a
    /// temperature.
    pub emf_mv: Option<f64>,
    /// The box's counter.
    pub seq: Option<u64>,
    /// Faults the box reports.
    pub faults: Faults,
    /// What the source itself says of the probe's health, and why.
    pub said: Option<(Health, String)>,
}

impl Raw {
    /// A value alone, as simple boxes send it.
    pub fn of(signal: Signal) -> Self {
        Self {
            signal,
            cold_junction_celsius: None,
            emf_mv: None,
            seq: None,
            faults: Faults::NONE,
            said: None,
        }
    }
}
