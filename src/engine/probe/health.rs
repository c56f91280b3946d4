//! NAMUR NE 107's classes of health.

/// NAMUR NE 107's four, and good. From best to worst.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub enum Health {
    /// May be trusted.
    #[default]
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
