//! How the temperature bears on what comes next.

use super::{Finder, GIVEN_UP_C};
use crate::engine::stage::Stage;
use crate::engine::stage::grammar::{COLDEST_C, Phase};
use crate::engine::stage::hypothesis::Hypothesis;

/// What the trade does not do (natural logarithm).
const NEVER_DONE: f64 = 30.0;
/// A probe that was away for this long, bins, and comes back into what is warmer by this,
/// °C, is put into the whey, which is no colder than this below what was drawn, °C.
const AWAY_BINS: i64 = 30;
const PUT_BACK_C: f64 = 4.0;
const WHEY_COLDER_C: f64 = 6.0;
/// What is cooled before it is set was warmer than that by this, °C, and where no plan
/// says where, than this.
const COOLED_C: f64 = 1.5;
const WARM_C: f64 = 35.0;

impl Finder {
    /// How the temperature bears on leaving for `to`: a ramp is left near its
    /// target, a gel is never at 15 °C.
    pub(super) fn aim(&self, h: &Hypothesis, to: usize) -> f64 {
        let (from, node) = (&self.grammar.nodes[h.node], &self.grammar.nodes[to]);
        let level = h.kf.x[0];
        let mut ln = 0.0;
        if to == 0 && self.begun && level > from.coldest + GIVEN_UP_C {
            ln -= 9.0;
        }
        if from.phase == Phase::Ramp {
            if let Some(target) = from.target {
                let gap = (target - level - 3.0 * h.kf.x[1]).max(0.0);
                let near = libm::exp(-0.5 * gap * gap);
                let stage = |slot: usize| self.grammar.slots.get(slot).map(|s| s.stage);
                let between = stage(from.slot + 1) == Some(Stage::Cooking);
                ln += if node.phase == Phase::Pause {
                    if between { 0.0 } else { libm::log(1.1 - near) }
                } else {
                    libm::log(0.12 + 3.0 * near) - (gap - 2.0).clamp(0.0, 5.0)
                };
            }
            ln -= match (self.grammar.slots[from.slot].stage, node.phase) {
                (Stage::Warming, Phase::Pause) if h.has_risen() => 0.0,
                (Stage::Warming, Phase::Pause) => NEVER_DONE,
                (Stage::WheyHeating, _) if level < 50.0 => 6.0,
                _ if level < from.coldest => 6.0,
                // Where milk stands as cold as a room, a room is no milk that was warmed.
                (Stage::Warming, _) if level < COLDEST_C && !h.has_risen() => NEVER_DONE,
                _ => 0.0,
            };
        }
        match (self.grammar.slots[node.slot].stage, node.phase) {
            // Whey goes on the fire after the probe was really out.
            (Stage::WheyHeating, _) if from.phase == Phase::Apart && h.kf.x[1] > h.away_celsius - 6.0 => {
                ln -= 9.0;
            }
            // It may hang there before its fire, put back into what is warmer than the air
            // that the probe was laid into, and hardly colder than it was.
            (Stage::WheyHeating, Phase::Pause) if from.phase == Phase::Apart => {
                let was_away = self.bin - h.entered >= AWAY_BINS && level > h.kf.x[1] + PUT_BACK_C;
                let is_whey = level > h.away_celsius - WHEY_COLDER_C;
                ln -= if was_away && is_whey { 0.0 } else { NEVER_DONE };
            }
            // Heat that comes back below the target goes on with the cook; above
            // it, it is the next one's.
            (Stage::Cooking | Stage::WheyHeating, Phase::Ramp) if from.phase == Phase::Pause => {
                let own = node.slot == from.slot;
                if from.target.is_some_and(|target| own == (level > target - 1.2)) {
                    ln -= 6.0;
                }
            }
            // The second heat of a cook begins where the first was to end.
            (Stage::Cooking, Phase::Ramp) if from.phase == Phase::Ramp => {
                ln -= if from.target.is_some_and(|t| level < t - 2.5) { 8.0 } else { 2.0 };
            }
            (Stage::WheyResting, _) if !h.is_hot_whey(from.target) => ln -= NEVER_DONE,
            // Only what is too warm to be set is cooled.
            (Stage::Warming, Phase::Cool) if level < node.set.unwrap_or(WARM_C) + COOLED_C => {
                ln -= 6.0;
            }
            (Stage::Setting, _) if !(node.coldest..node.hottest.max(46.0)).contains(&level) => ln -= 8.0,
            _ => {}
        }
        ln
    }
}
