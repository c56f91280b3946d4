//! What is made of a reading.

use super::Health;
use super::reason::{Doubt, Missing, Reason};
use crate::engine::event::{Name, Reading};

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

impl Verdict {
    /// A number, the worse of what the source and the watch say about it.
    pub(super) fn of(celsius: f64, doubt: Option<Doubt>, reading: &Reading) -> Self {
        let said = reading.health.unwrap_or(Health::Good);
        let found = doubt.as_ref().map_or(Health::Good, Doubt::health);
        let reason = match (doubt, said) {
            (Some(doubt), said) if found >= said => Reason::Doubt(doubt),
            (_, Health::Good) => Reason::Fine,
            _ => Reason::Doubt(Doubt::Said(words(reading))),
        };
        Self { health: said.max(found), reason, use_celsius: Some(celsius) }
    }

    /// No number; the source's own words where it gave none.
    pub(super) fn missing(missing: Missing, reading: &Reading) -> Self {
        let said = reading.health.unwrap_or(Health::Good);
        let health = match missing {
            Missing::NoNumber if said != Health::Good => said,
            Missing::Spike | Missing::Repeated => said.max(Health::OutOfSpecification),
            _ => Health::Failure,
        };
        let missing = match missing {
            Missing::NoNumber if reading.reason.is_some() => Missing::Said(words(reading)),
            other => other,
        };
        Self { health, reason: Reason::Missing(missing), use_celsius: None }
    }
}

/// The source's words, or its health where it gave none.
fn words(reading: &Reading) -> Name {
    let said = reading.reason.as_deref().filter(|r| !r.is_empty());
    Name::from(said.unwrap_or_else(|| reading.health.unwrap_or(Health::Good).name()))
}

impl Doubt {
    /// NAMUR NE 107's class of the doubt.
    fn health(&self) -> Health {
        match self {
            Self::Said(_) | Self::DropOuts | Self::Coated(_) => Health::MaintenanceRequired,
            Self::BadContact | Self::Wall | Self::ColdJunctionHot(_) | Self::ColdJunctionDrifting => {
                Health::OutOfSpecification
            }
            Self::Lifted | Self::PutIn => Health::CheckFunction,
        }
    }
}
