//! One alarm and its states (ISA-18.2).
//!
//! Terms. *Cause*: the condition as it stands after on-delay and off-delay.
//! *Taken*: a person acknowledged it. The state is a function of what was done
//! by people (out of service, shelved), by design (suppressed), of the cause
//! and of whether it was taken; so there is exactly one at any time.
//!
//! Invariants. An alarm whose cause stands is never [`AlarmState::Normal`].
//! A shelving ends by itself. Times are engine seconds and never run backward.
//!
//! Deliberately absent: what an alarm is about (see `alarms`), and latching:
//! every cause may go away by itself.

use super::AlarmState;

/// How long a condition must last before it counts.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Delays {
    /// Seconds from the condition's beginning to the alarm.
    pub on_s: f64,
    /// Seconds from the condition's end to its return.
    pub off_s: f64,
}

/// One alarm. Every method returns the new state where it changed.
#[derive(Debug, Clone, PartialEq)]
#[allow(clippy::struct_excessive_bools, reason = "four independent facts; the state is their function")]
pub struct Alarm {
    state: AlarmState,
    since_s: f64,
    cause: bool,
    taken: bool,
    /// Since when the condition differs from the cause.
    differs_s: Option<f64>,
    shelved_until_s: Option<f64>,
    suppressed: bool,
    out: bool,
}

impl Default for Alarm {
    fn default() -> Self {
        Self {
            state: AlarmState::Normal,
            since_s: 0.0,
            cause: false,
            taken: true,
            differs_s: None,
            shelved_until_s: None,
            suppressed: false,
            out: false,
        }
    }
}

impl Alarm {
    /// Its state.
    pub fn state(&self) -> AlarmState {
        self.state
    }

    /// Since when it is in that state, engine seconds.
    pub fn since_s(&self) -> f64 {
        self.since_s
    }

    /// Whether its cause stands (delays passed), whatever people made of it.
    pub fn is_raised(&self) -> bool {
        self.cause
    }

    /// Whether it is normal and nothing is under way: the quick way past it.
    pub fn is_at_rest(&self) -> bool {
        matches!(self.state, AlarmState::Normal) && self.differs_s.is_none() && !self.suppressed
    }

    /// Takes in the condition as it is now.
    pub fn judge(&mut self, condition: bool, delays: Delays, t_s: f64) -> Option<AlarmState> {
        self.expire(t_s);
        if condition == self.cause {
            self.differs_s = None;
        } else {
            let since = *self.differs_s.get_or_insert(t_s);
            let wait_s = if condition { delays.on_s } else { delays.off_s };
            if t_s - since >= wait_s {
                self.set_cause(condition);
            }
        }
        self.settle(t_s)
    }

    /// Only time passed: a shelving may end.
    pub fn pass(&mut self, t_s: f64) -> Option<AlarmState> {
        self.expire(t_s);
        self.settle(t_s)
    }

    /// A new occurrence, without delay: unacknowledged again even where the
    /// last one was never taken (unless a person or the design silenced it).
    pub fn call(&mut self, t_s: f64) -> Option<AlarmState> {
        self.set_cause(true);
        let changed = self.settle(t_s);
        if changed.is_none() && self.state == AlarmState::Unacknowledged {
            self.since_s = t_s;
            return Some(self.state);
        }
        changed
    }

    /// A person takes it.
    pub fn acknowledge(&mut self, t_s: f64) -> Option<AlarmState> {
        if matches!(self.state, AlarmState::Unacknowledged | AlarmState::ReturnedUnacknowledged) {
            self.taken = true;
        }
        self.settle(t_s)
    }

    /// A person silences it until then. Where it is silent already, another end
    /// is a change too.
    pub fn shelve(&mut self, until_s: f64, t_s: f64) -> Option<AlarmState> {
        let mut moved = false;
        if !self.out && until_s > t_s {
            moved =
                self.shelved_until_s.replace(until_s).is_some_and(|before| (before - until_s).abs() > 0.5);
            self.taken = true;
        }
        self.settle(t_s).or(moved.then_some(self.state))
    }

    /// When its silence ends, engine seconds, where a person shelved it.
    pub fn shelved_until_s(&self) -> Option<f64> {
        self.shelved_until_s
    }

    /// A person ends the shelving.
    pub fn unshelve(&mut self, t_s: f64) -> Option<AlarmState> {
        self.end_shelving();
        self.settle(t_s)
    }

    /// A person takes it out of service, or puts it back.
    pub fn out_of_service(&mut self, out: bool, t_s: f64) -> Option<AlarmState> {
        if self.out && !out {
            self.taken = !self.cause;
        }
        if out {
            self.shelved_until_s = None;
            self.taken = true;
        }
        self.out = out;
        self.settle(t_s)
    }

    /// The design silences it (another alarm speaks for its cause, a flood),
    /// or no longer does: what was taken before stays taken, what came meanwhile is
    /// new.
    pub fn suppress(&mut self, on: bool, t_s: f64) -> Option<AlarmState> {
        self.suppressed = on;
        self.settle(t_s)
    }

    /// The plan has no use for it: normal at once, whatever was.
    pub fn drop_cause(&mut self, t_s: f64) -> Option<AlarmState> {
        self.cause = false;
        self.taken = true;
        self.differs_s = None;
        self.settle(t_s)
    }

    fn expire(&mut self, t_s: f64) {
        if self.shelved_until_s.is_some_and(|until| t_s >= until) {
            self.end_shelving();
        }
    }

    fn end_shelving(&mut self) {
        if self.shelved_until_s.take().is_some() {
            self.taken = !self.cause;
        }
    }

    fn set_cause(&mut self, cause: bool) {
        self.differs_s = None;
        self.cause = cause;
        if cause {
            self.taken = false;
        } else if self.suppressed {
            self.taken = true;
        }
    }

    fn settle(&mut self, t_s: f64) -> Option<AlarmState> {
        let state = if self.out {
            AlarmState::OutOfService
        } else if self.shelved_until_s.is_some() {
            AlarmState::Shelved
        } else if self.suppressed && self.cause {
            AlarmState::Suppressed
        } else {
            match (self.cause, self.taken) {
                (true, false) => AlarmState::Unacknowledged,
                (true, true) => AlarmState::Acknowledged,
                (false, false) => AlarmState::ReturnedUnacknowledged,
                (false, true) => AlarmState::Normal,
            }
        };
        if state == self.state {
            return None;
        }
        self.state = state;
        self.since_s = t_s;
        Some(state)
    }
}

#[cfg(test)]
mod tests {
    use super::AlarmState::{
        Acknowledged, Normal, OutOfService, ReturnedUnacknowledged, Shelved, Suppressed, Unacknowledged,
    };
    use super::*;

    /// What is done to the alarm at second 0, 10, 20, …
    #[derive(Clone, Copy)]
    enum Do {
        On,
        Off,
        Call,
        Take,
        Shelve(f64),
        Unshelve,
        Out(bool),
        Suppress(bool),
        Drop,
    }

    /// On-delay 15 s, off-delay 25 s; the state after each act.
    fn check(acts: &[(Do, AlarmState)]) {
        let delays = Delays { on_s: 15.0, off_s: 25.0 };
        let (mut alarm, mut before) = (Alarm::default(), Normal);
        for (i, (act, expected)) in acts.iter().enumerate() {
            let t = i as f64 * 10.0;
            let changed = match act {
                Do::On => alarm.judge(true, delays, t),
                Do::Off => alarm.judge(false, delays, t),
                Do::Call => alarm.call(t),
                Do::Take => alarm.acknowledge(t),
                Do::Shelve(s) => alarm.shelve(t + s, t),
                Do::Unshelve => alarm.unshelve(t),
                Do::Out(out) => alarm.out_of_service(*out, t),
                Do::Suppress(on) => alarm.suppress(*on, t),
                Do::Drop => alarm.drop_cause(t),
            };
            assert_eq!(alarm.state(), *expected, "after act {i}");
            let again = matches!(act, Do::Call) && *expected == Unacknowledged;
            assert_eq!(changed, (again || before != *expected).then_some(*expected), "change at act {i}");
            before = *expected;
        }
    }

    #[test]
    fn follows_isa_18_2() {
        use Do::{Call, Drop, Off, On, Out, Shelve, Suppress, Take, Unshelve};
        // Raised after its on-delay, taken, returned after its off-delay.
        check(&[
            (On, Normal),
            (On, Normal),
            (On, Unacknowledged),
            (Take, Acknowledged),
            (Off, Acknowledged),
            (Off, Acknowledged),
            (Off, Acknowledged),
            (Off, Normal),
        ]);
        // A flicker shorter than the on-delay is nothing.
        check(&[(On, Normal), (Off, Normal), (On, Normal), (Off, Normal)]);
        // Returned before anybody took it; then raised anew.
        check(&[
            (Call, Unacknowledged),
            (Off, Unacknowledged),
            (Off, Unacknowledged),
            (Off, Unacknowledged),
            (Off, ReturnedUnacknowledged),
            (Call, Unacknowledged),
            (Call, Unacknowledged),
            (Take, Acknowledged),
            (Call, Unacknowledged),
        ]);
        check(&[(Call, Unacknowledged), (Drop, Normal), (Take, Normal)]);
        // Shelved: silent while shelved, back by itself while the cause stands.
        check(&[
            (Call, Unacknowledged),
            (Shelve(15.0), Shelved),
            (Call, Shelved),
            (On, Unacknowledged),
            (Shelve(1000.0), Shelved),
            (Unshelve, Unacknowledged),
        ]);
        check(&[(Shelve(1000.0), Shelved), (Unshelve, Normal), (Shelve(-5.0), Normal)]);
        // Silent for longer than was asked first: a change, so that it is told.
        let mut silent = Alarm::default();
        assert_eq!(silent.shelve(600.0, 0.0), Some(Shelved));
        assert_eq!(silent.shelve(1800.0, 60.0), Some(Shelved));
        assert_eq!(silent.shelve(1800.0, 60.0), None);
        assert_eq!(silent.shelved_until_s(), Some(1800.0));
        // Out of service and back.
        check(&[
            (Out(true), OutOfService),
            (Call, OutOfService),
            (Shelve(100.0), OutOfService),
            (Out(false), Unacknowledged),
        ]);
        // Suppressed by design: shown only while there is a cause.
        check(&[
            (Suppress(true), Normal),
            (Call, Suppressed),
            (Take, Suppressed),
            (Suppress(false), Unacknowledged),
            (Suppress(true), Suppressed),
            (Off, Suppressed),
            (Off, Suppressed),
            (Off, Suppressed),
            (Off, Normal),
        ]);
        // Taken, then suppressed: it comes back as taken, unless it came anew.
        check(&[
            (Call, Unacknowledged),
            (Take, Acknowledged),
            (Suppress(true), Suppressed),
            (Suppress(false), Acknowledged),
            (Suppress(true), Suppressed),
            (Call, Suppressed),
            (Suppress(false), Unacknowledged),
        ]);
    }
}
