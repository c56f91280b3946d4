//! Thermocouples: from a voltage to a temperature and back, by the ITS-90
//! reference functions of NIST Monograph 175, which IEC 60584-1 prints as
//! well.
//!
//! Terms: *emf* is the voltage with the cold junction at 0 °C, mV; the *cold
//! junction* is where the wires end in the box. A measured voltage plus the
//! emf of the cold junction's temperature is the emf of the hot end: the sum
//! is taken in volts, since in degrees it would be wrong.
//!
//! Invariants: what is outside a type's range is an error, never
//! extrapolated; [`Couple::celsius`] undoes [`Couple::emf_mv`] to far better
//! than 0.001 °C.
//!
//! Type B has no use below 50 °C: its function falls from 0 °C to a minimum at
//! 21 °C, so a voltage of zero or less, to the µV, is that of two temperatures and gives none.

mod coefficients;
mod inverse;
mod tolerance;

use std::fmt;

use super::fault::Missing;

pub use tolerance::{Class, Tolerance};

/// A thermocouple's type (IEC 60584-1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Couple {
    /// Platinum-30 % rhodium against platinum-6 % rhodium.
    B,
    /// Nickel-chromium against copper-nickel.
    E,
    /// Iron against copper-nickel.
    J,
    /// Nickel-chromium against nickel-aluminium.
    K,
    /// Nickel-chromium-silicon against nickel-silicon.
    N,
    /// Platinum-13 % rhodium against platinum.
    R,
    /// Platinum-10 % rhodium against platinum.
    S,
    /// Copper against copper-nickel.
    T,
}

impl Couple {
    /// Every type there is.
    pub const ALL: [Self; 8] = [Self::B, Self::E, Self::J, Self::K, Self::N, Self::R, Self::S, Self::T];

    /// Its letter.
    pub fn letter(self) -> char {
        match self {
            Self::B => 'B',
            Self::E => 'E',
            Self::J => 'J',
            Self::K => 'K',
            Self::N => 'N',
            Self::R => 'R',
            Self::S => 'S',
            Self::T => 'T',
        }
    }

    /// The type of that letter, in either case.
    pub fn lettered(letter: char) -> Option<Self> {
        Self::ALL.into_iter().find(|c| c.letter() == letter.to_ascii_uppercase())
    }

    /// Its name in a sentence.
    pub fn name(self) -> &'static str {
        match self {
            Self::B => "type B thermocouple",
            Self::E => "type E thermocouple",
            Self::J => "type J thermocouple",
            Self::K => "type K thermocouple",
            Self::N => "type N thermocouple",
            Self::R => "type R thermocouple",
            Self::S => "type S thermocouple",
            Self::T => "type T thermocouple",
        }
    }

    /// The range of its reference function, °C.
    pub fn range_celsius(self) -> (f64, f64) {
        let r = coefficients::of(self);
        (r.low_celsius, r.forward.last().map_or(r.low_celsius, |p| p.high_celsius))
    }

    /// The emf at `celsius`, mV, cold junction at 0 °C.
    ///
    /// # Errors
    /// [`Missing::Range`] outside the type's range, [`Missing::NotFinite`].
    ///
    /// ```
    /// use curdtrace::sensor::thermocouple::Couple;
    /// assert!((Couple::K.emf_mv(100.0).unwrap() - 4.096).abs() < 0.0005);
    /// ```
    pub fn emf_mv(self, celsius: f64) -> Result<f64, Missing> {
        self.in_range(celsius)?;
        Ok(value_and_slope(self, celsius).0)
    }

    /// How much the emf grows a degree at `celsius`, mV/°C.
    ///
    /// # Errors
    /// As [`Couple::emf_mv`].
    pub fn sensitivity_mv_per_celsius(self, celsius: f64) -> Result<f64, Missing> {
        self.in_range(celsius)?;
        Ok(value_and_slope(self, celsius).1)
    }

    /// The temperature of an emf (cold junction at 0 °C), °C. What passes an end of the
    /// range by no more than the tables round, a µV, is that end.
    ///
    /// # Errors
    /// [`Missing::Range`] outside the type's range, [`Missing::TwoTemperatures`] for type
    /// B below 46 °C, [`Missing::NotFinite`].
    pub fn celsius(self, emf_mv: f64) -> Result<f64, Missing> {
        inverse::celsius(self, emf_mv)
    }

    /// The temperature of the hot end from the voltage as measured, mV, and
    /// the cold junction's temperature, °C: the sum is taken in volts.
    ///
    /// # Errors
    /// As [`Couple::celsius`], for either temperature.
    ///
    /// ```
    /// use curdtrace::sensor::thermocouple::Couple;
    /// let hot = Couple::K.compensated_celsius(1.188, 25.0).unwrap();
    /// assert!((hot - 54.0).abs() < 0.02);
    /// ```
    pub fn compensated_celsius(self, measured_mv: f64, cold_celsius: f64) -> Result<f64, Missing> {
        self.celsius(measured_mv + self.emf_mv(cold_celsius)?)
    }

    fn in_range(self, celsius: f64) -> Result<(), Missing> {
        if !celsius.is_finite() {
            return Err(Missing::NotFinite);
        }
        let (low, high) = self.range_celsius();
        if (low..=high).contains(&celsius) {
            return Ok(());
        }
        Err(Missing::Range { sensor: self.name(), value: celsius, low, high, unit: "°C" })
    }
}

impl fmt::Display for Couple {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "type {}", self.letter())
    }
}

/// The reference function and its slope at `celsius`, taken as in range.
fn value_and_slope(couple: Couple, celsius: f64) -> (f64, f64) {
    let pieces = coefficients::of(couple).forward;
    let last = pieces.len() - 1;
    let piece = pieces[..last].iter().find(|p| celsius <= p.high_celsius).unwrap_or(&pieces[last]);
    let (mut value, mut slope) = (0.0, 0.0);
    for &c in piece.c.iter().rev() {
        slope = slope * celsius + value;
        value = value * celsius + c;
    }
    if let Some([a0, a1, a2]) = piece.gauss {
        let d = celsius - a2;
        let bump = a0 * libm::exp(a1 * d * d);
        value += bump;
        slope += 2.0 * a1 * d * bump;
    }
    (value, slope)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Figures: type K 54 °C with the cold junction at 25 °C is 2.188 − 1.000
    /// mV; sensitivities of K and T at 54 °C 41.3 and 43.2 µV/K, from the
    /// published functions.
    #[test]
    fn figures_of_the_trade() {
        let k = Couple::K.emf_mv(54.0).unwrap() - Couple::K.emf_mv(25.0).unwrap();
        assert!((k - 1.188).abs() < 0.002, "{k}");
        for (couple, uv_per_k) in [(Couple::K, 41.3), (Couple::T, 43.2)] {
            let s = couple.sensitivity_mv_per_celsius(54.0).unwrap() * 1000.0;
            assert!((s - uv_per_k).abs() < 0.1, "{couple}: {s}");
        }
        // A K wire read as T: 54 °C looks like 53.4, 90 like 86.9 (cold junction 25).
        for (true_celsius, seen) in [(32.0, 31.9), (54.0, 53.4), (90.0, 86.9)] {
            let mv = Couple::K.emf_mv(true_celsius).unwrap() - Couple::K.emf_mv(25.0).unwrap();
            let t = Couple::T.compensated_celsius(mv, 25.0).unwrap();
            assert!((t - seen).abs() < 0.06, "{true_celsius}: {t}");
        }
    }

    #[test]
    fn outside_is_refused() {
        for couple in Couple::ALL {
            let (low, high) = couple.range_celsius();
            for t in [low - 0.001, high + 0.001, 1e300, -1e300] {
                assert!(matches!(couple.emf_mv(t), Err(Missing::Range { .. })), "{couple} {t}");
            }
            for mv in [-20.0, 80.0, 1e300] {
                assert!(matches!(couple.celsius(mv), Err(Missing::Range { .. })), "{couple} {mv}");
            }
            for bad in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY] {
                assert_eq!(couple.emf_mv(bad), Err(Missing::NotFinite));
                assert_eq!(couple.celsius(bad), Err(Missing::NotFinite));
                assert!(couple.compensated_celsius(1.0, bad).is_err());
            }
        }
    }

    /// Ice was 42 °C and good, and a room of 18 °C was one of 24.
    #[test]
    fn a_voltage_of_two_temperatures_gives_neither() {
        for t in [0.0, 0.5, 10.0, 18.0, 21.02, 24.0, 34.0, 42.0, 45.8] {
            let mv = Couple::B.emf_mv(t).unwrap();
            assert_eq!(Couple::B.celsius(mv), Err(Missing::TwoTemperatures), "{t}");
        }
        assert!((Couple::B.celsius(Couple::B.emf_mv(46.0).unwrap()).unwrap() - 46.0).abs() < 1e-6);
        // Nor is it a type B's voltage where it is lower than any.
        assert!(matches!(Couple::B.celsius(-0.004), Err(Missing::Range { .. })));
    }

    /// A table's last figure, rounded to its µV, was outside its own range.
    #[test]
    fn an_end_of_a_table_is_inside_and_what_is_outside_looks_so() {
        for couple in Couple::ALL {
            let (low, high) = couple.range_celsius();
            let ends = [(low, -1.0), (high, 1.0)];
            for (end, outward) in ends.into_iter().filter(|(end, _)| couple != Couple::B || *end > 21.0) {
                let mv = couple.emf_mv(end).unwrap();
                assert_eq!(couple.celsius(mv + outward * 0.000_9), Ok(end), "{couple}");
                let told = couple.celsius(mv + outward * 0.001_1).unwrap_err().to_string();
                let figures: Vec<&str> = told.split(' ').filter(|w| w.parse::<f64>().is_ok()).collect();
                assert!(figures.len() == 3 && !figures[1..].contains(&figures[0]), "{told}");
            }
        }
    }

    proptest! {
        #[test]
        fn the_inverse_undoes_the_function(couple in proptest::sample::select(&Couple::ALL[..]), at in 0.0f64..=1.0) {
            let (low, high) = couple.range_celsius();
            // Below, two temperatures of type B share a voltage.
            let low = if couple == Couple::B { 46.0 } else { low };
            let t = (low + at * (high - low)).clamp(low, high);
            let back = couple.celsius(couple.emf_mv(t).unwrap()).unwrap();
            prop_assert!((back - t).abs() < 0.001, "{} {}: {}", couple, t, back);
        }

        #[test]
        fn nothing_panics(couple in proptest::sample::select(&Couple::ALL[..]), a in any::<f64>(), b in any::<f64>()) {
            for t in [couple.celsius(a), couple.compensated_celsius(a, b)].into_iter().flatten() {
                prop_assert!(t.is_finite());
            }
        }
    }
}
