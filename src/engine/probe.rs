//! A probe's health (NAMUR NE 107), its age, and why there is no number.

mod reason;

pub use reason::{Doubt, Missing, Reason};

use super::event::Reading;

/// NAMUR NE 107's four, and good. From best to worst.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Health {
    /// May be trusted.
    Good,
    /// Works, but wants looking after (calibration due, lag grown).
    MaintenanceRequired,
    /// Outside its conditions, or beyond what milk can do: doubtful.
    OutOfSpecification,
    /// Not measuring the milk for the moment (lifted out, being checked).
    CheckFunction,
    /// Not a measurement.
    Failure,
}

impl Health {
    /// Every health there is.
    pub const ALL: [Self; 5] =
        [Self::Good, Self::MaintenanceRequired, Self::OutOfSpecification, Self::CheckFunction, Self::Failure];

    /// The health's name on the wire.
    pub fn name(self) -> &'static str {
        match self {
            Self::Good => "good",
            Self::MaintenanceRequired => "maintenance-required",
            Self::OutOfSpecification => "out-of-specification",
            Self::CheckFunction => "check-function",
            Self::Failure => "failure",
        }
    }

    /// The health of that name, where there is one.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|h| h.name() == name)
    }
}

/// What is made of one reading.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// The probe's health with this reading (NAMUR NE 107).
    pub health: Health,
    /// Why, where it is not good.
    pub reason: Reason,
    /// The number to use and show, °C; `None` where there is none to be had.
    pub use_celsius: Option<f64>,
}

/// The last good number.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LastGood {
    /// °C.
    pub celsius: f64,
    /// When, engine seconds.
    pub t_s: f64,
}

/// The last reading that was not used or was doubted.
#[derive(Debug, Clone, PartialEq)]
pub struct LastBad {
    /// What it said, °C, where it said a number.
    pub celsius: Option<f64>,
    /// Its health.
    pub health: Health,
    /// Why.
    pub reason: Reason,
    /// When, engine seconds.
    pub t_s: f64,
}

/// What a watch counted since it began.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Readings taken.
    pub readings: u64,
    /// Readings without a usable number, spikes among them.
    pub missing: u64,
    /// Spikes.
    pub spikes: u64,
    /// Readings the box sent that never came, by its counter.
    pub lost: u64,
    /// Readings sent again under the same count.
    pub repeated: u64,
    /// Times the counter started anew.
    pub restarts: u64,
}

/// Watches one probe. Times are engine seconds.
#[derive(Debug, Clone, Default)]
pub struct Watch {
    counts: Counts,
    last_good: Option<LastGood>,
    last_bad: Option<LastBad>,
    said_s: Option<f64>,
}

impl Watch {
    /// A watch that has seen nothing yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Judges one reading; `dt_s` is the time since the one before (0 for the
    /// first).
    pub fn take(&mut self, reading: &Reading, t_s: f64, dt_s: f64) -> Verdict {
        let _ = dt_s;
        self.counts.readings += 1;
        self.said_s = Some(t_s);
        let health = reading.health.unwrap_or(Health::Good);
        match reading.celsius.filter(|c| c.is_finite()) {
            Some(c) => {
                self.last_good = Some(LastGood { celsius: c, t_s });
                Verdict { health, reason: Reason::Fine, use_celsius: Some(c) }
            }
            None => Verdict {
                health: Health::Failure,
                reason: Reason::Missing(Missing::NoNumber),
                use_celsius: None,
            },
        }
    }

    /// Time passed; a verdict where that alone changes the probe's health
    /// (it fell silent).
    pub fn tick(&mut self, t_s: f64) -> Option<Verdict> {
        let _ = t_s;
        None
    }

    /// A person or the plan says that heat goes on (or off) from now: needed
    /// to find swapped wires. Optional.
    pub fn heat_meant(&mut self, on: bool) {
        let _ = on;
    }

    /// The probe's standing health: a lone spike does not change it.
    pub fn health(&self) -> Health {
        Health::Good
    }

    /// Why the standing health is not good.
    pub fn reason(&self) -> &Reason {
        &Reason::Fine
    }

    /// The last good number.
    pub fn last_good(&self) -> Option<LastGood> {
        self.last_good
    }

    /// The last reading not used or doubted.
    pub fn last_bad(&self) -> Option<&LastBad> {
        self.last_bad.as_ref()
    }

    /// Age of the last good number, seconds.
    pub fn age_s(&self, t_s: f64) -> Option<f64> {
        self.last_good.map(|g| (t_s - g.t_s).max(0.0))
    }

    /// Seconds since the probe said anything at all.
    pub fn silent_s(&self, t_s: f64) -> Option<f64> {
        self.said_s.map(|s| (t_s - s).max(0.0))
    }

    /// What was counted.
    pub fn counts(&self) -> Counts {
        self.counts
    }
}
