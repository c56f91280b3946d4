//! What a probe is, as a `[[probe]]` section says it: thermocouple, platinum
//! or thermistor, its class, and whether it must be calibrated.

use super::check::Section;
use crate::sensor::channel::Sensor;
use crate::sensor::resistance::{Platinum, PlatinumClass, Thermistor, Wiring};
use crate::sensor::thermocouple::{Class, Couple};
use crate::sensor::uncertainty::Grade;

/// How long a calibration holds where nothing is said, days: from one end of
/// the season to the other.
pub const HOLDS_DAYS: u32 = 180;

/// A probe's sensor and what is wanted of its calibration.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SensorSet {
    /// What it is.
    pub sensor: Sensor,
    /// What its maker promises.
    pub grade: Option<Grade>,
    /// Whether a probe never calibrated wants maintenance.
    pub calibration_needed: bool,
    /// How long a calibration holds, days.
    pub calibration_days: u32,
}

impl Default for SensorSet {
    fn default() -> Self {
        Self { sensor: Sensor::AsSaid, grade: None, calibration_needed: false, calibration_days: HOLDS_DAYS }
    }
}

/// What belongs to one element or another.
const ELEMENT_KEYS: [&str; 7] =
    ["wires", "lead-ohm", "r25-ohm", "beta-kelvin", "steinhart-a", "steinhart-b", "steinhart-c"];

/// The thermocouple's type under `couple`.
pub(super) fn couple(s: &Section<'_, '_>) -> Option<Couple> {
    let letters = ["B", "E", "J", "K", "N", "R", "S", "T"];
    s.one_of("couple", &letters, |w| match w.chars().collect::<Vec<_>>()[..] {
        [letter] => Couple::lettered(letter),
        _ => None,
    })
}

/// The sensor's keys of a `[[probe]]`.
pub(super) fn read(s: &Section<'_, '_>) -> SensorSet {
    let couple = couple(s);
    let element = s.one_of("element", &["pt100", "pt1000", "ntc"], |w| {
        ["pt100", "pt1000", "ntc"].into_iter().find(|e| *e == w)
    });
    if couple.is_some() && element.is_some() {
        s.fault_at(
            "element",
            "element and couple are both set",
            "a probe is one of them; take the other out",
        );
    }
    let resistance = match element {
        Some("pt100") => Some(Sensor::Platinum(Platinum { r0_ohm: 100.0, wiring: wiring(s) })),
        Some("pt1000") => Some(Sensor::Platinum(Platinum { r0_ohm: 1000.0, wiring: wiring(s) })),
        Some(_) => thermistor(s).map(Sensor::Thermistor),
        None if s.has("element") => {
            s.leave(&ELEMENT_KEYS);
            None
        }
        None => None,
    };
    let sensor = couple.map(Sensor::Couple).or(resistance).unwrap_or_default();
    let needed = s.one_of("calibration", &["needed", "wished"], |w| match w {
        "needed" => Some(true),
        "wished" => Some(false),
        _ => None,
    });
    let days = s.whole("calibration-days", 1..=3650, "days");
    SensorSet {
        sensor,
        grade: grade(s, sensor),
        calibration_needed: needed.unwrap_or(false),
        calibration_days: days.map_or(HOLDS_DAYS, |d| d as u32),
    }
}

fn wiring(s: &Section<'_, '_>) -> Wiring {
    let wires = s.whole("wires", 2..=4, "wires").unwrap_or(4);
    let lead_ohm = s.number("lead-ohm", 0.0..=50.0, "Ω");
    match (wires, lead_ohm) {
        (2, Some(lead_ohm)) => Wiring::Two { lead_ohm },
        (2, None) => {
            s.missing("lead-ohm", "with two wires add one lead's resistance, lead-ohm = 0.2: each 0.2 Ω is 1 °C of a Pt100's two leads");
            Wiring::Four
        }
        (3, Some(lead_ohm)) => Wiring::Three { loop_ohm: 2.0 * lead_ohm },
        // A box that measures three or four wires takes its leads off itself.
        _ => Wiring::Four,
    }
}

fn thermistor(s: &Section<'_, '_>) -> Option<Thermistor> {
    let [a, b, c] = ["steinhart-a", "steinhart-b", "steinhart-c"].map(|key| s.number(key, -1.0..=1.0, "1/K"));
    if let (Some(a), Some(b), Some(c)) = (a, b, c) {
        return Some(Thermistor::SteinhartHart { a, b, c });
    }
    let r25_ohm = s.above_zero("r25-ohm", 1e7, "Ω");
    let beta_kelvin = s.above_zero("beta-kelvin", 20_000.0, "K");
    if !s.has("r25-ohm") || !s.has("beta-kelvin") {
        s.missing(
            "r25-ohm and beta-kelvin",
            "add both from the data sheet, such as 10000 and 3950, or steinhart-a, -b and -c",
        );
    }
    Some(Thermistor::Beta { r25_ohm: r25_ohm?, beta_kelvin: beta_kelvin? })
}

/// The classes of thermocouples (IEC 60584-1) and of platinum (IEC 60751).
const CLASSES: [&str; 7] = ["1", "2", "3", "aa", "a", "b", "c"];

fn grade(s: &Section<'_, '_>, sensor: Sensor) -> Option<Grade> {
    let stated = s.above_zero("within-celsius", 10.0, "°C").map(Grade::Stated);
    let classes: &[&str] = match sensor {
        Sensor::Couple(_) => &CLASSES[..3],
        Sensor::Platinum(_) => &CLASSES[3..],
        _ => {
            // What is named wrongly is told where it is named.
            let is_named = s.has("couple") || s.has("element");
            if s.text("class").is_some() && !is_named {
                s.fault_at(
                    "class",
                    "class says nothing of a sensor that is not named",
                    "set couple or element, or write within-celsius = 0.5 instead",
                );
            } else if is_named {
                // A class of none is one whatever the sensor is.
                s.one_of("class", &CLASSES, |w| CLASSES.contains(&w).then_some(()));
            }
            return stated;
        }
    };
    let class = s.one_of("class", classes, |w| match (sensor, w) {
        (Sensor::Couple(couple), "1") => Some(Grade::Couple(couple, Class::One)),
        (Sensor::Couple(couple), "2") => Some(Grade::Couple(couple, Class::Two)),
        (Sensor::Couple(couple), "3") => Some(Grade::Couple(couple, Class::Three)),
        (Sensor::Platinum(_), "aa") => Some(Grade::Platinum(PlatinumClass::AA)),
        (Sensor::Platinum(_), "a") => Some(Grade::Platinum(PlatinumClass::A)),
        (Sensor::Platinum(_), "b") => Some(Grade::Platinum(PlatinumClass::B)),
        (Sensor::Platinum(_), "c") => Some(Grade::Platinum(PlatinumClass::C)),
        _ => None,
    });
    // What is sold where nothing is said.
    let usual = match sensor {
        Sensor::Couple(couple) => Grade::Couple(couple, Class::Two),
        _ => Grade::Platinum(PlatinumClass::B),
    };
    Some(stated.or(class).unwrap_or(usual))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::config::dairy;

    fn probe(keys: &str) -> Result<SensorSet, String> {
        let text = format!("[[probe]]\nname = \"k\"\n{keys}");
        match dairy::parse(&text, "test.toml", std::path::Path::new(".")) {
            Ok(config) => Ok(config.probes[0].sensor),
            Err(faults) => Err(crate::config::fault::listed(&faults)),
        }
    }

    #[test]
    fn sensors_are_as_set() {
        let plain = SensorSet::default();
        assert_eq!(probe(""), Ok(plain));
        let t = Sensor::Couple(Couple::T);
        let grade = |class| Some(Grade::Couple(Couple::T, class));
        assert_eq!(probe("couple = \"T\""), Ok(SensorSet { sensor: t, grade: grade(Class::Two), ..plain }));
        assert_eq!(
            probe("couple = \"T\"\nclass = \"1\"\ncalibration = \"needed\"\ncalibration-days = 30"),
            Ok(SensorSet {
                sensor: t,
                grade: grade(Class::One),
                calibration_needed: true,
                calibration_days: 30
            })
        );
        let two = probe("element = \"pt100\"\nwires = 2\nlead-ohm = 0.3").unwrap().sensor;
        assert_eq!(two, Sensor::Platinum(Platinum { r0_ohm: 100.0, wiring: Wiring::Two { lead_ohm: 0.3 } }));
        let ntc =
            probe("element = \"ntc\"\nr25-ohm = 10000\nbeta-kelvin = 3950\nwithin-celsius = 0.2").unwrap();
        assert_eq!(ntc.grade, Some(Grade::Stated(0.2)));
        assert!(matches!(ntc.sensor, Sensor::Thermistor(Thermistor::Beta { .. })));
    }

    /// A slip in what the probe is was followed by faults that were none.
    #[test]
    fn one_fault_is_one_fault() {
        for (keys, says) in [
            ("element = \"pt99\"\nwires = 2\nlead-ohm = 0.2", "element = \"pt99\" is not known"),
            ("element = \"ptc\"\nr25-ohm = 10000\nclass = \"b\"", "element = \"ptc\" is not known"),
            ("couple = \"Z\"\nclass = \"1\"", "couple = \"Z\" is not known"),
            ("element = \"ntc\"\nr25-ohm = 0\nbeta-kelvin = 3950", "r25-ohm = 0 cannot be"),
        ] {
            let told = probe(keys).unwrap_err();
            assert!(told.lines().count() == 1 && told.contains(says), "{keys}: {told}");
        }
        // What cannot belong to it is still told.
        let told = probe("couple = \"Z\"\nwires = 2").unwrap_err();
        assert!(told.contains("knows no wires"), "{told}");
        // So is a class that is none.
        let told = probe("couple = \"Z\"\nclass = \"9\"").unwrap_err();
        assert!(told.lines().count() == 2 && told.contains("class = \"9\" is not known"), "{told}");
    }

    #[test]
    fn faults_say_the_remedy() {
        for (keys, says) in [
            ("couple = \"X\"", "one of B, E, J, K, N, R, S, T"),
            ("couple = \"K\"\nelement = \"pt100\"", "both set"),
            ("element = \"pt100\"\nwires = 2", "lead-ohm"),
            ("element = \"ntc\"", "r25-ohm"),
            ("class = \"1\"", "within-celsius"),
            ("couple = \"K\"\nclass = \"a\"", "one of 1, 2, 3"),
            ("calibration-days = 0", "from 1 to 3650"),
        ] {
            let e = probe(keys).unwrap_err();
            assert!(e.contains(says), "{keys}: {e}");
        }
    }
}
