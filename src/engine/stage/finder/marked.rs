//! What a person's mark does to the hypotheses.

use super::{Finder, NEVER, Node};
use crate::engine::bins::BIN_S;
use crate::engine::stage::Stage;
use crate::engine::stage::grammar::Phase;
use crate::engine::stage::hypothesis::{Hypothesis, entry};

/// What stands for less than this before it is renneted was only waited for, seconds.
const RIPENS_S: f64 = 600.0;

/// What does not lead to the marked stage, or is held not to be left yet, is believed
/// less by this (natural logarithm): whoever stands at the kettle sees more.
const UNLIKELY: f64 = 9.0;
/// What is believed in spite of the mark.
const IN_SPITE: f64 = 8.0;

impl Finder {
    /// A person says that `slot` begins at `at_s`. Every hypothesis goes there, with
    /// what it has been through, as likely as it would have gone by itself; what is
    /// there already, or beyond it, comes to its beginning.
    pub fn enter(&mut self, slot: usize, at_s: f64) {
        let zero_s = self.zero_s.unwrap_or(at_s);
        let place = ((at_s - zero_s) / BIN_S).max(0.0) as f32;
        let Some(node) = self.grammar.nodes.iter().position(|n| n.slot == slot) else { return };
        let mut entered: Vec<Hypothesis> =
            self.hyps.iter().map(|h| self.entered(h, node, slot, place)).collect();
        let best = entered.iter().map(|h| h.w).fold(f64::NEG_INFINITY, f64::max);
        for h in &mut entered {
            h.w -= best;
        }
        for h in &mut self.hyps {
            h.w -= IN_SPITE;
        }
        self.hyps.append(&mut entered);
        self.prune();
    }

    fn entered(&self, h: &Hypothesis, node: usize, slot: usize, place: f32) -> Hypothesis {
        let from = &self.grammar.nodes[h.node];
        let mut to = h.clone();
        if from.slot != slot {
            let phase = self.grammar.nodes[node].phase;
            let goes = from.next.iter().find(|(n, _)| self.grammar.nodes[*n].slot == slot);
            let leaves = from.ln_stay_leave((self.bin - h.entered).max(0) as usize).1;
            to.w += goes.map_or(-UNLIKELY, |(_, ln_share)| ln_share + leaves).max(-UNLIKELY);
            to.kf = h.kf.enter(&entry(phase, Phase::Rest, 0.0), false);
            to.node = node;
            to.entered = self.bin;
        }
        self.call_ripening(&mut to, slot, place);
        to.path[slot] = place;
        for later in &mut to.path[slot + 1..] {
            *later = NEVER;
        }
        to
    }

    /// Whether the milk or curd is on its way to `slot`, or there: what follows shows
    /// in the trace when it came there.
    pub fn leads_to(&self, slot: usize) -> bool {
        self.mass(|n| n.slot != 0 && n.slot <= slot) > 0.5
    }

    /// Whether `slot` was entered not much longer before `at_s` than this, seconds.
    pub fn has_entered(&self, slot: usize, at_s: f64, within_s: f64) -> bool {
        let since = (at_s - within_s - self.zero_s.unwrap_or(at_s)) / BIN_S;
        let p: f64 =
            self.hyps.iter().filter(|h| f64::from(h.path[slot]) >= since.max(0.0)).map(|h| h.p).sum();
        p > 0.5
    }

    /// A person says that `slot` will begin at `at_s`, soon: what stood so far, or was
    /// stirred since, was on its way there.
    pub fn expect(&mut self, slot: usize, at_s: f64) {
        let zero_s = self.zero_s.unwrap_or(at_s);
        let place = ((at_s - zero_s) / BIN_S).max(0.0) as f32;
        let been = |h: &Hypothesis| h.path[slot] > NEVER && h.path[slot] < place;
        let mut back: Vec<Hypothesis> = Vec::new();
        for h in self.hyps.iter_mut().filter(|h| been(h)) {
            back.push(h.clone());
            h.w -= IN_SPITE;
        }
        back.retain_mut(|h| self.before(h, slot, place));
        self.hyps.append(&mut back);
        self.prune();
    }

    /// Puts a hypothesis before `slot`: stirred, on its way there.
    fn before(&self, h: &mut Hypothesis, slot: usize, place: f32) -> bool {
        self.call_ripening(h, slot, place);
        for later in &mut h.path[slot..] {
            *later = NEVER;
        }
        let stirred = |n: &Node| {
            let fits = matches!(n.phase, Phase::Tail | Phase::Rennet);
            fits && n.slot < slot && h.path[n.slot] > NEVER
        };
        let Some(node) = self.grammar.nodes.iter().rposition(stirred) else { return false };
        h.kf = h.kf.enter(&entry(self.grammar.nodes[node].phase, Phase::Rest, 0.0), false);
        (h.node, h.entered) = (node, self.bin);
        true
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
