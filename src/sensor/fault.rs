//! What can be wrong with a sensor, each fault as what it is.
//!
//! Terms: a [`Fault`] is what a chip or box reports of its sensor; [`Faults`]
//! is a set of them, for two may hold at once and are never merged into one;
//! a [`Missing`] is the reason why there is no number.
//!
//! Absent on purpose: faults found from behaviour (lifted out, frozen,
//! spikes); those are the engine's.

use std::fmt;

use crate::engine::probe::Health;

/// One fault of a sensor, as its chip or box reports it.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Fault {
    /// The sensor's circuit is open.
    Open,
    /// A wire touches ground.
    ShortToGround,
    /// A wire touches the supply.
    ShortToSupply,
    /// Above what the chip can measure.
    OverRange,
    /// Below what the chip can measure.
    UnderRange,
    /// The cold junction is outside what the chip can measure.
    ColdJunctionRange,
    /// The input is above the supply or below ground (MAX31856 OVUV).
    InputVoltage,
    /// The box gets no answer from its converter.
    NoConverter,
    /// Above the limit set in the chip (MAX31856 TCHIGH).
    HighLimit,
    /// Below the limit set in the chip (MAX31856 TCLOW).
    LowLimit,
    /// The cold junction is above the limit set in the chip (CJHIGH).
    ColdJunctionHighLimit,
    /// The cold junction is below the limit set in the chip (CJLOW).
    ColdJunctionLowLimit,
}

impl Fault {
    /// Every fault, in the order of its bit on the wire (first is bit 0).
    pub const ALL: [Self; 12] = [
        Self::Open,
        Self::ShortToGround,
        Self::ShortToSupply,
        Self::OverRange,
        Self::UnderRange,
        Self::ColdJunctionRange,
        Self::InputVoltage,
        Self::NoConverter,
        Self::HighLimit,
        Self::LowLimit,
        Self::ColdJunctionHighLimit,
        Self::ColdJunctionLowLimit,
    ];

    /// Its bit in [`Faults`].
    pub fn bit(self) -> u16 {
        1 << (self as u16)
    }

    /// What to tell the maker: what is wrong and what to look at.
    pub fn reason(self) -> &'static str {
        match self {
            Self::Open => "open circuit: wire broken or plug out",
            Self::ShortToGround => "short to ground: look for a bare wire touching metal",
            Self::ShortToSupply => "short to supply: look for a wire touching the box's supply",
            Self::OverRange => "over range: hotter than the converter can measure",
            Self::UnderRange => "under range: colder than the converter can measure, or wires swapped",
            Self::ColdJunctionRange => "cold junction out of range: the box is too hot or too cold",
            Self::InputVoltage => "input voltage beyond the supply: look for a leak or a ground loop",
            Self::NoConverter => "converter does not answer: the box wants repair",
            Self::HighLimit => "above the high limit set in the converter",
            Self::LowLimit => "below the low limit set in the converter",
            Self::ColdJunctionHighLimit => "cold junction above the limit set in the converter",
            Self::ColdJunctionLowLimit => "cold junction below the limit set in the converter",
        }
    }

    /// Whether the number that comes with it is still a measurement. A limit
    /// set in the chip says nothing against the number.
    pub fn leaves_a_number(self) -> bool {
        matches!(
            self,
            Self::HighLimit | Self::LowLimit | Self::ColdJunctionHighLimit | Self::ColdJunctionLowLimit
        )
    }

    /// Its NAMUR NE 107 class.
    pub fn health(self) -> Health {
        match self {
            Self::Open
            | Self::ShortToGround
            | Self::ShortToSupply
            | Self::InputVoltage
            | Self::NoConverter => Health::Failure,
            Self::OverRange
            | Self::UnderRange
            | Self::ColdJunctionRange
            | Self::HighLimit
            | Self::LowLimit
            | Self::ColdJunctionHighLimit
            | Self::ColdJunctionLowLimit => Health::OutOfSpecification,
        }
    }
}

/// A set of faults that hold at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Faults(u16);

impl Faults {
    /// No fault.
    pub const NONE: Self = Self(0);

    /// The set with these bits; `None` where a bit has no meaning.
    pub fn from_bits(bits: u16) -> Option<Self> {
        let known = (1u16 << Fault::ALL.len()) - 1;
        (bits & !known == 0).then_some(Self(bits))
    }

    /// The bits, [`Fault::bit`] each.
    pub fn bits(self) -> u16 {
        self.0
    }

    /// The set with `fault` in it.
    #[must_use]
    pub fn with(self, fault: Fault) -> Self {
        Self(self.0 | fault.bit())
    }

    /// Whether there is none.
    pub fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// The faults, in the order of their bits.
    pub fn iter(self) -> impl Iterator<Item = Fault> {
        Fault::ALL.into_iter().filter(move |f| self.0 & f.bit() != 0)
    }

    /// The worst health among them; `None` where there is no fault.
    pub fn health(self) -> Option<Health> {
        self.iter().map(Fault::health).max()
    }

    /// Whether a number may come with these faults.
    pub fn leave_a_number(self) -> bool {
        self.iter().all(Fault::leaves_a_number)
    }
}

impl fmt::Display for Faults {
    /// Each fault's own reason, `; ` between them.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, fault) in self.iter().enumerate() {
            if i > 0 {
                f.write_str("; ")?;
            }
            f.write_str(fault.reason())?;
        }
        Ok(())
    }
}

/// Why there is no number. Its text is the reading's `reason`.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum Missing {
    /// The chip or box reports these.
    #[error("{0}")]
    Faults(Faults),
    /// A checksum is wrong: the word was hurt on its way.
    #[error("checksum wrong ({sent:#04x} sent, {computed:#04x} computed): noise or a loose wire")]
    Checksum {
        /// As sent.
        sent: u16,
        /// As computed.
        computed: u16,
    },
    /// DS18B20: the value it holds after power-on, before any measurement.
    #[error("power-on value 85 °C, no measurement: the sensor lost its supply")]
    PowerOn,
    /// All bits alike: nobody drives the line.
    #[error("no answer: the sensor or its converter is not connected")]
    NoAnswer,
    /// Bits that must be zero are set: not this chip's word.
    #[error("{word} is no {chip} word: check the chip's type and wiring")]
    NotAWord {
        /// The chip that was expected.
        chip: &'static str,
        /// The word in hex.
        word: String,
    },
    /// Outside the range of the sensor's function.
    #[error("{} {unit} is outside the {sensor}'s range {} to {} {unit}", thousandths(*.value), thousandths(*.low), thousandths(*.high))]
    Range {
        /// The sensor.
        sensor: &'static str,
        /// What was said.
        value: f64,
        /// Lowest possible.
        low: f64,
        /// Highest possible.
        high: f64,
        /// Unit of the three.
        unit: &'static str,
    },
    /// A thermocouple voltage without its cold junction.
    #[error("no cold junction temperature: the voltage alone gives no temperature")]
    NoColdJunction,
    /// A type B thermocouple's voltage that two temperatures have.
    #[error(
        "out of range: below 46 °C a type B thermocouple has the same voltage at two temperatures; take a type that tells them apart, such as K or T"
    )]
    TwoTemperatures,
    /// A wire value, and nothing set that reads it.
    #[error("{said} came, and what the probe is has not been set: give it its couple or its element")]
    NotSet {
        /// What came.
        said: &'static str,
    },
    /// A wire value that this sensor setting cannot read.
    #[error("{said} cannot be read as {set}: the probe's setting and its box disagree")]
    WrongKind {
        /// What came.
        said: &'static str,
        /// What is set.
        set: &'static str,
    },
    /// Not a finite number.
    #[error("not a finite number")]
    NotFinite,
    /// The source says so itself.
    #[error("{reason}")]
    Said {
        /// Its health.
        health: Health,
        /// Its reason.
        reason: String,
    },
}

impl Missing {
    /// Its NAMUR NE 107 class. Never [`Health::Good`].
    pub fn health(&self) -> Health {
        match self {
            Self::Faults(set) => set.health().unwrap_or(Health::Failure),
            Self::Said { health, .. } if *health != Health::Good => *health,
            Self::TwoTemperatures => Health::OutOfSpecification,
            // No sensor that is well says such a thing: a wire is broken or shorted.
            Self::Range { .. }
            | Self::Checksum { .. }
            | Self::PowerOn
            | Self::NoAnswer
            | Self::NotAWord { .. }
            | Self::NoColdJunction
            | Self::NotSet { .. }
            | Self::WrongKind { .. }
            | Self::NotFinite
            | Self::Said { .. } => Health::Failure,
        }
    }
}

/// Rounded for reading, finely enough to tell what is outside from the end that it passed.
fn thousandths(x: f64) -> f64 {
    (x * 1000.0).round() / 1000.0
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn faults_stay_apart() {
        let both = Faults::NONE.with(Fault::Open).with(Fault::ShortToGround);
        assert_eq!(both.iter().count(), 2);
        assert_eq!(both.to_string(), format!("{}; {}", Fault::Open.reason(), Fault::ShortToGround.reason()));
        for a in Fault::ALL {
            for b in Fault::ALL {
                assert_eq!(a == b, a.reason() == b.reason(), "{a:?} {b:?}");
                assert_eq!(a == b, a.bit() == b.bit(), "{a:?} {b:?}");
            }
            assert_ne!(a.health(), Health::Good);
        }
        assert_eq!(Faults::from_bits(0x8000), None);
        assert_eq!(Faults::from_bits(both.bits()), Some(both));
    }

    #[test]
    fn no_missing_is_good() {
        let said = Missing::Said { health: Health::Good, reason: "?".into() };
        assert_eq!(said.health(), Health::Failure);
        assert_eq!(Missing::Faults(Faults::NONE.with(Fault::OverRange)).health(), Health::OutOfSpecification);
    }
}
