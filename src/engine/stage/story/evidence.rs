//! What the trace must show before a belief is told: a warming that has warmed, curd that
//! has stood, a drawing that is more than a lift, whey that is no milk.

use super::{COOKED_C, Story, Told};
use crate::engine::bins::BIN_S;
use crate::engine::stage::belief::Belief;
use crate::engine::stage::dated::began;
use crate::engine::stage::finder::Finder;
use crate::engine::stage::history::History;
use crate::engine::stage::warmed::{has_cooled_back, has_warmed, is_cooked, warmed_again};
use crate::engine::stage::{Basis, Stage};

/// A probe out of the whey is colder by more than this after a minute, °C.
const OUT_C: f64 = 1.5;
/// So long it must be out, seconds: longer than a probe is lifted. Where the cook fell short
/// of its target the curd may be put on the fire again, and its call must come: longer still.
const IS_OUT_S: f64 = 70.0;
const SHORT_IS_OUT_S: f64 = 150.0;

/// Whey that was drawn off its curd, or poured back into the kettle, is colder by no
/// more than this, °C; and it cools no faster than so, °C/s (7 °C/h; an open kettle of a
/// hundred litres loses 1.9 °C/h at 32 °C and 5.4 °C/h at 52 °C, computed).
const WHEY_DROPS_C: f64 = 5.0;
const WHEY_COOLS: f64 = 7.0 / 3600.0;
/// Whey that is heated goes beyond where the curd was cooked by this, °C.
pub(in crate::engine::stage) const WHEY_BEYOND_C: f64 = 1.5;

/// A cook that rests below its target for less than this may go on, seconds.
const FLAGS_S: f64 = 480.0;
/// Milk that ripens is left for so long at the least, seconds.
const LEFT_S: f64 = 600.0;
/// Milk stands at least so long before it is curd that is cooked, bins (five minutes),
/// and changes meanwhile by no more than this, °C. What rises on and on is water.
const STANDS_BINS: usize = 30;
const STANDS_C: f64 = 1.0;

/// A probe that is lifted as soon as it hung in the whey is back after so many bins, and by
/// then what it hangs in was heated by no more than this, °C.
const LIFTED_BINS: f64 = 9.0;
const HEATS_SOON_C: f64 = 4.0;

impl Story {
    /// Not every belief may be told: a warming must have warmed, a drawing must
    /// be more than a lift.
    pub(super) fn may_tell(&self, f: &Finder, slot: usize, b: &Belief, history: &History) -> bool {
        let now = f.bin as f64;
        let since_s = (now - b.place) * BIN_S;
        match f.grammar.slots[slot].stage {
            // Milk that is on is warmed again.
            Stage::Warming if !self.told.is_empty() => {
                since_s >= 150.0 && b.reached > 0.9 && warmed_again(history, b.place, now - 1.0)
            }
            Stage::Warming => {
                // It looks far back; twice a minute is often enough.
                f.bin % 3 == 0
                    && since_s >= 150.0
                    && b.reached > 0.9
                    && (has_warmed(f, (slot, b), history) || has_cooled_back(f, b.place, history))
            }
            _ if self.told.is_empty() => f.underway && f.bin % 3 == 0 && is_cooked(f, history),
            Stage::Drawing => {
                // A probe that is out cools; one that reads as before is in.
                let in_whey = history.smooth_at(b.place - 3.0);
                let colder = |now: Option<f64>| now.zip(in_whey).is_none_or(|(a, z)| a < z - OUT_C);
                // Nor is it out any more where it came back just now.
                let is_out_s = if self.fell_short(f, history) { SHORT_IS_OUT_S } else { IS_OUT_S };
                since_s >= is_out_s && colder(history.smooth_at(now - 1.0)) && colder(history.at(now - 1.0))
            }
            Stage::Ripening => self.was_left(f, slot, b),
            // A fire that flags below the target may be fed again, and the call
            // must come all the same.
            Stage::Stirring => {
                let stopped_s = || began(f, history, &self.told, slot, b);
                self.has_cooked(f, slot, COOKED_C, history)
                    || f.second_of(now as f32) - stopped_s() >= FLAGS_S
            }
            // One that burns up below it is no second cook before the first is called.
            Stage::Cooking => {
                (self.has_cooked(f, slot, 0.0, history) || since_s >= FLAGS_S)
                    && self.has_stood(f, b.place, history)
            }
            // Hot water that only stands was never on the fire.
            Stage::WheyResting => self.told.iter().any(|t| t.stage == Stage::WheyHeating),
            Stage::WheyHeating => {
                // Not the step into warm water, which only cools from there.
                let low = history.lowest(b.place + 2.0, b.place + 5.0);
                let low = low.or_else(|| history.smooth_from(b.place + 2.0));
                let rose = history.at(now - 1.0).zip(low).map_or(0.0, |(a, z)| a - z);
                // What is in the kettle still, below where its cook was to end, is cooked on.
                let cook = self.told.iter().rev().find(|t| t.stage == Stage::Cooking);
                let target = cook.and_then(|t| f.grammar.slots[t.slot].target_celsius);
                let cooked_on = self.told.last().is_some_and(|t| t.stage < Stage::Drawing)
                    && history.smooth_at(now - 1.0).zip(target).is_some_and(|(c, t)| c < t + WHEY_BEYOND_C);
                // A probe lifted right after it was put in reads colder than what it hangs in.
                let soon = history.smooth_from(b.place + 2.0 + LIFTED_BINS).map(|c| c - HEATS_SOON_C);
                let is_milk = low.is_some_and(|low| {
                    let least = soon.map_or(low, |soon| soon.max(low));
                    self.is_too_cold_for_whey(f, b.place, least, history)
                });
                since_s >= 60.0 && b.reached > 0.85 && rose >= 1.5 && !cooked_on && !is_milk
            }
            _ => true,
        }
    }

    /// Whether milk that a person renneted was left to its culture before, and not only
    /// stirred for the rennet.
    pub(super) fn was_left(&self, f: &Finder, slot: usize, b: &Belief) -> bool {
        let marked = |t: &&Told| t.slot > slot && t.basis == Basis::Mark;
        let renneted = self.told.iter().find(marked);
        renneted.is_none_or(|t| t.began_s - f.second_of(b.place as f32) >= LEFT_S)
    }

    /// Whether what is heated at `place` can be curd: it stood since it was warmed.
    fn has_stood(&self, f: &Finder, place: f64, history: &History) -> bool {
        let [.., last] = self.told.as_slice() else { return true };
        let warmed = last.stage == Stage::Warming && last.basis != Basis::Mark;
        let began = (last.began_s - f.second_of(0.0)) / BIN_S;
        !warmed || history.stood(began, place + 2.0, STANDS_BINS, STANDS_C)
    }

    /// Whether what goes on the fire at `place` is colder than the whey of the curd that
    /// was drawn can be by then: it is the next milk.
    fn is_too_cold_for_whey(&self, f: &Finder, place: f64, celsius: f64, history: &History) -> bool {
        let Some(drawn) = self.told.iter().rev().find(|t| t.stage == Stage::Drawing) else { return false };
        let bin = (drawn.began_s - f.second_of(0.0)) / BIN_S;
        let stood_s = (place - bin).max(0.0) * BIN_S;
        let whey = history.smooth_at(bin - 6.0);
        whey.is_some_and(|whey| celsius < whey - WHEY_DROPS_C - WHEY_COOLS * stood_s)
    }

    /// Whether the last cook has a target, and never came near it.
    fn fell_short(&self, f: &Finder, history: &History) -> bool {
        let cook = self.told.iter().rev().find(|t| t.stage == Stage::Cooking);
        cook.is_some_and(|t| !self.has_cooked(f, t.slot + 1, COOKED_C, history))
    }

    /// Whether the cook before `slot` came within `short` °C of its target, where
    /// it has one.
    fn has_cooked(&self, f: &Finder, slot: usize, short: f64, history: &History) -> bool {
        let Some(cook) = self.told.iter().rev().find(|t| t.slot < slot) else { return true };
        let target = f.grammar.slots[cook.slot].target_celsius;
        let (Some(target), Stage::Cooking) = (target, cook.stage) else { return true };
        let start = (cook.began_s - f.zero_s.unwrap_or(0.0)) / BIN_S;
        history.first_at_or_above(target - short, start, f.bin as f64).is_some()
    }
}
