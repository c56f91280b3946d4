//! Another plan in the middle of things.

use super::{Telling, Tracker};
use crate::engine::bins::{BIN_S, Bin};
use crate::engine::plan::Plan;
use crate::engine::stage::grammar::Grammar;

/// Bins looked at anew where another plan is followed: two hours.
const LOOKED_AT_ANEW: usize = 720;

impl Tracker {
    /// Another plan: where no make runs, what the trace showed so far is looked at anew,
    /// since the milk may be on the fire already; else targets and lengths of the stages
    /// that both have are taken from here on.
    pub fn replan(&mut self, plan: Option<&Plan>, out: &mut Vec<Telling>) {
        if self.story.told.is_empty() {
            let bins = self.history.last(LOOKED_AT_ANEW);
            let mut end_s = self.finder.second_of(self.finder.bin as f32) - bins.len() as f64 * BIN_S;
            self.restart(plan);
            for celsius in bins {
                end_s += BIN_S;
                let (var_white, slow_var) = self.noise;
                let (mid_s, n) = (end_s - BIN_S / 2.0, u32::from(celsius.is_some()));
                self.bin(&Bin { end_s, celsius, mid_s, n, var_white, away: false }, slow_var, out);
            }
            return;
        }
        let new = Grammar::of(plan);
        let from = self.story.current().map_or(1, |t| t.slot);
        for k in from..self.finder.grammar.slots.len() {
            let stage = self.finder.grammar.slots[k].stage;
            let nth = self.finder.grammar.slots[..k].iter().filter(|s| s.stage == stage).count();
            if let Some(new) = new.slots.iter().filter(|s| s.stage == stage).nth(nth) {
                self.finder.grammar.retarget(k, new.target_celsius);
                self.finder.grammar.slots[k].minutes = new.minutes;
            }
        }
    }
}
