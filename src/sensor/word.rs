//! Words of converter chips: bits to a temperature, or to the fault as what
//! it is.
//!
//! The layouts are the datasheets'; every row of their tables is in
//! tests/tables/sensor_words.csv. Invariant: a word with a fault bit, a wrong
//! checksum or reserved bits set never yields a number.

use crc::{CRC_8_MAXIM_DOW, Crc};

use super::fault::{Fault, Faults, Missing};
use super::thermocouple::Couple;

const CRC8: Crc<u8> = Crc::<u8>::new(&CRC_8_MAXIM_DOW);

/// What a word says.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Converted {
    /// Temperature as the chip computed it, °C.
    pub celsius: f64,
    /// The chip's own temperature, °C, where the word holds it.
    pub cold_junction_celsius: Option<f64>,
    /// Limits passed that leave the number a number.
    pub faults: Faults,
    /// The chip's smallest step, °C.
    pub step_celsius: f64,
}

/// A MAX31855's 32 bits: D31..D18 thermocouple (0.25 °C), D16 any fault,
/// D15..D4 the chip (0.0625 °C), D2 to supply, D1 to ground, D0 open.
///
/// # Errors
/// The faults, each as what it is; [`Missing::NoAnswer`] for all ones;
/// [`Missing::NotAWord`] where reserved bits are set or the fault bits
/// disagree.
///
/// ```
/// use curdtrace::sensor::word::max31855;
/// assert_eq!(max31855(0x064C_0000).unwrap().celsius, 100.75);
/// assert!(max31855(0x0001_0001).is_err());
/// ```
pub fn max31855(word: u32) -> Result<Converted, Missing> {
    if word == u32::MAX {
        return Err(Missing::NoAnswer);
    }
    let mut faults = Faults::NONE;
    for (bit, fault) in [(0, Fault::Open), (1, Fault::ShortToGround), (2, Fault::ShortToSupply)] {
        if word & (1 << bit) != 0 {
            faults = faults.with(fault);
        }
    }
    let reserved = word & ((1 << 17) | (1 << 3)) != 0;
    if reserved || (word & (1 << 16) != 0) == faults.is_empty() {
        return Err(Missing::NotAWord { chip: "MAX31855", word: format!("{word:08X}") });
    }
    if !faults.is_empty() {
        return Err(Missing::Faults(faults));
    }
    Ok(Converted {
        celsius: f64::from(word.cast_signed() >> 18) * 0.25,
        cold_junction_celsius: Some(f64::from((word << 16).cast_signed() >> 20) * 0.0625),
        faults: Faults::NONE,
        step_celsius: 0.25,
    })
}

/// A MAX31856's fault register (top byte) and its linearised temperature
/// LTCBH, LTCBM, LTCBL: 19 bits left-justified in 24, 1/128 °C.
///
/// # Errors
/// The faults, each as what it is; [`Missing::NoAnswer`] for all ones.
pub fn max31856(word: u32) -> Result<Converted, Missing> {
    if word == u32::MAX {
        return Err(Missing::NoAnswer);
    }
    let celsius = f64::from((word << 8).cast_signed() >> 13) * 0.007_812_5;
    let beyond = if celsius < 0.0 { Fault::UnderRange } else { Fault::OverRange };
    let mut faults = Faults::NONE;
    for (bit, fault) in [
        (24, Fault::Open),
        (25, Fault::InputVoltage),
        (26, Fault::LowLimit),
        (27, Fault::HighLimit),
        (28, Fault::ColdJunctionLowLimit),
        (29, Fault::ColdJunctionHighLimit),
        (30, beyond),
        (31, Fault::ColdJunctionRange),
    ] {
        if word & (1 << bit) != 0 {
            faults = faults.with(fault);
        }
    }
    if !faults.leave_a_number() {
        return Err(Missing::Faults(faults));
    }
    Ok(Converted { celsius, cold_junction_celsius: None, faults, step_celsius: 0.007_812_5 })
}

/// A MAX6675's 16 bits: D15 zero, D14..D3 temperature (0.25 °C), D2 open, D1
/// zero, D0 any. Type K only, 0 to 1023.75 °C.
///
/// # Errors
/// [`Fault::Open`]; [`Missing::NoAnswer`] for all ones;
/// [`Missing::NotAWord`] where D15 or D1 is set.
pub fn max6675(word: u16) -> Result<Converted, Missing> {
    if word == u16::MAX {
        return Err(Missing::NoAnswer);
    }
    if word & 0x8002 != 0 {
        return Err(Missing::NotAWord { chip: "MAX6675", word: format!("{word:04X}") });
    }
    if word & 0x0004 != 0 {
        return Err(Missing::Faults(Faults::NONE.with(Fault::Open)));
    }
    Ok(Converted {
        celsius: f64::from((word >> 3) & 0x0FFF) * 0.25,
        cold_junction_celsius: None,
        faults: Faults::NONE,
        step_celsius: 0.25,
    })
}

/// A DS18B20's scratchpad, nine bytes with the CRC-8/MAXIM last. Bits below
/// the resolution set are left out. The 85 °C that the chip holds after
/// power-on, before any measurement, is refused; a measured 85 °C is told
/// apart by byte 6, which then is 0x10 and after power-on 0x0C.
///
/// # Errors
/// [`Missing::Checksum`], [`Missing::PowerOn`], [`Missing::NoAnswer`] for all
/// ones or all zeros, [`Missing::NotAWord`] for an impossible configuration,
/// [`Missing::Range`] outside −55 to 125 °C.
pub fn ds18b20(pad: [u8; 9]) -> Result<Converted, Missing> {
    if pad == [0xFF; 9] || pad == [0; 9] {
        return Err(Missing::NoAnswer);
    }
    let computed = CRC8.checksum(&pad[..8]);
    if computed != pad[8] {
        return Err(Missing::Checksum { sent: u16::from(pad[8]), computed: u16::from(computed) });
    }
    if pad[4] & 0x9F != 0x1F {
        let word = pad.map(|b| format!("{b:02X}")).join(" ");
        return Err(Missing::NotAWord { chip: "DS18B20", word });
    }
    let raw = i16::from_le_bytes([pad[0], pad[1]]);
    if raw == 0x0550 && pad[6] != 0x10 {
        return Err(Missing::PowerOn);
    }
    let unused_bits = 3 - u32::from(pad[4] >> 5);
    let celsius = f64::from((raw >> unused_bits) << unused_bits) * 0.0625;
    if !(-55.0..=125.0).contains(&celsius) {
        return Err(Missing::Range {
            sensor: "DS18B20",
            value: celsius,
            low: -55.0,
            high: 125.0,
            unit: "°C",
        });
    }
    let step_celsius = 0.0625 * f64::from(1u32 << unused_bits);
    Ok(Converted { celsius, cold_junction_celsius: None, faults: Faults::NONE, step_celsius })
}

/// The MAX31855 takes its thermocouple for a straight line; this undoes that:
/// the voltage it must have seen, and from it the true temperature. The slopes
/// are the emf at 1000 °C over 1000 (type T: at 400 °C over 400), as the
/// datasheet has them; a K at 54 °C reads 0.2 °C low without.
///
/// # Errors
/// [`Missing::Range`] outside the type's range; a type B has no such chip.
pub fn straightened(couple: Couple, celsius: f64, cold_celsius: f64) -> Result<f64, Missing> {
    let uv_per_celsius = match couple {
        Couple::K => 41.276,
        Couple::J => 57.953,
        Couple::N => 36.256,
        Couple::S => 9.587,
        Couple::T => 52.18,
        Couple::E => 76.373,
        Couple::R => 10.506,
        Couple::B => return Err(Missing::WrongKind { said: "a MAX31855's word", set: couple.name() }),
    };
    couple.compensated_celsius((celsius - cold_celsius) * uv_per_celsius / 1000.0, cold_celsius)
}
