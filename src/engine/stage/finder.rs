//! The stage finder: a hidden semi-Markov filter over the phases of a make.
//!
//! Every hypothesis says in which phase the make is and when it was entered,
//! and follows the trace with a Kalman filter of its own whose slope, pending
//! change and noise are those of the phase. Each bin, each hypothesis splits
//! into staying and leaving, by the phase's law of duration; those that enter
//! the same phase in the same bin are merged. What is left is a distribution
//! over where the make is and when each stage began.
//!
//! Invariants: weights are normalised after each bin; at most [`MOST`]
//! hypotheses live; the work of a bin does not grow with the make's length.

mod aim;
mod laid_aside;
mod marked;
mod merge;
mod underway;

use super::air::Air;
use super::grammar::{Grammar, MOST_NODES, Node, Phase};
use super::hypothesis::{Hypothesis, Place, Scatter, entry, is_air, weigh_one};
use super::kf::Kf;
use super::pins::Pins;
use crate::engine::bins::{BIN_S, Bin};
use crate::engine::stage::Stage;
use merge::{Leaving, NEGLIGIBLE};

/// Most hypotheses alive.
pub(super) const MOST: usize = 72;
/// What falls this far behind the best is dropped (natural logarithm).
const PRUNE: f64 = 16.0;
/// A phase is entered where this is exceeded (natural logarithm); what lies
/// below the other is not worth a look.
const WORTH_SPAWNING: f64 = -24.0;
const FORLORN: f64 = -38.0;
/// Bins are not quite independent: stirring's scatter lasts longer than one.
const TEMPER: f64 = 0.75;
/// A heat that only brings back a temperature raises it by less than this, °C.
const REHEATS_C: f64 = 1.5;
/// A cook that ends on its own heat goes this far beyond its target, °C.
const BEYOND_C: f64 = 1.2;
/// Milk that was warmed and given up cools below where milk may stand, and this, °C.
pub(super) const GIVEN_UP_C: f64 = 2.0;
/// Where milk was warmed and is warm, nobody takes it for air: by so much a bin.
const GOES_ON: f64 = 0.2;
/// Curd that is stirred off the fire may cool by this much a bin, and this
/// much in all, °C.
const COOLS_C: f64 = 0.15 / 6.0;
const MOST_COOLED_C: f64 = 6.0;
/// Nobody leaves milk half warmed for longer than this, bins (45 minutes).
const PAUSES_BINS: i64 = 270;
/// A probe that comes to rest in air falls by more than this a bin, °C.
const FALLS_C: f64 = 0.05;
/// Most slots a make may have.
pub(super) const MOST_SLOTS: usize = 24;
/// Not entered.
pub(super) const NEVER: f32 = -1.0;

/// The filter.
#[derive(Debug)]
pub(super) struct Finder {
    pub grammar: Grammar,
    pub hyps: Vec<Hypothesis>,
    pub pins: Pins,
    air: Air,
    /// Bins seen since the finder began.
    pub bin: i64,
    /// Engine second at which bin 0 begins.
    pub zero_s: Option<f64>,
    /// Extra variance of a bin while heated and stirred; learned from the trace.
    var_fire: f64,
    /// Variance of ten-second means of late.
    var_recent: f64,
    /// What the last bin said, °C.
    last_celsius: Option<f64>,
    /// Bin at which the probe was last taken from what it hung in.
    away_since: i64,
    was_away: bool,
    /// A make is on for sure: milk was warmed.
    pub begun: bool,
    /// It began in a make whose warming nobody saw.
    pub underway: bool,
    spawned: Vec<Hypothesis>,
    /// Who may leave for which phase, and how likely: used within a bin only.
    leaving: Vec<Leaving>,
}

impl Finder {
    pub fn new(grammar: Grammar) -> Self {
        Self {
            grammar,
            hyps: vec![Self::nowhere()],
            pins: Pins::default(),
            air: Air::default(),
            bin: 0,
            zero_s: None,
            var_fire: 0.035 * 0.035,
            var_recent: 1.0e-3,
            last_celsius: None,
            away_since: 0,
            was_away: false,
            begun: false,
            underway: false,
            spawned: Vec::new(),
            leaving: Vec::new(),
        }
    }

    /// Nothing is known yet.
    fn nowhere() -> Hypothesis {
        Hypothesis {
            node: 0,
            entered: 0,
            w: 0.0,
            p: 1.0,
            kf: Kf::fresh(20.0, 30.0),
            out: 0,
            owed: 0.0,
            away_celsius: 0.0,
            foot_celsius: f64::INFINITY,
            milk_since: 0,
            cooked: i64::MAX,
            path: [NEVER; MOST_SLOTS],
        }
    }

    /// Walks one bin on.
    pub fn step(&mut self, bin: &Bin, slow_var: f64) {
        self.var_recent = slow_var;
        if bin.away && !self.was_away {
            self.away_since = self.bin;
        }
        self.was_away = bin.away;
        let start_s = bin.end_s - BIN_S;
        self.zero_s.get_or_insert(start_s - self.bin as f64 * BIN_S);
        self.split(bin, start_s);
        self.weigh(bin);
        self.hyps.append(&mut self.spawned);
        self.prune();
        self.bin += 1;
    }

    /// The engine second of a place on a path.
    pub fn second_of(&self, place: f32) -> f64 {
        self.zero_s.unwrap_or(0.0) + f64::from(place) * BIN_S
    }

    /// Lets every hypothesis stay or leave; those that leave for the same phase
    /// are merged into `spawned`.
    fn split(&mut self, bin: &Bin, start_s: f64) {
        let mut leaving = std::mem::take(&mut self.leaving);
        leaving.clear();
        let mut best = [WORTH_SPAWNING; MOST_NODES];
        for (of, h) in self.hyps.iter().enumerate() {
            let from = &self.grammar.nodes[h.node];
            let been = merge::been(&h.path);
            let age = (self.bin - h.entered).max(0) as usize;
            let (_, ln_leave) = from.ln_stay_leave(age);
            for &(to, ln_share) in &from.next {
                let pin = self.pins.ln_enter(self.grammar.nodes[to].slot, start_s);
                let w = h.w + pin.unwrap_or(ln_leave) + ln_share;
                if w < FORLORN {
                    continue;
                }
                let w = w + self.aim(h, to);
                best[to] = best[to].max(w);
                leaving.push(Leaving { to, been, of, w });
            }
        }
        leaving.retain(|l| best[l.to] > WORTH_SPAWNING && l.w > best[l.to] - NEGLIGIBLE);
        leaving.sort_unstable_by_key(|l| (l.to, l.been));
        self.spawned.clear();
        for to in leaving.chunk_by(|a, b| a.to == b.to) {
            self.merge(to, best[to[0].to], bin);
        }
        self.leaving = leaving;
        for h in &mut self.hyps {
            let node = &self.grammar.nodes[h.node];
            let age = (self.bin - h.entered).max(0) as usize;
            h.w += node.ln_stay_leave(age).0;
        }
    }

    /// Enters the phase `to` from that of `parent`, by the way of `path` ([`Self::path_into`]).
    fn spawn(&mut self, to: usize, w: f64, parent: usize, path: [f32; MOST_SLOTS], bin: &Bin) {
        let p = &self.hyps[parent];
        let (from, node) = (&self.grammar.nodes[p.node], &self.grammar.nodes[to]);
        let kf = if from.phase == Phase::Apart {
            let level = bin.celsius.unwrap_or(p.kf.x[0]);
            Kf::fresh(level, 0.3).enter(&entry(node.phase, from.phase, 0.0), false)
        } else {
            let keep = !matches!(node.phase, Phase::Ramp | Phase::Reheat | Phase::GelHeat | Phase::Cut);
            p.kf.enter(
                &entry(node.phase, from.phase, p.kf.x[1]),
                keep && !matches!(from.phase, Phase::Ramp | Phase::Reheat | Phase::GelHeat),
            )
        };
        let kf = if node.phase == Phase::Apart { Kf { x: [kf.x[0], kf.x[0], 0.0], ..kf } } else { kf };
        // What goes on in the milk goes on while its probe is laid aside.
        let laid_aside = p.is_laid_aside() && from.phase != Phase::Apart && node.phase != Phase::Apart;
        self.spawned.push(Hypothesis {
            node: to,
            entered: self.bin,
            w,
            p: 0.0,
            kf,
            out: if laid_aside { p.out } else { 0 },
            owed: if laid_aside { p.owed } else { 0.0 },
            away_celsius: p.kf.x[0],
            foot_celsius: f64::INFINITY,
            milk_since: if from.phase == Phase::Apart { self.bin } else { p.milk_since },
            cooked: if from.phase == Phase::Ramp && self.grammar.slots[from.slot].stage == Stage::Cooking {
                self.bin
            } else {
                p.cooked
            },
            path,
        });
    }

    /// Weighs every hypothesis, old and new, against the bin.
    fn weigh(&mut self, bin: &Bin) {
        let air = if let Some(c) = bin.celsius {
            self.air.ln_density(c, bin.var_white)
        } else {
            self.air.silence();
            0.0
        };
        let away_since = self.away_since;
        let scatter = Scatter {
            fire: self.var_fire,
            recent: (self.var_recent - bin.var_white).clamp(0.0, 0.35 * 0.35),
            moved: bin.celsius.zip(self.last_celsius).map_or(0.0, |(now, last)| (now - last).abs()),
        };
        let falls = bin.celsius.zip(self.last_celsius).is_some_and(|(now, last)| now < last - FALLS_C);
        self.last_celsius = bin.celsius.or(self.last_celsius);
        for h in self.hyps.iter_mut().chain(&mut self.spawned) {
            let node = &self.grammar.nodes[h.node];
            if node.phase == Phase::Apart {
                h.w += TEMPER * air - self.air.misfit();
                if let Some(c) = bin.celsius {
                    let is_on = self.begun || self.underway;
                    let goes_on = h.node == 0 && is_on && c > node.coldest + GIVEN_UP_C;
                    h.w -= if goes_on { GOES_ON } else { 0.0 };
                    h.kf.x[0] = c;
                    // Drawn curd, and whey that is over, leave the probe in the cold:
                    // one that stays as warm as the milk was is still in the kettle.
                    let stage = self.grammar.slots[node.slot].stage;
                    let drawn = stage == Stage::Drawing || (stage == Stage::Idle && h.node != 0);
                    h.kf.x[1] = h.kf.x[1].min(c);
                    if drawn && self.bin - h.entered >= 4 && !falls && !is_air(c, h.away_celsius) {
                        h.w -= 1.0;
                    }
                }
                continue;
            }
            let age = self.bin - h.entered;
            let stage = self.grammar.slots[node.slot].stage;
            let cooled = (COOLS_C * self.bin.saturating_sub(h.cooked) as f64).clamp(0.0, MOST_COOLED_C);
            if bin.celsius.is_some_and(|c| !self.grammar.may_stand_at(node, c, cooled)) {
                h.w -= if h.is_laid_aside() { TEMPER * h.owes(1.0 / TEMPER) } else { 1.0 };
            }
            if node.phase == Phase::Pause && stage == Stage::Warming && age > PAUSES_BINS {
                h.w -= 0.5;
            }
            // Heat that holds a temperature does not raise it by much.
            let holds = matches!(node.phase, Phase::Reheat | Phase::GelHeat);
            if holds && bin.celsius.is_some_and(|c| c > h.away_celsius + REHEATS_C) {
                h.w -= 0.5;
            }
            // Heat that goes on beyond the target is the next one's.
            let beyond = |target: f64| bin.celsius.is_some_and(|c| c > target + BEYOND_C);
            if node.phase == Phase::Ramp && stage == Stage::Cooking && node.target.is_some_and(beyond) {
                h.w -= 0.4;
            }
            let mut bin = *bin;
            bin.away &= h.milk_since < away_since;
            let place = Place { stage, node };
            h.w += TEMPER * weigh_one(h, &place, age, &bin, air, &scatter);
        }
    }

    fn prune(&mut self) {
        let best = self.hyps.iter().map(|h| h.w).fold(f64::NEG_INFINITY, f64::max);
        let mut floor = best - PRUNE;
        if self.hyps.len() > MOST {
            let mut ws: Vec<f64> = self.hyps.iter().map(|h| h.w).collect();
            let (_, nth, _) = ws.select_nth_unstable_by(MOST, |a, b| b.total_cmp(a));
            floor = floor.max(*nth);
        }
        // The best of each phase stays, far behind or not: a belief that is
        // wrong now must be able to come back.
        let mut top = [f64::NEG_INFINITY; MOST_NODES];
        for h in &self.hyps {
            top[h.node] = top[h.node].max(h.w);
        }
        self.hyps.retain(|h| h.w >= floor || (h.w >= top[h.node] && h.w > best - 45.0));
        let mut total = 0.0;
        for h in &mut self.hyps {
            h.p = libm::exp(h.w - best);
            total += h.p;
        }
        let ln = best + libm::log(total);
        for h in &mut self.hyps {
            h.w -= ln;
            h.p /= total;
        }
    }

    /// Forgets what has not entered that slot by `by_s`, engine seconds, where something has.
    pub fn keep_entered(&mut self, slot: usize, by_s: f64) {
        let by = (by_s - self.second_of(0.0)) / BIN_S;
        let entered = |h: &Hypothesis| h.path[slot] > NEVER && f64::from(h.path[slot]) <= by;
        if self.hyps.iter().any(entered) {
            self.hyps.retain(entered);
        }
    }

    /// Probability of being in phases like these.
    pub fn mass(&self, like: impl Fn(&Node) -> bool) -> f64 {
        let sum: f64 = self.hyps.iter().filter(|h| like(&self.grammar.nodes[h.node])).map(|h| h.p).sum();
        sum.min(1.0)
    }

    /// Probability that the last phase of all was reached so many bins ago.
    pub fn over(&self, bins: i64) -> f64 {
        let last = self.grammar.nodes.len() - 1;
        let over = |h: &&Hypothesis| h.node == last && self.bin - h.entered >= bins;
        self.hyps.iter().filter(over).map(|h| h.p).sum::<f64>().min(1.0)
    }

    /// Teaches how much a stirred and heated bin scatters beyond the sensor.
    pub fn teach_fire(&mut self, slow_var: f64, white_var: f64) {
        let extra = (slow_var - white_var).clamp(0.01 * 0.01, 0.3 * 0.3);
        self.var_fire += 0.05 * (extra - self.var_fire);
    }
}

#[cfg(test)]
mod brute_force;
