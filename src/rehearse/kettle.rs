//! A round-bottomed copper kettle: what it holds, weighs and loses.
//!
//! A hemisphere filled to four fifths, 3 mm of copper up to 450 litres and
//! 4 mm above, with 3 % for the rim; walls lose 7 W/m²K. The surface loses by
//! convection and radiation (with the 1.25th power of the difference) and by
//! evaporation (with the difference of vapour pressures), the latter about
//! half of an open kettle's loss at 52 °C. Fitted to computed still cooling
//! of 100 to 1,000 litres at 32 and 52 °C in air of 15 °C; the test below
//! holds the table.

use std::f64::consts::PI;

/// Milk's density, kg/L.
pub const MILK_KG_PER_LITRE: f64 = 1.030;
/// Whole milk's heat capacity, kJ/kg K.
pub const MILK_KJ_PER_KG_K: f64 = 3.93;
/// Water's heat capacity, kJ/L K.
pub const WATER_KJ_PER_LITRE_K: f64 = 4.18;
/// Copper's heat capacity, kJ/kg K.
const COPPER_KJ_PER_KG_K: f64 = 0.385;
/// Copper's density, kg/m³.
const COPPER_KG_PER_M3: f64 = 8960.0;
/// From a wall in still air to the air, W/m²K.
const WALL_TO_AIR: f64 = 7.0;
/// Height of the fill over the radius, where a hemisphere is 80 % full.
const FILL_HEIGHT: f64 = 0.866;

/// A kettle and what is in it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Kettle {
    /// Milk or whey in it, litres.
    pub litres: f64,
    /// Heat capacity of the copper, kJ/K.
    pub copper_kj_per_k: f64,
    /// Wall that milk touches, m².
    pub wetted_m2: f64,
    /// Free surface, m².
    pub surface_m2: f64,
}

impl Kettle {
    /// The kettle that is four fifths full with so much milk (20 to 3,000
    /// litres).
    pub fn holding(litres: f64) -> Self {
        let volume_m3 = litres / 0.8 / 1000.0;
        let radius_m = (volume_m3 * 3.0 / (2.0 * PI)).cbrt();
        let shell_m2 = 2.0 * PI * radius_m * radius_m;
        let thickness_m = if litres < 450.0 { 0.003 } else { 0.004 };
        Self {
            litres,
            copper_kj_per_k: 1.03 * shell_m2 * thickness_m * COPPER_KG_PER_M3 * COPPER_KJ_PER_KG_K,
            wetted_m2: shell_m2 * FILL_HEIGHT,
            surface_m2: PI * radius_m * radius_m * FILL_HEIGHT * (2.0 - FILL_HEIGHT),
        }
    }

    /// Heat capacity of what is in it, kJ/K.
    pub fn milk_kj_per_k(&self) -> f64 {
        self.litres * MILK_KG_PER_LITRE * MILK_KJ_PER_KG_K
    }

    /// What the free surface loses, kW.
    pub fn surface_loss_kw(&self, milk_celsius: f64, air_celsius: f64, lid: bool) -> f64 {
        let difference = milk_celsius - air_celsius;
        let size = difference.abs();
        let per_m2 = if lid {
            3.2 * size.powf(1.22) * difference.signum()
        } else {
            let damp = 0.8 * vapour_kpa(air_celsius);
            let evaporation = 50.0 * (vapour_kpa(milk_celsius) - damp).max(0.0);
            2.35 * size.powf(1.25) * difference.signum() + evaporation
        };
        per_m2 * self.surface_m2 / 1000.0
    }

    /// What the wall loses to the air when no fire is under it, kW.
    pub fn wall_loss_kw(&self, wall_celsius: f64, air_celsius: f64) -> f64 {
        WALL_TO_AIR * self.wetted_m2 * (wall_celsius - air_celsius) / 1000.0
    }
}

/// Water's vapour pressure, kPa (Magnus' formula, good to 0.5 % from 0 to
/// 60 °C and to 2 % at 95 °C; constants from memory).
fn vapour_kpa(celsius: f64) -> f64 {
    0.611_2 * (17.62 * celsius / (243.12 + celsius)).exp()
}

#[cfg(test)]
mod tests {
    use super::Kettle;

    /// Computed still cooling in 15 °C air, °C/h: litres, then 32 °C with lid
    /// and open, 52 °C with lid and open; printed to one decimal.
    const COOLING: [(f64, [f64; 4]); 4] = [
        (100.0, [1.3, 1.9, 3.0, 5.4]),
        (300.0, [0.9, 1.3, 2.1, 3.8]),
        (600.0, [0.7, 1.0, 1.7, 3.0]),
        (1000.0, [0.6, 0.9, 1.4, 2.5]),
    ];

    #[test]
    fn kettles_cool_as_the_table_says() {
        for (litres, row) in COOLING {
            let k = Kettle::holding(litres);
            for (i, want) in row.into_iter().enumerate() {
                let celsius = if i < 2 { 32.0 } else { 52.0 };
                let kw = k.surface_loss_kw(celsius, 15.0, i % 2 == 0) + k.wall_loss_kw(celsius, 15.0);
                let per_hour = kw * 3600.0 / k.milk_kj_per_k();
                assert!((per_hour - want).abs() < 0.08 + 0.03 * want, "{litres} L {celsius}: {per_hour}");
            }
        }
    }

    #[test]
    fn copper_and_milk_weigh_what_the_table_says() {
        for (litres, copper_kg, milk) in
            [(100.0, 27.0, 405.0), (300.0, 55.0, 1214.0), (600.0, 117.0, 2429.0), (1000.0, 165.0, 4048.0)]
        {
            let k = Kettle::holding(litres);
            assert!((k.copper_kj_per_k / 0.385 - copper_kg).abs() < 0.05 * copper_kg);
            assert!((k.milk_kj_per_k() - milk).abs() < 1.0);
        }
    }

    #[test]
    fn hundred_litres_to_52_need_8_10_megajoules() {
        let mj = Kettle::holding(100.0).milk_kj_per_k() * (52.0 - 32.0) / 1000.0;
        assert!((mj - 8.10).abs() < 0.05, "{mj}");
    }
}
