//! From a voltage to a temperature: the published inverse polynomial where
//! there is one (within 0.05 °C), then Newton on the reference function; where
//! there is none, a bracket that Newton may not leave.

use super::{Couple, coefficients, value_and_slope};
use crate::sensor::fault::Missing;

/// Type B's function is lowest here, °C; below it, it turns back.
const B_MINIMUM_CELSIUS: f64 = 21.020_262;

/// At the ends of the range a voltage may be beyond by what the tables round, mV.
const END_SLACK_MV: f64 = 1e-3;

/// The temperature of an emf.
pub(super) fn celsius(couple: Couple, emf_mv: f64) -> Result<f64, Missing> {
    if !emf_mv.is_finite() {
        return Err(Missing::NotFinite);
    }
    let (mut low, high) = couple.range_celsius();
    if couple == Couple::B {
        low = B_MINIMUM_CELSIUS;
    }
    let reference = coefficients::of(couple);
    if emf_mv >= reference.inverse_low_mv
        && let Some(piece) = reference.inverse.iter().find(|p| emf_mv <= p.high_mv)
    {
        let start = piece.c.iter().rev().fold(0.0, |t, c| t * emf_mv + c);
        let t = polished(couple, emf_mv, start);
        // At the very ends the bracket decides whether it is still inside.
        if t > low && t < high {
            return Ok(t);
        }
    }
    bracketed(couple, emf_mv, low, high)
}

/// Two Newton steps from within 0.05 °C leave less than a nanodegree.
fn polished(couple: Couple, emf_mv: f64, start: f64) -> f64 {
    let mut t = start;
    for _ in 0..2 {
        let (value, slope) = value_and_slope(couple, t);
        t -= (value - emf_mv) / slope;
    }
    t
}

/// Newton kept inside a shrinking bracket; also finds out what is outside.
fn bracketed(couple: Couple, emf_mv: f64, low: f64, high: f64) -> Result<f64, Missing> {
    let (low_mv, high_mv) = (value_and_slope(couple, low).0, value_and_slope(couple, high).0);
    if emf_mv < low_mv - END_SLACK_MV || emf_mv > high_mv + END_SLACK_MV {
        return Err(Missing::Range {
            sensor: couple.name(),
            value: emf_mv,
            low: low_mv,
            high: high_mv,
            unit: "mV",
        });
    }
    // Up to the voltage of ice, give or take the slack, every voltage is there twice.
    if couple == Couple::B && emf_mv <= END_SLACK_MV {
        return Err(Missing::TwoTemperatures);
    }
    if emf_mv <= low_mv || emf_mv >= high_mv {
        return Ok(if emf_mv <= low_mv { low } else { high });
    }
    let (mut a, mut b) = (low, high);
    let mut t = low + (high - low) * ((emf_mv - low_mv) / (high_mv - low_mv));
    for _ in 0..100 {
        let (value, slope) = value_and_slope(couple, t);
        if value > emf_mv {
            b = t;
        } else {
            a = t;
        }
        let newton = t - (value - emf_mv) / slope;
        let next = if newton > a && newton < b { newton } else { f64::midpoint(a, b) };
        if (next - t).abs() < 1e-9 {
            return Ok(next);
        }
        t = next;
    }
    Ok(t)
}
