//! Why a reading is doubted, or why there is none: typed, with plain words.

use std::fmt;

use crate::engine::event::Name;

/// Why a reading is not plainly good.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub enum Reason {
    /// It is good.
    #[default]
    Fine,
    /// There is no number.
    Missing(Missing),
    /// There is a number, and a doubt about it.
    Doubt(Doubt),
}

impl Reason {
    /// Whether there is nothing to say.
    pub fn is_fine(&self) -> bool {
        matches!(self, Self::Fine)
    }
}

/// Why there is no number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Missing {
    /// The source gave no number and no reason.
    NoNumber,
    /// The source gave no number, or says that it is none, in these words.
    Said(Name),
    /// Not a finite number.
    NotFinite,
    /// Beyond what milk, air or steam can be.
    OutOfRange,
    /// A digital sensor's value after power-on (85 °C), not a measurement.
    PowerOn,
    /// A single reading, or a few, far off the neighbours.
    Spike,
    /// The box sends the same count again: an old reading.
    Repeated,
    /// The box's counter stands still.
    Frozen,
    /// The cold junction's own sensor is out of range.
    ColdJunctionFailed,
    /// Falls while the milk is heated: the wires are swapped.
    Reversed,
    /// Nothing was heard for too long.
    Silent,
}

/// Why a number is doubted.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Doubt {
    /// The source doubts it, in these words.
    Said(Name),
    /// Falls faster than any kettle: lifted out of the milk.
    Lifted,
    /// Rises as a probe does that was put in or back.
    PutIn,
    /// Readings jump without settling: a wire or plug makes bad contact.
    BadContact,
    /// Rises for longer and faster than milk can, or scatters as no milk does:
    /// touches the wall or the bottom.
    Wall,
    /// The box is hotter than it should be (°C rounded).
    ColdJunctionHot(i16),
    /// The box warms or cools so fast that its own gradient matters.
    ColdJunctionDrifting,
    /// Many readings are lost on the way.
    DropOuts,
    /// Answers more slowly than it used to, so many tenths as slow: a coat.
    Coated(u16),
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Fine => Ok(()),
            Self::Missing(m) => m.fmt(f),
            Self::Doubt(d) => d.fmt(f),
        }
    }
}

impl fmt::Display for Missing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::NoNumber => "the source gave no number",
            Self::Said(words) => words,
            Self::NotFinite => "not a finite number",
            Self::OutOfRange => "out of range: no milk, air or steam is that hot or cold",
            Self::PowerOn => "power-on value of the sensor, not a measurement",
            Self::Spike => "spike: far off its neighbours",
            Self::Repeated => "an old reading sent again",
            Self::Frozen => "frozen: the box's counter stands still",
            Self::ColdJunctionFailed => "cold junction out of range",
            Self::Reversed => "polarity reversed: falls while the milk is heated; swap the wires",
            Self::Silent => "silent: nothing heard from the probe",
        })
    }
}

impl fmt::Display for Doubt {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Said(words) => words,
            Self::Lifted => "lifted out of the milk: falls faster than a kettle can",
            Self::PutIn => "just put in: not settled yet",
            Self::BadContact => "jumps about: look at plug and wire",
            Self::Wall => "touches the wall or the bottom: hang it free",
            Self::ColdJunctionHot(celsius) => {
                return write!(f, "box hot ({celsius} °C): move it away from the fire");
            }
            Self::ColdJunctionDrifting => "box warms or cools fast: keep it from fire and draught",
            Self::Coated(tenths) => {
                let times = f64::from(*tenths) / 10.0;
                return write!(f, "answers {times:.1} times as slowly as it used to: wipe the tip clean");
            }
            Self::DropOuts => "many readings lost on the way: look at cable or radio",
        })
    }
}
