//! A probe that was laid aside while the milk goes on.

use super::Finder;
use crate::engine::stage::grammar::Phase;
use crate::engine::stage::hypothesis::Hypothesis;

impl Finder {
    /// What the milk is foreseen to be, °C, where the likeliest hypothesis of it has its
    /// probe laid aside.
    pub fn laid_aside_from(&self) -> Option<f64> {
        let in_milk = |h: &&Hypothesis| self.grammar.nodes[h.node].phase != Phase::Apart;
        let best = self.hyps.iter().filter(in_milk).max_by(|a, b| a.w.total_cmp(&b.w))?;
        best.is_laid_aside().then_some(best.kf.x[0])
    }
}
