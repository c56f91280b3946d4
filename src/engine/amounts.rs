//! How much rennet, how much wash water: sums for the command line and the page.
//!
//! The wash is a balance of volumes: milk, whey and water take up nearly the
//! same heat to the litre (4.05 against 4.18 kJ/K; the difference is below the
//! losses to the room, which are not counted).
//!
//! Invariant: an answer is finite and above zero, or a refusal says which
//! figure does not fit. It advises; the test of the curd decides.

use super::clot::{self, SOXHLET_CELSIUS};

/// A figure that makes no sense, by its name. Its words are the reader's
/// (`words::reckoned`).
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Unfit {
    /// It must be above zero.
    NotAboveZero(&'static str, f64),
    /// It must be a temperature of water, °C.
    NotWater(&'static str, f64),
    /// Milk in which rennet does not work, °C.
    Milk(f64),
    /// More whey drawn than milk went in, litres: drawn, milk.
    Drawn(f64, f64),
    /// Water that cannot bring the curd there, °C: water, at, to.
    OutOfReach(f64, f64, f64),
    /// No sensible answer comes of these figures.
    NoDose(f64),
}

/// Refuses what is not a figure above zero.
///
/// # Errors
/// [`Unfit::NotAboveZero`] with that name.
pub fn above_zero(name: &'static str, value: f64) -> Result<(), Unfit> {
    if value.is_finite() && value > 0.0 { Ok(()) } else { Err(Unfit::NotAboveZero(name, value)) }
}

/// What is known of the rennet.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Rennet {
    /// Soxhlet strength, minutes wanted to first flocs, and the milk's °C.
    Soxhlet {
        /// Volumes of milk that one volume clots in 2,400 s at 35 °C.
        strength: f64,
        /// Minutes to first flocs.
        floc_minutes: f64,
        /// The milk, 20 to 50 °C.
        celsius: f64,
    },
    /// Units by ISO 11815.
    Imcu {
        /// In a millilitre of rennet.
        per_ml: f64,
        /// Wanted to a litre of milk; 30 to 40 are usual.
        per_litre: f64,
    },
    /// The supplier's figure, mL to 100 litres.
    Supplier {
        /// Millilitres.
        ml_per_100l: f64,
    },
}

impl Rennet {
    /// Millilitres to `milk_litres`, times what else changes the dose.
    ///
    /// ```
    /// use curdtrace::engine::amounts::Rennet;
    /// let rennet = Rennet::Soxhlet { strength: 10_000.0, floc_minutes: 20.0, celsius: 35.0 };
    /// assert!((rennet.ml(100.0, 1.0).unwrap() - 20.0).abs() < 1e-9);
    /// ```
    ///
    /// # Errors
    /// [`Unfit`].
    pub fn ml(&self, milk_litres: f64, factor: f64) -> Result<f64, Unfit> {
        above_zero("milk", milk_litres)?;
        above_zero("factor", factor)?;
        let ml = factor * self.plain_ml(milk_litres)?;
        if ml.is_finite() && ml > 0.0 { Ok(ml) } else { Err(Unfit::NoDose(milk_litres)) }
    }

    fn plain_ml(&self, milk_litres: f64) -> Result<f64, Unfit> {
        Ok(match *self {
            Self::Soxhlet { strength, floc_minutes, celsius } => {
                above_zero("strength", strength)?;
                above_zero("floc", floc_minutes)?;
                if !(20.0..=50.0).contains(&celsius) {
                    return Err(Unfit::Milk(celsius));
                }
                // Warmer milk clots sooner: the time that it would take at 35 °C.
                let slower = clot::relative_time(&[], celsius) / clot::relative_time(&[], SOXHLET_CELSIUS);
                clot::dose_ml(strength, milk_litres, floc_minutes * 60.0 / slower)
            }
            Self::Imcu { per_ml, per_litre } => {
                above_zero("imcu-per-ml", per_ml)?;
                above_zero("imcu-per-litre", per_litre)?;
                clot::imcu_ml(per_litre * milk_litres, per_ml)
            }
            Self::Supplier { ml_per_100l } => {
                above_zero("ml-per-100l", ml_per_100l)?;
                ml_per_100l * milk_litres / 100.0
            }
        })
    }
}

/// Curd and whey before they are washed, and the water for it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wash {
    /// Milk that went in, litres.
    pub milk_litres: f64,
    /// Whey drawn off before, litres.
    pub drawn_litres: f64,
    /// What curd and whey are at, °C.
    pub celsius: f64,
    /// The water, °C.
    pub water_celsius: f64,
}

impl Wash {
    /// Litres of water that bring it to `to_celsius`.
    ///
    /// # Errors
    /// [`Unfit`].
    pub fn litres_to(&self, to_celsius: f64) -> Result<f64, Unfit> {
        let left = self.left_litres()?;
        water("to", to_celsius)?;
        let share = (to_celsius - self.celsius) / (self.water_celsius - to_celsius);
        let litres = left * share;
        if litres.is_finite() && litres > 0.0 {
            return Ok(litres);
        }
        Err(Unfit::OutOfReach(self.water_celsius, self.celsius, to_celsius))
    }

    /// Where so many litres of the water bring it, °C.
    ///
    /// # Errors
    /// [`Unfit`].
    pub fn celsius_with(&self, litres: f64) -> Result<f64, Unfit> {
        let left = self.left_litres()?;
        above_zero("litres", litres)?;
        // By shares, so that no sum of litres runs over.
        let share = litres / (left + litres);
        Ok(self.celsius + (self.water_celsius - self.celsius) * share)
    }

    /// Litres of curd and whey left in the kettle.
    ///
    /// # Errors
    /// [`Unfit`], where one of the figures makes no sense.
    pub fn left_litres(&self) -> Result<f64, Unfit> {
        above_zero("milk", self.milk_litres)?;
        if !(self.drawn_litres >= 0.0 && self.drawn_litres < self.milk_litres) {
            return Err(Unfit::Drawn(self.drawn_litres, self.milk_litres));
        }
        water("at", self.celsius)?;
        water("water", self.water_celsius)?;
        Ok(self.milk_litres - self.drawn_litres)
    }
}

fn water(name: &'static str, celsius: f64) -> Result<(), Unfit> {
    if (0.0..=100.0).contains(&celsius) { Ok(()) } else { Err(Unfit::NotWater(name, celsius)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cannot_be_is_refused_by_its_name() {
        let supplier = Rennet::Supplier { ml_per_100l: 20.0 };
        assert_eq!(supplier.ml(0.0, 1.0), Err(Unfit::NotAboveZero("milk", 0.0)));
        assert_eq!(supplier.ml(1e308, 1e9), Err(Unfit::NoDose(1e308)));
        let hot = Rennet::Soxhlet { strength: 1e4, floc_minutes: 12.0, celsius: 70.0 };
        assert_eq!(hot.ml(100.0, 1.0), Err(Unfit::Milk(70.0)));
        let wash = Wash { milk_litres: 100.0, drawn_litres: 33.0, celsius: 31.0, water_celsius: 60.0 };
        assert_eq!(wash.litres_to(61.0), Err(Unfit::OutOfReach(60.0, 31.0, 61.0)));
        assert_eq!(wash.celsius_with(-1.0), Err(Unfit::NotAboveZero("litres", -1.0)));
        let dry = Wash { drawn_litres: 100.0, ..wash };
        assert_eq!(dry.litres_to(37.0), Err(Unfit::Drawn(100.0, 100.0)));
    }
}
