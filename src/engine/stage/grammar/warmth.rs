//! How warm the milk of a slot is meant to be, and may be.

use super::{BELOW_SET_C, COLDEST_C, Grammar};
use crate::engine::plan::HOTTEST_SET_C;
use crate::engine::stage::Stage;

/// Milk that is scalded goes no further beyond its target than this, °C.
const SCALDED_BEYOND_C: f64 = 4.0;

impl Grammar {
    /// Where the milk of a slot is to stand, °C: where the plan sets it, as
    /// [`Plan::set_celsius`] has it, and before that where it was warmed to last, since milk
    /// that is left to its culture in the cold is warmed again. What is warmed beyond
    /// where any milk is set is cooled back first.
    pub fn set_at(&self, slot: usize) -> Option<f64> {
        let of = |k: usize, stage: Stage| {
            let s = &self.slots[k];
            (s.stage == stage).then_some(s.target_celsius).flatten().filter(|c| *c < HOTTEST_SET_C)
        };
        let (upto, all) = (slot.min(self.slots.len() - 1), 0..self.slots.len());
        let last = |stage: Stage| (0..=upto).rev().find_map(|k| of(k, stage));
        let own = last(Stage::Setting).or_else(|| last(Stage::Warming));
        own.or_else(|| all.clone().find_map(|k| of(k, Stage::Setting)))
            .or_else(|| all.rev().find_map(|k| of(k, Stage::Warming)))
    }

    /// No milk of this slot stands below this, °C: lower where the plan has it so, for
    /// curd that sours in the cold. Of a whole make (slot 0) the least of all.
    pub fn coldest(&self, slot: usize) -> f64 {
        let below = |target: Option<f64>| target.map_or(COLDEST_C, |t| (t - BELOW_SET_C).min(COLDEST_C));
        if slot > 0 {
            return below(self.set_at(slot));
        }
        let warmings = self.slots.iter().filter(|s| s.stage == Stage::Warming);
        warmings.map(|s| below(s.target_celsius)).fold(COLDEST_C, f64::min)
    }

    /// Where the plan warms milk beyond where any is renneted (to scald it, or to curdle it by
    /// acid and heat), the milk of this slot may be as warm as this, °C; else 0.
    pub fn hottest(&self, slot: usize) -> f64 {
        let warmings = self.slots[..=slot].iter().filter(|s| s.stage == Stage::Warming);
        let to = warmings.filter_map(|s| s.target_celsius).fold(0.0, f64::max);
        if to < HOTTEST_SET_C { 0.0 } else { to + SCALDED_BEYOND_C }
    }
}
