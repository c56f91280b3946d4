//! Hypotheses that enter the same phase in the same bin become one.
//!
//! Its probability is theirs together, its trend that of the likeliest. What it has been
//! through is told by the *way* that most of them came, that is by which slots they went
//! through: milk that ripened and then was set came otherwise than milk that was set at
//! once, and the middle of the two would be a time at which nothing happened. When it went
//! on is told by the likeliest of that way and what lies near it.

use super::{Finder, MOST_SLOTS, NEVER};
use crate::engine::bins::Bin;

/// Near: within so many bins (five minutes).
const NEAR_BINS: f32 = 30.0;

/// What falls this far behind the likeliest that enters the same phase adds nothing to it
/// (natural logarithm).
pub(super) const NEGLIGIBLE: f64 = 12.0;

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
    /// Merges what leaves for one phase, sorted by `been`; the likeliest of it is `best`.
    pub(super) fn merge(&mut self, leaving: &[Leaving], best: f64, bin: &Bin) {
        let likeliest = |way: &[Leaving]| way.iter().max_by(|a, b| a.w.total_cmp(&b.w)).copied();
        let mass_of = |l: &Leaving| libm::exp(l.w - best);
        let (mut mass, mut most, mut way) = (0.0, 0.0, leaving);
        for one in leaving.chunk_by(|a, b| a.been == b.been) {
            let of_one = one.iter().map(mass_of).sum();
            mass += of_one;
            if of_one > most {
                (most, way) = (of_one, one);
            }
        }
        let (Some(first), Some(told)) = (likeliest(leaving), likeliest(way)) else { return };
        let slot = self.grammar.nodes[self.hyps[told.of].node].slot;
        let about = self.hyps[told.of].path[slot];
        let (mut sum, mut place) = (0.0, 0.0);
        for l in way {
            let h = &self.hyps[l.of];
            if self.grammar.nodes[h.node].slot == slot && (h.path[slot] - about).abs() <= NEAR_BINS {
                let share = mass_of(l);
                sum += share;
                place += share * f64::from(h.path[slot]);
            }
        }
        let path = self.path_into(told.to, told.of, (place / sum) as f32);
        self.spawn(first.to, best + libm::log(mass), first.of, path, bin);
    }

    /// The path of `parent`, whose slot was entered at `place`, on into the phase `to`.
    pub(super) fn path_into(&self, to: usize, parent: usize, place: f32) -> [f32; MOST_SLOTS] {
        let p = &self.hyps[parent];
        let (from, into) = (self.grammar.nodes[p.node].slot, self.grammar.nodes[to].slot);
        let mut path = p.path;
        if from != 0 {
            path[from] = place;
        }
        if into == 0 {
            path = [NEVER; MOST_SLOTS];
        } else if into != from {
            path[into] = self.bin as f32;
        }
        path
    }
}

#[cfg(test)]
mod tests {
    use super::{Bin, Finder, NEVER};
    use crate::engine::plan::{Plan, PlannedStage};
    use crate::engine::stage::Stage;
    use crate::engine::stage::grammar::{Grammar, Phase};

    /// Milk that was set at bin 60, or ripened and was set at about 250, the latter likelier
    /// together and each of it less likely: it is cut, and was set at about 250.
    #[test]
    fn a_stage_is_dated_by_the_way_that_most_came() {
        let lasting = |kind, minutes| PlannedStage { minutes: Some(minutes), ..PlannedStage::of(kind) };
        let stages = vec![
            PlannedStage { to_celsius: Some(32.0), ..PlannedStage::of(Stage::Warming) },
            lasting(Stage::Ripening, 40.0),
            lasting(Stage::Setting, 35.0),
        ];
        let mut f = Finder::new(Grammar::of(Some(&Plan { stages, ..Plan::default() })));
        let slot = |stage| f.grammar.slots.iter().position(|s| s.stage == stage).unwrap();
        let (ripening, setting) = (slot(Stage::Ripening), slot(Stage::Setting));
        let gel = f.grammar.nodes.iter().position(|n| n.phase == Phase::Gel).unwrap();
        let was_set = |ripened: f32, set: f32, p: f64| {
            let mut h = Finder::nowhere();
            (h.node, h.entered, h.w) = (gel, set as i64, libm::log(p));
            (h.path[slot(Stage::Warming)], h.path[ripening], h.path[setting]) = (1.0, ripened, set);
            h
        };
        f.hyps = (248u16..253).map(|set| was_set(60.0, f32::from(set), 0.13)).collect();
        f.hyps.push(was_set(NEVER, 60.0, 0.35));
        f.bin = 460;
        let bin =
            Bin { celsius: Some(32.0), n: 10, mid_s: 4605.0, end_s: 4610.0, away: false, var_white: 1.0e-4 };
        f.split(&bin, 4600.0);
        let cut = f.spawned.iter().find(|h| f.grammar.nodes[h.node].phase == Phase::Cut).unwrap();
        assert!((248.0..253.0).contains(&cut.path[setting]), "set at {}", cut.path[setting]);
        assert!((cut.path[ripening] - 60.0).abs() < 0.5, "ripened at {}", cut.path[ripening]);
    }
}
