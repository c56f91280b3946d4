//! From what a source says of a probe to the reading that is recorded: the one
//! place where a raw value becomes a number one may sign for.
//!
//! Order: faults, then conversion, then correction, then health. Invariants: a
//! fault or a bad word gives no number; what no milk, air or steam can be is
//! recorded as it came, as a failure; a number out of a calibration that is out
//! of date says so; the correction is applied once.

use super::calibration::{Applied, Date};
use super::fault::{Faults, Missing};
use super::raw::{Chip, Raw, Signal};
use super::resistance::{Platinum, Thermistor};
use super::thermocouple::Couple;
use super::uncertainty::{Budget, Grade, cold_junction_within};
use super::word;
use crate::engine::event::{Name, Reading};
use crate::engine::probe::{self, Health, PLAUSIBLE_CELSIUS};

/// What the probe is, as set.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub enum Sensor {
    /// Whatever the box makes of it: it sends temperatures, or says its
    /// thermocouple's type itself.
    #[default]
    AsSaid,
    /// A thermocouple of this type.
    Couple(Couple),
    /// A platinum thermometer.
    Platinum(Platinum),
    /// A thermistor.
    Thermistor(Thermistor),
}

impl Sensor {
    /// Its name, for records.
    pub fn name(self) -> &'static str {
        match self {
            Self::AsSaid => "as the box says",
            Self::Couple(c) => c.name(),
            Self::Platinum(p) if p.r0_ohm > 500.0 => "Pt1000",
            Self::Platinum(_) => "Pt100",
            Self::Thermistor(_) => "thermistor",
        }
    }
}

/// Why a reading wants maintenance whose probe must be calibrated and never was.
pub const NEVER_CALIBRATED: &str = "never calibrated";

/// One probe: what it is, how it is corrected, and where it hangs.
///
/// ```
/// use curdtrace::sensor::channel::Channel;
/// use curdtrace::sensor::raw::{Chip, Raw, Signal};
/// let channel = Channel::named("kettle");
/// let good = channel.reading(&Raw::of(Signal::Word(Chip::Max6675, 0x0320)), None);
/// assert_eq!(good.celsius, Some(25.0));
/// let open = channel.reading(&Raw::of(Signal::Word(Chip::Max6675, 0x0004)), None);
/// assert_eq!(open.celsius, None);
/// assert!(open.reason.unwrap().contains("open circuit"));
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Channel {
    /// The probe's name.
    pub probe: Name,
    /// The kettle it hangs in.
    pub kettle: Option<Name>,
    /// What it is.
    pub sensor: Sensor,
    /// What its maker promises, where known.
    pub grade: Option<Grade>,
    /// Its calibration, where it has one.
    pub calibration: Option<Applied>,
    /// Whether a probe without a calibration wants maintenance.
    pub calibration_needed: bool,
    /// What is wrong with its calibration's keeping, where something is.
    pub calibration_doubt: Option<String>,
}

/// A raw value converted, not yet corrected.
#[derive(Debug, Clone, PartialEq)]
pub struct Uncorrected {
    /// Temperature, °C.
    pub celsius: f64,
    /// Cold junction, °C.
    pub cold_junction_celsius: Option<f64>,
    /// Thermocouple voltage as measured, mV.
    pub emf_mv: Option<f64>,
    /// Doubts that leave the number a number.
    doubts: Vec<(Health, String)>,
}

impl Channel {
    /// A probe of which only the name is known.
    pub fn named(probe: &str) -> Self {
        Self {
            probe: Name::from(probe),
            kettle: None,
            sensor: Sensor::AsSaid,
            grade: None,
            calibration: None,
            calibration_needed: false,
            calibration_doubt: None,
        }
    }

    /// The reading that a raw value makes. `now_wall_ns` judges the
    /// calibration's date; `None` where the clock was never set.
    pub fn reading(&self, raw: &Raw, now_wall_ns: Option<i64>) -> Reading {
        let mut reading = Reading {
            probe: self.probe.clone(),
            kettle: self.kettle.clone(),
            celsius: None,
            cold_junction_celsius: raw.cold_junction_celsius.filter(|c| c.is_finite()),
            emf_mv: raw.emf_mv.filter(|e| e.is_finite()),
            seq: raw.seq,
            health: None,
            reason: None,
            late_s: None,
        };
        match self.uncorrected(raw) {
            Err(missing) => {
                reading.health = Some(missing.health());
                reading.reason = Some(missing.to_string());
            }
            Ok(mut got) => {
                let corrected = self.calibration.as_ref().map(|c| c.correction.apply(got.celsius));
                reading.celsius = Some(corrected.unwrap_or(got.celsius));
                reading.cold_junction_celsius = got.cold_junction_celsius;
                reading.emf_mv = got.emf_mv;
                got.doubts.extend(self.date_doubt(now_wall_ns));
                reading.health = got.doubts.iter().map(|d| d.0).max();
                if !got.doubts.is_empty() {
                    let whys: Vec<String> = got.doubts.into_iter().map(|d| d.1).collect();
                    reading.reason = Some(whys.join("; ")).filter(|r| !r.is_empty());
                }
            }
        }
        reading
    }

    /// The temperature before correction, which calibrating looks at.
    ///
    /// # Errors
    /// [`Missing`] says why there is none.
    pub fn uncorrected(&self, raw: &Raw) -> Result<Uncorrected, Missing> {
        if !raw.faults.leave_a_number() {
            return Err(Missing::Faults(raw.faults));
        }
        let mut got = self.converted(raw)?;
        if !got.celsius.is_finite() {
            return Err(Missing::NotFinite);
        }
        if got.celsius < -273.15 {
            return Err(below_zero(got.celsius));
        }
        if !PLAUSIBLE_CELSIUS.contains(&got.celsius) {
            // The engine's own verdict, written where the journal is read without it.
            got.doubts.push((Health::Failure, probe::Missing::OutOfRange.to_string()));
        }
        if let Some((health, why)) = &raw.said
            && (*health != Health::Good || !why.is_empty())
        {
            got.doubts.push((*health, why.clone()));
        }
        got.doubts.extend(limits(raw.faults));
        got.cold_junction_celsius =
            got.cold_junction_celsius.or(raw.cold_junction_celsius).filter(|c| c.is_finite());
        got.emf_mv = got.emf_mv.or(raw.emf_mv).filter(|e| e.is_finite());
        Ok(got)
    }

    fn converted(&self, raw: &Raw) -> Result<Uncorrected, Missing> {
        let plain =
            |celsius| Uncorrected { celsius, cold_junction_celsius: None, emf_mv: None, doubts: Vec::new() };
        match raw.signal {
            Signal::Celsius(c) => Ok(plain(c)),
            Signal::Microvolt { uv, couple } => self.voltage(uv, couple, raw.cold_junction_celsius),
            Signal::Ohm(ohm) => match self.sensor {
                Sensor::Platinum(p) => p.celsius(ohm).map(plain),
                Sensor::Thermistor(t) => t.celsius(ohm).map(plain),
                other => Err(unread("a resistance", other)),
            },
            Signal::Word(chip, bits) => self.word(chip, bits, raw.cold_junction_celsius),
            Signal::Scratchpad(pad) => word::ds18b20(pad).map(|c| plain(c.celsius)),
            Signal::Nothing => Err(match &raw.said {
                Some((health, reason)) => Missing::Said { health: *health, reason: reason.clone() },
                None => Missing::NoAnswer,
            }),
        }
    }

    fn voltage(&self, uv: f64, said: Option<Couple>, cold: Option<f64>) -> Result<Uncorrected, Missing> {
        let mut doubts = Vec::new();
        let couple = match (self.sensor, said) {
            (Sensor::Couple(set), Some(said)) if set != said => {
                let why = format!("the box says {said}, the setting says {set}: one of them is wrong");
                doubts.push((Health::MaintenanceRequired, why));
                set
            }
            (Sensor::Couple(set), _) => set,
            (Sensor::AsSaid, Some(said)) => said,
            (other, _) => return Err(unread("a voltage", other)),
        };
        let cold = cold.ok_or(Missing::NoColdJunction)?;
        let celsius = couple.compensated_celsius(uv / 1000.0, cold)?;
        Ok(Uncorrected { celsius, cold_junction_celsius: Some(cold), emf_mv: Some(uv / 1000.0), doubts })
    }

    fn word(&self, chip: Chip, bits: u32, cold: Option<f64>) -> Result<Uncorrected, Missing> {
        let mut doubts = Vec::new();
        let got = match chip {
            // A line that nobody drives and a pull-down read all zeros; hot end
            // and chip both at 0.00 °C they could hardly mean.
            Chip::Max31855 | Chip::Max31856 if bits == 0 => return Err(Missing::NoAnswer),
            Chip::Max31855 => word::max31855(bits)?,
            Chip::Max31856 => word::max31856(bits)?,
            Chip::Max6675 => {
                let bits = u16::try_from(bits)
                    .map_err(|_| Missing::NotAWord { chip: "MAX6675", word: format!("{bits:X}") })?;
                // An open input reads full scale too, and says that it is open.
                let got = word::max6675(bits)?;
                if bits & 0x7FF8 == 0x7FF8 {
                    return Err(Missing::Faults(Faults::NONE.with(super::fault::Fault::OverRange)));
                }
                if bits == 0 {
                    let why = "exactly 0 °C: ice, or the converter's line is dead";
                    doubts.push((Health::MaintenanceRequired, why.to_owned()));
                }
                got
            }
        };
        doubts.extend(limits(got.faults));
        let cold = got.cold_junction_celsius.or(cold);
        let celsius = match (chip, self.sensor, cold) {
            (Chip::Max31855, Sensor::Couple(couple), Some(cold)) => {
                word::straightened(couple, got.celsius, cold)?
            }
            (_, Sensor::Platinum(_) | Sensor::Thermistor(_), _) => {
                return Err(unread("a thermocouple chip's word", self.sensor));
            }
            _ => got.celsius,
        };
        Ok(Uncorrected { celsius, cold_junction_celsius: cold, emf_mv: None, doubts })
    }

    /// What the calibration's date says against the number.
    fn date_doubt(&self, now_wall_ns: Option<i64>) -> Option<(Health, String)> {
        if let Some(why) = &self.calibration_doubt {
            return Some((Health::MaintenanceRequired, why.clone()));
        }
        let why = match (&self.calibration, now_wall_ns) {
            (Some(c), Some(now)) if Date::of_wall_ns(now) >= c.due => {
                format!("calibration was due on {}", c.due)
            }
            (None, _) if self.calibration_needed => NEVER_CALIBRATED.to_owned(),
            _ => return None,
        };
        Some((Health::MaintenanceRequired, why))
    }

    /// How far a reading's temperature may be off, and by what; empty where
    /// nothing is known of the sensor. `chip` is the box's converter, where
    /// known, `step_celsius` the smallest step of what the source sends.
    pub fn budget(&self, reading: &Reading, chip: Option<Chip>, step_celsius: f64) -> Budget {
        let mut budget = Budget::default();
        let Some(celsius) = reading.celsius else { return budget };
        let cold_within = if let Some(c) = &self.calibration {
            budget = budget.standard("calibration", c.expanded_at(celsius) / 2.0);
            CALIBRATED_COLD_JUNCTION_WITHIN
        } else if let Some(half_width) = self.grade.and_then(|g| g.at(celsius)) {
            budget = budget.within("sensor's class", half_width);
            cold_junction_within(chip)
        } else {
            return budget;
        };
        if reading.cold_junction_celsius.is_some() || chip.is_some() {
            budget = budget.within("cold junction", cold_within * self.leverage(reading, celsius));
        }
        budget.step("resolution", step_celsius)
    }

    /// How much a degree of the cold junction moves the hot end, °C/°C.
    fn leverage(&self, reading: &Reading, celsius: f64) -> f64 {
        let (Sensor::Couple(couple), Some(cold)) = (self.sensor, reading.cold_junction_celsius) else {
            return 1.0;
        };
        match (couple.sensitivity_mv_per_celsius(cold), couple.sensitivity_mv_per_celsius(celsius)) {
            (Ok(a), Ok(b)) if b > 0.0 => a / b,
            _ => 1.0,
        }
    }
}

/// What is left of the cold junction's error after a calibration, °C, half
/// width: its constant part is corrected, what changes with the room stays
/// (from memory).
const CALIBRATED_COLD_JUNCTION_WITHIN: f64 = 0.3;

fn limits(faults: Faults) -> impl Iterator<Item = (Health, String)> {
    faults.iter().map(|f| (f.health(), f.reason().to_owned()))
}

/// What came cannot be read as what is set.
fn unread(said: &'static str, set: Sensor) -> Missing {
    match set {
        Sensor::AsSaid => Missing::NotSet { said },
        set => Missing::WrongKind { said, set: set.name() },
    }
}

fn below_zero(celsius: f64) -> Missing {
    Missing::Range { sensor: "scale", value: celsius, low: -273.15, high: f64::INFINITY, unit: "°C" }
}

#[cfg(test)]
mod tests;
