//! Thermocouples: from a voltage to a temperature and back.

use std::fmt;

/// A thermocouple's type (IEC 60584-1).
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, serde::Serialize, serde::Deserialize)]
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
}

impl fmt::Display for Couple {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "type {}", self.letter())
    }
}
