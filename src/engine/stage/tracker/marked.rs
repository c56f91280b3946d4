//! What a person's mark does to the stages: which stage it means, now or soon, and
//! what the maker wants of a heating.

use super::{Belief, Tracker};
use crate::engine::bins::BIN_S;
use crate::engine::event::MarkKind;
use crate::engine::stage::grammar::Phase;
use crate::engine::stage::story::{COOKED_C, Telling, WHEY_BEYOND_C};
use crate::engine::stage::{Basis, Stage};

/// The milk stands this long after the rennet was poured, seconds: it is
/// stirred in, then brought to a stand (common practice, a minute or two).
const RENNET_TO_STAND_S: f64 = 90.0;
/// Where the trace does not show a marked stage so long after it was to begin, seconds,
/// the mark is believed.
const SHOWS_S: f64 = 150.0;

/// What is heated so near below where the milk was to be warmed is curd, °C. Where no plan
/// says, curd and whey are from these on.
const NEARLY_SET_C: f64 = 0.7;
const CURD_FROM_C: f64 = 36.0;
const WHEY_FROM_C: f64 = 58.0;

/// A lift that is followed within so long, seconds, by heat under what reads the same
/// within this, °C, was marked by mistake.
const SLIP_S: f64 = 300.0;
const SAME_C: f64 = 2.0;

/// Where heat goes on towards a target that the cook has not reached, and the milk has
/// risen by this since a lift was marked in it, °C, the curd was not lifted; nor was the
/// probe, if it never fell by that.
const HEATED_ON_C: f64 = 0.5;
const NEVER_OUT_C: f64 = 1.5;
/// So sure must it be that it is that cook's heat.
const HEATED_SURE: f64 = 0.8;

/// A beginning that a mark puts into the near future.
#[derive(Debug)]
pub(super) struct Due {
    slot: usize,
    at_s: f64,
    told: bool,
}

impl Tracker {
    /// A person marked something at `t_s`.
    pub fn mark(&mut self, mark: &MarkKind, t_s: f64, out: &mut Vec<Telling>) {
        let now = self.now().stage;
        let said = match mark {
            MarkKind::Culture if self.is_left_to_culture(now) => Some((Stage::Ripening, t_s, 60.0)),
            MarkKind::Rennet => Some((Stage::Setting, t_s + RENNET_TO_STAND_S, 30.0)),
            MarkKind::Cut => Some((Stage::Cutting, t_s, 8.0)),
            MarkKind::HeatOn => match now {
                Stage::Idle => Some((self.heated_now(), t_s, 20.0)),
                Stage::Drawing if self.lift_was_a_slip(t_s) => {
                    self.forget_lift(out);
                    return self.mark(mark, t_s, out);
                }
                Stage::Drawing => Some((Stage::WheyHeating, t_s, 20.0)),
                Stage::Cutting | Stage::Setting => Some((Stage::Cooking, t_s, 10.0)),
                Stage::Cooking | Stage::Stirring => {
                    if let Some(slot) = self.next_cook() {
                        // Who marks the second heat has seen the first.
                        self.story.holds(Stage::Cooking);
                        self.say_slot(slot, t_s, 10.0, t_s, out);
                    }
                    None
                }
                _ => None,
            },
            MarkKind::Wash if now == Stage::Cutting => Some((Stage::Cooking, t_s, 20.0)),
            MarkKind::Lift => Some((Stage::Drawing, t_s, 20.0)),
            _ => None,
        };
        if let Some((stage, at_s, sd_s)) = said {
            self.say(stage, at_s, sd_s, t_s, out);
        }
    }

    /// What it is that a person heats where nothing was found yet: as warm as milk is set
    /// it is curd, and warmer than that is cooked its whey.
    fn heated_now(&self) -> Stage {
        let target = |stage| {
            let of_kind = self.finder.grammar.slots.iter().find(|s| s.stage == stage);
            of_kind.map(|s| s.target_celsius.unwrap_or(f64::NAN))
        };
        let Some(celsius) = self.history.smooth_at(self.finder.bin as f64 - 1.0) else {
            return Stage::Warming;
        };
        let (warmed, cooked) = (target(Stage::Warming), target(Stage::Cooking));
        let beyond = |limit: Option<f64>, by: f64, or: f64| {
            let limit = limit.map(|l| if l.is_nan() { or } else { l + by });
            limit.is_some_and(|l| celsius > l)
        };
        if target(Stage::WheyHeating).is_some() && beyond(cooked.or(warmed), WHEY_BEYOND_C, WHEY_FROM_C) {
            Stage::WheyHeating
        } else if cooked.is_some() && beyond(warmed.or(cooked), -NEARLY_SET_C, CURD_FROM_C) {
            Stage::Cooking
        } else {
            Stage::Warming
        }
    }

    /// Whether what was marked as lifted just now hangs in the same as before, on the
    /// same fire: the mark was a slip.
    fn lift_was_a_slip(&self, t_s: f64) -> bool {
        let Some(told) = self.story.current().filter(|t| t.stage == Stage::Drawing) else { return false };
        let place = (told.began_s - self.finder.second_of(0.0)) / BIN_S;
        let (before, now) =
            (self.history.smooth_at(place - 3.0), self.history.at(self.finder.bin as f64 - 1.0));
        let the_same = before.zip(now).is_some_and(|(a, z)| (z - a).abs() < SAME_C);
        told.basis == Basis::Mark && t_s - told.began_s < SLIP_S && the_same && self.story.told.len() > 1
    }

    /// Takes back a lift that was marked by mistake, before the curd was cooked: the probe
    /// was never out, and the cook's heat goes on, or comes, as if nothing were. Who
    /// stirred the curd out, or let it settle, may leave the probe in its whey.
    pub(super) fn doubt_lift(&mut self, out: &mut Vec<Telling>) {
        if !self.is_lift_belied() {
            return;
        }
        self.take_back_lift(out);
    }

    /// Whether the cook goes on, or came, that a marked lift would have ended.
    fn is_lift_belied(&self) -> bool {
        let Some((cook, place)) = self.lifted_before() else { return false };
        let now = self.finder.bin as f64 - 1.0;
        let target = self.finder.grammar.slots[cook].target_celsius;
        let rises = |then: f64, celsius: f64| {
            celsius > then + HEATED_ON_C && target.is_some_and(|target| celsius < target)
        };
        let ends = self.history.smooth_at(place - 3.0).zip(self.history.smooth_at(now));
        ends.is_some_and(|(then, celsius)| rises(then, celsius))
            && self.finder.mass(|n| n.slot == cook && n.phase == Phase::Ramp) > HEATED_SURE
    }

    /// The cook that was still to come to its target when a lift was marked, and the place
    /// of the mark, where the probe was never out since.
    pub(super) fn lifted_before(&self) -> Option<(usize, f64)> {
        let [.., before, lift] = self.story.told.as_slice() else { return None };
        let marked = lift.stage == Stage::Drawing && lift.basis == Basis::Mark && self.closed == 0;
        if !marked || before.stage > Stage::Cooking {
            return None;
        }
        let slots = &self.finder.grammar.slots;
        let cook = (before.slot..lift.slot).find(|&k| slots[k].stage == Stage::Cooking)?;
        let place = |s: f64| (s - self.finder.second_of(0.0)) / BIN_S;
        let (lifted, now) = (place(lift.began_s), self.finder.bin as f64 - 1.0);
        let reached = self.history.first_at_or_above(slots[cook].target_celsius?, place(before.began_s), now);
        let stayed = || self.history.never_fell_by(NEVER_OUT_C, lifted - 3.0, now);
        (reached.is_none() && stayed()).then_some((cook, lifted))
    }

    fn take_back_lift(&mut self, out: &mut Vec<Telling>) {
        let Some(lift) = self.story.told.pop() else { return };
        self.finder.pins.remove(lift.slot);
        out.push(Telling::Withdrawn(lift));
    }

    /// The curd was not lifted: the stage before goes on.
    fn forget_lift(&mut self, out: &mut Vec<Telling>) {
        self.take_back_lift(out);
        if let Some(before) = self.story.current().cloned() {
            self.finder.enter(before.slot, before.began_s);
        }
        self.belief = Belief::of(&self.finder, &self.story);
    }

    /// Whether milk to which culture is given now is left to it: warmed, and off
    /// the fire. Culture that goes into cold milk says nothing of the stage.
    fn is_left_to_culture(&self, now: Stage) -> bool {
        now == Stage::Warming && self.heating() < 0.5
    }

    /// The slot of the cook that the plan has after the one that is done: where
    /// the heat comes back, it is that one. Heat that comes back below the target
    /// goes on with the same.
    pub(super) fn next_cook(&self) -> Option<usize> {
        let slots = &self.finder.grammar.slots;
        let done = self.story.told.iter().rev().find(|t| t.stage == Stage::Cooking)?.slot;
        let (_, top) = self.top.filter(|t| t.0 == done)?;
        let reached = slots[done].target_celsius.is_none_or(|target| top >= target - COOKED_C);
        (done + 1..slots.len()).find(|&k| slots[k].stage == Stage::Cooking).filter(|_| reached)
    }

    /// A person says which stage it is, from now on.
    pub fn set(&mut self, stage: Stage, t_s: f64, out: &mut Vec<Telling>) {
        self.say(stage, t_s, 5.0, t_s, out);
    }

    fn say(&mut self, stage: Stage, at_s: f64, sd_s: f64, t_s: f64, out: &mut Vec<Telling>) {
        let last = self.story.current().map_or(0, |t| t.slot);
        let slots = &self.finder.grammar.slots;
        let of_kind = |k: &usize| slots[*k].stage == stage;
        let after = (last.max(1)..slots.len()).find(of_kind);
        // What was given in a make that ended is not gone back to.
        let back = || (1..slots.len()).find(of_kind).filter(|_| self.closed == 0);
        let Some(slot) = after.or_else(back) else { return };
        self.say_slot(slot, at_s, sd_s, t_s, out);
    }

    fn say_slot(&mut self, slot: usize, at_s: f64, sd_s: f64, t_s: f64, out: &mut Vec<Telling>) {
        self.finder.pins.add(slot, at_s, sd_s);
        if at_s > t_s {
            self.due.retain(|due| due.slot != slot);
            self.due.push(Due { slot, at_s, told: false });
            self.finder.expect(slot, at_s);
        } else {
            // What was to come before it has come.
            for due in &mut self.due {
                due.at_s = due.at_s.min(at_s - 1.0);
            }
            self.tell_due(t_s, out);
            self.due.clear();
            self.finder.enter(slot, at_s);
            self.story.mark(&self.finder, slot, at_s, t_s, out);
        }
        self.belief = Belief::of(&self.finder, &self.story);
    }

    /// Tells what a mark announced and is on now.
    pub(super) fn tell_due(&mut self, now_s: f64, out: &mut Vec<Telling>) {
        for mut due in std::mem::take(&mut self.due) {
            let on = now_s >= due.at_s;
            if on && !due.told {
                self.story.mark(&self.finder, due.slot, due.at_s, now_s, out);
                due.told = true;
            }
            if on && self.finder.has_entered(due.slot, due.at_s, SHOWS_S) {
                continue;
            }
            if on && (now_s >= due.at_s + SHOWS_S || !self.finder.leads_to(due.slot)) {
                self.finder.enter(due.slot, due.at_s);
                continue;
            }
            self.due.push(due);
        }
    }

    /// The maker changes his mind about the running stage's target, or about
    /// the next one's that has a target where the running one has none. Curd that
    /// is stirred has the target of its cook.
    pub fn set_target(&mut self, celsius: f64) {
        let from = self.story.current().map_or(1, |t| t.slot);
        let g = &mut self.finder.grammar;
        let stage = |k: usize| g.slots.get(k).map(|s| s.stage);
        let heats =
            |k: &usize| matches!(stage(*k), Some(Stage::Warming | Stage::Cooking | Stage::WheyHeating));
        // Curd that is stirred out at the target of its cook is cooked on.
        let cooked = || self.story.told.iter().rev().find(|t| t.stage == Stage::Cooking).map(|t| t.slot);
        let slot = if stage(from) == Some(Stage::Stirring) && stage(from + 1) != Some(Stage::Cooking) {
            cooked()
        } else {
            (from..g.slots.len()).find(heats)
        };
        let Some(slot) = slot else { return };
        g.retarget(slot, Some(celsius));
    }
}
