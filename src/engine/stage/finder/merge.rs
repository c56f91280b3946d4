//! Hypotheses that enter the same phase in the same bin become one.
//!
//! Its probability is theirs together. What it has been through is told by the *way* that
//! most of them came, that is by which slots they went through: milk that ripened and then
//! was set came otherwise than milk that was set at once, and the middle of the two would be
//! a time at which nothing happened. Its trend is that of the likeliest of all. When it went on is told by the most likely of that way
//! and what lies near it.

use super::{Finder, MOST_SLOTS, NEVER, WORTH_SPAWNING};
use crate::engine::bins::Bin;

/// Near: within so many bins (five minutes).
const NEAR_BINS: f32 = 30.0;

/// A hypothesis that may leave for another phase.
#[derive(Debug, Clone, Copy)]
pub(super) struct Leaving {
    /// The node it enters.
    pub to: usize,
    /// The slots it has been through, a bit each.
    pub been: u32,
    /// Its place among the hypotheses.
    pub of: usize,
    /// Logarithm of the probability.
    pub w: f64,
}

/// The slots that a path has been through, a bit each.
pub(super) fn been(path: &[f32; MOST_SLOTS]) -> u32 {
    path.iter().enumerate().filter(|(_, place)| **place > NEVER).fold(0, |been, (slot, _)| been | 1 << slot)
}

impl Finder {
    /// Merges what leaves for one phase; sorted by `been`.
    pub(super) fn merge(&mut self, leaving: &[Leaving], bin: &Bin) {
        let likeliest = |way: &[Leaving]| way.iter().max_by(|a, b| a.w.total_cmp(&b.w)).copied();
        let Some(first) = likeliest(leaving).filter(|l| l.w > WORTH_SPAWNING) else { return };
        let best = first.w;
        let share = |l: &Leaving| libm::exp(l.w - best);
        let mass = |way: &[Leaving]| way.iter().map(share).sum::<f64>();
        let ways = leaving.chunk_by(|a, b| a.been == b.been);
        let Some(way) = ways.max_by(|a, b| mass(a).total_cmp(&mass(b))) else { return };
        let Some(told) = likeliest(way) else { return };
        let slot = self.grammar.nodes[self.hyps[told.of].node].slot;
        let about = self.hyps[told.of].path[slot];
        let (mut sum, mut place) = (0.0, 0.0);
        for l in way {
            let h = &self.hyps[l.of];
            if self.grammar.nodes[h.node].slot == slot && (h.path[slot] - about).abs() <= NEAR_BINS {
                sum += share(l);
                place += share(l) * f64::from(h.path[slot]);
            }
        }
        self.spawn(told.to, best + libm::log(mass(leaving)), told.of, (place / sum) as f32, bin);
        let trend = self.trend_of(first.to, first.of, bin);
        if let Some(spawned) = self.spawned.last_mut() {
            spawned.kf = trend;
        }
    }
}
