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
        let mut probes: Vec<&str> = record.stretches.iter().map(|s| s.probe.as_str()).collect();
        probes.sort_unstable();
        probes.dedup();
        let known = self.calibrations();
        // A calibration is as good as said at its points and less beyond: what
        // counts is where it was needed most.
        let hottest = record.cooks.iter().map(|c| c.peak_celsius).fold(32.0, f64::max);
        let of = |probe: &str| {
            let needed = found.uncalibrated.contains(probe);
            let bare =
                Instrument { probe: probe.into(), calibration_needed: needed, ..Instrument::default() };
            let held = held(&known, probe, record);
            let Some(last) = held.last() else { return bare };
            let uncertainty = last.applied().ok().map(|a| (a.expanded_at(hottest) * 1e3).round() / 1e3);
            Instrument {
                calibrated: last.time.parse().ok(),
                calibration: Some(Words::of("en").tell_parts(&as_data(last))),
                calibration_said: as_data(last),
                uncertainty_celsius: uncertainty,
                calibration_records: held.into_iter().cloned().collect(),
                ..bare
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

/// The calibrations that a probe's numbers in the lot went through, in their order: the
/// one that held at the beginning, and those since. What was calibrated between the make
/// and the closing held later.
fn held<'a>(known: &'a [calibration::Record], probe: &str, record: &Record) -> Vec<&'a calibration::Record> {
    let of_probe = || record.stretches.iter().filter(|s| s.probe == probe);
    let begin = of_probe().map(|s| s.from).min().unwrap_or(record.opened);
    let end = of_probe().map(|s| s.to).max().unwrap_or(record.opened);
    let until = |limit: At| {
        known.iter().filter(move |c| c.probe == probe && c.time.parse::<At>().is_ok_and(|t| t <= limit))
    };
    let first = until(begin).map(|c| c.number).max().unwrap_or(0);
    let mut held: Vec<_> = until(end).filter(|c| c.number >= first).collect();
    held.sort_by_key(|c| c.number);
    held
}

/// A calibration in a few words, as data: against what, and what was found.
fn as_data(c: &calibration::Record) -> Vec<Said> {
    let point = |p: &calibration::RecordedPoint| {
        Said::of(&format!("calibration-{}", p.against)).number("off", p.found_off_celsius())
    };
    let by = Said::of("calibration-by").word("by", c.by.as_str()).word("due", c.due.as_str());
    c.points.iter().map(point).chain([by]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lot::record::Stretch;

    fn calibrated(number: u32, time: &str) -> calibration::Record {
        let text = format!(
            "probe = \"milk\"\nnumber = {number}\ntime = \"{time}\"\nby = \"ada\"\nsensor = \"type K\"\nshape = \"linear\"\n\
             knots = [[0.{number}, 0.0], [52.{number}, 52.5]]\nexpanded-uncertainty-celsius = 0.2\ndue = \"2027-01-01\"\npoint = []\n"
        );
        calibration::Record::of_toml(&text).unwrap()
    }

    /// Numbers that went through two corrections have both beside them; from a knot's
    /// pairs the number that was sent comes back.
    #[test]
    fn what_held_while_the_lot_was_made_stands_in_it_and_nothing_else() {
        let known = [
            calibrated(3, "2026-07-14T06:00:00Z"),
            calibrated(1, "2026-05-01T06:00:00Z"),
            calibrated(2, "2026-06-01T06:00:00Z"),
            calibrated(4, "2026-07-15T06:00:00Z"),
        ];
        let stretch = |from: &str, to: &str| Stretch {
            probe: "milk".into(),
            from: from.parse().unwrap(),
            to: to.parse().unwrap(),
            ..Stretch::default()
        };
        let of = |from: &str, to: &str| {
            let record = Record { stretches: vec![stretch(from, to)], ..Record::default() };
            held(&known, "milk", &record).iter().map(|c| c.number).collect::<Vec<_>>()
        };
        assert_eq!(of("2026-07-14T04:00:00Z", "2026-07-14T09:00:00Z"), [2, 3]);
        assert_eq!(of("2026-07-14T07:00:00Z", "2026-07-14T09:00:00Z"), [3]);
        assert_eq!(of("2026-04-14T07:00:00Z", "2026-04-14T09:00:00Z"), [0; 0]);

        // As it stands in the lot's file, corrected and back.
        let instrument = Instrument { calibration_records: vec![known[2].clone()], ..Instrument::default() };
        let text = toml::to_string(&Record { instruments: vec![instrument], ..Record::default() }).unwrap();
        let back: Record = toml::from_str(&text).unwrap();
        let knots = &back.instruments[0].calibration_records[0].knots;
        let shown = known[2].applied().unwrap().correction.apply(33.3);
        let ((r0, t0), (r1, t1)) = (knots[0], knots[1]);
        let sent = r0 + (shown - t0) * (r1 - r0) / (t1 - t0);
        assert!((sent - 33.3).abs() < 1e-9 && (shown - 33.3).abs() > 0.1, "{shown} {sent}");
    }
}
