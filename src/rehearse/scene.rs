//! One make as it unfolds: world, probe and maker, half a second at a time,
//! and the record of what is true.

use super::chance::Chance;
use super::family::{Family, Recipe};
use super::fire::{Fire, FireKind};
use super::maker::{Deed, Maker};
use super::probe::{Place, Probe, Roughness, Said};
use super::script::{Ending, script};
use super::truth::{Cooked, Truth};
use super::world::{STEP_S, World};
use crate::engine::event::MarkKind;
use crate::engine::plan::Plan;
use crate::engine::stage::Stage;

/// What to simulate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Options {
    /// How rough the probe's life is.
    pub rough: Roughness,
    /// Probability, stage by stage, that the make departs from the plan by a
    /// third to three times (0 to 1).
    pub odd: f64,
    /// Way of heating; drawn where `None`.
    pub fire: Option<FireKind>,
    /// Whether fires burn evenly, with six tenths of their gusts.
    pub even: bool,
    /// The kettle's own seed: makes with the same one share kettle, fire and probe.
    pub kettle: Option<u64>,
    /// How heatings end.
    pub ending: Ending,
    /// Whether the plan speaks of the whey's heating, where there is one;
    /// drawn where `None`.
    pub whey_planned: Option<bool>,
}

/// What an even fire has of another's gusts, of what its logs do, and of the unrest that it
/// brings into stirred milk: a cook then scatters about as much, in the middle, as seven cooks
/// of another hand's makes did (DEVELOPERS.md, "Rehearse and trial").
const EVEN: f64 = 0.6;

impl Default for Options {
    fn default() -> Self {
        Self {
            rough: Roughness::NONE,
            odd: 0.0,
            fire: None,
            even: false,
            kettle: None,
            ending: Ending::Feel,
            whey_planned: None,
        }
    }
}

/// The kettle's own fire; wood is the rule on an alp.
fn fire(options: &Options, kettle: &mut Chance) -> Fire {
    let kinds = [FireKind::Crane, FireKind::Embers, FireKind::Embers, FireKind::Gas, FireKind::Jacket];
    let kind = options.fire.unwrap_or_else(|| kettle.pick(&kinds, FireKind::Embers));
    let mut fire = Fire::drawn(kind, kettle);
    if options.even {
        fire.unrest = EVEN;
    }
    fire
}

/// One half second of a make.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Moment {
    /// Seconds since the scene began.
    pub now_s: f64,
    /// What the probe box says, where a reading is due.
    pub said: Option<Said>,
    /// Buttons pressed.
    pub marks: Vec<MarkKind>,
}

/// A make that unfolds.
#[derive(Debug, Clone)]
pub struct Scene {
    /// The kettle and what is in it.
    pub world: World,
    /// The probe.
    pub probe: Probe,
    /// The maker.
    pub maker: Maker,
    /// What the maker means to do.
    pub plan: Plan,
    /// What is true so far.
    pub truth: Truth,
    ticks: u64,
    deeds: Vec<Deed>,
    lift_rate: f64,
    lifted_s: f64,
    chance: Chance,
}

impl Scene {
    /// The make of that seed and family.
    pub fn new(seed: u64, family: Family, options: &Options) -> Self {
        let make = Chance::of(seed).branch(0x0fa0 + family as u64);
        let mut kettle = options.kettle.map_or_else(|| make.branch(1), Chance::of);
        let fire = fire(options, &mut kettle);
        let size = if kettle.happens(0.8) { kettle.scale(60.0, 350.0) } else { kettle.scale(350.0, 1000.0) };
        let mut chance = make.branch(2);
        let litres = size * chance.between(0.85, 1.0);
        let meant = Recipe::drawn(family, litres, &mut chance);
        let done = meant.vary(options.odd, &mut chance);
        let plan = meant.plan(options.whey_planned.unwrap_or_else(|| chance.happens(0.7)));
        Self::unfold(&done, plan, fire, kettle, &make, options)
    }

    /// A make by a plan that a person wrote, as the seed has it go.
    pub fn by_plan(seed: u64, plan: &Plan, options: &Options) -> Self {
        let make = Chance::of(seed).branch(0x91a);
        let mut kettle = options.kettle.map_or_else(|| make.branch(1), Chance::of);
        let fire = fire(options, &mut kettle);
        let size = kettle.scale(80.0, 300.0);
        let mut chance = make.branch(2);
        let meant = Recipe::by_plan(plan, size * chance.between(0.85, 1.0), &mut chance);
        let done = meant.vary(options.odd, &mut chance);
        Self::unfold(&done, plan.clone(), fire, kettle, &make, options)
    }

    fn unfold(
        done: &Recipe,
        plan: Plan,
        mut fire: Fire,
        mut kettle: Chance,
        make: &Chance,
        options: &Options,
    ) -> Self {
        let mut day = make.branch(3);
        // The probe that hangs in a kettle is the same one every day; what becomes of it is not.
        let of_kettle = options.kettle.map(|_| kettle.branch(6));
        // The same kettle coasts a little differently every day.
        fire.remains = (fire.remains * day.log_normal(1.0, 0.15)).min(0.6);
        fire.decay_s *= day.log_normal(1.0, 0.15);
        let air = day.between(8.0, 26.0);
        let mut world = World::new(done.litres, done.milk_celsius, air, fire, &mut kettle);
        world.fire = world.fire.reseeded(&day);
        let mut maker = Maker::new(script(done, options.ending, &mut make.branch(4)), &mut make.branch(5));
        maker.place = Place::Air;
        maker.reaction_s = plan.reaction_s;
        let expected_s = maker.expected_s();
        let mut probe_chance = make.branch(6);
        let starts = if probe_chance.happens(0.7) { done.milk_celsius } else { air };
        let drawn = |chance: &mut Chance| Probe::drawn(starts, options.rough, expected_s, chance);
        let mut probe = match of_kettle {
            Some(mut own) => drawn(&mut own).reseeded(&probe_chance),
            None => drawn(&mut probe_chance),
        };
        if options.even {
            probe.fire_factor = 1.0 + EVEN * (probe.fire_factor - 1.0);
        }
        Self {
            probe,
            world,
            maker,
            plan,
            truth: Truth::default(),
            ticks: 0,
            deeds: Vec::new(),
            lift_rate: options.rough.lifts / expected_s,
            lifted_s: 0.0,
            chance: make.branch(7),
        }
    }

    /// Seconds since the scene began.
    pub fn now_s(&self) -> f64 {
        self.ticks as f64 * STEP_S
    }

    /// Whether the maker has gone home.
    pub fn done(&self) -> bool {
        self.maker.done()
    }

    /// Lets half a second pass.
    pub fn step(&mut self) -> Moment {
        let now_s = self.now_s();
        let mut deeds = std::mem::take(&mut self.deeds);
        self.maker.step(STEP_S, &mut self.world, &mut deeds);
        self.world.step(STEP_S);
        let mut moment = Moment { now_s, said: None, marks: Vec::new() };
        for deed in deeds.drain(..) {
            match deed {
                Deed::Marked(kind) => moment.marks.push(kind),
                deed => self.truth.take(&deed, now_s),
            }
        }
        self.deeds = deeds;
        self.truth.see(now_s, self.world.core_celsius, STEP_S);
        let place = self.place();
        moment.said = self.probe.step(now_s, STEP_S, place, &self.world);
        self.ticks += 1;
        moment
    }

    /// The last heating so far, with its peak.
    pub fn last_cook(&self) -> Option<Cooked> {
        self.truth.cooks().last().copied()
    }

    /// Now and then somebody lifts the probe to feel the curd.
    fn place(&mut self) -> Place {
        if self.lifted_s > 0.0 {
            self.lifted_s -= STEP_S;
            return Place::Air;
        }
        let handled = matches!(
            self.maker.stage(),
            Stage::Warming | Stage::Cutting | Stage::Cooking | Stage::Stirring | Stage::WheyHeating
        );
        if handled && self.chance.happens(self.lift_rate * STEP_S) {
            self.lifted_s = self.chance.between(10.0, 50.0);
        }
        self.maker.place
    }
}
