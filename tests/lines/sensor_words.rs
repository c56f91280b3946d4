//! Promise: every row of the chips' tables, both CRC sets, and no bad word
//! ever yields a number. Tables: tests/tables/sensor_words.csv, crc.txt.

#![allow(clippy::unwrap_used, clippy::panic)]

use crc::{CRC_8_MAXIM_DOW, CRC_16_ARC, CRC_16_IBM_3740, CRC_16_KERMIT, CRC_16_XMODEM, Crc};
use curdtrace::sensor::fault::{Fault, Faults, Missing};
use curdtrace::sensor::word::{ds18b20, max6675, max31855, max31856, straightened};
use curdtrace::wire::{frame, modbus};
use proptest::prelude::*;

fn pad(temperature: u16, byte_6: u8) -> [u8; 9] {
    let [low, high] = temperature.to_le_bytes();
    let mut pad = [low, high, 0x4B, 0x46, 0x7F, 0xFF, byte_6, 0x10, 0];
    pad[8] = Crc::<u8>::new(&CRC_8_MAXIM_DOW).checksum(&pad[..8]);
    pad
}

/// By the datasheet byte 6 is 0x10 less the low four bits after a measurement.
fn measured(temperature: u16) -> [u8; 9] {
    pad(temperature, 0x10 - (temperature & 0x0F) as u8)
}

#[test]
fn every_row_of_the_words() {
    let mut rows = 0;
    for line in include_str!("../tables/sensor_words.csv").lines().filter(|l| !l.starts_with('#')) {
        let f: Vec<&str> = line.split(',').collect();
        let hex = |text: &str| u32::from_str_radix(text, 16).unwrap();
        let want: Option<f64> = f[4].parse().ok();
        let got = match (f[0], f[1].split(' ').next().unwrap()) {
            ("MAX31855", "reference") => max31855(hex(f[3])).map(|c| c.cold_junction_celsius.unwrap()),
            ("MAX31855", _) => max31855(hex(f[3])).map(|c| c.celsius),
            ("MAX31856", _) => max31856(hex(f[2])).map(|c| c.celsius),
            ("MAX6675", _) => max6675(hex(f[2]) as u16).map(|c| c.celsius),
            ("DS18B20", _) => ds18b20(measured(hex(f[2]) as u16)).map(|c| c.celsius),
            other => panic!("{other:?}"),
        };
        if let Some(celsius) = want {
            assert!((got.clone().unwrap() - celsius).abs() < 1e-12, "{line}: {got:?}");
        } else {
            let only = match f[1] {
                what if what.contains("GND") => Fault::ShortToGround,
                what if what.contains("VCC") => Fault::ShortToSupply,
                _ => Fault::Open,
            };
            assert_eq!(got, Err(Missing::Faults(Faults::NONE.with(only))), "{line}");
        }
        rows += 1;
    }
    assert_eq!(rows, 45);
}

#[test]
fn both_crc_sets() {
    let (mut frames, mut checks, mut pads) = (0, 0, 0);
    for line in include_str!("../tables/crc.txt").lines().filter(|l| !l.starts_with('#')) {
        let f: Vec<&str> = line.split(" | ").collect();
        let bytes: Vec<u8> = f[1].split(' ').map(|h| u8::from_str_radix(h, 16).unwrap()).collect();
        let crc = u16::from_str_radix(&f[2][2..], 16).unwrap();
        if f[0].starts_with("CRC-16/MODBUS") {
            let (body, tail) = bytes.split_at(bytes.len() - 2);
            assert_eq!(modbus::CRC.checksum(body), crc, "{line}");
            assert_eq!(tail, crc.to_le_bytes(), "{line}");
            frames += 1;
        } else if f[0].starts_with("check") {
            let got = match f[3] {
                n if n.contains("MODBUS") => modbus::CRC.checksum(&bytes),
                n if n.contains("CCITT-FALSE") => frame::CRC.checksum(&bytes),
                n if n.contains("XMODEM") => Crc::<u16>::new(&CRC_16_XMODEM).checksum(&bytes),
                n if n.contains("KERMIT") => Crc::<u16>::new(&CRC_16_KERMIT).checksum(&bytes),
                n if n.contains("ARC") => Crc::<u16>::new(&CRC_16_ARC).checksum(&bytes),
                n if n.contains("MAXIM") => u16::from(Crc::<u8>::new(&CRC_8_MAXIM_DOW).checksum(&bytes)),
                n => panic!("{n}"),
            };
            assert_eq!(got, crc, "{line}");
            checks += 1;
        } else {
            let pad: [u8; 9] = bytes.try_into().unwrap();
            let got = ds18b20(pad);
            if f[3].starts_with("85") {
                assert_eq!(got, Err(Missing::PowerOn), "{line}");
            } else {
                assert!((got.unwrap().celsius - 25.0625).abs() < 1e-12, "{line}");
            }
            pads += 1;
        }
    }
    assert_eq!((frames, checks, pads), (10, 6, 2));
    assert_eq!(Crc::<u16>::new(&CRC_16_IBM_3740).checksum(b"123456789"), 0x29B1);
}

#[test]
fn faults_of_the_max31856_each_as_what_it_is() {
    let at_25 = 0x0001_9000;
    for (bit, fault) in [
        (0x01, Fault::Open),
        (0x02, Fault::InputVoltage),
        (0x40, Fault::OverRange),
        (0x80, Fault::ColdJunctionRange),
    ] {
        let got = max31856(bit << 24 | at_25);
        assert_eq!(got, Err(Missing::Faults(Faults::NONE.with(fault))));
    }
    // Limits set in the chip leave the number and are said.
    for (bit, fault) in [
        (0x04, Fault::LowLimit),
        (0x08, Fault::HighLimit),
        (0x10, Fault::ColdJunctionLowLimit),
        (0x20, Fault::ColdJunctionHighLimit),
    ] {
        let got = max31856(bit << 24 | at_25).unwrap();
        assert_eq!(got.faults, Faults::NONE.with(fault));
        assert!((got.celsius - 25.0).abs() < 1e-12);
    }
    // Two at once stay two.
    let Err(Missing::Faults(both)) = max31856(0x03 << 24) else { panic!("a number") };
    assert_eq!(both.iter().collect::<Vec<_>>(), [Fault::Open, Fault::InputVoltage]);
}

#[test]
fn silence_is_no_number() {
    assert_eq!(max31855(u32::MAX), Err(Missing::NoAnswer));
    assert_eq!(max31856(u32::MAX), Err(Missing::NoAnswer));
    assert_eq!(max6675(u16::MAX), Err(Missing::NoAnswer));
    assert_eq!(ds18b20([0xFF; 9]), Err(Missing::NoAnswer));
    // All zeros has a right CRC-8.
    assert_eq!(ds18b20([0; 9]), Err(Missing::NoAnswer));
    assert_eq!(ds18b20(pad(0x0550, 0x0C)), Err(Missing::PowerOn));
    assert!((ds18b20(measured(0x0550)).unwrap().celsius - 85.0).abs() < 1e-12);
}

/// A chip that takes type K for a straight line, computed from the published
/// table: K at 54 °C with the chip at 25 °C is 2.188 − 1.000 mV, which over
/// 41.276 µV/°C makes 53.78 °C.
#[test]
fn the_straight_line_is_undone() {
    let t = straightened(curdtrace::sensor::thermocouple::Couple::K, 53.782, 25.0).unwrap();
    assert!((t - 54.0).abs() < 0.02, "{t}");
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20_000))]
    #[test]
    fn a_bad_word_never_yields_a_number(word in any::<u32>(), bytes in any::<[u8; 9]>()) {
        if let Ok(c) = max31855(word) {
            prop_assert_eq!(word & 0x0003_000F, 0);
            prop_assert!((-2048.0..2048.0).contains(&c.celsius));
        }
        if let Ok(c) = max31856(word) {
            prop_assert_eq!(word & 0xC300_0000, 0);
            prop_assert!((-2048.0..2048.0).contains(&c.celsius));
        }
        if max6675(word as u16).is_ok() {
            prop_assert_eq!(word & 0x8006, 0);
        }
        if let Ok(c) = ds18b20(bytes) {
            prop_assert_eq!(Crc::<u8>::new(&CRC_8_MAXIM_DOW).checksum(&bytes[..8]), bytes[8]);
            prop_assert!((-55.0..=125.0).contains(&c.celsius));
        }
        // Any single bit hurt in a good scratchpad is found.
        let mut good = measured(0x0191);
        good[usize::from(bytes[0]) % 9] ^= 1 << (bytes[1] % 8);
        prop_assert!(ds18b20(good).is_err());
    }
}
