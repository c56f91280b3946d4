//! The simulated maker: does the script's acts, hears calls, reacts late.

use super::chance::Chance;
use super::probe::Place;
use super::script::{Act, litres_towards};
use super::world::World;
use crate::engine::event::MarkKind;
use crate::engine::stage::Stage;

/// What happened in truth, for the record of truth.
#[derive(Debug, Clone, PartialEq)]
pub enum Deed {
    /// A stage began.
    Began(Stage),
    /// A heating with that target began.
    CookBegan(f64),
    /// The running cook has another target, °C.
    Retargeted(f64),
    /// Heat or water of the running cook is off.
    HeatOff,
    /// The cook is over; where stirring began is in the temperature.
    CookEnded,
    /// Heat that only holds the temperature.
    HoldHeat,
    /// A button was pressed.
    Marked(MarkKind),
}

/// How the maker hears and acts.
#[derive(Debug, Clone)]
pub struct Maker {
    acts: Vec<Act>,
    at: usize,
    since_s: f64,
    started: bool,
    /// Where the probe is.
    pub place: Place,
    /// From a call until the heat is really off: median, seconds.
    pub reaction_s: f64,
    /// Spread of its logarithm.
    pub reaction_sigma: f64,
    /// How far above the target he notices by himself, °C.
    pub notices_celsius: f64,
    stage: Stage,
    heat_off_in_s: Option<f64>,
    look_in_s: f64,
    doing: &'static str,
    chance: Chance,
}

impl Maker {
    /// A maker with a script.
    pub fn new(acts: Vec<Act>, chance: &mut Chance) -> Self {
        Self {
            acts,
            at: 0,
            since_s: 0.0,
            started: false,
            place: Place::Air,
            reaction_s: 18.0,
            reaction_sigma: 0.45,
            notices_celsius: chance.between(1.2, 2.2),
            stage: Stage::Idle,
            heat_off_in_s: None,
            look_in_s: 0.0,
            doing: "waits",
            chance: chance.branch(0x3a),
        }
    }

    /// Whether the script is done.
    pub fn done(&self) -> bool {
        self.at >= self.acts.len()
    }

    /// The stage in truth.
    pub fn stage(&self) -> Stage {
        self.stage
    }

    /// What he does now, in words.
    pub fn doing(&self) -> &'static str {
        self.doing
    }

    /// Whether he heats and waits to be called.
    pub fn waits_for_call(&self) -> bool {
        self.heat_off_in_s.is_none() && matches!(self.acts.get(self.at), Some(Act::HeatUntilCalled(..)))
    }

    /// Seconds of script still to come, roughly; for telling how rough to be.
    pub fn expected_s(&self) -> f64 {
        self.acts
            .iter()
            .map(|act| match act {
                Act::Wait(s) | Act::Keep(s, ..) | Act::Pour(.., s) | Act::PourTowards(.., s) => *s,
                Act::Heat(..) | Act::HeatUntilCalled(..) => 1200.0,
                _ => 0.0,
            })
            .sum()
    }

    /// He hears that the heat should come off. Acts a reaction later, where he
    /// is heating at all.
    pub fn hear_heat_off(&mut self) {
        if self.waits_for_call() {
            self.heat_off_in_s = Some(self.chance.log_normal(self.reaction_s, self.reaction_sigma));
        }
    }

    /// Works for `dt_s`; appends what he did.
    pub fn step(&mut self, dt_s: f64, world: &mut World, deeds: &mut Vec<Deed>) {
        self.since_s += dt_s;
        while let Some(act) = self.acts.get(self.at).cloned() {
            if !self.started {
                self.started = true;
                self.start(&act, world, deeds);
            }
            if !self.finished(&act, dt_s, world, deeds) {
                return;
            }
            self.at += 1;
            self.since_s = 0.0;
            self.started = false;
        }
    }

    fn start(&mut self, act: &Act, world: &mut World, deeds: &mut Vec<Deed>) {
        match *act {
            Act::Begin(stage) => {
                self.stage = stage;
                deeds.push(Deed::Began(stage));
            }
            Act::BeginCook(target) => {
                self.stage = Stage::Cooking;
                deeds.push(Deed::CookBegan(target));
            }
            Act::EndCook => {
                self.stage = Stage::Stirring;
                deeds.push(Deed::CookEnded);
            }
            Act::Mark(ref kind) => deeds.push(Deed::Marked(kind.clone())),
            Act::Move(motion) => world.motion = motion,
            Act::Lid(lid) => world.lid = lid,
            Act::Put(place) => self.place = place,
            Act::Wait(_) => self.doing = self.waiting(),
            Act::Heat(_, rate) | Act::HeatUntilCalled(_, rate) => {
                self.doing = "heats";
                self.heat_off_in_s = None;
                world.fire.light(world.power_for(rate));
            }
            Act::Pour(..) | Act::PourTowards(..) => self.doing = "pours",
            Act::DrawOff(share) => world.draw_off(share),
            Act::Retarget(target) => deeds.push(Deed::Retargeted(target)),
            Act::Refill(litres, celsius) => world.refill(litres, celsius),
            Act::Keep(..) => {
                self.doing = "stirs and keeps warm";
                self.look_in_s = self.chance.between(20.0, 200.0);
            }
        }
    }

    /// Whether the act is over after this step.
    fn finished(&mut self, act: &Act, dt_s: f64, world: &mut World, deeds: &mut Vec<Deed>) -> bool {
        match *act {
            Act::Wait(s) => self.since_s >= s,
            Act::Heat(to, _) => {
                let hot = world.core_celsius >= to;
                if hot {
                    world.fire.take_away();
                    deeds.push(Deed::HeatOff);
                }
                hot
            }
            Act::HeatUntilCalled(target, _) => self.called_off(target, dt_s, world, deeds),
            Act::Pour(litres, celsius, over_s) => {
                world.pour(litres * (dt_s / over_s).min(1.0), celsius);
                self.since_s >= over_s
            }
            Act::PourTowards(target, water, left, over_s) => {
                // What is still missing, spread over the rest of all pours.
                let rest_s = (over_s - self.since_s).max(dt_s) + over_s * f64::from(left - 1);
                let litres =
                    litres_towards(world.kettle.milk_kj_per_k(), world.mean_celsius(), target, water);
                world.pour(litres * (dt_s / rest_s).min(1.0), water);
                let over = self.since_s >= over_s;
                // Cold water that saves an overshoot ends no heating.
                if over && left == 1 && water > target {
                    deeds.push(Deed::HeatOff);
                }
                over
            }
            Act::Keep(for_s, low, high) => self.keep_warm(for_s, low, high, dt_s, world, deeds),
            _ => true,
        }
    }

    fn called_off(&mut self, target: f64, dt_s: f64, world: &mut World, deeds: &mut Vec<Deed>) -> bool {
        let off = match &mut self.heat_off_in_s {
            Some(left) => {
                self.doing = "runs to the fire";
                *left -= dt_s;
                *left <= 0.0
            }
            None => world.core_celsius > target + self.notices_celsius,
        };
        if off {
            world.fire.take_away();
            deeds.push(Deed::HeatOff);
        }
        off
    }

    fn keep_warm(
        &mut self,
        for_s: f64,
        low: f64,
        high: f64,
        dt_s: f64,
        world: &mut World,
        deeds: &mut Vec<Deed>,
    ) -> bool {
        self.look_in_s -= dt_s;
        let over = self.since_s >= for_s;
        if world.fire.burns() {
            if over || world.core_celsius > high - 0.1 {
                world.fire.take_away();
                self.look_in_s = self.chance.between(120.0, 500.0);
            }
        } else if !over && self.look_in_s <= 0.0 {
            self.look_in_s = self.chance.between(60.0, 240.0);
            if world.core_celsius < low {
                deeds.push(Deed::HoldHeat);
                let rate = self.chance.between(0.2, 0.5);
                world.fire.light(world.power_for(rate));
            }
        }
        over
    }

    fn waiting(&self) -> &'static str {
        match self.stage {
            Stage::Idle => "carries the milk in",
            Stage::Warming => "stirs",
            Stage::Ripening => "lets the culture work",
            Stage::Setting => "waits for the curd",
            Stage::Cutting => "cuts and stirs the curd",
            Stage::Cooking => "stirs, heat off",
            Stage::Stirring => "stirs out",
            Stage::Settling => "lets it settle",
            Stage::Drawing => "lifts the curd",
            Stage::WheyHeating => "heats the whey",
            Stage::WheyResting => "lets the whey stand",
        }
    }
}
