//! One alarm's place in the set: its machine, and what it said when raised.

use super::rules::Finding;
use crate::engine::alarm::{Alarm, AlarmKind, AlarmState, Delays, Priority};
use crate::engine::effect::AlarmChange;
use crate::engine::event::Name;
use crate::engine::said::Said;

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
    pub(super) said: Vec<Said>,
    /// When its cause last came, and the time before.
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
            said: Vec::new(),
            raised_s: [None; 2],
        }
    }

    /// Drives the machine by what was found. Where it stands already and this
    /// is a `new_occasion`, it is called anew, and the answer is yes.
    pub(super) fn drive(&mut self, found: &Finding, silenced: bool, new_occasion: bool, t_s: f64) -> bool {
        let raised = self.alarm.is_raised();
        self.alarm.suppress(silenced, t_s);
        let off_s = self.off_s(found.delays.off_s, t_s);
        self.alarm.judge(found.condition, Delays { off_s, ..found.delays }, t_s);
        let anew = raised && found.condition && new_occasion;
        if anew {
            self.alarm.call(t_s);
        }
        anew
    }

    /// Its cause came, where there was none before.
    pub(super) fn rose(&mut self, t_s: f64) {
        self.raised_s = [Some(t_s), self.raised_s[0]];
    }

    /// It is called: what it says until it is called again.
    pub(super) fn say(&mut self, found: &Finding, sounds: bool, words: (String, Vec<Said>)) {
        self.priority = found.priority;
        self.sounds = sounds;
        self.limit_celsius = found.limit_celsius;
        (self.text, self.said) = words;
    }

    /// The off-delay: a fault that comes and goes for the third time within an
    /// hour stays raised until it is over for good.
    fn off_s(&self, usual_s: f64, t_s: f64) -> f64 {
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
            said: self.said.clone(),
            by: by.cloned(),
            shelved_for_s: None,
        }
    }
}
