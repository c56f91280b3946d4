//! A make that was under way when its probe first spoke: milk warm from the cow,
//! a probe hung late, a daemon begun in the middle.

use super::Finder;
use super::{MOST_SLOTS, NEVER};
use crate::engine::stage::Stage;
use crate::engine::stage::grammar::{Grammar, Phase};
use crate::engine::stage::hypothesis::{Hypothesis, entry};
use crate::engine::stage::kf::Kf;

impl Finder {
    /// A finder whose probe hangs in something warm of `celsius`: milk that waits,
    /// a gel, cut curd or a cook, or nothing of the kind.
    pub fn underway(grammar: Grammar, celsius: f64) -> Self {
        let nothing = Hypothesis { kf: Kf::fresh(celsius, 0.3), ..Self::nowhere() };
        let mut hyps = vec![Hypothesis { w: libm::log(0.3), ..nothing.clone() }];
        for (node, n) in grammar.nodes.iter().enumerate() {
            let share = match (grammar.slots[n.slot].stage, n.phase) {
                (Stage::Warming, Phase::Tail) => 0.2,
                (Stage::Setting, Phase::Gel) | (Stage::Ripening, Phase::Rest) => 0.15,
                (Stage::Cutting, _) | (Stage::Cooking, Phase::Ramp) => 0.1,
                _ => continue,
            };
            let mut path = [NEVER; MOST_SLOTS];
            path[n.slot] = 0.0;
            let kf = nothing.kf.enter(&entry(n.phase, Phase::Apart, 0.0), false);
            hyps.push(Hypothesis { node, w: libm::log(share), kf, path, ..nothing.clone() });
        }
        Self { hyps, underway: true, ..Self::new(grammar) }
    }

    /// Where a slot was entered, in bins, where nine in ten say that it was.
    pub fn sure_of(&self, slot: usize) -> Option<f64> {
        let (mut on, mut place) = (0.0, 0.0);
        for h in self.hyps.iter().filter(|h| h.path[slot] > NEVER) {
            on += h.p;
            place += h.p * f64::from(h.path[slot]);
        }
        (on >= 0.9).then(|| place / on)
    }
}
