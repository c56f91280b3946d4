//! The stages of one kettle: finder, story and history behind one door.

mod cooks;
mod marked;
mod replan;

pub use cooks::CookSeen;

use super::belief::best_phase;
use super::finder::Finder;
use super::grammar::{Grammar, Phase, Slot};
use super::history::History;
use super::story::{Story, Telling, Told};
use super::{Basis, Stage};
use crate::engine::bins::{BIN_S, Bin};
use crate::engine::plan::Plan;

/// A make is told as ended once the curd has been out this long, seconds.
const OUT_S: f64 = 1500.0;
/// A target passed in a silence is called so long after, seconds.
const PASSED_S: f64 = 300.0;
/// A stage that goes on for so long, seconds, and for so many times what is planned, is
/// one whose end nobody saw.
const FORGOTTEN_S: f64 = 86_400.0;
const TIMES_PLANNED: f64 = 3.0;
/// Whey may go on the fire this long after the curd came out, seconds.
const WHEY_WITHIN_S: f64 = 5400.0;

/// A probe that is laid aside is put back within so many bins, six minutes.
const LAID_ASIDE_BINS: i64 = 36;

/// Whey that is heated for its cheese goes beyond this, °C.
pub(super) const WHEY_C: f64 = 60.0;

/// Where a make is now.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Now {
    /// The running stage.
    pub stage: Stage,
    /// When it began, engine seconds.
    pub began_s: f64,
    /// When it was told first, engine seconds.
    pub told_s: f64,
    /// Probability that this holds.
    pub confidence: f64,
    /// What it rests on.
    pub basis: Basis,
    /// Its target, °C.
    pub target_celsius: Option<f64>,
    /// Its planned length, minutes.
    pub minutes: Option<f64>,
    /// Which stage of the make it is, in its order: a kind may come twice. 0 where none runs.
    pub occurrence: usize,
}

impl Now {
    /// No make runs.
    pub const IDLE: Self = Self {
        stage: Stage::Idle,
        began_s: 0.0,
        told_s: 0.0,
        confidence: 1.0,
        basis: Basis::Trace,
        target_celsius: None,
        minutes: None,
        occurrence: 0,
    };
}

/// The stages of one kettle.
#[derive(Debug)]
pub struct Tracker {
    finder: Finder,
    story: Story,
    history: History,
    /// Beginnings that a mark puts into the near future.
    due: Vec<marked::Due>,
    /// How many of the told stages were given in a make that ended.
    closed: usize,
    /// Highest smoothed temperature while the last cook was told of, with its
    /// slot.
    top: Option<(usize, f64)>,
    /// Variance of the last bin by the sensor's own noise, and of ten-second means.
    noise: (f64, f64),
    /// What the finder believes since its last bin; asked far more often.
    belief: Belief,
}

/// Sums over the finder's hypotheses.
#[derive(Debug, Clone, Copy)]
struct Belief {
    heating: f64,
    reheating: f64,
    apart: f64,
    /// A cook that comes after the one told last.
    next_cook: f64,
    /// Milk that was warmed, left to itself.
    stands: f64,
    cut: f64,
}

impl Belief {
    fn of(finder: &Finder, story: &Story) -> Self {
        let last = story.current().map_or(0, |t| t.slot);
        let stage = |slot: usize| finder.grammar.slots[slot].stage;
        Self {
            next_cook: finder.mass(|n| n.slot > last && stage(n.slot) == Stage::Cooking),
            stands: finder.mass(|n| stage(n.slot) > Stage::Warming),
            cut: finder.mass(|n| stage(n.slot) > Stage::Setting),
            heating: finder.mass(|n| n.phase == Phase::Ramp),
            reheating: finder.mass(|n| matches!(n.phase, Phase::Reheat | Phase::GelHeat)),
            apart: finder.mass(|n| n.phase == Phase::Apart),
        }
    }
}

impl Tracker {
    /// A tracker that follows a plan, or the general prior.
    pub fn new(plan: Option<&Plan>) -> Self {
        Self::by(Finder::new(Grammar::of(plan)))
    }

    fn by(finder: Finder) -> Self {
        let story = Story::default();
        Self {
            belief: Belief::of(&finder, &story),
            finder,
            story,
            history: History::default(),
            due: Vec::new(),
            closed: 0,
            top: None,
            noise: (0.0, 1.0e-3),
        }
    }

    /// A tracker of a make that may be under way: its probe hangs in something of
    /// `celsius`, and this one found nothing yet.
    #[must_use]
    pub fn underway(&self, plan: Option<&Plan>, celsius: f64) -> Self {
        let history = self.history.afresh();
        Self { history, ..Self::by(Finder::underway(Grammar::of(plan), celsius)) }
    }

    /// Walks one bin on; `slow_var` is the variance of ten-second means.
    pub fn bin(&mut self, bin: &Bin, slow_var: f64, out: &mut Vec<Telling>) {
        self.noise = (bin.var_white, slow_var);
        self.finder.step(bin, slow_var);
        self.history.push(bin.celsius);
        let (phase, p) = best_phase(&self.finder);
        // Hot water poured on to the curd scatters otherwise.
        let warming = self.story.current().is_none_or(|t| t.stage == Stage::Warming);
        if phase == Phase::Ramp && p > 0.7 && warming {
            self.finder.teach_fire(slow_var, bin.var_white);
        }
        let now_s = bin.end_s;
        self.tell_due(now_s, out);
        self.doubt_lift(out);
        self.story.update(&self.finder, &self.history, now_s, out);
        self.finder.begun = !self.story.told.is_empty() || self.story.doubted;
        if let Some(drawn) = self.story.drawn(now_s) {
            self.finder.keep_entered(drawn.slot, drawn.first_s);
        }
        self.belief = Belief::of(&self.finder, &self.story);
        self.follow_cook();
    }

    fn follow_cook(&mut self) {
        let cook = self.story.told.iter().rev().find(|t| t.stage == Stage::Cooking);
        let Some(slot) = cook.map(|t| t.slot) else {
            self.top = None;
            return;
        };
        if self.top.is_some_and(|t| t.0 == slot) && self.now().stage != Stage::Cooking {
            return;
        }
        let now = self.history.smooth_at(self.finder.bin as f64 - 1.0).unwrap_or(f64::NEG_INFINITY);
        self.top = Some(match self.top {
            Some((same, top)) if same == slot => (slot, top.max(now)),
            _ => (slot, now),
        });
    }

    /// The target that the cook of curd which is stirred now never reached, °C:
    /// its fire may have flagged, and be fed again. Or one that it passed just now while
    /// nobody saw.
    pub fn missed_target(&self, t_s: f64) -> Option<f64> {
        let told = self.story.current()?;
        let (slot, top) = self.top?;
        let target = self.finder.grammar.slots[slot].target_celsius?;
        let after = matches!(told.stage, Stage::Stirring | Stage::Settling);
        let by_trace = after && told.basis != Basis::Mark;
        (by_trace && (top < target || t_s - told.began_s < PASSED_S)).then_some(target)
    }

    /// Where the make is now.
    pub fn now(&self) -> Now {
        match self.story.current() {
            Some(t) => {
                let slot = &self.finder.grammar.slots[t.slot];
                Now {
                    stage: t.stage,
                    began_s: t.began_s,
                    told_s: t.first_s,
                    confidence: t.confidence,
                    basis: t.basis,
                    target_celsius: slot.target_celsius,
                    minutes: slot.minutes,
                    occurrence: t.slot,
                }
            }
            None => Now::IDLE,
        }
    }

    /// Where the milk is set by now, °C: as planned, or as a person wants it since.
    pub fn set_at(&self) -> Option<f64> {
        self.finder.grammar.set_at(self.story.current().map_or(0, |t| t.slot))
    }

    /// The target of a stage that was told, °C.
    pub fn target_of(&self, told: &Told) -> Option<f64> {
        self.finder.grammar.slots[told.slot].target_celsius
    }

    /// Bins walked since it began.
    pub fn bins(&self) -> i64 {
        self.finder.bin
    }

    /// Stages told so far, oldest first.
    pub fn told(&self) -> &[Told] {
        &self.story.told
    }

    /// Probability that heat goes in now.
    pub fn heating(&self) -> f64 {
        self.belief.heating
    }

    /// Probability that heat goes in to bring a temperature back.
    pub fn reheating(&self) -> f64 {
        self.belief.reheating
    }

    /// Probability that the heat is on for the cook that the plan has after the one
    /// that is done. Where it has a hotter one right after it, heat that is still on is
    /// on for that.
    pub fn cooks_on(&self) -> Option<f64> {
        let next = self.next_cook()?;
        let slots = &self.finder.grammar.slots;
        let (done, after) = (&slots[next - 1], &slots[next]);
        let hotter = done.target_celsius.zip(after.target_celsius).is_some_and(|(a, b)| b > a);
        let straight_on = done.stage == Stage::Cooking && hotter;
        Some(self.belief.next_cook.max(if straight_on { self.belief.heating } else { 0.0 }))
    }

    /// Probability that the milk is left to its culture or its rennet by now, or more.
    pub fn stands(&self) -> f64 {
        self.belief.stands
    }

    /// Probability that the curd is cut by now.
    pub fn cut(&self) -> f64 {
        self.belief.cut
    }

    /// Probability that the probe hangs in nobody knows what.
    pub fn apart(&self) -> f64 {
        self.belief.apart
    }

    /// Stages of a make that ended and was not yet given, with hindsight:
    /// a cheese whose curd has long been out, or whose whey is on the fire.
    pub fn ended(&mut self, now_s: f64) -> Option<Vec<Told>> {
        let now = self.now();
        let over = match now.stage {
            // A lift may have been marked by mistake: then its cook is waited for.
            Stage::Drawing => now_s - now.began_s > OUT_S && self.lifted_before().is_none(),
            Stage::WheyHeating => self.closed == 0 && self.story.told.len() > 1 && now_s - now.began_s > 60.0,
            _ => false,
        };
        (over && self.closed == 0).then(|| self.give(now_s, now.stage == Stage::WheyHeating)).flatten()
    }

    /// Whether the curd's make is given, and nothing has come after it.
    pub fn is_given(&self) -> bool {
        self.closed > 0 && self.story.current().is_none_or(|t| t.stage <= Stage::Drawing)
    }

    /// Stages of the running make, which a person says is over, with hindsight.
    pub fn end(&mut self, now_s: f64) -> Option<Vec<Told>> {
        (self.closed == 0).then(|| self.give(now_s, false)).flatten()
    }

    /// Whether the kettle waits for a new make: everything is given and over.
    pub fn rests(&self, now_s: f64) -> bool {
        let now = self.now();
        match now.stage {
            Stage::Drawing => now_s - now.began_s > WHEY_WITHIN_S,
            // Who looks into whey on the fire may lay its probe aside.
            Stage::WheyHeating => self.finder.over(LAID_ASIDE_BINS) > 0.95,
            Stage::WheyResting => self.finder.over(0) > 0.95,
            Stage::Idle => {
                self.finder.bin as f64 * BIN_S > 7200.0 && self.apart() > 0.999 && self.due.is_empty()
            }
            _ => now_s - now.began_s > FORGOTTEN_S.max(TIMES_PLANNED * 60.0 * now.minutes.unwrap_or(0.0)),
        }
    }

    /// All that was not yet given, with hindsight; split where the whey begins.
    pub fn give_all(&mut self, now_s: f64) -> Vec<Vec<Told>> {
        let mut makes = Vec::new();
        if self.closed == 0 {
            makes.extend(self.give(now_s, true));
        }
        makes.extend(self.give(now_s, false));
        makes
    }

    fn give(&mut self, now_s: f64, before_whey: bool) -> Option<Vec<Told>> {
        let all = self.story.hindsight(&self.finder, &self.history, now_s);
        let whey = all.iter().position(|t| t.stage == Stage::WheyHeating).unwrap_or(all.len());
        let part: Vec<Told> = if before_whey {
            all[..whey].to_vec()
        } else if self.closed > 0 {
            all[whey..].to_vec()
        } else {
            all
        };
        if part.is_empty() {
            return None;
        }
        self.closed += 1;
        Some(part)
    }

    /// Takes back the whey that was told of from `from_s` on: it was the next milk.
    /// So was whey that a person marked and that nobody heated.
    pub fn withdraw_whey(&mut self, from_s: f64, out: &mut Vec<Telling>) {
        let place = |s: f64| (s - self.finder.zero_s.unwrap_or(0.0)) / BIN_S;
        let hot = |t: &Told| self.history.highest_place(place(t.began_s), place(from_s) + 1.0);
        let cold = |t: &Told| hot(t).and_then(|p| self.history.smooth_at(p)).is_none_or(|c| c < WHEY_C);
        let is_milk = |t: &mut Told| t.stage > Stage::Drawing && (t.began_s >= from_s || cold(t));
        out.extend(self.story.told.extract_if(.., is_milk).map(Telling::Withdrawn));
    }

    /// Begins anew, for the next make, which follows that plan.
    pub fn restart(&mut self, plan: Option<&Plan>) {
        *self = Self { noise: self.noise, ..Self::new(plan) };
    }

    /// Nothing has come of what it saw so far: it looks at what comes afresh. What a person
    /// wants of the next make stands.
    pub fn look_afresh(&mut self) {
        let grammar = self.finder.grammar.clone();
        let history = self.history.afresh();
        *self = Self { noise: self.noise, history, ..Self::by(Finder::new(grammar)) };
    }
}

impl Tracker {
    /// What the milk is foreseen to be, °C, where its probe was laid aside before the
    /// curd can be drawn: while it is milk or gel, on its cook, or has a planned one before it.
    pub fn laid_aside_from(&self) -> Option<f64> {
        let told = self.story.current()?;
        let slots = &self.finder.grammar.slots;
        let cooks = |s: &Slot| s.stage == Stage::Cooking && s.target_celsius.is_some();
        let early = match told.stage {
            Stage::Warming | Stage::Ripening | Stage::Setting | Stage::Cooking => true,
            Stage::Cutting => slots[told.slot..].iter().any(cooks),
            _ => false,
        };
        if early { self.finder.laid_aside_from() } else { None }
    }

    /// The smoothed temperature at an engine second of this make.
    pub fn celsius_at(&self, t_s: f64) -> Option<f64> {
        self.history.smooth_at((t_s - self.finder.zero_s?) / BIN_S)
    }

    /// The lowest temperature since an engine second of this make, or since the probe
    /// was put into something warmer after it, °C.
    pub fn lowest_in_milk(&self, since_s: f64) -> Option<f64> {
        let from = (since_s - self.finder.zero_s?) / BIN_S;
        let now = self.finder.bin as f64 - 1.0;
        self.history.lowest(self.history.last_step_up(from, now).unwrap_or(from), now)
    }
}
