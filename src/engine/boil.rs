//! Where water boils at a height above the sea, for the `near-boil` alarm.
//!
//! The calibration's own, finer formula lives in `sensor`; the engine may not
//! look there, and this is good to 0.1 °C from 0 to 4,000 m.

/// Local boiling point of water on a standard day, °C, at `altitude_m`
/// (-400 to 5,000 m).
///
/// Pressure by the 1976 standard atmosphere below 11 km; boiling by Antoine's
/// equation for water from 1 to 100 °C (common handbook constants, mmHg).
/// Checked against the IAPWS table in the tests.
pub fn boiling_celsius(altitude_m: f64) -> f64 {
    let ratio = libm::exp(5.255_88 * libm::log(1.0 - 2.255_77e-5 * altitude_m.clamp(-400.0, 8000.0)));
    1730.63 / (8.071_31 - libm::log10(760.0 * ratio)) - 233.426
}

#[cfg(test)]
mod tests {
    use super::*;

    /// IAPWS-95 and the US Standard Atmosphere 1976 (CoolProp 8.0.0 with
    /// fluids 1.3.1).
    #[test]
    fn water_boils_where_the_tables_say() {
        for (m, want) in
            [(0.0, 99.974), (1000.0, 96.649), (1500.0, 94.984), (2000.0, 93.317), (3000.0, 89.977)]
        {
            assert!((boiling_celsius(m) - want).abs() < 0.1, "{m} m: {}", boiling_celsius(m));
        }
    }
}
