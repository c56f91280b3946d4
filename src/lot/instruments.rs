//! The instruments of a lot and the calibrations that held when it was made.

use super::at::At;
use super::gather::Gathered;
use super::record::{Instrument, Record};
use super::store::Store;
use crate::engine::said::Said;
use crate::sensor::calibration;
use crate::words::Words;

impl Store {
    /// The instruments' calibrations that held when the lot was made.
    pub(crate) fn look_at_instruments(&self, record: &mut Record, found: &Gathered) {
        // What was calibrated between the make and the closing held later.
        let end_of = |probe: &str| {
            let of_probe = record.stretches.iter().filter(|s| s.probe == probe);
            of_probe.map(|s| s.to).max().unwrap_or(record.opened)
        };
        let mut probes: Vec<&str> = record.stretches.iter().map(|s| s.probe.as_str()).collect();
        probes.sort_unstable();
        probes.dedup();
        let known = self.calibrations();
        // A calibration is as good as said at its points and less beyond: what
        // counts is where it was needed most.
        let hottest = record.cooks.iter().map(|c| c.peak_celsius).fold(32.0, f64::max);
        let of = |probe: &str| {
            let (end, needed) = (end_of(probe), found.uncalibrated.contains(probe));
            let own = known.iter().filter(|c| c.probe == probe);
            let held = own.filter(|c| c.time.parse::<At>().is_ok_and(|t| t <= end)).max_by_key(|c| c.number);
            match held {
                None => {
                    Instrument { probe: probe.into(), calibration_needed: needed, ..Instrument::default() }
                }
                Some(c) => Instrument {
                    probe: probe.into(),
                    calibration_needed: needed,
                    calibrated: c.time.parse().ok(),
                    calibration: Some(Words::of("en").tell_parts(&as_data(c))),
                    calibration_said: as_data(c),
                    uncertainty_celsius: c
                        .applied()
                        .ok()
                        .map(|a| (a.expanded_at(hottest) * 1e3).round() / 1e3),
                },
            }
        };
        let instruments = probes.into_iter().map(of).collect();
        record.instruments = instruments;
    }

    /// Every calibration on disk that can be read.
    pub fn calibrations(&self) -> Vec<calibration::Record> {
        let dir = self.data.join("calibrations");
        let mut found = Vec::new();
        for probe in self.storage.list(&dir).unwrap_or_default() {
            for file in self.storage.list(&dir.join(&probe)).unwrap_or_default() {
                let text = self.storage.read_text(&dir.join(&probe).join(&file));
                found.extend(text.ok().and_then(|t| calibration::Record::of_toml(&t).ok()));
            }
        }
        found
    }
}

/// A calibration in a few words, as data: against what, and what was found.
fn as_data(c: &calibration::Record) -> Vec<Said> {
    let point = |p: &calibration::RecordedPoint| {
        Said::of(&format!("calibration-{}", p.against)).number("off", p.found_off_celsius())
    };
    let by = Said::of("calibration-by").word("by", c.by.as_str()).word("due", c.due.as_str());
    c.points.iter().map(point).chain([by]).collect()
}
