//! How warm something that is left to cool will be in a while: hot water or
//! whey in an open vessel, in a place whose temperature nobody measures.
//!
//! Heat leaves by the air and by evaporation: `dT/dt = -k·[(T − A) + E·(p(T) −
//! p(A)/2)]` with `A` the surroundings' temperature and `p` the saturation
//! pressure of water. Evaporation over convection at an open surface is 1/γ,
//! about 15 °C/kPa (psychrometric constant 0.066 kPa/°C at sea level); about
//! half of a vessel's surface is open, so `E` = 8. `k` is fitted to the trace
//! for each of a few `A`, and these are weighed by how well they explain it
//! and by how common such places are. An exponential alone, fitted to water
//! that has just boiled, is out by three degrees ten minutes ahead.
//!
//! Pure. Deliberately absent: heating, lids, stirring. Nothing shows this
//! forecast yet; it stands here with its proof.

use libm::{exp, log};

/// Evaporation over convection, °C of difference a kPa.
const EVAPORATION: f64 = 8.0;
/// Places where milk cools, °C, and the spread expected about the middle one.
const PLACES_CELSIUS: [f64; 5] = [8.0, 14.0, 20.0, 26.0, 32.0];
const PLACE_SD_CELSIUS: f64 = 6.0;
/// Scatter of a reading about the law, °C.
const SCATTER_CELSIUS: f64 = 0.1;
/// Least that must be known, seconds and samples.
const KNOWN_S: f64 = 600.0;
const KNOWN_SAMPLES: usize = 6;
/// Step of the law carried forward, seconds.
const STEP_S: f64 = 15.0;
/// Farthest it is carried, seconds.
const FARTHEST_S: f64 = 6.0 * 3600.0;

/// Saturation pressure of water, kPa (Magnus, 0 to 100 °C within 1 %).
fn saturation_kpa(celsius: f64) -> f64 {
    0.610_78 * exp(17.27 * celsius / (celsius + 237.3))
}

/// What drives the cooling, °C.
fn drive(celsius: f64, place: f64) -> f64 {
    celsius - place + EVAPORATION * (saturation_kpa(celsius) - 0.5 * saturation_kpa(place))
}

/// The temperature `ahead_s` seconds (0 to six hours) after the last of `trace`
/// (seconds in order, °C), while it cools undisturbed. `None` where less than
/// ten minutes or six samples are known, or nothing cools.
pub fn forecast(trace: &[(f64, f64)], ahead_s: f64) -> Option<f64> {
    let (first, last) = (trace.first()?, trace.last()?);
    if trace.len() < KNOWN_SAMPLES || last.0 - first.0 < KNOWN_S || !(0.0..=FARTHEST_S).contains(&ahead_s) {
        return None;
    }
    let points: Vec<(f64, f64)> =
        PLACES_CELSIUS.into_iter().filter_map(|place| carried(trace, place, ahead_s)).collect();
    let best = points.iter().map(|p| p.0).fold(f64::NEG_INFINITY, f64::max);
    let (weight, sum) = points.iter().fold((0.0, 0.0), |(w, s), (ln, celsius)| {
        let share = exp(ln - best);
        (w + share, s + share * celsius)
    });
    (weight > 0.0).then(|| sum / weight)
}

/// For one place: how well it explains the trace (a logarithm), and the
/// temperature then.
fn carried(trace: &[(f64, f64)], place: f64, ahead_s: f64) -> Option<(f64, f64)> {
    // T(t) = T0 − k·∫drive: a straight line over the integral.
    let n = trace.len() as f64;
    let (mut integral, mut before) = (0.0, trace[0]);
    let (mut sx, mut sy, mut sxx, mut sxy, mut syy) = (0.0, 0.0, 0.0, 0.0, 0.0);
    let base = trace[0].1;
    for &(t, celsius) in trace {
        integral += 0.5 * (t - before.0) * (drive(celsius, place) + drive(before.1, place));
        before = (t, celsius);
        let y = celsius - base;
        sx += integral;
        sy += y;
        sxx += integral * integral;
        sxy += integral * y;
        syy += y * y;
    }
    let det = n * sxx - sx * sx;
    if det <= 0.0 {
        return None;
    }
    let per_s = -(n * sxy - sx * sy) / det;
    let start = (sy + per_s * sx) / n;
    if per_s <= 0.0 {
        return None;
    }
    let squares = (syy - start * sy + per_s * sxy).max(0.0);
    let off = (place - PLACES_CELSIUS[2]) / PLACE_SD_CELSIUS;
    let ln = -0.5 * (squares / (SCATTER_CELSIUS * SCATTER_CELSIUS) + off * off + log(det));
    let mut celsius = base + start - per_s * integral;
    let mut left_s = ahead_s;
    while left_s > 0.0 {
        let step_s = left_s.min(STEP_S);
        celsius -= step_s * per_s * drive(celsius, place);
        left_s -= step_s;
    }
    Some((ln, celsius))
}

#[cfg(test)]
mod tests {
    use super::{forecast, saturation_kpa};

    #[test]
    fn saturation_pressure_as_tabulated() {
        // Steam tables: 2.339 kPa at 20 °C, 12.35 at 50, 101.3 at 100.
        for (celsius, kpa) in [(20.0, 2.339), (50.0, 12.35), (100.0, 101.3)] {
            let ours = saturation_kpa(celsius);
            assert!((ours / kpa - 1.0).abs() < 0.012, "{celsius}: {ours}");
        }
    }

    #[test]
    fn says_nothing_of_what_is_not_known_or_does_not_cool() {
        let cooling: Vec<(f64, f64)> =
            (0..11).map(|m| (60.0 * f64::from(m), 60.0 - 0.5 * f64::from(m))).collect();
        assert!(forecast(&cooling, 600.0).is_some());
        assert_eq!(forecast(&cooling[..10], 600.0), None);
        assert_eq!(forecast(&[], 600.0), None);
        let warming: Vec<(f64, f64)> = cooling.iter().map(|(t, c)| (*t, 100.0 - c)).collect();
        assert_eq!(forecast(&warming, 600.0), None);
        let now = forecast(&cooling, 0.0).unwrap();
        assert!((now - 55.0).abs() < 0.2, "{now}");
    }
}
