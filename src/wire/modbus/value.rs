//! What registers mean: format, word order, scale.

use super::Register;
use crate::engine::probe::Health;
use crate::sensor::raw::{Raw, Signal};

/// How a number is written in registers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Format {
    /// One register, signed.
    #[default]
    I16,
    /// One register, unsigned.
    U16,
    /// Two registers, signed.
    I32,
    /// Two registers, IEEE 754.
    F32,
}

impl Format {
    /// How many registers it takes.
    pub fn registers(self) -> u16 {
        match self {
            Self::I16 | Self::U16 => 1,
            Self::I32 | Self::F32 => 2,
        }
    }
}

/// Which of two registers comes first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum WordOrder {
    /// The high word, as the standard's bytes go.
    #[default]
    HighFirst,
    /// The low word.
    LowFirst,
}

/// What stands in a value's registers.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Value {
    /// The format.
    pub format: Format,
    /// The order of two words.
    pub word_order: WordOrder,
    /// What the number is multiplied by: 0.1 where 345 means 34.5.
    pub scale: f64,
    /// What is added then, in the value's unit.
    pub offset: f64,
}

impl Value {
    /// The number in the registers, scaled; `None` where it is no number: not
    /// finite, the end of the format's range (0x7FFF, 0x8000, 0xFFFF, by which
    /// transmitters say that their sensor is broken), or too few registers.
    pub fn number(&self, registers: &[u16]) -> Option<f64> {
        let number = match (self.format, registers) {
            (Format::I16, [0x7FFF | 0x8000]) | (Format::U16, [0xFFFF]) => return None,
            (Format::I16, [r]) => f64::from(r.cast_signed()),
            (Format::U16, [r]) => f64::from(*r),
            (Format::I32 | Format::F32, [a, b]) => {
                let (high, low) = match self.word_order {
                    WordOrder::HighFirst => (*a, *b),
                    WordOrder::LowFirst => (*b, *a),
                };
                let bits = u32::from(high) << 16 | u32::from(low);
                match (self.format, bits) {
                    (Format::F32, _) => f64::from(f32::from_bits(bits)),
                    (_, 0x7FFF_FFFF | 0x8000_0000) => return None,
                    _ => f64::from(bits.cast_signed()),
                }
            }
            _ => return None,
        };
        let scaled = number * self.scale + self.offset;
        scaled.is_finite().then_some(scaled)
    }
}

impl Register {
    /// What its registers say, as [`crate::sensor`] takes it.
    pub fn raw(&self, registers: &[u16]) -> Raw {
        match self.value.number(registers) {
            Some(n) => Raw::of(Signal::Celsius(self.measured_in.to_celsius(n))),
            None => Raw {
                said: Some((
                    Health::Failure,
                    "the transmitter sent no number: its sensor is broken or missing".to_owned(),
                )),
                ..Raw::of(Signal::Nothing)
            },
        }
    }
}
