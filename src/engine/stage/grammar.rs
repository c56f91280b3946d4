//! What can follow what in a make, and how long it may last: a plan, or the
//! general prior where there is none, as a graph of phases.
//!
//! A *slot* is one occurrence of a stage, as it will be told. A *phase* is a
//! stretch in which the trace behaves in one way; warming, say, is a ramp and
//! then a tail that coasts. Each phase has its own law of duration.

mod occurrences;
mod pace;
mod warmth;

use super::finder::MOST_SLOTS;
use super::law::Law;
use crate::engine::bins::BIN_S;
use crate::engine::plan::Plan;
use crate::engine::stage::Stage;
use occurrences::{Occurrence, general, planned};
pub(super) use pace::FIRE_PACE;
use pace::pace;

/// How the trace behaves.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Phase {
    /// The probe hangs in air, or in something nobody heats.
    Apart,
    /// Heat goes in.
    Ramp,
    /// Heat is off, stirred, coasting out.
    Tail,
    /// Warmer than it is to be set: held there, or cooled back.
    Cool,
    /// Warm milk left to itself.
    Rest,
    /// Heat for a while, only to hold or to bring back a temperature.
    Reheat,
    /// Stirred for the rennet.
    Rennet,
    /// A standing gel.
    Gel,
    /// A gel warmed as it stands, since it cooled.
    GelHeat,
    /// The gel after that.
    GelOn,
    /// Cut: the cold edge comes in, stirred.
    Cut,
    /// A pause between two heats of one warming or cook.
    Pause,
    /// Stirred at a held temperature.
    Held,
    /// Stirring stopped.
    Still,
}

/// One occurrence of a stage.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Slot {
    pub stage: Stage,
    pub target_celsius: Option<f64>,
    pub minutes: Option<f64>,
}

/// One phase in the graph.
#[derive(Debug, Clone)]
pub(super) struct Node {
    pub slot: usize,
    pub phase: Phase,
    /// Target of its ramp, °C.
    pub target: Option<f64>,
    /// How fast the curd near it is meant to be cooked, °C/min.
    pub pace: f64,
    /// Where its milk is to stand, °C ([`Grammar::set_at`]), and what no milk of it stands
    /// below ([`Grammar::coldest`]): looked at for every hypothesis, so kept.
    pub set: Option<f64>,
    pub coldest: f64,
    /// What its milk may be as warm as, beyond what milk else is, °C ([`Grammar::hottest`]).
    pub hottest: f64,
    /// Logarithm of the probability to stay, by bins since it began.
    pub ln_stay: Vec<f32>,
    /// Logarithm of the probability to leave, by bins since it began.
    pub ln_leave: Vec<f32>,
    /// Where it may go, with the logarithm of the share.
    pub next: Vec<(usize, f64)>,
}

/// The graph. Node 0 and slot 0 are `idle`.
#[derive(Debug, Clone)]
pub(super) struct Grammar {
    pub slots: Vec<Slot>,
    pub nodes: Vec<Node>,
}

/// Most phases a graph may have; a longer plan is cut at its tail.
pub(super) const MOST_NODES: usize = 40;

/// How often whey hangs for a while before its fire.
const HANGS_FIRST: f64 = 0.15;
/// No milk stands below this where no plan says so, nor so far below where it is set, nor
/// so far above it, °C. What was warmed too far may cool to here at the least.
pub(super) const COLDEST_C: f64 = 24.0;
const BELOW_SET_C: f64 = 6.0;
const ABOVE_SET_C: f64 = 4.0;
const COOLEST_SET_C: f64 = 28.0;

impl Grammar {
    /// The graph of a plan, or of the general prior.
    pub fn of(plan: Option<&Plan>) -> Self {
        let mut list = match plan {
            Some(p) if !p.stages.is_empty() => planned(p),
            _ => general(),
        };
        let mut room = MOST_NODES - 2;
        list.retain(|o| {
            let need = shape(o.slot.stage).len();
            let fits = room >= need;
            room = room.saturating_sub(need);
            fits
        });
        list.truncate(MOST_SLOTS - 2);
        Self::build(&list)
    }

    fn build(list: &[Occurrence]) -> Self {
        let idle = Slot { stage: Stage::Idle, target_celsius: None, minutes: None };
        let mut g = Self { slots: vec![idle], nodes: vec![node(0, Phase::Apart, &Law::open(60.0))] };
        // First and last phases of each occurrence.
        let mut ends: Vec<(usize, Vec<usize>)> = vec![(0, vec![0])];
        for (i, o) in list.iter().enumerate() {
            let slot = g.slots.len();
            g.slots.push(o.slot.clone());
            let first = g.nodes.len();
            let pace = pace(list, i);
            for phase in shape(o.slot.stage) {
                let target = o.slot.target_celsius;
                g.nodes.push(Node { target, pace, ..node(slot, *phase, &law(&o.slot, *phase)) });
            }
            let two_step = o.slot.stage == Stage::Cooking
                && list.get(i + 1).is_some_and(|next| next.slot.stage == Stage::Cooking);
            ends.push((first, g.inner_edges(first, o.slot.stage, two_step)));
        }
        g.outer_edges(list, &ends);
        g.end();
        // A make given up before it was one.
        for n in &mut g.nodes {
            if g.slots[n.slot].stage == Stage::Warming {
                n.next.push((0, libm::log(0.002)));
            }
        }
        g.stand();
        g
    }

    /// Another target for a slot, °C: its ramps', and where milk stands after it.
    pub fn retarget(&mut self, slot: usize, celsius: Option<f64>) {
        self.slots[slot].target_celsius = celsius;
        for n in self.nodes.iter_mut().filter(|n| n.slot == slot) {
            n.target = celsius;
        }
        self.stand();
    }

    fn stand(&mut self) {
        let of = |k| (self.set_at(k), self.coldest(k), self.hottest(k));
        let stand: Vec<_> = (0..self.slots.len()).map(of).collect();
        for n in &mut self.nodes {
            (n.set, n.coldest, n.hottest) = stand[n.slot];
        }
    }

    /// The last phase of all: the probe is out of the whey, or of a kettle
    /// that nobody draws.
    fn end(&mut self) {
        let slot = self.slots.len();
        self.slots.push(Slot { stage: Stage::Idle, target_celsius: None, minutes: None });
        let last = self.nodes.len();
        self.nodes.push(node(slot, Phase::Apart, &Law::open(600.0)));
        for n in &mut self.nodes[..last] {
            match self.slots[n.slot].stage {
                Stage::WheyResting => n.next.push((last, 0.0)),
                Stage::WheyHeating => n.next.push((last, libm::log(0.05))),
                _ => {}
            }
        }
    }

    /// Whether milk or curd of this node may stand at this temperature: near
    /// the setting temperature of the plan, where there is one, until the cook.
    /// `cooled` is what it may have cooled by since, °C.
    pub fn may_stand_at(&self, node: &Node, celsius: f64, cooled: f64) -> bool {
        let band = |set: f64| ((set - BELOW_SET_C).min(COOLEST_SET_C), set + ABOVE_SET_C);
        let (low, high) = node.set.map_or((COLDEST_C, 44.0), band);
        let high = high.max(node.hottest);
        match (self.slots[node.slot].stage, node.phase) {
            (Stage::Warming, Phase::Ramp | Phase::Pause | Phase::Cool)
            | (Stage::Idle | Stage::Drawing, _) => true,
            // What is warmed anew for the rennet is warmed to where it is set.
            (Stage::Ripening, Phase::Reheat) => (low..high - 2.8).contains(&celsius),
            (Stage::Warming | Stage::Ripening | Stage::Setting, _) => (low..high).contains(&celsius),
            (Stage::Cutting, _) => (low - 2.0..high).contains(&celsius),
            // After the cook it is about as warm as the cook was to end.
            (Stage::Stirring | Stage::Settling, _) => match self.cooked_to() {
                Some((least, most)) => (least - 3.5 - cooled..most + 3.5).contains(&celsius),
                None => celsius > low - 4.0,
            },
            _ => celsius > low - 4.0,
        }
    }

    /// Lowest and highest planned end of a cook, °C.
    fn cooked_to(&self) -> Option<(f64, f64)> {
        let cooks = self.slots.iter().filter(|s| s.stage == Stage::Cooking).filter_map(|s| s.target_celsius);
        cooks.fold(None, |range: Option<(f64, f64)>, t| {
            Some(range.map_or((t, t), |(low, high)| (low.min(t), high.max(t))))
        })
    }

    /// Edges inside an occurrence; gives its last phases. Between the two steps of
    /// a cook the heat is off as often as not.
    fn inner_edges(&mut self, first: usize, stage: Stage, two_step: bool) -> Vec<usize> {
        match stage {
            Stage::Warming => {
                self.nodes[first].next.push((first + 1, libm::log(0.92)));
                // The fire is taken off on the way, however cold the milk still is.
                self.nodes[first].next.push((first + 2, libm::log(0.08)));
                self.nodes[first + 2].next.push((first, 0.0));
                // A second heat on the way to the setting temperature.
                self.nodes[first + 1].next.push((first, libm::log(0.06)));
                // Too warm, or meant to be: it is cooled back, and stirred then.
                self.nodes[first].next.push((first + 3, libm::log(0.06)));
                self.nodes[first + 1].next.push((first + 3, libm::log(0.06)));
                // Held for a while, and then cooled; or cooled in several goes.
                self.nodes[first + 3].next.push((first + 1, libm::log(0.7)));
                self.nodes[first + 3].next.push((first + 3, libm::log(0.3)));
                vec![first + 1]
            }
            Stage::Setting => {
                self.nodes[first].next.push((first + 1, libm::log(0.03)));
                self.nodes[first + 1].next.push((first + 2, 0.0));
                self.nodes[first + 2].next.push((first + 1, libm::log(0.1)));
                vec![first, first + 2]
            }
            Stage::Ripening => {
                self.nodes[first].next.push((first + 1, libm::log(0.3)));
                self.nodes[first].next.push((first + 2, libm::log(0.5)));
                self.nodes[first + 1].next.push((first + 2, libm::log(0.9)));
                self.nodes[first + 1].next.push((first, libm::log(0.1)));
                // Stirred first, so that the cold edge comes in, and then warmed.
                self.nodes[first + 2].next.push((first + 1, libm::log(0.25)));
                vec![first, first + 2]
            }
            Stage::Stirring => {
                self.nodes[first].next.push((first + 1, libm::log(0.5)));
                self.nodes[first + 1].next.push((first, 0.0));
                vec![first]
            }
            Stage::Cooking | Stage::WheyHeating => {
                let pauses = if two_step { 0.5 } else { 0.12 };
                self.nodes[first].next.push((first + 1, libm::log(pauses)));
                self.nodes[first + 1].next.push((first, libm::log(0.8)));
                vec![first, first + 1]
            }
            _ => vec![first],
        }
    }

    fn outer_edges(&mut self, list: &[Occurrence], ends: &[(usize, Vec<usize>)]) {
        for i in 0..ends.len() {
            let mut pass = 1.0;
            for j in i + 1..ends.len() {
                let to = &list[j - 1];
                let from_stage = self.slots[i].stage;
                // Curd is stirred until the kettle gives no more heat, and only then settles.
                let stirred = (from_stage, to.slot.stage) == (Stage::Cooking, Stage::Settling);
                let share = pass * (1.0 - to.skip) * if stirred { 0.03 } else { 1.0 };
                pass *= to.skip.max(1.0e-6);
                if share < 1.0e-5 || !may_follow(from_stage, to.slot.stage) {
                    continue;
                }
                for &last in &ends[i].1 {
                    let room = match (self.nodes[last].phase, self.slots[i].stage) {
                        (Phase::Ramp, _) => 0.88,
                        (Phase::Pause, Stage::Cooking) if to.slot.stage == Stage::Cooking => 0.8,
                        (Phase::Pause, _) | (Phase::Rest, Stage::Ripening) => 0.2,
                        (Phase::Held, Stage::Stirring) => 0.5,
                        (Phase::Rennet, _) => 0.75,
                        (Phase::Tail, Stage::Warming) => 0.94,
                        _ => 1.0,
                    };
                    let (first, ln) = (ends[j].0, libm::log(share * room));
                    self.nodes[last].next.push((first, ln));
                    if (from_stage, to.slot.stage) == (Stage::Drawing, Stage::WheyHeating) {
                        // The probe may hang in it before anybody makes up the fire.
                        self.nodes[last].next.push((first + 1, ln + libm::log(HANGS_FIRST)));
                    }
                }
            }
        }
    }
}

/// Whether the trade allows it at all.
fn may_follow(from: Stage, to: Stage) -> bool {
    match to {
        Stage::WheyHeating => matches!(from, Stage::Drawing | Stage::Idle),
        Stage::WheyResting => from == Stage::WheyHeating,
        Stage::Drawing => !matches!(from, Stage::Idle | Stage::Warming | Stage::Ripening),
        // Milk may be left to its culture in the cold and then be warmed for the rennet.
        Stage::Warming => matches!(from, Stage::Idle | Stage::Warming | Stage::Ripening),
        _ => !matches!(from, Stage::Idle | Stage::Drawing | Stage::WheyHeating | Stage::WheyResting),
    }
}

fn shape(stage: Stage) -> &'static [Phase] {
    match stage {
        Stage::Idle | Stage::Drawing => &[Phase::Apart],
        Stage::Warming => &[Phase::Ramp, Phase::Tail, Phase::Pause, Phase::Cool],
        Stage::Ripening => &[Phase::Rest, Phase::Reheat, Phase::Rennet],
        Stage::Setting => &[Phase::Gel, Phase::GelHeat, Phase::GelOn],
        Stage::Cutting => &[Phase::Cut],
        Stage::Cooking | Stage::WheyHeating => &[Phase::Ramp, Phase::Pause],
        Stage::Stirring => &[Phase::Held, Phase::Reheat],
        Stage::Settling | Stage::WheyResting => &[Phase::Still],
    }
}

fn law(slot: &Slot, phase: Phase) -> Law {
    let or = |m: f64| slot.minutes.unwrap_or(m);
    // Who writes down how long milk stands means it.
    let sigma = |planned: f64, general: f64| if slot.minutes.is_some() { planned } else { general };
    match (slot.stage, phase) {
        (Stage::Warming, Phase::Ramp) => Law::about(or(18.0), 0.7).at_least(60.0),
        (Stage::Warming, Phase::Cool) => Law::about(20.0, 0.9).at_least(60.0),
        (Stage::Warming, Phase::Tail) => Law::about(2.8, 0.45).at_least(30.0),
        (Stage::Ripening, Phase::Rest) => {
            Law::about((or(35.0) - 3.0).max(3.0), sigma(0.25, 0.4)).at_least(240.0)
        }
        (_, Phase::Reheat) => Law::about(3.0, 0.6).at_least(30.0),
        (Stage::Ripening, _) => Law::about(2.5, 0.45).at_least(30.0),
        (Stage::Setting, Phase::GelHeat) => Law::about(6.0, 0.6).at_least(60.0),
        (Stage::Setting, Phase::GelOn) => Law::about(or(35.0) * 0.4, 0.8).at_least(60.0),
        (Stage::Setting, _) => Law::about(or(35.0), sigma(0.2, 0.32)).at_least(240.0),
        (Stage::Cutting, _) => Law::about(or(12.0), 0.45).at_least(60.0),
        (Stage::Cooking, Phase::Ramp) => Law::about(or(15.0), 0.55).at_least(60.0).or_poured(0.15),
        (Stage::WheyHeating, Phase::Ramp) => Law::about(or(25.0), 0.6).at_least(240.0),
        (Stage::Warming, Phase::Pause) => Law::about(7.0, 0.7).at_least(60.0),
        (_, Phase::Pause) => Law::about(4.0, 0.6).at_least(60.0),
        // A holding heat breaks the stirring in two, about every other make.
        (Stage::Stirring, _) => Law::about(or(20.0) * 0.7, 0.75).at_least(30.0),
        (Stage::Settling, _) => Law::about(or(6.0), 0.45).at_least(30.0),
        (Stage::WheyResting, _) => Law::about(or(15.0), 0.6).at_least(60.0),
        (Stage::Drawing, _) => Law::open(25.0).at_least(90.0),
        _ => Law::open(60.0),
    }
}

fn node(slot: usize, phase: Phase, law: &Law) -> Node {
    // Long enough for three times any plan; the last value goes on for ever.
    let bins = ((law.median_s * 6.0 / BIN_S) as usize).clamp(60, 2400);
    let mut ln_stay = Vec::with_capacity(bins);
    let mut ln_leave = Vec::with_capacity(bins);
    for k in 0..bins {
        let (a, b) = (law.beyond(k as f64 * BIN_S), law.beyond((k + 1) as f64 * BIN_S));
        let leave = (1.0 - b / a.max(1.0e-12)).clamp(1.0e-6, 0.5);
        let leave = if law.poured <= 0.0 && (k + 1) as f64 * BIN_S <= law.least_s { 1.0e-7 } else { leave };
        ln_stay.push(libm::log(1.0 - leave) as f32);
        ln_leave.push(libm::log(leave) as f32);
    }
    let (target, set) = (None, None);
    let next = Vec::new();
    let (coldest, hottest) = (COLDEST_C, 0.0);
    Node { slot, phase, target, pace: FIRE_PACE, set, coldest, hottest, ln_stay, ln_leave, next }
}

impl Node {
    /// Logarithms of the probabilities to stay and to leave after `bins`.
    pub fn ln_stay_leave(&self, bins: usize) -> (f64, f64) {
        let k = bins.min(self.ln_stay.len() - 1);
        (f64::from(self.ln_stay[k]), f64::from(self.ln_leave[k]))
    }
}
