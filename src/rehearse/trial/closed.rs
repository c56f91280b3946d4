//! Closed loop: a maker who takes the heat off when called, a reaction later.
//!
//! Beside the engine stand two others on the very same make: a *threshold*
//! alarm, which calls when the reading stands at the target, and a
//! *foreseer*, who knows the physics and the fire to come and only not the
//! maker's reaction.

use std::sync::Arc;

use super::heard::Heard;
use crate::engine::Engine;
use crate::engine::alarm::AlarmKind;
use crate::engine::event::{Event, Happening, Mark, MarkKind, Name, Stamp};
use crate::engine::heat::Learned;
use crate::engine::plan::Plan;
use crate::rehearse::family::Family;
use crate::rehearse::make::{KETTLE, nanoseconds, reading};
use crate::rehearse::probe::Said;
use crate::rehearse::scene::{Options, Scene};
use crate::rehearse::script::Ending;
use crate::rehearse::world::{STEP_S, World};

/// Who calls.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Caller {
    /// The engine.
    Engine,
    /// A plain alarm at the target.
    Threshold,
    /// One who knows everything but the maker's reaction.
    Foreseer,
}

/// How one cook ended.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Outcome {
    /// Peak minus target, °C.
    pub miss_celsius: f64,
    /// How often the call came in that heating.
    pub calls: u32,
    /// Whether the peak lay in the band that the (first) call gave.
    pub band_held: Option<bool>,
}

/// One make in a closed loop.
#[derive(Debug, Clone)]
pub struct Closed {
    /// Its cooks over the fire, each with how it ended.
    pub cooks: Vec<Outcome>,
    /// What was learned.
    pub learned: Option<Learned>,
    /// Everything heard (empty but for the engine).
    pub heard: Heard,
}

/// Runs one make with that caller. `learned` is what earlier makes taught.
pub fn run(
    seed: u64,
    family: Family,
    options: &Options,
    caller: Caller,
    learned: Option<&Learned>,
) -> Closed {
    let mut scene = Scene::new(seed, family, &Options { ending: Ending::Called, ..*options });
    let mut ears = match caller {
        Caller::Engine => Ears::Engine(Box::new(Listener::new(&scene.plan, learned))),
        Caller::Threshold => Ears::Threshold(None),
        Caller::Foreseer => Ears::Foreseer,
    };
    let mut calls: Vec<(f64, Option<(f64, f64)>)> = Vec::new();
    while !scene.done() {
        let moment = scene.step();
        // A maker who changes his mind about the target says so.
        let target = moment.marks.into_iter().find(|m| matches!(m, MarkKind::Target(_)));
        if ears.call(&scene, moment.now_s, moment.said, target) {
            calls.push((moment.now_s, ears.band_celsius()));
            scene.maker.hear_heat_off();
        }
    }
    let (heard, learned) = ears.end(scene.now_s());
    let cooks = scene.truth.cooks();
    let outcomes = cooks
        .iter()
        .enumerate()
        .map(|(i, cook)| {
            let until_s =
                cooks.get(i + 1).map_or(cook.peak_s.max(cook.heat_off_s.unwrap_or(0.0)), |next| next.began_s);
            let here = |c: &&(f64, _)| c.0 >= cook.began_s && c.0 <= until_s + 60.0;
            let band = calls.iter().find(here).and_then(|c| c.1);
            Outcome {
                miss_celsius: cook.peak_celsius - cook.target_celsius,
                calls: calls.iter().filter(here).count() as u32,
                band_held: band.map(|(low, high)| (low..=high).contains(&cook.peak_celsius)),
            }
        })
        .collect();
    Closed { cooks: outcomes, learned, heard }
}

enum Ears {
    Engine(Box<Listener>),
    /// Holds the smoothed reading.
    Threshold(Option<f64>),
    Foreseer,
}

impl Ears {
    /// Whether a call comes at this moment.
    fn call(&mut self, scene: &Scene, now_s: f64, said: Option<Said>, mark: Option<MarkKind>) -> bool {
        match self {
            Self::Engine(listener) => {
                let by_mark = mark.is_some_and(|kind| listener.mark(now_s, kind));
                listener.hear(now_s, said) || by_mark
            }
            Self::Threshold(level) => {
                let (Some(Said::Celsius(c)), Some(target)) = (said, running_target(scene)) else {
                    return false;
                };
                // A spike must not ring: three readings' worth of smoothing.
                let smooth = level.map_or(c, |l| l + (c - l) / 3.0);
                *level = Some(smooth);
                smooth >= target
            }
            Self::Foreseer => {
                let Some(target) = running_target(scene) else { return false };
                // Foreseeing is dear; once a second and near the target is enough.
                let near = scene.world.core_celsius > target - 4.0 && now_s.fract() < 0.25;
                near && peak_if_off_in(&scene.world, scene.maker.reaction_s) >= target
            }
        }
    }

    /// The band that the last call gave.
    fn band_celsius(&self) -> Option<(f64, f64)> {
        let Self::Engine(listener) = self else { return None };
        listener.heard.rung.iter().rfind(|r| r.alarm == AlarmKind::HeatOff)?.band_celsius
    }

    fn end(self, now_s: f64) -> (Heard, Option<Learned>) {
        match self {
            Self::Engine(mut listener) => {
                listener.say(now_s, Happening::EndOfInput);
                let learned = listener.heard.learned.clone();
                (listener.heard, learned)
            }
            _ => (Heard::default(), None),
        }
    }
}

/// The target of the cook that runs now, °C.
fn running_target(scene: &Scene) -> Option<f64> {
    let heating = scene.maker.waits_for_call();
    scene.last_cook().filter(|_| heating).map(|cook| cook.target_celsius)
}

/// Where the core would peak if the heat came off so many seconds from now.
fn peak_if_off_in(world: &World, reaction_s: f64) -> f64 {
    let mut world = world.clone();
    for _ in 0..(reaction_s / STEP_S) as usize {
        world.step(STEP_S);
    }
    world.fire.take_away();
    let mut peak = world.core_celsius;
    for _ in 0..3000 {
        world.step(STEP_S);
        if world.core_celsius < peak - 0.02 {
            break;
        }
        peak = peak.max(world.core_celsius);
    }
    peak
}

struct Listener {
    engine: Engine,
    heard: Heard,
    kettle: Name,
    effects: Vec<crate::engine::effect::Effect>,
}

impl Listener {
    fn new(plan: &Plan, learned: Option<&Learned>) -> Self {
        let mut engine = Engine::new(Some(Arc::new(plan.clone())));
        if let Some(learned) = learned {
            engine.teach(KETTLE, learned.clone());
        }
        Self { engine, heard: Heard::default(), kettle: Name::from(KETTLE), effects: Vec::new() }
    }

    fn mark(&mut self, now_s: f64, kind: MarkKind) -> bool {
        self.say(now_s, Happening::Mark(Mark { kettle: self.kettle.clone(), kind, by: None }))
    }

    fn hear(&mut self, now_s: f64, said: Option<Said>) -> bool {
        let what = match said {
            Some(said) => Happening::Reading(reading(&self.kettle, said)),
            None if now_s.fract() < 0.25 => Happening::Tick,
            None => return false,
        };
        self.say(now_s, what)
    }

    /// Whether the call came with this.
    fn say(&mut self, now_s: f64, what: Happening) -> bool {
        let ns = nanoseconds(now_s);
        let stamp =
            Stamp { boot: 1, mono_ns: ns.unsigned_abs(), wall_ns: Some(1_750_000_000_000_000_000 + ns) };
        self.engine.step(&Event { stamp, what }, &mut self.effects);
        let before = self.heard.rung.len();
        for effect in self.effects.drain(..) {
            self.heard.take(effect);
        }
        // The maker is elsewhere: what only shows does not call him.
        self.heard.rung[before..].iter().any(|r| r.alarm == AlarmKind::HeatOff && r.sounds)
    }
}

#[cfg(test)]
mod tests {
    use super::{Caller, Family, Options, run};
    use crate::rehearse::fire::FireKind;

    /// Over embers, an alarm at the target ends about 0.8 °C too high in the
    /// middle; one who foresees ends within 0.2 to 0.3 °C in nine of ten.
    #[test]
    fn the_threshold_overshoots_and_the_foreseer_does_not() {
        let options = Options { fire: Some(FireKind::Embers), ..Options::default() };
        let misses = |caller| {
            let mut all: Vec<f64> = (0..24)
                .flat_map(|seed| run(seed, Family::SemiCooked, &options, caller, None).cooks)
                .map(|o| o.miss_celsius)
                .collect();
            all.sort_by(f64::total_cmp);
            all
        };
        let threshold = misses(Caller::Threshold);
        let middle = threshold[threshold.len() / 2];
        assert!((0.5..1.6).contains(&middle), "threshold's median {middle}");
        let mut foreseer: Vec<f64> = misses(Caller::Foreseer).into_iter().map(f64::abs).collect();
        foreseer.sort_by(f64::total_cmp);
        let nine_of_ten = foreseer[foreseer.len() * 9 / 10];
        assert!(nine_of_ten < 0.35, "foreseer's nine of ten {nine_of_ten}");
    }

    /// On kettles never met, in one cook and in two steps: every cook is called
    /// aloud, and once.
    #[test]
    fn the_engine_calls_every_cook_once_and_near_its_target() {
        let options = Options::default();
        let cooks: Vec<_> = [Family::SemiCooked, Family::TwoStep]
            .into_iter()
            .flat_map(|family| {
                (0..8).flat_map(move |seed| run(seed, family, &options, Caller::Engine, None).cooks)
            })
            .collect();
        assert!(cooks.len() >= 20 && cooks.iter().all(|c| c.calls == 1), "{cooks:?}");
        let near = cooks.iter().filter(|c| c.miss_celsius.abs() < 0.45).count();
        assert!(near * 10 >= cooks.len() * 9, "{near} of {}: {cooks:?}", cooks.len());
    }
}
