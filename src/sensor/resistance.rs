//! Resistance thermometers: platinum (IEC 60751, Callendar–Van Dusen) and
//! thermistors (Steinhart–Hart, beta).
//!
//! Invariants: what is outside a sensor's range is an error, never
//! extrapolated; a broken or shorted sensor is far outside, so it never gives
//! a number.

use super::fault::Missing;

const A: f64 = 3.9083e-3;
const B: f64 = -5.775e-7;
const C: f64 = -4.183e-12;

/// The range of IEC 60751, °C.
const PLATINUM_RANGE: (f64, f64) = (-200.0, 850.0);

/// What a thermistor is good for here, °C.
const THERMISTOR_RANGE: (f64, f64) = (-50.0, 150.0);

/// At the ends of the range a resistance may be beyond by rounding: this share of that at
/// 0 °C, a mΩ of a Pt100; and as many °C of a thermistor.
const END_SLACK: f64 = 1e-5;
const END_SLACK_CELSIUS: f64 = 1e-3;

const KELVIN: f64 = 273.15;

/// A platinum thermometer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Platinum {
    /// Resistance at 0 °C, Ω: 100 for a Pt100, 1000 for a Pt1000.
    pub r0_ohm: f64,
    /// How it is wired.
    pub wiring: Wiring,
}

/// How many wires lead to the sensor, and what is known of them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Wiring {
    /// Two: both leads are measured with the sensor and taken off again.
    Two {
        /// One lead's resistance, Ω.
        lead_ohm: f64,
    },
    /// Three: the box measures the loop of the two leads at one end as well.
    Three {
        /// That loop, Ω: two leads and nothing else.
        loop_ohm: f64,
    },
    /// Four: the leads are not in what is measured.
    Four,
}

/// Tolerance classes of IEC 60751 (figures from memory): a figure and a share
/// of the temperature.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum PlatinumClass {
    /// ±(0.10 + 0.0017 |t|) °C.
    AA,
    /// ±(0.15 + 0.0020 |t|) °C.
    A,
    /// ±(0.30 + 0.0050 |t|) °C.
    B,
    /// ±(0.60 + 0.0100 |t|) °C.
    C,
}

impl PlatinumClass {
    /// Half width of the tolerance at `celsius`, °C.
    pub fn at(self, celsius: f64) -> f64 {
        let (figure, share) = match self {
            Self::AA => (0.10, 0.0017),
            Self::A => (0.15, 0.0020),
            Self::B => (0.30, 0.0050),
            Self::C => (0.60, 0.0100),
        };
        figure + share * celsius.abs()
    }
}

impl Wiring {
    /// What the sensor alone has, from what was measured, Ω.
    pub fn element_ohm(self, measured_ohm: f64) -> f64 {
        match self {
            Self::Two { lead_ohm } => measured_ohm - 2.0 * lead_ohm,
            Self::Three { loop_ohm } => measured_ohm - loop_ohm,
            Self::Four => measured_ohm,
        }
    }
}

impl Platinum {
    /// The sensor's resistance at `celsius`, Ω, leads not counted.
    ///
    /// # Errors
    /// [`Missing::Range`] outside −200 to 850 °C.
    pub fn ohm(self, celsius: f64) -> Result<f64, Missing> {
        let (low, high) = PLATINUM_RANGE;
        if !(low..=high).contains(&celsius) {
            return Err(range(self.name(), celsius, low, high, "°C"));
        }
        Ok(self.r0_ohm * ratio(celsius))
    }

    /// The temperature of a measured resistance, °C: leads are taken off by
    /// the wiring.
    ///
    /// # Errors
    /// [`Missing::Range`] where it is no resistance of −200 to 850 °C, as of a
    /// broken or shorted sensor.
    ///
    /// ```
    /// use curdtrace::sensor::resistance::{Platinum, Wiring};
    /// let pt100 = Platinum { r0_ohm: 100.0, wiring: Wiring::Two { lead_ohm: 0.2 } };
    /// assert!((pt100.celsius(113.608 + 0.4).unwrap() - 35.0).abs() < 0.02);
    /// ```
    pub fn celsius(self, measured_ohm: f64) -> Result<f64, Missing> {
        if !measured_ohm.is_finite() {
            return Err(Missing::NotFinite);
        }
        let (low, high) = PLATINUM_RANGE;
        let element_ohm = self.wiring.element_ohm(measured_ohm);
        let w = element_ohm / self.r0_ohm;
        if !(ratio(low) - END_SLACK..=ratio(high) + END_SLACK).contains(&w) {
            // With its leads, as it was measured.
            let r = |t| self.r0_ohm * ratio(t) + (measured_ohm - element_ohm);
            return Err(range(self.name(), measured_ohm, r(low), r(high), "Ω"));
        }
        let w = w.clamp(ratio(low), ratio(high));
        // The quadratic is exact above 0 °C and a good start below.
        let mut t = (-A + libm::sqrt(A * A - 4.0 * B * (1.0 - w))) / (2.0 * B);
        if w < 1.0 {
            for _ in 0..4 {
                let slope = A + 2.0 * B * t + C * (4.0 * t * t * t - 300.0 * t * t);
                t -= (ratio(t) - w) / slope;
            }
        }
        Ok(t)
    }

    fn name(self) -> &'static str {
        if self.r0_ohm > 500.0 { "Pt1000" } else { "Pt100" }
    }
}

/// R/R0 by Callendar and Van Dusen.
fn ratio(t: f64) -> f64 {
    let below = if t < 0.0 { C * (t - 100.0) * t * t * t } else { 0.0 };
    1.0 + A * t + B * t * t + below
}

/// A thermistor with a negative coefficient.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Thermistor {
    /// `1/T = a + b·ln R + c·ln³ R`, T in kelvin, R in Ω.
    SteinhartHart {
        /// First coefficient, 1/K.
        a: f64,
        /// Second coefficient, 1/K.
        b: f64,
        /// Third coefficient, 1/K.
        c: f64,
    },
    /// `1/T = 1/298.15 + ln(R/R25)/beta`.
    Beta {
        /// Resistance at 25 °C, Ω.
        r25_ohm: f64,
        /// Beta, K.
        beta_kelvin: f64,
    },
}

impl Thermistor {
    /// Steinhart–Hart's coefficients through three points (°C, Ω); `None`
    /// where the points do not give one falling curve.
    pub fn through(points: [(f64, f64); 3]) -> Option<Self> {
        let l = points.map(|p| libm::log(p.1));
        let y = points.map(|p| 1.0 / (p.0 + KELVIN));
        let g2 = (y[1] - y[0]) / (l[1] - l[0]);
        let g3 = (y[2] - y[0]) / (l[2] - l[0]);
        let c = (g3 - g2) / (l[2] - l[1]) / (l[0] + l[1] + l[2]);
        let b = g2 - c * (l[0] * l[0] + l[0] * l[1] + l[1] * l[1]);
        let a = y[0] - (b + l[0] * l[0] * c) * l[0];
        (a.is_finite() && b.is_finite() && c.is_finite() && b > 0.0).then_some(Self::SteinhartHart {
            a,
            b,
            c,
        })
    }

    /// The temperature of a resistance, °C.
    ///
    /// # Errors
    /// [`Missing::Range`] outside −50 to 150 °C, as of a broken or shorted
    /// sensor.
    pub fn celsius(self, ohm: f64) -> Result<f64, Missing> {
        if !ohm.is_finite() {
            return Err(Missing::NotFinite);
        }
        let (low, high) = THERMISTOR_RANGE;
        let celsius =
            if ohm > 0.0 { 1.0 / self.reciprocal_kelvin(libm::log(ohm)) - KELVIN } else { f64::NAN };
        if (low - END_SLACK_CELSIUS..=high + END_SLACK_CELSIUS).contains(&celsius) {
            return Ok(celsius.clamp(low, high));
        }
        Err(range("thermistor", ohm, self.ohm(high), self.ohm(low), "Ω"))
    }

    /// Its resistance at `celsius`, Ω (−50 to 150 °C; outside, the nearer end).
    pub fn ohm(self, celsius: f64) -> f64 {
        let y = 1.0 / (celsius.clamp(THERMISTOR_RANGE.0, THERMISTOR_RANGE.1) + KELVIN);
        if let Self::Beta { r25_ohm, beta_kelvin } = self {
            return r25_ohm * libm::exp(beta_kelvin * (y - 1.0 / 298.15));
        }
        // Rising in ln R: halve the bracket 0.1 Ω to 100 MΩ.
        let (mut low, mut high) = (-2.4, 18.5);
        for _ in 0..60 {
            let mid = f64::midpoint(low, high);
            if self.reciprocal_kelvin(mid) < y { low = mid } else { high = mid }
        }
        libm::exp(low)
    }

    fn reciprocal_kelvin(self, ln_ohm: f64) -> f64 {
        match self {
            Self::SteinhartHart { a, b, c } => a + ln_ohm * (b + c * ln_ohm * ln_ohm),
            Self::Beta { r25_ohm, beta_kelvin } => 1.0 / 298.15 + (ln_ohm - libm::log(r25_ohm)) / beta_kelvin,
        }
    }
}

fn range(sensor: &'static str, value: f64, low: f64, high: f64, unit: &'static str) -> Missing {
    Missing::Range { sensor, value, low, high, unit }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const PT100: Platinum = Platinum { r0_ohm: 100.0, wiring: Wiring::Four };

    /// Every degree −50 to 150; source in the table.
    #[test]
    fn pt100_within_5_milliohm_of_the_table() {
        let (mut rows, mut worst) = (0, 0.0f64);
        for line in include_str!("../../tests/tables/pt100.txt").lines().filter(|l| !l.starts_with('#')) {
            let n: Vec<f64> = line.split(' ').map(|w| w.parse().unwrap()).collect();
            let ohm = PT100.ohm(n[0]).unwrap();
            worst = worst.max((ohm - n[1]).abs());
            assert!((ohm - n[1]).abs() < 1e-6, "{line}");
            if let Some(printed) = n.get(2) {
                assert!((ohm - printed).abs() <= 0.005 + 1e-9, "{line}");
            }
            assert!((PT100.celsius(ohm).unwrap() - n[0]).abs() < 1e-6, "{line}");
            rows += 1;
        }
        assert_eq!(rows, 201);
        println!("Pt100: {rows} rows, worst {worst:.1e} Ω");
    }

    #[test]
    fn leads_are_taken_off() {
        let r = PT100.ohm(52.0).unwrap();
        for (wiring, measured) in [
            (Wiring::Two { lead_ohm: 0.35 }, r + 0.7),
            (Wiring::Three { loop_ohm: 0.8 }, r + 0.8),
            (Wiring::Four, r),
        ] {
            let t = Platinum { r0_ohm: 100.0, wiring }.celsius(measured).unwrap();
            assert!((t - 52.0).abs() < 1e-9, "{wiring:?}: {t}");
        }
        // A Pt1000 read as such gives the same temperatures.
        let pt1000 = Platinum { r0_ohm: 1000.0, wiring: Wiring::Four };
        assert!((pt1000.celsius(r * 10.0).unwrap() - 52.0).abs() < 1e-9);
    }

    #[test]
    fn broken_and_shorted_give_no_number() {
        let ntc = Thermistor::Beta { r25_ohm: 10_000.0, beta_kelvin: 3950.0 };
        for ohm in [0.0, -1.0, 1e7, f64::INFINITY, f64::NAN] {
            assert!(PT100.celsius(ohm).is_err(), "{ohm}");
            assert!(ntc.celsius(ohm).is_err(), "{ohm}");
        }
        assert!(matches!(PT100.ohm(900.0), Err(Missing::Range { .. })));
    }

    /// 18.52 Ω, the table's figure at −200 °C, was "outside 18.52 to 390.48 Ω".
    #[test]
    fn an_end_of_the_table_is_inside_and_what_is_outside_looks_so() {
        let two = Platinum { r0_ohm: 100.0, wiring: Wiring::Two { lead_ohm: 0.35 } };
        for (p, leads) in [(PT100, 0.0), (two, 0.7)] {
            for (ohm, end, beyond) in [(18.52, -200.0, 18.518), (390.4815, 850.0, 390.483)] {
                assert!((p.celsius(ohm + leads).unwrap() - end).abs() < 1e-6, "{ohm}");
                let told = p.celsius(beyond + leads).unwrap_err().to_string();
                let f: Vec<f64> = told.split(' ').filter_map(|w| w.parse().ok()).collect();
                assert!(f.len() == 3 && !(f[1]..=f[2]).contains(&f[0]), "{told}");
            }
        }
        let ntc = Thermistor::Beta { r25_ohm: 10_000.0, beta_kelvin: 3950.0 };
        for end in [-50.0, 150.0] {
            assert!((ntc.celsius((ntc.ohm(end) * 1e3).round() / 1e3).unwrap() - end).abs() < 1e-3);
        }
    }

    /// By hand: beta 3950 at 50 °C, R = 10 kΩ·exp(3950·(1/323.15 − 1/298.15)).
    #[test]
    fn thermistors() {
        let beta = Thermistor::Beta { r25_ohm: 10_000.0, beta_kelvin: 3950.0 };
        assert!((beta.celsius(3588.2).unwrap() - 50.0).abs() < 0.01);
        // A curve through three of its points meets it in between.
        let points = [0.0, 40.0, 95.0].map(|t| (t, beta.ohm(t)));
        let through = Thermistor::through(points).unwrap();
        for t in [0.0, 20.0, 40.0, 60.0, 95.0] {
            let back = through.celsius(beta.ohm(t)).unwrap();
            assert!((back - t).abs() < 0.02, "{t}: {back}");
            assert!((through.celsius(through.ohm(t)).unwrap() - t).abs() < 1e-6);
        }
        assert_eq!(Thermistor::through([(0.0, 100.0), (10.0, 100.0), (20.0, 100.0)]), None);
    }

    proptest! {
        #[test]
        fn platinum_there_and_back(t in -200.0f64..=850.0, lead in 0.0f64..5.0) {
            let p = Platinum { r0_ohm: 100.0, wiring: Wiring::Two { lead_ohm: lead } };
            let back = p.celsius(p.ohm(t).unwrap() + 2.0 * lead);
            prop_assert!(back.clone().is_ok_and(|back| (back - t).abs() < 0.001), "{:?}", back);
        }

        #[test]
        fn nothing_panics(ohm in any::<f64>(), x in any::<[f64; 3]>()) {
            let sh = Thermistor::SteinhartHart { a: x[0], b: x[1], c: x[2] };
            let beta = Thermistor::Beta { r25_ohm: x[0], beta_kelvin: x[1] };
            let p = Platinum { r0_ohm: x[0], wiring: Wiring::Three { loop_ohm: x[1] } };
            for t in [sh.celsius(ohm), beta.celsius(ohm), p.celsius(ohm)].into_iter().flatten() {
                prop_assert!(t.is_finite());
            }
        }
    }
}
