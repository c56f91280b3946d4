//! What a person's mark does to the hypotheses.

use super::{Finder, NEVER};
use crate::engine::bins::BIN_S;
use crate::engine::stage::Stage;
use crate::engine::stage::grammar::Phase;
use crate::engine::stage::hypothesis::{Hypothesis, entry};

/// What stands for less than this before it is renneted was only waited for, seconds.
const RIPENS_S: f64 = 600.0;

impl Finder {
    /// A person says that `slot` begins at `at_s`: what was not there yet goes
    /// there; what is beyond it already stays if it has been through it.
    pub fn enter(&mut self, slot: usize, at_s: f64) {
        let zero_s = self.zero_s.unwrap_or(at_s);
        let place = ((at_s - zero_s) / BIN_S) as f32;
        let Some(node) = self.grammar.nodes.iter().position(|n| n.slot == slot) else { return };
        let Some(best) = self.hyps.iter().max_by(|a, b| a.w.total_cmp(&b.w)) else { return };
        let mut h = best.clone();
        self.call_ripening(&mut h, slot, place);
        let phase = self.grammar.nodes[node].phase;
        if self.grammar.nodes[h.node].slot != slot {
            h.kf = h.kf.enter(&entry(phase, Phase::Rest, 0.0), false);
            h.node = node;
            h.entered = self.bin;
        }
        h.path[slot] = place.max(0.0);
        for later in &mut h.path[slot + 1..] {
            *later = NEVER;
        }
        h.w = 0.0;
        for other in &mut self.hyps {
            other.w -= 8.0;
        }
        self.hyps.push(h);
        self.prune();
    }

    /// Warm milk that stood long before it was renneted was left to its culture,
    /// though it stood as still as a gel.
    fn call_ripening(&self, h: &mut Hypothesis, slot: usize, place: f32) {
        let stage = |k: usize| self.grammar.slots[k].stage;
        let stood = place - h.path[slot];
        let late = h.path[slot] > NEVER && f64::from(stood) * BIN_S > RIPENS_S;
        let before = slot - 1;
        if late
            && stage(slot) == Stage::Setting
            && stage(before) == Stage::Ripening
            && h.path[before] <= NEVER
        {
            h.path[before] = h.path[slot];
        }
    }
}
