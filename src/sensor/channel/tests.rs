use proptest::prelude::*;

use super::*;
use crate::sensor::calibration::{Correction, Shape};
use crate::sensor::fault::Fault;
use crate::sensor::resistance::Wiring;

const DAY_NS: i64 = 86_400_000_000_000;

fn set(sensor: Sensor) -> Channel {
    Channel { sensor, ..Channel::named("kettle") }
}

fn volts(uv: f64, cold: Option<f64>) -> Raw {
    Raw { cold_junction_celsius: cold, ..Raw::of(Signal::Microvolt { uv, couple: Some(Couple::K) }) }
}

fn calibrated(due: &str) -> Channel {
    let applied = Applied {
        correction: Correction::of(Shape::Linear, vec![(0.5, 0.0)]).unwrap(),
        expanded_celsius: 0.3,
        due: due.parse().unwrap(),
        number: 1,
        time: "2026-06-14T08:00:00Z".into(),
    };
    Channel { calibration: Some(applied), ..Channel::named("kettle") }
}

/// K, 54 °C, cold junction 25 °C: 1.188 mV (published function).
#[test]
fn a_voltage_becomes_a_temperature() {
    let r = set(Sensor::Couple(Couple::K)).reading(&volts(1188.0, Some(25.0)), None);
    assert!((r.celsius.unwrap() - 54.0).abs() < 0.02, "{r:?}");
    assert_eq!((r.emf_mv, r.cold_junction_celsius, r.health), (Some(1.188), Some(25.0), None));
    // Set as T where the box says K: a number by the setting, and a doubt.
    let r = set(Sensor::Couple(Couple::T)).reading(&volts(1188.0, Some(25.0)), None);
    assert!((r.celsius.unwrap() - 53.4).abs() < 0.1);
    assert_eq!(r.health, Some(Health::MaintenanceRequired));
    assert!(r.reason.unwrap().contains("box says type K"));
}

/// A number box's 2147483647 and a transmitter's floats with their words
/// swapped went into the record as good.
#[test]
fn what_no_milk_air_or_steam_can_be_is_recorded_as_a_failure() {
    for absurd in [2_147_483_647.0, 1e300, 130.5, -41.0] {
        let r = Channel::named("kettle").reading(&Raw::of(Signal::Celsius(absurd)), None);
        assert_eq!((r.celsius, r.health), (Some(absurd), Some(Health::Failure)), "as it came");
        assert_eq!(r.reason, Some(probe::Missing::OutOfRange.to_string()));
    }
    for steam in [-40.0, 130.0] {
        let r = Channel::named("kettle").reading(&Raw::of(Signal::Celsius(steam)), None);
        assert_eq!((r.celsius, r.health), (Some(steam), None));
    }
}

#[test]
fn no_number_and_the_reason() {
    let pt100 = Sensor::Platinum(Platinum { r0_ohm: 100.0, wiring: Wiring::Four });
    let open = Raw { faults: Faults::NONE.with(Fault::Open), ..Raw::of(Signal::Celsius(21.0)) };
    let word = |chip, bits| Raw::of(Signal::Word(chip, bits));
    for (sensor, raw, health, says) in [
        (Sensor::AsSaid, open, Health::Failure, "open circuit"),
        (Sensor::AsSaid, volts(1.0, None), Health::Failure, "no cold junction"),
        (pt100, volts(1.0, Some(20.0)), Health::Failure, "cannot be read as Pt100"),
        (
            Sensor::AsSaid,
            Raw::of(Signal::Ohm(110.0)),
            Health::Failure,
            "a resistance came, and what the probe is",
        ),
        (pt100, Raw::of(Signal::Ohm(1e6)), Health::Failure, "outside the Pt100's range 18.52 to 390.481 Ω"),
        (pt100, Raw::of(Signal::Ohm(0.0)), Health::Failure, "0 Ω is outside the Pt100's range"),
        (Sensor::AsSaid, Raw::of(Signal::Celsius(f64::NAN)), Health::Failure, "finite"),
        (Sensor::AsSaid, Raw::of(Signal::Celsius(-300.0)), Health::Failure, "outside"),
        (Sensor::AsSaid, Raw::of(Signal::Nothing), Health::Failure, "no answer"),
        (Sensor::AsSaid, word(Chip::Max31855, 0), Health::Failure, "no answer"),
        (Sensor::AsSaid, word(Chip::Max31855, 0x0001_0002), Health::Failure, "short to ground"),
        (Sensor::AsSaid, word(Chip::Max31856, 0), Health::Failure, "no answer"),
        (Sensor::AsSaid, word(Chip::Max6675, 0x7FF8), Health::OutOfSpecification, "over range"),
        // Full scale with the open bit: the input is open.
        (Sensor::AsSaid, word(Chip::Max6675, 0x7FFC), Health::Failure, "open circuit"),
        (Sensor::AsSaid, word(Chip::Max6675, 0x1_0000), Health::Failure, "no MAX6675 word"),
    ] {
        let r = set(sensor).reading(&raw, Some(0));
        assert_eq!((r.celsius, r.health), (None, Some(health)), "{raw:?} {r:?}");
        assert!(r.reason.as_deref().unwrap().contains(says), "{says}: {r:?}");
    }
}

#[test]
fn a_chip_s_straight_line_is_undone_where_the_type_is_set() {
    // K at 54 °C, chip at 25 °C: the chip says 53.75 (its 0.25 °C steps).
    let bits = (215 << 18) | (400 << 4);
    let raw = Raw::of(Signal::Word(Chip::Max31855, bits));
    assert!((set(Sensor::AsSaid).reading(&raw, None).celsius.unwrap() - 53.75).abs() < 1e-9);
    let r = set(Sensor::Couple(Couple::K)).reading(&raw, None);
    assert!((r.celsius.unwrap() - 53.97).abs() < 0.02, "{r:?}");
    assert_eq!(r.cold_junction_celsius, Some(25.0));
}

#[test]
fn a_calibration_corrects_until_it_is_due_and_then_says_so() {
    let c = calibrated("2026-12-11");
    let day: Date = "2026-12-11".parse().unwrap();
    let due_ns = (0..30_000).map(|d| d * DAY_NS).find(|ns| Date::of_wall_ns(*ns) == day).unwrap();
    let raw = Raw::of(Signal::Celsius(34.5));
    for (now, health) in
        [(Some(due_ns - 1), None), (Some(due_ns), Some(Health::MaintenanceRequired)), (None, None)]
    {
        let r = c.reading(&raw, now);
        assert_eq!((r.celsius, r.health), (Some(34.0), health), "{now:?}");
        assert_eq!(r.reason.is_some(), health.is_some());
    }
    assert!(c.reading(&raw, Some(due_ns)).reason.unwrap().contains("2026-12-11"));
    let never = Channel { calibration_needed: true, ..Channel::named("kettle") };
    assert_eq!(never.reading(&raw, None).reason.as_deref(), Some("never calibrated"));
}

#[test]
fn what_the_source_says_is_kept_with_its_number() {
    let raw = Raw {
        said: Some((Health::CheckFunction, "being cleaned".into())),
        faults: Faults::NONE.with(Fault::HighLimit),
        ..Raw::of(Signal::Celsius(34.5))
    };
    let r = Channel::named("kettle").reading(&raw, None);
    assert_eq!((r.celsius, r.health), (Some(34.5), Some(Health::CheckFunction)));
    let why = r.reason.unwrap();
    assert!(why.contains("being cleaned") && why.contains("high limit"), "{why}");
}

/// By hand: class 1 K ±1.5 → 0.866; cold junction ±1.0 at a leverage of
/// 40.0/41.3 µV/K → 0.56; a step of 0.0625 → 0.018; k = 2 → 2.06. Calibrated
/// at 0 °C only: 0.15, and 54 °C away 54·0.0075/√3 = 0.234; the cold junction
/// ±0.3 → 0.173 (no type set: no leverage); k = 2 → 0.655.
#[test]
fn uncertainty_of_a_probe() {
    use crate::sensor::thermocouple::Class;
    let mut c = set(Sensor::Couple(Couple::K));
    let reading = c.reading(&volts(1188.0, Some(25.0)), None);
    assert!(c.budget(&reading, None, 0.0625).causes().is_empty(), "nothing known, nothing claimed");
    c.grade = Some(Grade::Couple(Couple::K, Class::One));
    let u = c.budget(&reading, None, 0.0625).expanded_celsius();
    assert!((u - 2.06).abs() < 0.03, "{u}");
    let u = calibrated("2030-01-01").budget(&reading, None, 0.0625).expanded_celsius();
    assert!((u - 0.655).abs() < 0.005, "{u}");
}

proptest! {
    #[test]
    fn nothing_panics_and_no_fault_gives_a_number(
        bits in any::<u32>(), value in any::<f64>(), cold in proptest::option::of(any::<f64>()),
        faults in 0u16..4096, pad in any::<[u8; 9]>(),
        which in 0usize..4,
    ) {
        let sensor = [
            Sensor::AsSaid,
            Sensor::Couple(Couple::K),
            Sensor::Platinum(Platinum { r0_ohm: 100.0, wiring: Wiring::Four }),
            Sensor::Thermistor(Thermistor::Beta { r25_ohm: 1e4, beta_kelvin: 3950.0 }),
        ][which];
        for signal in [
            Signal::Celsius(value), Signal::Microvolt { uv: value, couple: None }, Signal::Ohm(value),
            Signal::Word(Chip::Max31855, bits), Signal::Word(Chip::Max31856, bits),
            Signal::Word(Chip::Max6675, bits), Signal::Scratchpad(pad), Signal::Nothing,
        ] {
            let raw = Raw {
                cold_junction_celsius: cold,
                faults: Faults::from_bits(faults).unwrap(),
                ..Raw::of(signal)
            };
            let r = set(sensor).reading(&raw, Some(0));
            if faults & 0xFF != 0 {
                prop_assert_eq!(r.celsius, None);
            }
            match r.celsius {
                Some(c) => prop_assert!(c.is_finite()),
                None => prop_assert!(r.health.is_some_and(|h| h != Health::Good) && r.reason.is_some()),
            }
            for c in [r.cold_junction_celsius, r.emf_mv].into_iter().flatten() {
                prop_assert!(c.is_finite());
            }
        }
    }
}
