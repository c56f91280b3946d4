//! One alarm's place in the set: its machine, and what it said when raised.

use crate::engine::alarm::{Alarm, AlarmKind, AlarmState, Priority};
use crate::engine::effect::AlarmChange;
use crate::engine::event::Name;

/// Raised twice within this, an alarm recurs, seconds.
const RECURS_WITHIN_S: f64 = 3600.0;
/// A recurring one must be over for this long, seconds.
const RECURRING_OFF_S: f64 = 1200.0;

/// One alarm and what it said when it was raised.
#[derive(Debug, Clone)]
pub(super) struct Place {
    pub(super) kind: AlarmKind,
    pub(super) alarm: Alarm,
    pub(super) priority: Priority,
    pub(super) sounds: bool,
    pub(super) limit_celsius: Option<f64>,
    pub(super) text: String,
    /// When it was last raised, and the time before.
    raised_s: [Option<f64>; 2],
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
            raised_s: [None; 2],
        }
    }

    /// It is raised.
    pub(super) fn note_raised(&mut self, t_s: f64) {
        self.raised_s = [Some(t_s), self.raised_s[0]];
    }

    /// The off-delay: a fault that comes and goes for the third time within an
    /// hour stays raised until it is over for good.
    pub(super) fn off_s(&self, usual_s: f64, t_s: f64) -> f64 {
        let comes_and_goes = matches!(
            self.kind,
            AlarmKind::ProbeFault | AlarmKind::ProbeSilent | AlarmKind::HeatSlow | AlarmKind::HeatFast
        );
        if comes_and_goes && self.raised_s[1].is_some_and(|at| t_s - at < RECURS_WITHIN_S) {
            return RECURRING_OFF_S;
        }
        usual_s
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
