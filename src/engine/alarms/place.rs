//! One alarm's place in the set: its machine, and what it said when raised.

use crate::engine::alarm::{Alarm, AlarmKind, AlarmState, Priority};
use crate::engine::effect::AlarmChange;
use crate::engine::event::Name;

/// One alarm and what it said when it was raised.
#[derive(Debug, Clone)]
pub(super) struct Place {
    pub(super) kind: AlarmKind,
    pub(super) alarm: Alarm,
    pub(super) priority: Priority,
    pub(super) sounds: bool,
    pub(super) limit_celsius: Option<f64>,
    pub(super) text: String,
}

impl Place {
    pub(super) fn of(kind: AlarmKind) -> Self {
        Self {
            kind,
            alarm: Alarm::default(),
            priority: Priority::Low,
            sounds: false,
            limit_celsius: None,
            text: String::new(),
        }
    }

    /// The effect that says so.
    pub(super) fn change(&self, state: AlarmState, celsius: Option<f64>, by: Option<&Name>) -> AlarmChange {
        AlarmChange {
            alarm: self.kind,
            state,
            priority: self.priority,
            sounds: self.sounds,
            celsius,
            limit_celsius: self.limit_celsius,
            text: self.text.clone(),
            by: by.cloned(),
        }
    }
}
