//! What a new thermocouple may be off: IEC 60584-1:2013, table of tolerances
//! (classes 1, 2, 3), the larger of a figure in degrees and a share of the
//! temperature. Rows of K, N, T, J were read on pages that print the standard; those of
//! E, R, S and B are from memory.

use super::Couple;

/// A tolerance class.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Class {
    /// Class 1, the better one.
    One,
    /// Class 2, what is sold where nothing is said.
    Two,
    /// Class 3, for the cold.
    Three,
}

/// A row of the table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tolerance {
    /// From, °C.
    pub low_celsius: f64,
    /// To, °C.
    pub high_celsius: f64,
    /// At least this much, °C.
    pub absolute_celsius: f64,
    /// Or this share of the temperature, if that is more.
    pub share: f64,
    /// Types R and S class 1: the share counts from this temperature, °C.
    pub share_from_celsius: f64,
}

const fn row(low: f64, high: f64, absolute: f64, share: f64) -> Tolerance {
    Tolerance {
        low_celsius: low,
        high_celsius: high,
        absolute_celsius: absolute,
        share,
        share_from_celsius: 0.0,
    }
}

impl Couple {
    /// The row of the table; `None` where the standard has none.
    pub fn tolerance(self, class: Class) -> Option<Tolerance> {
        Some(match (self, class) {
            (Self::K | Self::N, Class::One) => row(-40.0, 1000.0, 1.5, 0.004),
            (Self::K | Self::N, Class::Two) => row(-40.0, 1200.0, 2.5, 0.0075),
            (Self::K | Self::N | Self::E, Class::Three) => row(-200.0, 40.0, 2.5, 0.015),
            (Self::T, Class::One) => row(-40.0, 350.0, 0.5, 0.004),
            (Self::T, Class::Two) => row(-40.0, 350.0, 1.0, 0.0075),
            (Self::T, Class::Three) => row(-200.0, 40.0, 1.0, 0.015),
            (Self::J, Class::One) => row(-40.0, 750.0, 1.5, 0.004),
            (Self::J, Class::Two) => row(-40.0, 750.0, 2.5, 0.0075),
            (Self::E, Class::One) => row(-40.0, 800.0, 1.5, 0.004),
            (Self::E, Class::Two) => row(-40.0, 900.0, 2.5, 0.0075),
            (Self::R | Self::S, Class::One) => {
                Tolerance { share_from_celsius: 1100.0, ..row(0.0, 1600.0, 1.0, 0.003) }
            }
            (Self::R | Self::S, Class::Two) => row(0.0, 1600.0, 1.5, 0.0025),
            (Self::B, Class::Two) => row(600.0, 1700.0, 0.0, 0.0025),
            (Self::B, Class::Three) => row(600.0, 1700.0, 4.0, 0.005),
            (Self::B, Class::One) | (Self::J | Self::R | Self::S, Class::Three) => return None,
        })
    }
}

impl Tolerance {
    /// How far off it may be at `celsius`, °C (half width); `None` outside the
    /// row's range.
    ///
    /// ```
    /// use curdtrace::sensor::thermocouple::{Class, Couple};
    /// let k = Couple::K.tolerance(Class::One).unwrap();
    /// assert_eq!(k.at(54.0), Some(1.5));
    /// ```
    pub fn at(self, celsius: f64) -> Option<f64> {
        if !(self.low_celsius..=self.high_celsius).contains(&celsius) {
            return None;
        }
        if self.share_from_celsius > 0.0 {
            let beyond = (celsius - self.share_from_celsius).max(0.0);
            return Some(self.absolute_celsius + self.share * beyond);
        }
        Some(self.absolute_celsius.max(self.share * celsius.abs()))
    }
}
