//! What came out: said, and put into the record.

use std::path::Path;

use super::talk::tell;
use crate::cli::error::Failure;
use crate::daemon::calibrations;
use crate::daemon::clock::{Clock, NEVER_SET_BEFORE_NS};
use crate::sensor::calibration::{Against, Date, Fitted, Point, Record, RecordedPoint, suspects};
use crate::sensor::channel::{Channel, Sensor};

/// Below this every point is too cold to find a mixed-up wire, °C.
const HOT_CELSIUS: f64 = 45.0;

/// When the act takes place.
#[derive(Debug, Clone)]
pub(super) struct Day {
    /// RFC 3339 UTC.
    time: String,
    /// The day.
    date: Date,
}

/// Who did what, for the record.
pub(super) struct Made<'a> {
    pub probe: &'a str,
    pub by: &'a str,
    pub points: &'a [Point],
    pub remarks: &'a [String],
    pub day: Day,
    pub days: u32,
}

/// Now, or the day given where the clock was never set.
pub(super) fn today(given: Option<&str>) -> Result<Day, Failure> {
    let wall_ns = Clock::real().now().wall_ns;
    if let Some(text) = given {
        let date: Date = text.parse().map_err(Failure::usage)?;
        return Ok(Day { time: format!("{date}T00:00:00Z"), date });
    }
    if wall_ns < NEVER_SET_BEFORE_NS {
        return Err(Failure::usage(
            "the machine's clock was never set, so the record would bear a wrong date; say today's with --date 2026-06-14",
        ));
    }
    let time = jiff::Timestamp::from_second(wall_ns.div_euclid(1_000_000_000))
        .map_err(|e| Failure::unavailable(format!("the clock cannot be read ({e})")))?;
    Ok(Day { time: time.to_string(), date: Date::of_wall_ns(wall_ns) })
}

/// Says how a point came out.
pub(super) fn tell_point(p: &Point, channel: &Channel) {
    let s = &p.seen;
    tell(&format!(
        "It stands: {:.3} °C, ±{:.3} over {} readings in {:.0} s, drift {:+.3} °C/min.",
        s.mean_celsius, s.spread_celsius, s.readings, s.seconds, s.drift_celsius_per_min
    ));
    let truth = p.against.true_celsius().unwrap_or(f64::NAN);
    let found = as_found(channel, s.mean_celsius);
    tell(&format!(
        "True is {truth:.2} °C (±{:.2}). As found it shows {found:.2} °C: {:+.2} °C off.",
        2.0 * p.against.standard_celsius(),
        found - truth
    ));
    if !p.corrects() {
        tell(&format!(
            "That is within what this bath is sure of (±{:.2} °C): it checks, it does not correct. A barometer (--barometer-hpa) makes it sure.",
            2.0 * p.standard_celsius()
        ));
    }
}

fn as_found(channel: &Channel, raw: f64) -> f64 {
    channel.calibration.as_ref().map_or(raw, |c| c.correction.apply(raw))
}

/// What else would explain this point: another wire, swapped wires.
pub(super) fn doubt(p: &Point, channel: &Channel) -> Option<String> {
    let Sensor::Couple(set) = channel.sensor else { return None };
    let truth = p.against.true_celsius()?;
    let found = suspects(set, p.seen.mean_celsius, p.seen.cold_junction_celsius, truth);
    let doubtless = p.error_celsius().abs() > 2.0 * p.standard_celsius();
    found.first().filter(|_| doubtless).map(|s| {
        let off = p.error_celsius();
        format!("The probe is {off:+.2} °C off here. {}", s.sentence())
    })
}

/// The record of the act.
pub(super) fn record(made: &Made<'_>, channel: &Channel, fitted: &Fitted, data: &Path) -> Record {
    let before = calibrations::of(data, made.probe).latest.map_or(0, |r| r.number);
    let mut remarks = made.remarks.to_vec();
    if made.points.iter().all(|p| p.against.true_celsius().is_none_or(|t| t < HOT_CELSIUS)) {
        remarks.push(
            "no hot point: the ice point cannot find a mixed-up wire (K read as T is right in ice and 3 °C low in boiling water)"
                .to_owned(),
        );
    }
    if made.points.iter().all(|p| p.seen.step_celsius <= 0.0) {
        remarks.push(
            "the reading never changed while it was watched, so that the step of its numbers is not known and not counted"
                .to_owned(),
        );
    }
    Record {
        probe: made.probe.to_owned(),
        number: before + 1,
        time: made.day.time.clone(),
        by: made.by.to_owned(),
        sensor: channel.sensor.name().to_owned(),
        shape: fitted.correction.shape(),
        knots: fitted.correction.knots().iter().map(|k| (micro(k.0), micro(k.1))).collect(),
        expanded_uncertainty_celsius: micro(fitted.expanded_celsius),
        due: made.day.date.plus_days(made.days).to_string(),
        remarks,
        points: made
            .points
            .iter()
            .zip(&fitted.corrected)
            .map(|(p, c)| recorded(p, *c, channel, fitted))
            .collect(),
    }
}

fn recorded(p: &Point, corrected: bool, channel: &Channel, fitted: &Fitted) -> RecordedPoint {
    let raw = p.seen.mean_celsius;
    RecordedPoint {
        against: p.against.word().to_owned(),
        true_celsius: micro(p.against.true_celsius().unwrap_or(f64::NAN)),
        true_expanded_uncertainty_celsius: micro(2.0 * p.against.standard_celsius()),
        raw_celsius: micro(raw),
        as_found_celsius: micro(as_found(channel, raw)),
        as_left_celsius: micro(fitted.correction.apply(raw)),
        corrected,
        spread_celsius: micro(p.seen.spread_celsius),
        drift_celsius_per_min: micro(p.seen.drift_celsius_per_min),
        step_celsius: Some(micro(p.seen.step_celsius)).filter(|s| *s > 0.0),
        readings: p.seen.readings as u64,
        seconds: micro(p.seen.seconds),
        cold_junction_celsius: p.seen.cold_junction_celsius.map(micro),
        altitude_m: match p.against {
            Against::BoilingAtAltitude(m) => Some(m),
            _ => None,
        },
        barometer_hpa: match p.against {
            Against::BoilingAtPressure(hpa) => Some(hpa),
            _ => None,
        },
        reference: match &p.against {
            Against::Reference { name, .. } => Some(name.clone()),
            _ => None,
        },
    }
}

/// Six decimals: readable, and far below what any bath is sure of.
fn micro(value: f64) -> f64 {
    // No -0.
    (value * 1e6).round() / 1e6 + 0.0
}

/// Says what the calibration is worth.
pub(super) fn tell_outcome(record: &Record) {
    tell("\nAgainst      true   as found    as left");
    for p in &record.points {
        tell(&format!(
            "{:10} {:6.2}     {:6.2}     {:6.2} °C{}",
            p.against,
            p.true_celsius,
            p.as_found_celsius,
            p.left_celsius(),
            if p.corrected { "" } else { "  (check only)" }
        ));
    }
    let good_to = |celsius: f64| record.applied().map_or(f64::NAN, |a| a.expanded_at(celsius));
    tell(&format!(
        "Corrected readings are good to ±{:.2} °C at the points, ±{:.2} at 32 °C, ±{:.2} at 54 °C (k = 2). Due on {}.",
        record.expanded_uncertainty_celsius,
        good_to(32.0),
        good_to(54.0),
        record.due
    ));
    for remark in &record.remarks {
        tell(&format!("Note: {remark}."));
    }
}
