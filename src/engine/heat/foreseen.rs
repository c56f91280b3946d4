//! What a call foresaw, and whether it comes: what did not come was no call for the heat
//! that comes after it.

use super::{Heat, SLOWEST};
use crate::engine::filter::Trend;

/// A call came to nothing where the milk stands so long after it, seconds, and was never
/// within this of what was foreseen, °C: what rose was warm whey mixed in, or a fire that
/// went out. What heats it then is another heating, and wants its own call.
const NOTHING_AFTER_S: f64 = 240.0;
const SHORT_C: f64 = 0.6;

/// What a call foresaw, and how near it the milk has come since.
#[derive(Debug, Clone, Copy)]
pub(super) struct Foreseen {
    pub called_s: f64,
    pub target: f64,
    pub top: f64,
}

impl Heat {
    /// Whether what the call foresaw comes.
    pub(super) fn follow_call(&mut self, t_s: f64, trend: &Trend) {
        let Some(foreseen) = &mut self.foreseen else { return };
        foreseen.top = foreseen.top.max(trend.level);
        if foreseen.top > foreseen.target - SHORT_C {
            self.foreseen = None;
        } else if t_s - foreseen.called_s > NOTHING_AFTER_S && trend.slope < SLOWEST {
            self.came_to_nothing();
        }
    }

    fn came_to_nothing(&mut self) {
        if !self.is_called() {
            self.foreseen = None;
            self.anew = true;
            return;
        }
        // It still teaches what it can: the forecast itself may have been wrong.
        if self.heating.as_ref().is_some_and(|h| !h.looked_at) {
            self.look_at_the_end();
        }
        self.forget_call();
        self.last_number += 1;
        self.number = self.last_number;
        if let Some(h) = &mut self.heating {
            h.number = self.number;
        }
    }

    /// What was called is no call for what is heated now.
    pub(super) fn forget_call(&mut self) {
        self.foreseen = None;
        let Some(h) = &mut self.heating else { return };
        h.called = None;
        self.calls.retain(|(began_s, _)| began_s.total_cmp(&h.began_s).is_ne());
    }
}
