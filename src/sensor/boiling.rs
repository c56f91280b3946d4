//! Where water boils: by the barometer, or by the altitude on a standard day.
//!
//! Terms: *station pressure* is what a barometer shows where it stands, not
//! what the weather report reduces to sea level. Sources: IAPWS-IF97, region
//! 4's backward equation (saturation temperature of a pressure); US Standard
//! Atmosphere 1976, troposphere.
//!
//! The weather moves the pressure by ±25 hPa and the boiling point by about
//! ±0.7 °C at 1500 m: without a barometer, boiling water is a rough check.

/// How far weather may move the boiling point away from the standard day's,
/// °C: half width, 25 hPa at 0.29 to 0.33 °C per 10 hPa.
pub const WEATHER_CELSIUS: f64 = 0.8;

/// Lowest and highest altitude taken, m.
pub const ALTITUDE_RANGE_M: (f64, f64) = (-400.0, 5000.0);

/// Lowest and highest pressure taken, hPa.
pub const PRESSURE_RANGE_HPA: (f64, f64) = (500.0, 1100.0);

/// Coefficients n1 to n10 of IAPWS-IF97's saturation equation.
const N: [f64; 10] = [
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
];

/// The boiling point of water at a pressure, °C; `None` outside 500 to 1100
/// hPa.
///
/// ```
/// let t = curdtrace::sensor::boiling::by_pressure_celsius(1013.25).unwrap();
/// assert!((t - 99.9743).abs() < 0.0001);
/// ```
pub fn by_pressure_celsius(hpa: f64) -> Option<f64> {
    let (low, high) = PRESSURE_RANGE_HPA;
    (low..=high).contains(&hpa).then(|| saturation_celsius(hpa * 1e-4))
}

/// The boiling point of water at an altitude on a standard day, °C; `None`
/// outside −400 to 5000 m.
pub fn by_altitude_celsius(altitude_m: f64) -> Option<f64> {
    Some(saturation_celsius(standard_pressure_hpa(altitude_m)? * 1e-4))
}

/// Pressure at a geometric altitude in the US Standard Atmosphere 1976, hPa;
/// `None` outside −400 to 5000 m.
pub fn standard_pressure_hpa(altitude_m: f64) -> Option<f64> {
    let (low, high) = ALTITUDE_RANGE_M;
    if !(low..=high).contains(&altitude_m) {
        return None;
    }
    // Geopotential altitude with the standard's earth radius; 6.5 K/km;
    // exponent g0·M/(R*·L).
    let geopotential_m = 6_356_766.0 * altitude_m / (6_356_766.0 + altitude_m);
    let exponent = 9.80665 * 0.0289644 / (8.31432 * 0.0065);
    Some(1013.25 * libm::pow(1.0 - 0.0065 * geopotential_m / 288.15, exponent))
}

/// IAPWS-IF97, equation 31: saturation temperature of a pressure in MPa.
fn saturation_celsius(mpa: f64) -> f64 {
    let beta = libm::sqrt(libm::sqrt(mpa));
    let e = beta * beta + N[2] * beta + N[5];
    let f = N[0] * beta * beta + N[3] * beta + N[6];
    let g = N[1] * beta * beta + N[4] * beta + N[7];
    let d = 2.0 * g / (-f - libm::sqrt(f * f - 4.0 * e * g));
    let s = N[9] + d;
    (s - libm::sqrt(s * s - 4.0 * (N[8] + N[9] * d))) / 2.0 - 273.15
}

#[cfg(test)]
mod tests {
    use super::*;

    fn rows(table: &str) -> Vec<Vec<f64>> {
        table
            .lines()
            .filter(|l| !l.starts_with('#'))
            .map(|l| l.split(' ').map(|w| w.parse().unwrap()).collect())
            .collect()
    }

    /// IF97's own printed check values, T_sat(0.1, 1, 10 MPa), from memory.
    #[test]
    fn if97_s_own_check_values() {
        for (mpa, kelvin) in [(0.1, 372.755_919), (1.0, 453.035_632), (10.0, 584.149_488)] {
            let got = saturation_celsius(mpa) + 273.15;
            assert!((got - kelvin).abs() < 1e-6, "{mpa}: {got}");
        }
    }

    /// Sources stand in the tables.
    #[test]
    fn boiling_within_a_fiftieth_of_a_degree() {
        let mut worst = 0.0f64;
        let by_altitude = rows(include_str!("../../tests/tables/boiling_altitude.txt"));
        assert_eq!((by_altitude.len(), by_altitude[40][0] as i32), (41, 4000));
        for r in by_altitude {
            let pressure = standard_pressure_hpa(r[0]).unwrap();
            assert!((pressure - r[1] / 100.0).abs() < 0.001, "{r:?}: {pressure}");
            worst = worst.max((by_altitude_celsius(r[0]).unwrap() - r[2]).abs());
        }
        for r in rows(include_str!("../../tests/tables/boiling_pressure.txt")) {
            worst = worst.max((by_pressure_celsius(r[0] * 10.0).unwrap() - r[1]).abs());
        }
        println!("boiling point: worst {worst:.6} °C over both tables");
        assert!(worst < 0.001, "{worst}");
    }

    #[test]
    fn outside_there_is_none() {
        for x in [f64::NAN, -1e9, 1e9, f64::INFINITY] {
            assert_eq!(by_altitude_celsius(x), None);
            assert_eq!(by_pressure_celsius(x), None);
        }
        // Kilopascals or inches of mercury by mistake are outside as well.
        assert_eq!(by_pressure_celsius(80.5), None);
        assert_eq!(by_pressure_celsius(29.92), None);
    }
}
