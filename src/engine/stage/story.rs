//! From a distribution to what is told: commitment, revision, withdrawal, and
//! the whole make with hindsight.
//!
//! Invariants: a stage is told once and then only revised or withdrawn; what a
//! person marked is told as marked; nothing is told of a make that is not yet
//! one (a warming that has not warmed).

use super::belief::{Belief, beliefs};
use super::dated::began;
use super::finder::{Finder, GIVEN_UP_C, MOST_SLOTS};
use super::history::History;
use super::hypothesis::HOTTEST_MILK_C;
use super::{Basis, Stage};
use crate::engine::bins::BIN_S;

mod evidence;

pub(super) use evidence::WHEY_BEYOND_C;

/// Told once the probability reaches this.
const COMMIT: f64 = 0.8;
/// A first cook sooner, so that it is told within a minute.
const COMMIT_COOK: f64 = 0.22;
/// Taken back once it falls below this, and a cook below this.
const WITHDRAW: f64 = 0.2;
const WITHDRAW_COOK: f64 = 0.07;
/// A better boundary is told again where it moved by this much, seconds.
const WORTH_REVISING_S: f64 = 25.0;
/// How long after it was told a boundary is still revised, seconds.
const REVISABLE_S: f64 = 7200.0;

/// A drawing after the cook is not taken back for a lift once it is so old, seconds.
const DRAWN_S: f64 = 480.0;

/// What the finder is sure of holds so often, in simulated makes.
const SURE: f64 = 0.95;

/// A cook may end so far below its target, °C.
pub(super) const COOKED_C: f64 = 0.6;
/// What was told, and is marked to begin within this, is not taken back, seconds.
const ANNOUNCED_S: f64 = 240.0;

/// What is warmed beyond this, °C, and beyond where milk was to be warmed by that, is none.
const NO_MILK_C: f64 = 52.0;
const BEYOND_WARMED_C: f64 = 8.0;

/// A boundary in the midst of a silence so long is known by the time that went by, seconds.
const UNSEEN_S: f64 = 1200.0;

/// A stage as told.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// Its place in the grammar.
    pub slot: usize,
    /// Which stage.
    pub stage: Stage,
    /// When it began, engine seconds.
    pub began_s: f64,
    /// Probability that the boundary holds.
    pub confidence: f64,
    /// What it rests on.
    pub basis: Basis,
    pub(super) first_s: f64,
    last_s: f64,
    /// It holds by definition: the target was reached, or a person marked what came
    /// after it.
    by_definition: bool,
}

/// What changed in what is told.
#[derive(Debug, Clone, PartialEq)]
pub enum Telling {
    /// A stage is told for the first time.
    Began(Told),
    /// A better boundary.
    Revised(Told),
    /// Taken back.
    Withdrawn(Told),
}

/// What has been told of the running make.
#[derive(Debug, Default)]
pub(super) struct Story {
    pub told: Vec<Told>,
    /// What was warmed goes on where no milk is set: water, or milk that is cooled back.
    pub doubted: bool,
}

impl Story {
    /// The stage running now, as told.
    pub fn current(&self) -> Option<&Told> {
        self.told.last()
    }

    /// Brings what is told up to the finder's belief.
    pub fn update(&mut self, f: &Finder, history: &History, now_s: f64, out: &mut Vec<Telling>) {
        let beliefs = beliefs(f);
        self.withdraw(f, &beliefs, now_s, out);
        self.withdraw_water(f, history, out);
        for (slot, b) in beliefs.iter().enumerate().take(f.grammar.slots.len()).skip(1) {
            if f.grammar.slots[slot].stage == Stage::Idle {
                continue;
            }
            let known = self.told.iter().position(|t| t.slot == slot);
            match known {
                None => {
                    if b.reached >= commit(f, slot) && self.may_tell(f, slot, b, history) {
                        let told = self.compose(f, history, slot, b, now_s);
                        self.insert(told.clone());
                        out.push(Telling::Began(told));
                    }
                }
                Some(i) => self.revise(i, f, history, b, now_s, out),
            }
        }
        self.reach(f, history, now_s, out);
    }

    /// The drawing that is told last, where it is one for good: curd that was stirred out, or
    /// settled, and is out for so long is drawn, and what the probe is in then is its whey.
    pub fn drawn(&self, now_s: f64) -> Option<&Told> {
        let [.., before, last] = self.told.as_slice() else { return None };
        let cooked = before.stage > Stage::Cooking && last.stage == Stage::Drawing;
        (cooked && now_s - last.began_s > DRAWN_S).then_some(last)
    }

    fn withdraw(&mut self, f: &Finder, beliefs: &[Belief; MOST_SLOTS], now_s: f64, out: &mut Vec<Telling>) {
        let mut i = 0;
        while i < self.told.len() {
            let t = &self.told[i];
            let fresh = now_s - t.first_s < REVISABLE_S;
            let least = if t.stage == Stage::Cooking { WITHDRAW_COOK } else { WITHDRAW };
            let drawn = self.drawn(now_s).is_some_and(|d| d.slot == t.slot);
            let announced = f.pins.near(t.slot, now_s, ANNOUNCED_S);
            if t.basis != Basis::Mark
                && !t.by_definition
                && fresh
                && !announced
                && !drawn
                && beliefs[t.slot].reached < least
            {
                out.push(Telling::Withdrawn(self.told.remove(i)));
            } else {
                i += 1;
            }
        }
    }

    /// What was taken for milk being warmed, and goes on where no milk is warmed to.
    fn withdraw_water(&mut self, f: &Finder, history: &History, out: &mut Vec<Telling>) {
        let now = history.smooth_at(f.bin as f64 - 1.0);
        let given_up = f.grammar.coldest(0) + GIVEN_UP_C;
        self.doubted &= self.told.is_empty() && now.is_none_or(|c| (given_up..HOTTEST_MILK_C).contains(&c));
        let [only] = self.told.as_slice() else { return };
        if only.stage != Stage::Warming || only.basis == Basis::Mark {
            return;
        }
        let to = f.grammar.slots[only.slot].target_celsius.unwrap_or(0.0);
        let most = NO_MILK_C.max(to + BEYOND_WARMED_C);
        if now.is_some_and(|c| c > most) {
            out.push(Telling::Withdrawn(self.told.remove(0)));
            self.doubted = true;
        }
    }

    fn revise(
        &mut self,
        i: usize,
        f: &Finder,
        history: &History,
        b: &Belief,
        now_s: f64,
        out: &mut Vec<Telling>,
    ) {
        let t = &self.told[i];
        if t.basis == Basis::Mark
            || now_s - t.first_s > REVISABLE_S
            || now_s - t.last_s < 60.0
            // Once a minute is often enough.
            || f.bin % 6 != 0
            || b.reached < COMMIT
        {
            return;
        }
        let mut better = self.compose(f, history, t.slot, b, now_s);
        // What the trace does not show is not worth telling again and again.
        let no_news = (better.began_s - t.began_s).abs() < WORTH_REVISING_S || better.basis == Basis::Plan;
        if no_news {
            return;
        }
        (better.first_s, better.by_definition) = (t.first_s, t.by_definition);
        self.told[i] = better.clone();
        out.push(Telling::Revised(better));
    }

    fn compose(&self, f: &Finder, history: &History, slot: usize, b: &Belief, now_s: f64) -> Told {
        let stage = f.grammar.slots[slot].stage;
        let mut began_s = began(f, history, &self.told, slot, b);
        if let Some(before) = self.told.iter().rev().find(|t| t.slot < slot) {
            began_s = began_s.max(before.began_s + 1.0);
        }
        let tolerance = tolerance_s(stage);
        // A normal belief about the boundary, and the chance that it is none.
        let within =
            if b.sd_s < 1.0 { 0.97 } else { libm::erf(tolerance / (b.sd_s * std::f64::consts::SQRT_2)) };
        // Nothing was heard there: anywhere in the silence it may have been.
        let silent_s = history.silence_around((began_s - f.second_of(0.0)) / BIN_S) as f64 * BIN_S;
        let within = if silent_s < UNSEEN_S { within } else { within.min(2.0 * tolerance / silent_s) };
        let marked = f.pins.near(slot, began_s, 90.0);
        let basis = if marked {
            Basis::Mark
        } else if within < 0.5 || (f.underway && b.place < 1.0) {
            // Nobody saw it begin.
            Basis::Plan
        } else {
            Basis::Trace
        };
        let confidence = (b.reached * within * SURE).clamp(0.01, 0.99);
        Told { slot, stage, began_s, confidence, basis, first_s: now_s, last_s: now_s, by_definition: false }
    }

    /// Reaching the target of a cook is the end of it by definition.
    fn reach(&mut self, f: &Finder, history: &History, now_s: f64, out: &mut Vec<Telling>) {
        let Some(now) = self.told.last() else { return };
        if !matches!(now.stage, Stage::Cooking | Stage::WheyHeating) {
            return;
        }
        let next = now.slot + 1;
        let (Some(target), Some(after)) =
            (f.grammar.slots[now.slot].target_celsius, f.grammar.slots.get(next))
        else {
            return;
        };
        if !matches!(after.stage, Stage::Stirring | Stage::WheyResting) {
            return;
        }
        let start = (now.began_s - f.zero_s.unwrap_or(0.0)) / BIN_S;
        if let Some(place) = history.first_at_or_above(target, start, f.bin as f64) {
            let told = Told {
                slot: next,
                stage: after.stage,
                began_s: f.second_of(place as f32).max(now.began_s + 1.0),
                confidence: 0.9,
                basis: Basis::Trace,
                first_s: now_s,
                last_s: now_s,
                by_definition: true,
            };
            self.told.push(told.clone());
            out.push(Telling::Began(told));
        }
    }

    fn insert(&mut self, told: Told) {
        let at = self.told.iter().position(|t| t.slot > told.slot).unwrap_or(self.told.len());
        self.told.insert(at, told);
    }

    /// What was told last of that stage holds, whatever the trace shows later.
    pub fn holds(&mut self, stage: Stage) {
        if let Some(t) = self.told.iter_mut().rev().find(|t| t.stage == stage) {
            t.by_definition = true;
        }
    }

    /// A person says that `slot` began at `began_s`: what comes after it did not begin
    /// before.
    pub fn mark(&mut self, f: &Finder, slot: usize, began_s: f64, now_s: f64, out: &mut Vec<Telling>) {
        let too_soon = |t: &mut Told| t.slot > slot && t.began_s < began_s;
        out.extend(self.told.extract_if(.., too_soon).map(Telling::Withdrawn));
        let told = Told {
            slot,
            stage: f.grammar.slots[slot].stage,
            began_s,
            confidence: 0.99,
            basis: Basis::Mark,
            first_s: now_s,
            last_s: now_s,
            by_definition: false,
        };
        if let Some(i) = self.told.iter().position(|t| t.slot == slot) {
            self.told[i] = told.clone();
            out.push(Telling::Revised(told));
        } else {
            self.insert(told.clone());
            out.push(Telling::Began(told));
        }
    }

    /// The whole make with hindsight: every stage that is believed at the end.
    pub fn hindsight(&self, f: &Finder, history: &History, now_s: f64) -> Vec<Told> {
        let mut whole = Story::default();
        if self.told.is_empty() {
            return whole.told;
        }
        let beliefs = beliefs(f);
        for (slot, b) in beliefs.iter().enumerate().take(f.grammar.slots.len()).skip(1) {
            if f.grammar.slots[slot].stage == Stage::Idle {
                continue;
            }
            let told = self.told.iter().find(|t| t.slot == slot);
            match told {
                Some(t) if t.basis == Basis::Mark => whole.told.push(t.clone()),
                Some(t) if t.by_definition && b.reached < 0.5 => whole.told.push(t.clone()),
                // Whey is only told of where it was told at the time, and so is the
                // warming of a make that was under way.
                None if f.grammar.slots[slot].stage > Stage::Drawing => {}
                None if f.underway && f.grammar.slots[slot].stage == Stage::Warming => {}
                None if f.grammar.slots[slot].stage == Stage::Ripening && !self.was_left(f, slot, b) => {}
                _ if b.reached >= 0.5 => {
                    let t = whole.compose(f, history, slot, b, now_s);
                    whole.told.push(t);
                }
                _ => {}
            }
        }
        whole.told.sort_by_key(|t| t.slot);
        // Where a person marked that a stage began, none before it began later.
        let mut marked_s = f64::INFINITY;
        for k in (0..whole.told.len()).rev() {
            let t = &whole.told[k];
            if t.began_s >= marked_s {
                whole.told.remove(k);
            } else if t.basis == Basis::Mark {
                marked_s = t.began_s;
            }
        }
        whole.told
    }
}

/// How sure one must be to tell: less of a cook, since a call hangs on it; but
/// not of a second one, which would be called where the first already was.
fn commit(f: &Finder, slot: usize) -> f64 {
    let cooks = |slot: usize| f.grammar.slots[slot].stage == Stage::Cooking;
    if cooks(slot) && !cooks(slot - 1) { COMMIT_COOK } else { COMMIT }
}

/// How far off a boundary may be and still hold, seconds.
pub(super) fn tolerance_s(stage: Stage) -> f64 {
    match stage {
        Stage::Cooking | Stage::Drawing => 60.0,
        Stage::Stirring | Stage::WheyHeating | Stage::WheyResting => 90.0,
        Stage::Warming | Stage::Idle => 120.0,
        Stage::Setting | Stage::Ripening => 180.0,
        Stage::Cutting | Stage::Settling => 240.0,
    }
}
